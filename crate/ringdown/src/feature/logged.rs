//! The same features from a log: one knock level per sample, with what is known of the moment.

use super::drive::Drive;
use super::stretch::Stretches;
use crate::read::log::{Column, Log, Of};
use crate::read::roles::Role;

/// A level column made ready for statistics.
pub struct LevelColumn<'a> {
    /// The column.
    pub column: &'a Column,
    /// Its name.
    pub name: String,
    /// Its unit as logged.
    pub unit: Option<String>,
    /// What it belongs to.
    pub of: Option<Of>,
    /// Volts, counts and the like: statistics take 20 log10 of it.
    pub linear: bool,
}

/// One sample of one level column.
#[derive(Debug, Clone, Copy, PartialEq)]
#[allow(missing_docs)]
pub struct Cell {
    pub row: usize,
    pub t_s: f64,
    /// Seconds to the next row.
    pub step_s: f64,
    pub rpm: f64,
    /// dB, or 20 log10 of a linear level.
    pub level: f64,
    /// Nothing upset it, and the engine ran in a way that a floor may be learnt from.
    pub learnt_from: bool,
}

/// Below it no floor is looked for.
const SLOWEST_RPM: f64 = 400.0;

/// The level columns of a log. A column is linear unless its unit says dB or it holds values that no linear level can
/// have (below zero).
pub fn levels(log: &Log) -> Vec<LevelColumn<'_>> {
    let is_db = |column: &Column| {
        let named = column.unit.as_deref().is_some_and(|unit| unit.to_lowercase().contains("db"));
        named || column.figures.low < 0.0
    };
    let of_role = log.columns.iter().filter(|column| column.role == Role::Level);
    of_role
        .map(|column| LevelColumn {
            column,
            name: column.name.clone(),
            unit: column.unit.clone(),
            of: column.of,
            linear: !is_db(column),
        })
        .collect()
}

impl LevelColumn<'_> {
    /// Level of a row for statistics: dB, or 20 log10 of a linear level; `None` where missing or nothing.
    pub fn at(&self, row: usize) -> Option<f64> {
        to_statistics(self.column.values.get(row)?, self.linear)
    }
}

/// A logged level as dB; `None` where missing or nothing.
pub fn to_statistics(value: f64, linear: bool) -> Option<f64> {
    match linear {
        _ if !value.is_finite() => None,
        true => (value > 0.0).then(|| 20.0 * value.log10()),
        false => Some(value),
    }
}

/// Samples of a level column at a known speed.
pub fn cells<'a>(
    drive: &'a Drive<'a>,
    stretches: &'a Stretches,
    level: &'a LevelColumn<'a>,
) -> impl Iterator<Item = Cell> + 'a {
    drive.t_s.iter().enumerate().filter_map(move |(row, &t_s)| {
        let rpm = drive.rpm.get(row).copied().filter(|rpm| *rpm >= SLOWEST_RPM)?;
        let level = level.at(row)?;
        let next_s = drive.t_s.get(row + 1).copied().unwrap_or(t_s);
        let step_s = (next_s - t_s).clamp(0.0, 1.0);
        Some(Cell { row, t_s, step_s, rpm, level, learnt_from: stretches.is_learnt_from(row) })
    })
}
