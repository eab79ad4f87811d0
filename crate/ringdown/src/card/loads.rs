//! Load breakpoints where load is known all through, moves the floor, and the sheet lists none.

use super::recording::Recording;
use super::{Card, File, LearntFrom, Mark};
use crate::limit::floor::{Floor, NEAR_RPM, NEEDED_NEAR, Observation};
use crate::limit::proof::nearest;
use crate::stats::robust::median;

/// Loads must be known for so much of safe running.
const KNOWN: f64 = 0.9;
/// They must spread over this share of the highest.
const LEAST_SPAN: f64 = 0.2;
/// Every load must fill so many of the cells that all loads together fill: so many as a handful of pulls must.
const FILLED: f64 = 0.8;
/// A floor that moves by less than so many spreads between loads is one floor.
const MOVES_SPREADS: f64 = 0.5;
/// Most load breakpoints proposed.
const MOST: usize = 4;

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
    pub(super) fn loads_worth_parting(&self) -> Vec<f64> {
        let Some(side) = self.outcome().map(|outcome| &outcome.side) else { return Vec::new() };
        if self.listed_loads().is_some() || side.source != LearntFrom::Safe {
            return Vec::new();
        }
        let all: Vec<(&File, &Recording)> = self.recordings().filter(|(_, r)| r.levels.is_some()).collect();
        let (mut known, mut safe) = (Vec::new(), 0);
        for (file, recording) in self.pooled(&all) {
            let observed = self.safe_levels(file, recording, &side.groups);
            safe += observed.len();
            known.extend(observed.into_iter().filter_map(|one| Some((one, self.known_load(file, one.t_s)?))));
        }
        if known.is_empty() || (known.len() as f64) < KNOWN * safe as f64 {
            return Vec::new();
        }
        let proposed = (2..=MOST).rev().map(|count| even(&known, count));
        let carried = |loads: &Vec<f64>| is_covered(&known, loads, &side.floor, &side.breakpoints, side.groups.len());
        let worth = |loads: &Vec<f64>| loads.len() > 1 && carried(loads) && moves(&known, loads, &side.floor);
        proposed.into_iter().find(worth).unwrap_or_default()
    }
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

/// Whether each load by itself fills enough of the cells that all together fill.
fn is_covered(
    known: &[(Observation, f64)],
    loads: &[f64],
    floor: &Floor,
    breakpoints_rpm: &[f64],
    groups: usize,
) -> bool {
    let cells = || (0..groups as u16).flat_map(|group| breakpoints_rpm.iter().map(move |rpm| (group, *rpm)));
    let held: Vec<(u16, f64)> = cells().filter(|(group, rpm)| floor.at(*group, *rpm).is_some()).collect();
    let filled = |own: usize| {
        let near = |group: u16, rpm: f64| {
            let is_near = |one: &Observation| one.group == group && (f64::from(one.rpm) - rpm).abs() <= NEAR_RPM;
            known.iter().filter(|(one, load)| is_near(one) && nearest(loads, *load) == Some(own)).count() as f64
        };
        held.iter().filter(|(group, rpm)| near(*group, *rpm) >= NEEDED_NEAR).count() as f64
    };
    !held.is_empty() && (0..loads.len()).all(|own| filled(own) >= FILLED * held.len() as f64)
}

/// Whether the middle of the levels over the common floor differs between the loads.
fn moves(known: &[(Observation, f64)], loads: &[f64], floor: &Floor) -> bool {
    let height = |one: &Observation| {
        let at = floor.at(one.group, f64::from(one.rpm))?;
        Some((f64::from(one.level) - at.level) / at.spread)
    };
    let middle = |own: usize| {
        let of_load = known.iter().filter(|(_, load)| nearest(loads, *load) == Some(own));
        median(&of_load.filter_map(|(one, _)| height(one)).collect::<Vec<f64>>())
    };
    let middles: Vec<f64> = (0..loads.len()).filter_map(middle).collect();
    let (low, high) = (
        middles.iter().copied().fold(f64::INFINITY, f64::min),
        middles.iter().copied().fold(f64::NEG_INFINITY, f64::max),
    );
    high - low > MOVES_SPREADS
}
