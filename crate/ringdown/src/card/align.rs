//! A recording and a log of the same run laid over each other by their speeds.

use super::{Card, FileId};
use crate::crank::{Source, Track};
use crate::read::roles::Role;
use crate::read::values::Values;
use crate::stats::order::Arrange;
use crate::stats::robust::median;

/// How a log's clock runs beside a recording's: log time = recording time + `offset_s` + `drift` x (recording time -
/// `middle_s`).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Alignment {
    /// Log time less recording time at `middle_s`.
    pub offset_s: f64,
    /// Seconds the log gains a second; 0 where not known.
    pub drift: f64,
    /// Both share time enough to tell the drift.
    pub drift_known: bool,
    /// Middle of what both hold, in the recording's time.
    pub middle_s: f64,
    /// Median relative difference of the speeds laid over each other.
    pub residual: f64,
}

impl Alignment {
    /// Log time of a recording's time.
    pub fn log_s(&self, t_s: f64) -> f64 {
        t_s + self.offset_s + self.drift * (t_s - self.middle_s)
    }
}

/// Why a recording and a log are not laid over each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Apart {
    /// No speed on one side, or too little of it.
    NoSpeed,
    /// Nowhere do the speeds agree.
    NoOverlap,
    /// Two places fit equally well.
    Ambiguous,
}

/// What the log says at a moment of a recording.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Context {
    /// Load in the log's unit.
    pub load: Option<f64>,
    /// Ignition, degrees before TDC.
    pub ignition_deg_btdc: Option<f64>,
    /// The control unit's correction, degrees.
    pub correction_deg: Option<f64>,
    /// Coolant, degrees Celsius.
    pub coolant_c: Option<f64>,
    /// Intake air, degrees Celsius.
    pub air_c: Option<f64>,
}

/// Seconds between points compared.
const STEP_S: f64 = 0.1;
/// Most points of the recording tried at every offset.
const MOST_POINTS: usize = 1200;
/// Most points of either side: twelve hours.
const LONGEST: usize = 432_000;
/// Least common time, s.
const LEAST_S: f64 = 8.0;
/// Differences of the logarithm count at most so much: a gear change a moment late is no other run.
const MOST_APART: f64 = 0.1;
/// Mean difference beyond which the speeds do not agree.
const AGREE: f64 = 0.03;
/// Another place as good within this is a second fit, if it gets worse by half as much again in between.
const AS_GOOD: f64 = 0.012;
const BETWEEN: f64 = 1.5 * AS_GOOD;
/// A place that fits for so long to one side tells no moment, s.
const WIDEST_S: f64 = 4.0;
/// Speeds that differ for so long at one place and agree at another tell the two apart, s.
const TELLS_S: f64 = 1.5;
/// The least squares start from a place that is at most so far off, s.
const FARTHEST_S: f64 = 4.0;
/// Least spread of the logarithm of speed: a steady speed fits everywhere.
const LEAST_SPREAD: f64 = 0.03;
/// Common time from which drift is worth estimating, s.
const DRIFT_FROM_S: f64 = 60.0;
/// Rows of a log further apart leave a gap.
const GAP_S: f64 = 2.0;
/// Rows without a value that are passed on the way to the nearest one with.
const MOST_ROWS: usize = 256;

/// Lays a log's speed (`log_t_s` rising, 1/min) over a recording's track.
///
/// # Errors
/// Why it can't be done.
pub fn align(track: &Track, log_t_s: &[f64], log_rpm: &[f64]) -> Result<Alignment, Apart> {
    let rows = rows(log_t_s, log_rpm);
    let end_s = track.segments.last().and_then(|segment| segment.span_s()).ok_or(Apart::NoSpeed)?.1;
    let first_s = rows.first().ok_or(Apart::NoSpeed)?.0;
    let log_count = ((rows.last().map_or(0.0, |row| row.0) - first_s) / STEP_S) as usize;
    let count = (end_s / STEP_S) as usize;
    if count > LONGEST || log_count > LONGEST {
        return Err(Apart::NoSpeed);
    }
    let recorded: Vec<f64> = (0..count).map(|i| track.rpm_at(i as f64 * STEP_S).map_or(f64::NAN, f64::ln)).collect();
    let logged: Vec<f64> = (0..log_count).map(|i| ln_at(&rows, first_s + i as f64 * STEP_S)).collect();
    let start = coarse(&recorded, &logged)?;
    refine(track, &rows, first_s + start as f64 * STEP_S, end_s)
}

