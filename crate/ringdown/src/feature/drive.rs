//! How the engine was driven, row by row of a log: speed and throttle without holes, their slopes, who is missing.

use crate::read::log::{Column, Log};
use crate::read::roles::Role;
use crate::stats::robust::{Definition, quantile};

/// A value stands for later rows of a column logged more seldom, at most so long, s.
const HOLD_S: f64 = 1.0;
/// The slope of the speed is taken over so many seconds to each side, at least one row.
const SLOPE_S: f64 = 0.15;
/// Rows to one side of a row that are looked at, whatever their times say (a clock may stand still).
const MOST_ROWS: usize = 512;
/// Values looked at for the ends of a column's range.
const SOME: usize = 20_000;

/// Speed, demand and the rest of a log, one value a row; NaN where not known.
pub struct Drive<'a> {
    /// The log.
    pub log: &'a Log,
    /// Seconds of each row.
    pub t_s: &'a [f64],
    /// Engine speed, 1/min.
    pub rpm: Vec<f64>,
    /// Its slope, 1/min per second.
    pub rpm_per_s: Vec<f64>,
    /// What the driver asks for, 0 shut to 1 open: throttle, or load where no throttle is logged; `None` without either.
    pub demand: Option<Demand>,
    /// Median step of the time, s.
    pub step_s: f64,
}

/// The driver's wish.
pub struct Demand {
    /// 0 to 1, one a row.
    pub share: Vec<f64>,
    /// At or below it the throttle is shut; `None` where the log never shows it shut.
    pub shut: Option<f64>,
    /// The column it comes from.
    pub role: Role,
}

