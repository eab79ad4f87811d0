//! The same features from a log: one knock level per sample, with what is known of the moment.

use crate::read::log::{Column, Log};
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
    pub of: Option<crate::read::log::Of>,
    /// Volts, counts and the like: statistics take 20 log10 of it.
    pub linear: bool,
}

/// Why a sample is not learnt from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum LeftOut {
    /// Speed changes too fast.
    Transient,
    /// Coolant under 60 degC: clearances and fuel differ (common practice, no source).
    Cold,
    /// Throttle shut above idle: overrun.
    Overrun,
}

/// One sample of one level column.
#[derive(Debug, Clone, Copy, PartialEq)]
#[allow(missing_docs)]
pub struct Cell {
    pub row: usize,
    pub t_s: f64,
    /// Seconds to the next sample of the column.
    pub step_s: f64,
    pub rpm: f64,
    /// dB, or 20 log10 of a linear level.
    pub level: f64,
    pub left_out: Option<LeftOut>,
}

const SLOWEST_RPM: f64 = 400.0;
const COLD_DEGC: f64 = 60.0;
const OVERRUN_THROTTLE: f64 = 2.0;
const OVERRUN_RPM: f64 = 1500.0;

/// The level columns of a log. A column is linear unless its unit says dB or it holds values that no linear level can
/// have (below zero).
pub fn levels(log: &Log) -> Vec<LevelColumn<'_>> {
    let is_db = |column: &Column| {
        let named = column.unit.as_deref().is_some_and(|unit| unit.to_lowercase().contains("db"));
        named || column.values.iter().any(|value| *value < 0.0)
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

/// Samples of a level column at a known speed.
pub fn cells<'a>(log: &'a Log, level: &'a LevelColumn<'a>) -> impl Iterator<Item = Cell> + 'a {
    let speed = log.first(Role::Speed);
    let coolant = log.first(Role::Coolant);
    let throttle = log.first(Role::Throttle);
    let at = |column: Option<&Column>, row: usize| column.and_then(|column| column.values.get(row)).copied();
    log.t_s.iter().enumerate().filter_map(move |(row, &t_s)| {
        let rpm = at(speed, row).filter(|rpm| *rpm >= SLOWEST_RPM)?;
        let value = at(Some(level.column), row).filter(|value| value.is_finite())?;
        let level = if level.linear { if value > 0.0 { 20.0 * value.log10() } else { return None } } else { value };
        let next_s = log.t_s.get(row + 1).copied().unwrap_or(t_s);
        let before = row.checked_sub(1).and_then(|row| Some((at(speed, row)?, *log.t_s.get(row)?)));
        let rpm_per_s = before.map_or(0.0, |(old, old_s)| if t_s > old_s { (rpm - old) / (t_s - old_s) } else { 0.0 });
        let left_out = if rpm_per_s.abs() > f64::from(super::level::TRANSIENT_RPM_PER_S) {
            Some(LeftOut::Transient)
        } else if at(coolant, row).is_some_and(|degc| degc < COLD_DEGC) {
            Some(LeftOut::Cold)
        } else if rpm > OVERRUN_RPM && at(throttle, row).is_some_and(|share| share < OVERRUN_THROTTLE) {
            Some(LeftOut::Overrun)
        } else {
            None
        };
        Some(Cell { row, t_s, step_s: (next_s - t_s).clamp(0.0, 1.0), rpm, level, left_out })
    })
}
