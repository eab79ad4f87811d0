//! The control unit's own background, limit and knock flag beside ours, and what a false-alarm rate costs in degrees.

use super::Card;
use super::learn_log::{LogOutcome, Ready};
use crate::feature::cause::Cause;
use crate::feature::drive::held;
use crate::feature::logged::{LevelColumn, to_statistics};
use crate::feature::seen::{Shown, Told, shown};
use crate::read::log::Column;
use crate::read::roles::Role;
use crate::stats::robust::{mad, median};

/// The control unit's figures for one level column.
#[derive(Debug, Clone, PartialEq)]
pub struct Own {
    /// Group of the column.
    pub group: u16,
    /// Whether it holds peaks, and what told it.
    pub shown: (Shown, Told),
    /// Its background over our floor, dB: middle and scatter.
    pub background_db: Option<(f64, f64)>,
    /// Its limit over ours, dB: middle and scatter.
    pub limit_db: Option<(f64, f64)>,
    /// Samples over its own limit.
    pub over_own_limit: Option<usize>,
}

/// Knock flags against our samples over the limit.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Flags {
    /// Times a flag rose.
    pub raised: usize,
    /// Of those, with one of our samples near.
    pub agreed: usize,
    /// Our knocks.
    pub ours: usize,
    /// Of those, with a flag near.
    pub flagged: usize,
}

/// Flag and sample belong together within so long, at least two rows.
const TOGETHER_S: f64 = 0.3;
/// Rows compared at most.
const SOME: usize = 20_000;

/// Everything the control unit itself logged about knock.
pub(super) fn own(outcome: &LogOutcome, ready: &[Ready]) -> (Vec<Own>, Option<Flags>) {
    let mut all: Vec<Own> = Vec::new();
    let mut flags: Option<Flags> = None;
    for log in ready {
        for (group, level) in &log.levels {
            if all.iter().all(|own| own.group != *group) {
                all.push(of_level(outcome, log, *group, level));
            }
        }
        if let Some(more) = of_flags(outcome, log) {
            let sum = flags.get_or_insert_default();
            sum.raised += more.raised;
            sum.agreed += more.agreed;
            sum.ours += more.ours;
            sum.flagged += more.flagged;
        }
    }
    (all, flags)
}

/// The column of a role for a level: its own cylinder's or sensor's, else the only one.
fn partner<'a>(log: &'a Ready, role: Role, level: &LevelColumn) -> Option<&'a Column> {
    let all: Vec<&Column> = log.drive.log.columns.iter().filter(|column| column.role == role).collect();
    let own = all.iter().find(|column| column.of.is_some() && column.of == level.of);
    own.or_else(|| all.first().filter(|_| all.len() == 1)).copied()
}

fn of_level(outcome: &LogOutcome, log: &Ready, group: u16, level: &LevelColumn) -> Own {
    let background = partner(log, Role::Background, level);
    let limit = partner(log, Role::LoggedLimit, level);
    let stride = log.drive.t_s.len() / SOME + 1;
    let against = |column: Option<&Column>, ours: &dyn Fn(f64) -> Option<f64>| {
        let theirs = held(log.drive.t_s, column?);
        let rows = (0..theirs.len()).step_by(stride).filter(|row| log.stretches.is_learnt_from(*row));
        let one = |row: usize| Some(to_statistics(theirs[row], level.linear)? - ours(log.drive.rpm[row])?);
        let apart: Vec<f64> = rows.filter_map(one).collect();
        Some((median(&apart)?, mad(&apart)?)).filter(|_| apart.len() >= 30)
    };
    let side = &outcome.side;
    let floor_at = |rpm: f64| side.floor.at(group, rpm).map(|at| at.level);
    let limit_at = |rpm: f64| side.limits.at(&side.floor, group, rpm).limit;
    let over_own_limit = limit.map(|limit| {
        let theirs = held(log.drive.t_s, limit);
        let over =
            |row: &usize| level.at(*row).zip(to_statistics(theirs[*row], level.linear)).is_some_and(|(a, b)| a > b);
        (0..theirs.len()).filter(over).count()
    });
    Own {
        group,
        shown: shown(&log.drive, &log.stretches, level, background),
        background_db: against(background, &floor_at),
        limit_db: against(limit, &limit_at),
        over_own_limit,
    }
}