impl<'a> Drive<'a> {
    /// Fills holes and takes slopes; `None` without a speed column.
    pub fn of(log: &'a Log) -> Option<Drive<'a>> {
        let t_s = log.t_s.as_slice();
        let rpm = held(t_s, log.first(Role::Speed)?);
        let rpm_per_s = slopes(t_s, &rpm);
        let demand = Demand::of(log, Role::Throttle).or_else(|| Demand::of(log, Role::Load));
        let span_s = t_s.last().copied().unwrap_or(0.0) - t_s.first().copied().unwrap_or(0.0);
        let mean_s = span_s / t_s.len().max(2) as f64;
        let step_s = log.rate_hz().map_or(mean_s, |rate_hz| 1.0 / rate_hz).clamp(1e-4, 10.0);
        Some(Drive { log, t_s, rpm, rpm_per_s, demand, step_s })
    }

    /// Rows within `from_s..=to_s` of a row (negative: before it); always holds the row itself and, to a side that has
    /// any reach, at least one neighbour.
    pub fn around(&self, row: usize, from_s: f64, to_s: f64) -> std::ops::Range<usize> {
        let Some(&at_s) = self.t_s.get(row) else { return 0..0 };
        let mut first = row;
        while first > 0 && row - first < MOST_ROWS && self.t_s[first - 1] >= at_s + from_s {
            first -= 1;
        }
        let mut end = row + 1;
        while end < self.t_s.len() && end - row < MOST_ROWS && self.t_s[end] <= at_s + to_s {
            end += 1;
        }
        let first = if from_s < 0.0 { first.min(row.saturating_sub(1)) } else { row };
        let end = if to_s > 0.0 { end.max(row + 2) } else { row + 1 };
        first..end.min(self.t_s.len())
    }

    /// Demand at a row; NaN where not known.
    pub fn demand_at(&self, row: usize) -> f64 {
        self.demand.as_ref().and_then(|demand| demand.share.get(row)).copied().unwrap_or(f64::NAN)
    }

    /// Whether the throttle is shut; `None` where nothing tells.
    pub fn is_shut(&self, row: usize) -> Option<bool> {
        let demand = self.demand.as_ref()?;
        let share = demand.share.get(row).copied().filter(|share| share.is_finite())?;
        Some(share <= demand.shut?)
    }

    /// Roles that would tell more about the driving and are not in the log.
    pub fn missing(&self) -> Vec<Role> {
        let wanted =
            [Role::Throttle, Role::Load, Role::Gear, Role::Ignition, Role::Correction, Role::Cut, Role::Coolant];
        wanted.into_iter().filter(|role| self.log.first(*role).is_none()).collect()
    }
}

/// A column with its holes filled by the value before, for [`HOLD_S`] at most.
#[inline(never)] // a browser makes code fast between two calls, not while it runs
pub fn held(t_s: &[f64], column: &Column) -> Vec<f64> {
    let mut values = column.values.to_vec();
    values.resize(t_s.len(), f64::NAN);
    let mut last = (f64::NAN, f64::NEG_INFINITY);
    for (value, t_s) in values.iter_mut().zip(t_s) {
        if value.is_finite() {
            last = (*value, *t_s);
        }
        *value = if t_s - last.1 <= HOLD_S { last.0 } else { f64::NAN };
    }
    values
}

fn slopes(t_s: &[f64], rpm: &[f64]) -> Vec<f64> {
    let (mut from, mut to) = (0, 0);
    let n = rpm.len().min(t_s.len());
    let slope = |row: usize| {
        while t_s[from] < t_s[row] - SLOPE_S {
            from += 1;
        }
        to = to.max(row);
        while to + 1 < n && t_s[to + 1] <= t_s[row] + SLOPE_S {
            to += 1;
        }
        let (a, b) = (from.min(row.saturating_sub(1)), to.max(row + 1).min(n - 1));
        let seconds = t_s[b] - t_s[a];
        if seconds > 0.0 && seconds < 2.0 { (rpm[b] - rpm[a]) / seconds } else { 0.0 }
    };
    (0..n).map(slope).collect()
}

impl Demand {
    /// Per cent, a share, volts or degrees of throttle; any load over its own range.
    fn of(log: &Log, role: Role) -> Option<Demand> {
        let column = log.first(role)?;
        let values = held(&log.t_s, column);
        let (low, high) = range(values.iter().copied())?;
        let in_percent = column.unit.as_deref().is_some_and(|unit| unit.contains('%'));
        let (zero, full) = match role {
            Role::Throttle if in_percent || (high > 20.0 && high <= 110.0) => (0.0, 100.0),
            Role::Throttle if low >= -0.05 && high <= 1.05 => (0.0, 1.0),
            _ => (low, high),
        };
        if full <= zero {
            return None;
        }
        let share: Vec<f64> = values.iter().map(|value| (value - zero) / (full - zero)).collect();
        let (low, high) = ((low - zero) / (full - zero), (high - zero) / (full - zero));
        // Without a wide range nothing says that its lower end is a shut throttle.
        let shut = (high - low >= 0.2 && low <= 0.15).then_some(low + 0.03 * (high - low) + 0.01);
        let shut =
            shut.filter(|shut| role == Role::Throttle || is_overrun(column.unit.as_deref(), zero, *shut, &share));
        Some(Demand { share, shut, role })
    }
}

/// Whether the lowest load of a log is that of a shut throttle, and not just the lightest load that was driven: under
/// 38 kPa in the manifold or a fifth of full load (common practice, no source); in any other unit where it is rare.
fn is_overrun(unit: Option<&str>, lowest: f64, shut: f64, share: &[f64]) -> bool {
    match unit {
        Some("kPa") => lowest < 38.0,
        Some(unit) if unit.contains('%') => lowest < 20.0,
        _ => share.iter().filter(|share| **share <= shut).count() * 4 < share.len(),
    }
}

/// 1 % and 99 % quantile; `None` of nothing.
pub fn range(values: impl ExactSizeIterator<Item = f64>) -> Option<(f64, f64)> {
    let step = values.len() / SOME + 1;
    let mut some: Vec<f64> = values.step_by(step).filter(|value| value.is_finite()).collect();
    some.sort_unstable_by(f64::total_cmp);
    Some((quantile(&some, 0.01, Definition::Linear)?, quantile(&some, 0.99, Definition::Linear)?))
}
