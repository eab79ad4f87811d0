//! Proof: recall and false alarms against labels, with exact intervals.

use std::collections::BTreeMap;

use crate::stats::isotonic;
use crate::stats::rate::{Interval, Rate};
use crate::stats::roc::Roc;

/// Ignition steps with fewer events than this take part in the curve but not in the table.
const LEAST_IN_STEP: u64 = 5;
/// Breakpoints of one axis of the coverage map; more are left out.
pub const MOST_BREAKPOINTS: usize = 500;
/// Share over the limit that counts as the border of knock (common practice, no source).
pub const BORDER_SHARE: f64 = 0.01;

/// One judged observation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Judged {
    /// Index of the cylinder or sensor, from 0.
    pub group: u16,
    /// Speed, 1/min.
    pub rpm: f64,
    /// Level over its limit, dB: an alarm where positive.
    pub over_limit_db: f64,
    /// Knock by ear, pressure or mark; `None`: nobody said.
    pub label: Option<bool>,
    /// Ignition angle, degrees before firing TDC, where known.
    pub ignition_deg_btdc: Option<f64>,
}

impl Judged {
    fn alarm(&self) -> bool {
        self.over_limit_db > 0.0
    }
}

/// A rate with its two-sided Clopper-Pearson interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shown {
    /// Counts.
    pub rate: Rate,
    /// Interval at the wanted confidence.
    pub interval: Interval,
}

impl Shown {
    fn of(outcomes: impl IntoIterator<Item = bool>, confidence: f64) -> Option<Shown> {
        let rate = Rate::count(outcomes);
        (rate.trials > 0).then(|| Shown { rate, interval: rate.interval(confidence) })
    }
}

/// Area under the ROC of the height over the limit, with DeLong's interval.
#[derive(Debug, Clone, PartialEq)]
pub struct Separation {
    /// The whole curve.
    pub roc: Roc,
    /// Interval of its area; `None` with a single event in a class.
    pub interval: Option<Interval>,
}

/// One cell of a breakdown.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CellProof {
    /// Index of the cylinder or sensor, from 0.
    pub group: u16,
    /// Speed breakpoint, 1/min.
    pub rpm: f64,
    /// Labelled knock over the limit.
    pub recall: Option<Shown>,
    /// Labelled background over the limit.
    pub false_alarm: Option<Shown>,
    /// Everything over the limit, labelled or not.
    pub over_limit: Option<Shown>,
}

/// One step of an ignition sweep.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SweepStep {
    /// Degrees before firing TDC.
    pub ignition_deg_btdc: f64,
    /// Events over the limit.
    pub over_limit: Shown,
    /// Share of the rising curve through all steps.
    pub rising: f64,
}

/// What the limits are worth.
#[derive(Debug, Clone, PartialEq)]
pub struct Proof {
    /// Labelled knock found; `None` without such labels.
    pub recall: Option<Shown>,
    /// Labelled background called knock; times 1000 it is false alarms per 1000.
    pub false_alarm: Option<Shown>,
    /// Share over the limit, labelled or not.
    pub over_limit: Option<Shown>,
    /// ROC; `None` without both labels.
    pub separation: Option<Separation>,
    /// By group and nearest breakpoint, cells without events left out.
    pub cells: Vec<CellProof>,
    /// By ignition angle, rising; empty where not known.
    pub sweep: Vec<SweepStep>,
    /// Where the rising curve of the sweep passes [`BORDER_SHARE`]: straight between the last step at or below and the
    /// first above. `None` where it does not pass.
    pub border_deg_btdc: Option<f64>,
}

/// Holds judged observations against their labels. Those with a non-finite height are left out.
///
/// * `breakpoints_rpm`: each observation counts for the nearest; empty: no breakdown.
/// * Intervals are Clopper-Pearson at `confidence`, for the area DeLong's; see [`Roc::interval`].
/// * The sweep goes by half degrees; its rising curve is the least-squares isotonic fit weighted by counts (more
///   advance never knocks less).
pub fn proof(judged: &[Judged], breakpoints_rpm: &[f64], confidence: f64) -> Proof {
    let kept: Vec<&Judged> = judged.iter().filter(|j| j.over_limit_db.is_finite()).collect();
    let sweep = sweep(&kept, confidence);
    Proof {
        recall: labelled(&kept, true, confidence),
        false_alarm: labelled(&kept, false, confidence),
        over_limit: Shown::of(kept.iter().map(|j| j.alarm()), confidence),
        separation: separation(&kept, confidence),
        cells: cells(&kept, breakpoints_rpm, confidence),
        border_deg_btdc: border(&sweep),
        sweep,
    }
}

fn labelled(kept: &[&Judged], knock: bool, confidence: f64) -> Option<Shown> {
    Shown::of(kept.iter().filter(|j| j.label == Some(knock)).map(|j| j.alarm()), confidence)
}

fn separation(kept: &[&Judged], confidence: f64) -> Option<Separation> {
    let of =
        |knock: bool| -> Vec<f64> { kept.iter().filter(|j| j.label == Some(knock)).map(|j| j.over_limit_db).collect() };
    let roc = Roc::new(&of(false), &of(true))?;
    Some(Separation { interval: roc.interval(confidence), roc })
}

