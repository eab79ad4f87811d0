//! Load breakpoints where load is known all through, moves the floor, and the sheet lists none.

use super::compare::same_load_unit;
use super::learn::may_knock;
use super::recording::Recording;
use super::{Card, File, Group, LearntFrom, Mark, Side};
use crate::feature::drive::{Drive, held};
use crate::feature::logged;
use crate::limit::floor::{Floor, NEAR_RPM, NEEDED_NEAR, Observation};
use crate::limit::limits::LimitAt;
use crate::limit::plan::{Step, plan};
use crate::limit::proof::nearest;
use crate::read::log::Log;
use crate::read::roles::Role;
use crate::stats::robust::median;
use crate::stats::serial;

/// Loads must be known for so much of safe running.
const KNOWN: f64 = 0.9;
/// They must spread over this share of the highest.
const LEAST_SPAN: f64 = 0.2;
/// Every load must fill so many of the cells that all loads together fill: so many as a handful of pulls must.
const FILLED: f64 = 0.8;
/// A floor that moves by less than so many spreads between loads is one floor.
const MOVES_SPREADS: f64 = 0.5;
/// Samples of the logs looked at, about: of more every second, third, ...
const MOST_SAMPLES: usize = 120_000;
/// Standard error of the median of one normal value, in its deviations: the square root of half of pi (large samples).
const MEDIAN_ERROR: f64 = 1.2533;
/// Most load breakpoints proposed.
const MOST: usize = 4;

/// Whether load parts floor and limits where the sheet lists no breakpoints.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Parting {
    /// Load breakpoints; empty: it does not.
    pub loads: Vec<f64>,
    /// What must be recorded before it can, where load moves the floor.
    pub lacking: Vec<Step>,
}

impl Card {
    /// Load at a moment of a recording: of the marked stretch, else of the log laid over it.
    pub(super) fn known_load(&self, file: &File, t_s: f64) -> Option<f64> {
        let inside = |mark: &&Mark| mark.file == file.input.name && (mark.from_s..mark.to_s).contains(&t_s);
        let marked = self.marks().iter().filter(inside).find_map(|mark| mark.load);
        marked.or_else(|| self.context(file.id, t_s).load).filter(|load| load.is_finite())
    }

    /// Load breakpoints that the recordings' coverage carries: as many, four at most, as leave every one of them the cells
    /// that all loads together fill; none where the sheet lists its own, where load is not known, or where the floor does
    /// not move with it.
    pub(super) fn loads_worth_parting(&self) -> Parting {
        let Some(side) = self.outcome().map(|outcome| &outcome.side).filter(|side| self.may_part(side)) else {
            return Parting::default();
        };
        let all: Vec<(&File, &Recording)> = self.recordings().filter(|(_, r)| r.levels.is_some()).collect();
        let (mut known, mut safe) = (Vec::new(), 0);
        for (file, recording) in self.pooled(&all) {
            let observed = self.safe_levels(file, recording, &side.groups);
            safe += observed.len();
            known.extend(observed.into_iter().filter_map(|one| Some((one, self.known_load(file, one.t_s)?))));
        }
        worth_parting(&known, safe, side)
    }

    /// The same of the logs, where all that are pooled have a load in one unit.
    pub(super) fn log_loads_worth_parting(&self) -> Parting {
        let Some(logs) = self.log_outcome().filter(|logs| self.may_part(&logs.side)) else { return Parting::default() };
        let all: Vec<(&File, &Log)> = self.logs().collect();
        let pooled = self.pooled(&all);
        if !same_load_unit(&pooled) {
            return Parting::default();
        }
        let samples: usize = pooled.iter().map(|(_, log)| log.t_s.len() * logged::levels(log).len()).sum();
        let (mut known, mut safe) = (Vec::new(), 0);
        for (file, log) in pooled.iter().filter(|(file, _)| !may_knock(file.role)) {
            let stretches = logs.stretches.iter().find(|(of, _)| *of == file.id).map(|(_, stretches)| stretches);
            let Some((drive, stretches)) = Drive::of(log).zip(stretches) else { continue };
            let loads = log.first(Role::Load).map(|column| held(drive.t_s, column)).unwrap_or_default();
            for level in logged::levels(log).into_iter().filter(|level| level.unit == logs.unit) {
                let is_own = |group: &Group| group.column.as_deref() == Some(level.name.as_str());
                let Some(group) = logs.side.groups.iter().position(is_own) else { continue };
                let cells = logged::cells(&drive, stretches, &level).filter(|cell| cell.learnt_from);
                for cell in cells.step_by(samples / MOST_SAMPLES + 1) {
                    safe += 1;
                    let Some(load) = loads.get(cell.row).copied().filter(|load| load.is_finite()) else { continue };
                    let (rpm, level) = (cell.rpm as f32, cell.level as f32);
                    known.push((Observation { group: group as u16, rpm, level, t_s: cell.t_s }, load));
                }
            }
        }
        worth_parting(&known, safe, &logs.side)
    }

    fn may_part(&self, side: &Side) -> bool {
        self.listed_loads().is_none() && side.source == LearntFrom::Safe
    }
}

/// The finest loads that the coverage carries and that move the floor, of safe levels whose load is known among all `safe`;
/// where two loads would move it but are not covered, what they lack.
fn worth_parting(known: &[(Observation, f64)], safe: usize, side: &Side) -> Parting {
    if known.is_empty() || (known.len() as f64) < KNOWN * safe as f64 {
        return Parting::default();
    }
    let mut lacking = Vec::new();
    for loads in (2..=MOST).rev().map(|count| even(known, count)).filter(|loads| loads.len() > 1) {
        let parted = parted(known, &loads);
        if moves(&parted, loads.len(), &side.floor) {
            let rows = near(&parted, &loads, side);
            if is_covered(&rows, side) {
                return Parting { loads, lacking: Vec::new() };
            }
            let of_row: Vec<Option<f64>> = rows.iter().map(|(load, _)| Some(*load)).collect();
            let cells: Vec<Vec<LimitAt>> = rows.into_iter().map(|(_, cells)| cells).collect();
            lacking = plan(&cells, &of_row, &side.breakpoints);
        }
    }
    Parting { loads: Vec::new(), lacking }
}

