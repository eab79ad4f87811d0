//! Stretches of a log by what the engine did: idle, steady, sweep, transient, overrun, gear change, warm-up.

use super::drive::{Drive, held};
use super::upset::{Upset, upsets};
use crate::read::roles::Role;

/// What a row belongs to. All limits between them: common practice, no source.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[allow(missing_docs)]
pub enum Stretch {
    Stopped,
    Start,
    GearChange,
    WarmUp,
    Overrun,
    Idle,
    Transient,
    Sweep,
    Steady,
}

impl Stretch {
    /// In the order they are told.
    pub const ALL: [Stretch; 9] = [
        Stretch::Steady,
        Stretch::Sweep,
        Stretch::Idle,
        Stretch::Transient,
        Stretch::Overrun,
        Stretch::GearChange,
        Stretch::WarmUp,
        Stretch::Start,
        Stretch::Stopped,
    ];

    /// Its word in texts and tables.
    pub fn word(self) -> &'static str {
        match self {
            Stretch::Stopped => "stopped",
            Stretch::Start => "start",
            Stretch::GearChange => "gear-change",
            Stretch::WarmUp => "warm-up",
            Stretch::Overrun => "overrun",
            Stretch::Idle => "idle",
            Stretch::Transient => "transient",
            Stretch::Sweep => "sweep",
            Stretch::Steady => "steady",
        }
    }

    /// Floors are learnt from these only.
    pub fn is_learnt_from(self) -> bool {
        matches!(self, Stretch::Idle | Stretch::Sweep | Stretch::Steady)
    }
}

const STOPPED_RPM: f64 = 400.0;
const IDLE_RPM: f64 = 1300.0;
/// Coolant below this, degrees Celsius: a cold engine.
pub const COLD_DEGC: f64 = 60.0;
const OVERRUN_RPM: f64 = 1500.0;
const SWEEP_RPM_PER_S: f64 = 150.0;
/// The driver's wish moves by so much within 0.3 s.
const JERK_SHARE: f64 = 0.3;
/// Where more of the log than this is cold, the engine never warmed up and its cold level is all there is.
const ALL_COLD: f64 = 0.9;

/// Every row of a log in its stretch, and what upset it.
#[derive(Debug, Clone, Default)]
pub struct Stretches {
    /// One a row.
    pub of: Vec<Stretch>,
    /// One a row.
    pub upsets: Vec<Option<Upset>>,
    /// The coolant never got warm: its rows are not told apart.
    pub all_cold: bool,
    /// What the log lacks to tell stretches and causes apart.
    pub missing: Vec<Role>,
}

impl Stretches {
    /// Sorts every row.
    pub fn of(drive: &Drive) -> Stretches {
        let upsets = upsets(drive);
        let coolant = drive.log.first(Role::Coolant).map(|column| held(drive.t_s, column));
        let is_cold = |row: usize| coolant.as_ref().is_some_and(|degc| degc[row] < COLD_DEGC);
        let n = drive.rpm.len();
        let cold = (0..n).filter(|row| is_cold(*row)).count();
        let all_cold = cold as f64 > ALL_COLD * n as f64;
        let jerks = jerks(drive);
        let one = |row: usize| {
            let (rpm, slope) = (drive.rpm[row], drive.rpm_per_s[row].abs());
            let shut = drive.is_shut(row);
            let asked = drive.demand_at(row) > 0.3;
            match upsets[row] {
                _ if rpm.is_nan() || rpm < STOPPED_RPM => Stretch::Stopped,
                Some(Upset::Start) => Stretch::Start,
                Some(Upset::GearChange) => Stretch::GearChange,
                _ if is_cold(row) && !all_cold => Stretch::WarmUp,
                _ if rpm > OVERRUN_RPM && shut == Some(true) => Stretch::Overrun,
                _ if rpm < IDLE_RPM && slope < 400.0 && !asked => Stretch::Idle,
                Some(_) => Stretch::Transient,
                None if jerks[row] || slope > f64::from(super::level::TRANSIENT_RPM_PER_S) => Stretch::Transient,
                None if slope > SWEEP_RPM_PER_S => Stretch::Sweep,
                None => Stretch::Steady,
            }
        };
        let of = (0..n).map(one).collect();
        Stretches { of, upsets, all_cold, missing: drive.missing() }
    }

    /// Whether a row may be learnt from.
    pub fn is_learnt_from(&self, row: usize) -> bool {
        self.of.get(row).is_some_and(|stretch| stretch.is_learnt_from())
            && self.upsets.get(row).is_some_and(Option::is_none)
    }

    /// Contiguous rows of one kind, in order.
    pub fn runs(&self) -> Vec<(Stretch, std::ops::Range<usize>)> {
        let mut runs: Vec<(Stretch, std::ops::Range<usize>)> = Vec::new();
        for (row, stretch) in self.of.iter().enumerate() {
            match runs.last_mut() {
                Some((last, rows)) if last == stretch => rows.end = row + 1,
                _ => runs.push((*stretch, row..row + 1)),
            }
        }
        runs
    }
}

/// Rows where the driver's wish moves fast.
fn jerks(drive: &Drive) -> Vec<bool> {
    let mut from = 0;
    let mut jerk = |row: usize| {
        while drive.t_s[from] < drive.t_s[row] - 0.3 {
            from += 1;
        }
        let from = from.min(row.saturating_sub(1));
        (drive.demand_at(row) - drive.demand_at(from)).abs() > JERK_SHARE
    };
    (0..drive.rpm.len()).map(&mut jerk).collect()
}