fn cells(kept: &[&Judged], breakpoints_rpm: &[f64], confidence: f64) -> Vec<CellProof> {
    let mut sorted: BTreeMap<(u16, usize), Vec<&Judged>> = BTreeMap::new();
    for judged in kept {
        if let Some(nearest) = nearest(breakpoints_rpm, judged.rpm) {
            sorted.entry((judged.group, nearest)).or_default().push(judged);
        }
    }
    let cell = |((group, index), own): (&(u16, usize), &Vec<&Judged>)| {
        Some(CellProof {
            group: *group,
            rpm: *breakpoints_rpm.get(*index)?,
            recall: labelled(own, true, confidence),
            false_alarm: labelled(own, false, confidence),
            over_limit: Shown::of(own.iter().map(|j| j.alarm()), confidence),
        })
    };
    sorted.iter().filter_map(cell).collect()
}

/// Index of the nearest breakpoint of speed or load; `None` without one or for a value that is no number.
pub fn nearest(breakpoints: &[f64], value: f64) -> Option<usize> {
    let apart = |b: &f64| (b - value).abs();
    let finite = breakpoints.iter().enumerate().filter(|(_, b)| apart(b).is_finite());
    finite.min_by(|a, b| apart(a.1).total_cmp(&apart(b.1))).map(|(index, _)| index)
}

fn sweep(kept: &[&Judged], confidence: f64) -> Vec<SweepStep> {
    let mut steps: BTreeMap<i32, Rate> = BTreeMap::new();
    for judged in kept {
        let Some(angle) = judged.ignition_deg_btdc.filter(|a| a.abs() < 720.0) else { continue };
        let rate = steps.entry((2.0 * angle).round() as i32).or_insert(Rate { hits: 0, trials: 0 });
        rate.trials += 1;
        rate.hits += u64::from(judged.alarm());
    }
    let shares: Vec<f64> = steps.values().map(|r| r.share().unwrap_or(0.0)).collect();
    let weights: Vec<f64> = steps.values().map(|r| r.trials as f64).collect();
    let rising = isotonic::rising(&shares, &weights);
    let step = |((angle, rate), rising): ((&i32, &Rate), &f64)| SweepStep {
        ignition_deg_btdc: 0.5 * f64::from(*angle),
        over_limit: Shown { rate: *rate, interval: rate.interval(confidence) },
        rising: *rising,
    };
    let all = steps.iter().zip(&rising).map(step);
    all.filter(|s| s.over_limit.rate.trials >= LEAST_IN_STEP).collect()
}

fn border(sweep: &[SweepStep]) -> Option<f64> {
    let passes = |pair: &&[SweepStep]| match pair {
        [a, b] => a.rising <= BORDER_SHARE && b.rising > BORDER_SHARE,
        _ => false,
    };
    match sweep.windows(2).find(passes)? {
        [a, b] => {
            let share = (BORDER_SHARE - a.rising) / (b.rising - a.rising);
            Some(a.ignition_deg_btdc + share * (b.ignition_deg_btdc - a.ignition_deg_btdc))
        }
        _ => None,
    }
}

/// Cycles held against needed in one cell of the coverage map.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CoverageCell {
    /// Speed breakpoint, 1/min.
    pub rpm: f64,
    /// Load breakpoint; `None` where load is not known.
    pub load: Option<f64>,
    /// Cycles held.
    pub cycles: u64,
    /// Cycles needed.
    pub needed: u64,
}

/// Cycles of each cell, every observation `(rpm, load)` counted for its nearest breakpoints. Without load breakpoints,
/// or for observations without load, speed alone counts.
///
/// `needed` is the share of one cell in what all cells need together: pass [`needed_in_all`].
pub fn coverage(observed: &[(f64, Option<f64>)], rpm: &[f64], load: &[f64], needed: u64) -> Vec<CoverageCell> {
    let (rpm, load) = (held(rpm), held(load));
    let rows: Vec<Option<f64>> = if load.is_empty() { vec![None] } else { load.iter().copied().map(Some).collect() };
    let mut counts = vec![0_u64; rpm.len() * rows.len()];
    for (speed, own_load) in observed {
        let Some(column) = nearest(rpm, *speed) else { continue };
        let row = if load.is_empty() { Some(0) } else { own_load.and_then(|l| nearest(load, l)) };
        if let Some(count) = row.and_then(|row| counts.get_mut(row * rpm.len() + column)) {
            *count += 1;
        }
    }
    let cells = counts.len().max(1) as u64;
    let places = rows.iter().flat_map(|load| rpm.iter().map(move |rpm| (*rpm, *load)));
    let each = needed.div_ceil(cells);
    places.zip(counts).map(|((rpm, load), cycles)| CoverageCell { rpm, load, cycles, needed: each }).collect()
}

fn held(breakpoints: &[f64]) -> &[f64] {
    breakpoints.get(..MOST_BREAKPOINTS).unwrap_or(breakpoints)
}

/// Observations that all cells need together so that the largest is a bound without any law: Wilks' count for the
/// wanted rate and confidence (S. S. Wilks, Ann. Math. Stat. 12 (1941) 91); 2995 for 1 in 1000 at 95 %.
pub fn needed_in_all(false_alarm: f64, confidence: f64) -> u64 {
    crate::stats::tolerance::free_count(false_alarm, confidence).unwrap_or(u64::MAX)
}