/// Every level with the index of its nearest load.
fn parted(known: &[(Observation, f64)], loads: &[f64]) -> Vec<(Observation, usize)> {
    known.iter().filter_map(|(one, load)| Some((*one, nearest(loads, *load)?))).collect()
}

/// So many breakpoints in the middles of equal parts between the 5 % and the 95 % quantile, rounded; fewer where they fall
/// together, none where the loads hardly differ.
fn even(known: &[(Observation, f64)], count: usize) -> Vec<f64> {
    let mut loads: Vec<f64> = known.iter().map(|(_, load)| *load).collect();
    loads.sort_unstable_by(f64::total_cmp);
    let at = |share: f64| loads.get((share * (loads.len() as f64 - 1.0)) as usize).copied().unwrap_or(0.0);
    let (low, high) = (at(0.05), at(0.95));
    if high - low < LEAST_SPAN * high.abs().max(low.abs()) || high <= low {
        return Vec::new();
    }
    let width = (high - low) / count as f64;
    let step = 10_f64.powf((0.5 * width).log10().floor());
    let mut breakpoints: Vec<f64> =
        (0..count).map(|part| ((low + (part as f64 + 0.5) * width) / step).round() * step).collect();
    breakpoints.dedup();
    breakpoints
}

/// For each load and group the cells of the table: cycles near, and how many a floor lacks, where all loads together hold one.
fn near(parted: &[(Observation, usize)], loads: &[f64], side: &Side) -> Vec<(f64, Vec<LimitAt>)> {
    let mut rows = Vec::new();
    for group in 0..side.groups.len() as u16 {
        let mut own: Vec<(f64, Vec<LimitAt>)> = loads.iter().map(|load| (*load, Vec::new())).collect();
        let of_group = parted.iter().filter(|(one, _)| one.group == group);
        let speeds: Vec<(f64, usize)> = of_group.map(|(one, load)| (f64::from(one.rpm), *load)).collect();
        for rpm in &side.breakpoints {
            let mut counts = vec![0.0; loads.len()];
            let near = speeds.iter().filter(|(own, _)| (own - rpm).abs() <= NEAR_RPM);
            near.for_each(|(_, load)| counts[*load] += 1.0);
            let is_held = side.floor.at(group, *rpm).is_some();
            for ((_, cells), cycles) in own.iter_mut().zip(counts) {
                let more_needed = if is_held { (NEEDED_NEAR - cycles).max(0.0) as u32 } else { 0 };
                cells.push(LimitAt { floor: None, limit: None, cycles, more_needed });
            }
        }
        rows.extend(own);
    }
    rows
}

/// Whether each load by itself fills enough of the cells that all together fill.
fn is_covered(rows: &[(f64, Vec<LimitAt>)], side: &Side) -> bool {
    let cells =
        || (0..side.groups.len() as u16).flat_map(|group| side.breakpoints.iter().map(move |rpm| (group, *rpm)));
    let held = cells().filter(|(group, rpm)| side.floor.at(*group, *rpm).is_some()).count() as f64;
    let lacking = |load: f64| {
        let own = rows.iter().filter(|(of, _)| *of == load);
        own.flat_map(|(_, cells)| cells).filter(|cell| cell.more_needed > 0).count() as f64
    };
    held > 0.0 && rows.iter().all(|(load, _)| held - lacking(*load) >= FILLED * held)
}

/// Whether the middle of the levels over the common floor surely differs between two loads: by more than what levels alike in
/// a row leave open, which matters where few are known.
fn moves(parted: &[(Observation, usize)], loads: usize, floor: &Floor) -> bool {
    let height = |one: &Observation| {
        let at = floor.at(one.group, f64::from(one.rpm))?;
        Some((f64::from(one.level) - at.level) / at.spread)
    };
    let heights: Vec<(u16, usize, f64)> =
        parted.iter().filter_map(|(one, load)| Some((one.group, *load, height(one)?))).collect();
    let of = |load: usize| heights.iter().filter(|one| one.1 == load).map(|one| one.2).collect::<Vec<f64>>();
    let middles: Vec<(usize, f64, usize)> =
        (0..loads).filter_map(|load| Some((load, median(&of(load))?, of(load).len()))).collect();
    let middle = |load: usize| middles.iter().find(|one| one.0 == load).map_or(0.0, |one| one.1);
    let groups = heights.iter().map(|one| one.0).max().unwrap_or(0);
    let series: Vec<Vec<f64>> = (0..=groups)
        .map(|group| {
            let own = heights.iter().filter(|one| one.0 == group);
            own.map(|one| (one.2 - middle(one.1)).clamp(-4.0, 4.0)).collect()
        })
        .collect();
    let inflation = serial::worth_one(series);
    let highest = middles.iter().max_by(|a, b| a.1.total_cmp(&b.1));
    let lowest = middles.iter().min_by(|a, b| a.1.total_cmp(&b.1));
    lowest.zip(highest).is_some_and(|(low, high)| {
        let error = MEDIAN_ERROR * (inflation / low.2 as f64 + inflation / high.2 as f64).sqrt();
        high.1 - low.1 > MOVES_SPREADS + 2.0 * error
    })
}