/// Rows with a time and a speed.
fn rows(t_s: &[f64], rpm: &[f64]) -> Vec<(f64, f64)> {
    let usable = |(t, rpm): &(f64, f64)| t.is_finite() && rpm.is_finite() && *rpm > 100.0;
    let mut rows: Vec<(f64, f64)> = t_s.iter().copied().zip(rpm.iter().copied()).filter(usable).collect();
    rows.arrange(|a, b| a.0.total_cmp(&b.0));
    rows.dedup_by(|a, b| a.0 <= b.0);
    rows
}

/// Logarithm of speed between rows; NaN in gaps and outside.
fn ln_at(rows: &[(f64, f64)], t_s: f64) -> f64 {
    let after = rows.partition_point(|row| row.0 <= t_s);
    let (Some(a), Some(b)) = (after.checked_sub(1).and_then(|at| rows.get(at)), rows.get(after)) else {
        return f64::NAN;
    };
    if b.0 - a.0 > GAP_S {
        return f64::NAN;
    }
    (a.1 + (b.1 - a.1) * (t_s - a.0) / (b.0 - a.0)).ln()
}

/// Steps by which the recording's start lies after the log's first row.
fn coarse(recorded: &[f64], logged: &[f64]) -> Result<i64, Apart> {
    let known: Vec<(i64, f64)> =
        recorded.iter().enumerate().filter(|(_, ln)| ln.is_finite()).map(|(i, ln)| (i as i64, *ln)).collect();
    let stride = known.len().div_ceil(MOST_POINTS).max(1);
    let points: Vec<(i64, f64)> = known.into_iter().step_by(stride).collect();
    let least = (LEAST_S / STEP_S) as usize / stride;
    if points.len() < least.max(2) || logged.len() * stride < least {
        return Err(Apart::NoSpeed);
    }
    // Most of the shorter side must take part: a few steady seconds fit anywhere.
    let finite = logged.iter().filter(|ln| ln.is_finite()).count();
    let wanted = least.max(points.len().min(finite / stride) / 2);
    let fit = |shift: i64| -> Option<f64> {
        let (mut sum, mut count, mut total, mut squares) = (0.0, 0.0, 0.0, 0.0);
        for (index, ln) in &points {
            let Some(other) = usize::try_from(index + shift).ok().and_then(|at| logged.get(at)) else { continue };
            if other.is_finite() {
                sum += (ln - other).abs().min(MOST_APART);
                count += 1.0;
                total += ln;
                squares += ln * ln;
            }
        }
        let spread = (squares / count - (total / count) * (total / count)).max(0.0).sqrt();
        (count >= wanted as f64 && spread > LEAST_SPREAD).then_some(sum / count)
    };
    let shifts = -(recorded.len() as i64)..logged.len() as i64;
    let fits: Vec<(i64, f64)> = shifts.filter_map(|shift| Some((shift, fit(shift)?))).collect();
    let Some(at) = (0..fits.len()).min_by(|&a, &b| fits[a].1.total_cmp(&fits[b].1)) else {
        return Err(if is_steady(&points) { Apart::Ambiguous } else { Apart::NoOverlap });
    };
    let long = ((TELLS_S / STEP_S) as usize).div_ceil(stride).max(2);
    only_one(&fits, at, |place, other| {
        tells_apart(&points, logged, long, place, other) && !tells_apart(&points, logged, long, other, place)
    })
}

/// Whether somewhere `long` points in a row agree at `place` and are far apart at `other`: like pulls fit one over the next,
/// but not the idling before the first and after the last.
fn tells_apart(points: &[(i64, f64)], logged: &[f64], long: usize, place: i64, other: i64) -> bool {
    let apart = |index: i64, ln: f64, shift: i64| {
        let logged = usize::try_from(index + shift).ok().and_then(|at| logged.get(at))?;
        Some((ln - logged).abs()).filter(|apart| apart.is_finite())
    };
    let mut held = 0;
    points.iter().any(|&(index, ln)| {
        let (here, there) = (apart(index, ln, place), apart(index, ln, other));
        let tells = here.is_some_and(|apart| apart < AGREE) && there.is_some_and(|apart| apart > MOST_APART);
        held = if tells { held + 1 } else { 0 };
        held >= long
    })
}