fn of_flags(outcome: &LogOutcome, log: &Ready) -> Option<Flags> {
    let columns: Vec<&Column> = log.drive.log.columns.iter().filter(|column| column.role == Role::KnockFlag).collect();
    if columns.is_empty() {
        return None;
    }
    let mut rises: Vec<f64> = Vec::new();
    for column in columns {
        let values = held(log.drive.t_s, column);
        rises.extend((1..values.len()).filter(|row| values[*row] > values[row - 1]).map(|row| log.drive.t_s[row]));
    }
    let mut ours: Vec<f64> = Vec::new();
    let mut any: Vec<f64> = Vec::new();
    for event in outcome.events.iter().filter(|event| event.file == log.file.id) {
        let Some(t_s) = log.drive.t_s.get(event.row) else { continue };
        any.push(*t_s);
        if event.cause == Cause::Knock {
            ours.push(*t_s);
        }
    }
    rises.sort_by(f64::total_cmp);
    any.sort_by(f64::total_cmp);
    let reach_s = TOGETHER_S.max(2.0 * log.drive.step_s);
    let near = |times: &[f64], t_s: f64| {
        let first = times.partition_point(|other| *other < t_s - reach_s);
        times.get(first).is_some_and(|other| *other <= t_s + reach_s)
    };
    Some(Flags {
        raised: rises.len(),
        agreed: rises.iter().filter(|t_s| near(&any, **t_s)).count(),
        ours: ours.len(),
        flagged: ours.iter().filter(|t_s| near(&rises, **t_s)).count(),
    })
}

/// What false alarms take out on average.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cost {
    /// Speed.
    pub rpm: f64,
    /// Mean degrees out of each cylinder; `None` where they come faster than they are given back.
    pub deg: Option<f64>,
}

/// Step and recovery of the control unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Steps {
    /// Degrees taken out at a knock.
    pub retard_deg: f64,
    /// Given back each second.
    pub recovery_deg_per_s: f64,
    /// Typed in on the sheet, not measured.
    pub typed_in: bool,
}

impl Card {
    /// Step and recovery: typed in, else measured from the log's answers.
    pub fn steps(&self) -> Option<Steps> {
        let control = self.sheet().and_then(|sheet| sheet.control.as_ref());
        let typed = |key: &str| {
            let value = control.and_then(|control| control.get(key)).and_then(serde_json::Value::as_f64);
            value.filter(|value| value.is_finite() && *value > 0.0)
        };
        let answers = self.log_outcome().map(|logs| &logs.answers);
        let (step, rate) = (typed("retard_deg"), typed("recovery_deg_per_s"));
        Some(Steps {
            retard_deg: step.or(answers.and_then(|answers| answers.step_deg))?,
            recovery_deg_per_s: rate.or(answers.and_then(|answers| answers.recovery_deg_per_s))?,
            typed_in: step.is_some() && rate.is_some(),
        })
    }

    /// Mean degrees that the stated false-alarm rate takes out of a cylinder at each speed of the table, the control unit
    /// judging every combustion.
    ///
    /// Degrees out are the work waiting at a server with arrivals `a` a second, each a step `s`, done at `r` a second:
    /// `a s^2 / (2 (r - a s))` (F. Pollaczek 1930, A. Y. Khinchine 1932, from memory). A most is not counted.
    pub fn costs(&self) -> Vec<Cost> {
        let Some(steps) = self.steps() else { return Vec::new() };
        let side = self.outcome().map(|outcome| &outcome.side).or(self.log_outcome().map(|logs| &logs.side));
        let turns = self.sheet().map_or(2.0, |sheet| f64::from(sheet.strokes) / 2.0);
        let cost = |rpm: f64| {
            let per_s = rpm / 60.0 / turns * self.choices().false_alarm;
            let deg = mean_out_deg(per_s, steps.retard_deg, steps.recovery_deg_per_s);
            Cost { rpm, deg }
        };
        side.map(|side| side.breakpoints.iter().map(|rpm| cost(*rpm)).collect()).unwrap_or_default()
    }
}

/// Mean degrees out; `None` where more comes than is given back.
fn mean_out_deg(per_s: f64, step_deg: f64, recovery_deg_per_s: f64) -> Option<f64> {
    let left = recovery_deg_per_s - per_s * step_deg;
    (left > 0.0).then(|| per_s * step_deg * step_deg / (2.0 * left))
}

#[cfg(test)]
mod tests {
    use super::mean_out_deg;

    /// Second by second: alarms come at random, steps are given back steadily.
    #[test]
    fn mean_degrees_out_are_those_of_a_simulated_control_unit() {
        let (per_s, step, back) = (0.2, 2.0, 1.0);
        let (mut out, mut sum, mut state) = (0.0_f64, 0.0, 1_u64);
        let n = 4_000_000;
        for _ in 0..n {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let unit = (state >> 11) as f64 / (1_u64 << 53) as f64;
            out = (out - back * 0.01).max(0.0) + if unit < per_s * 0.01 { step } else { 0.0 };
            sum += out;
        }
        let got = mean_out_deg(per_s, step, back).unwrap();
        assert!((sum / f64::from(n) / got - 1.0).abs() < 0.05, "{} {got}", sum / f64::from(n));
        assert!(mean_out_deg(1.0, 2.0, 1.0).is_none());
    }
}