/// Whether a speed hardly changes: it fits everywhere.
fn is_steady(points: &[(i64, f64)]) -> bool {
    let values: Vec<f64> = points.iter().map(|point| point.1).collect();
    let mean = values.iter().sum::<f64>() / values.len().max(1) as f64;
    values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() <= LEAST_SPREAD.powi(2) * values.len() as f64
}

/// The best place, `fits[at]`, if it is good, narrow and no other is as good that it is not `told_from`.
fn only_one(fits: &[(i64, f64)], at: usize, told_from: impl Fn(i64, i64) -> bool) -> Result<i64, Apart> {
    let &(place, least) = fits.get(at).filter(|best| best.1 < AGREE).ok_or(Apart::NoOverlap)?;
    let (before, after) = (&fits[..at], &fits[at + 1..]);
    // Tries lie side by side wherever the speeds share time enough; where they don't, the place has ended, too.
    let inside = |(step, fit): &(usize, &(i64, f64))| {
        fit.1 < least + BETWEEN && (fit.0 - place).unsigned_abs() as usize == step + 1
    };
    let left = before.iter().rev().enumerate().take_while(inside).count();
    let right = after.iter().enumerate().take_while(inside).count();
    let mut elsewhere = before[..at - left].iter().chain(&after[right..]);
    let widest = (WIDEST_S / STEP_S) as usize;
    let rivalled = elsewhere.any(|other| other.1 < least + AS_GOOD && !told_from(place, other.0));
    if rivalled || left > widest || right > widest { Err(Apart::Ambiguous) } else { Ok(place) }
}

/// Offset and drift of least squares (Gauss-Newton on the logarithm of speed), differences far out left aside.
fn refine(track: &Track, rows: &[(f64, f64)], offset_s: f64, end_s: f64) -> Result<Alignment, Apart> {
    let times: Vec<f64> = (0..(end_s / (0.5 * STEP_S)) as usize).map(|i| i as f64 * 0.5 * STEP_S).collect();
    let points: Vec<(f64, f64)> = times.into_iter().filter_map(|t| Some((t, track.rpm_at(t)?.ln()))).collect();
    let common: Vec<f64> =
        points.iter().map(|point| point.0).filter(|t| ln_at(rows, t + offset_s).is_finite()).collect();
    let (from_s, to_s) = common.first().zip(common.last()).map(|(a, b)| (*a, *b)).ok_or(Apart::NoOverlap)?;
    let mut found =
        Alignment { offset_s, drift: 0.0, drift_known: false, middle_s: 0.5 * (from_s + to_s), residual: f64::NAN };
    let drifts = to_s - from_s > DRIFT_FROM_S;
    for round in 0..12 {
        let most = if round < 3 { MOST_APART } else { 0.03 };
        let (mut ss, mut st, mut tt, mut sy, mut ty) = (0.0, 0.0, 0.0, 0.0, 0.0);
        let mut misses = Vec::new();
        for &(t_s, ln) in &points {
            let at_s = found.log_s(t_s);
            let miss = ln - ln_at(rows, at_s);
            let slope = (ln_at(rows, at_s + 0.05) - ln_at(rows, at_s - 0.05)) / 0.1;
            if !(miss.is_finite() && slope.is_finite()) {
                continue;
            }
            misses.push(miss.abs());
            if miss.abs() < most {
                let along = slope * (t_s - found.middle_s);
                ss += slope * slope;
                st += slope * along;
                tt += along * along;
                sy += slope * miss;
                ty += along * miss;
            }
        }
        found.residual = median(&misses).ok_or(Apart::NoOverlap)?;
        let determinant = ss * tt - st * st;
        if drifts && round >= 2 && determinant > 1e-9 * ss * tt {
            found.offset_s += (sy * tt - ty * st) / determinant;
            found.drift += (ty * ss - sy * st) / determinant;
            found.drift_known = true;
        } else if ss > 0.0 {
            found.offset_s += sy / ss;
        }
    }
    let moved = (found.offset_s - offset_s).abs() > FARTHEST_S || found.drift.abs() > 0.01;
    if moved { Err(Apart::NoOverlap) } else { Ok(found) }
}

/// A log laid over a recording, or why it is not.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Overlay {
    /// The recording.
    pub recording: FileId,
    /// The log.
    pub log: FileId,
    /// How their clocks run beside each other.
    pub found: Result<Alignment, Apart>,
}

/// What the overlays depend on: tracks with their knots and source, logs with their speed column and their length.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Key {
    tracks: Vec<(FileId, usize, Source)>,
    speeds: Vec<(FileId, usize, f64)>,
}

impl Card {
    fn overlay_key(&self) -> Key {
        let tracks = self.recordings().filter_map(|(file, recording)| {
            let crank = recording.crank()?;
            let knots = crank.track.segments.iter().map(|segment| segment.t_s.len()).sum();
            (knots > 0).then_some((file.id, knots, crank.source))
        });
        let speeds = self.logs().filter_map(|(file, log)| {
            Some((file.id, log.first(Role::Speed)?.column, log.t_s.last().copied().filter(|end| end.is_finite())?))
        });
        Key { tracks: tracks.collect(), speeds: speeds.collect() }
    }

    pub(super) fn wants_overlays(&self) -> bool {
        self.overlay_key() != self.overlaid
    }

    /// Lays every log over every recording.
    pub(super) fn lay_over(&mut self) {
        let key = self.overlay_key();
        let mut overlays = Vec::new();
        for (file, recording) in self.recordings() {
            let Some(crank) = recording.crank().filter(|crank| !crank.track.segments.is_empty()) else { continue };
            for (log_file, log) in self.logs() {
                let Some(speed) = log.first(Role::Speed) else { continue };
                let found = align(&crank.track, &log.t_s, &speed.values.to_vec());
                overlays.push(Overlay { recording: file.id, log: log_file.id, found });
            }
        }
        if overlays != self.overlays {
            self.overlays = overlays;
            self.forget_learnt();
            // Where load counts, the search has taken its cycles apart by it.
            self.searched = None;
        }
        self.overlaid = key;
        self.changed.insert(4);
    }

    /// Every recording with every log, in the order of the recordings.
    pub fn overlays(&self) -> &[Overlay] {
        &self.overlays
    }

    /// The log that lies best over a recording.
    pub fn log_beside(&self, recording: FileId) -> Option<(FileId, Alignment)> {
        let own = self.overlays.iter().filter(|overlay| overlay.recording == recording);
        let laid = own.filter_map(|overlay| Some((overlay.log, overlay.found.ok()?)));
        laid.min_by(|a, b| a.1.residual.total_cmp(&b.1.residual))
    }

    /// What the log that lies over a recording says at `t_s` of it; nothing where no log lies over it.
    pub fn context(&self, recording: FileId, t_s: f64) -> Context {
        let Some((id, alignment)) = self.log_beside(recording) else { return Context::default() };
        let Some((_, log)) = self.logs().find(|(file, _)| file.id == id) else { return Context::default() };
        let at_s = alignment.log_s(t_s);
        let value = |role: Role| value_at(&log.t_s, &log.first(role)?.values, at_s);
        Context {
            load: value(Role::Load),
            ignition_deg_btdc: value(Role::Ignition),
            correction_deg: value(Role::Correction),
            coolant_c: value(Role::Coolant),
            air_c: value(Role::Air),
        }
    }
}

/// A column between the rows around `at_s` that hold it: columns logged more seldom leave rows empty.
fn value_at(t_s: &[f64], values: &Values, at_s: f64) -> Option<f64> {
    let after = t_s.partition_point(|row| *row <= at_s);
    let held = |row: &usize| values.get(*row).is_some_and(|value| value.is_finite());
    let near = |row: usize| t_s.get(row).filter(|row_s| (*row_s - at_s).abs() <= GAP_S).map(|row_s| (row, *row_s));
    let (before, a) = (0..after).rev().take(MOST_ROWS).find(held).and_then(near)?;
    let (behind, b) = (after..t_s.len()).take(MOST_ROWS).find(held).and_then(near)?;
    let (from, to) = (values.get(before)?, values.get(behind)?);
    Some(if b > a { from + (to - from) * (at_s - a) / (b - a) } else { from })
}
