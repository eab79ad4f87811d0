//! What probably raised a level over its limit, if not knock.

use super::drive::Drive;
use super::stretch::{Stretch, Stretches};
use super::upset::Upset;

/// Probable cause of a sample over its limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[allow(missing_docs)]
pub enum Cause {
    Knock,
    GearChange,
    Lift,
    Cut,
    Misfire,
    Start,
    GainStep,
    BothSensorsStep,
    Unknown,
}

impl Cause {
    /// All, knock first.
    pub const ALL: [Cause; 9] = [
        Cause::Knock,
        Cause::GearChange,
        Cause::Lift,
        Cause::Cut,
        Cause::Misfire,
        Cause::Start,
        Cause::GainStep,
        Cause::BothSensorsStep,
        Cause::Unknown,
    ];

    /// As the result names it.
    pub fn word(self) -> &'static str {
        match self {
            Cause::Knock => "knock",
            Cause::GearChange => "gear-change",
            Cause::Lift => "lift",
            Cause::Cut => "cut",
            Cause::Misfire => "misfire",
            Cause::Start => "start",
            Cause::GainStep => "gain-step",
            Cause::BothSensorsStep => "both-sensors-step",
            Cause::Unknown => "unknown",
        }
    }
}

/// A level stays up for so long, with little scatter, where the amplifier was switched; knock comes and goes.
const STEP_S: f64 = 0.8;
const STEP_ROWS: usize = 5;
/// Scatter of a raised level in spreads of the floor: knock scatters by its own 3 to 5 dB.
const STEP_SCATTER: f64 = 1.6;
/// Two sensors that rise by the same amount, this near in dB, for more than one sample, heard no cylinder's knock.
const ALIKE_DB: f64 = 3.0;
/// So many spreads over the floor is raised.
const RAISED: f64 = 3.0;
/// Rows looked at to each side.
const REACH: usize = 64;

/// Where a level stands over its floor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Over {
    /// dB, or the log's unit.
    pub over: f64,
    /// Spread of the floor there.
    pub spread: f64,
}

/// The cause of a sample over its limit. `over` gives a row's height over the floor of a level column, by index from 0
/// among `columns`; `column` is the one over its limit.
pub fn cause(
    drive: &Drive,
    stretches: &Stretches,
    row: usize,
    column: usize,
    columns: usize,
    over: &dyn Fn(usize, usize) -> Option<Over>,
) -> Cause {
    match stretches.upsets.get(row).copied().flatten() {
        Some(Upset::Start) => return Cause::Start,
        Some(Upset::GearChange) => return Cause::GearChange,
        Some(Upset::Cut) => return Cause::Cut,
        Some(Upset::Lift) => return Cause::Lift,
        Some(Upset::Misfire) => return Cause::Misfire,
        Some(Upset::GainSwitch) => return Cause::GainStep,
        None => {}
    }
    if is_step(drive, row, &|row| over(row, column)) {
        return Cause::GainStep;
    }
    if columns > 1 && all_rise(drive, row, column, columns, over) {
        return Cause::BothSensorsStep;
    }
    match stretches.of.get(row) {
        Some(Stretch::Steady | Stretch::Sweep) => Cause::Knock,
        // A foot that goes down is when knock is likeliest; speed that leaps without it is something else.
        Some(Stretch::Transient | Stretch::WarmUp) if drive.is_shut(row) != Some(true) => Cause::Knock,
        _ => Cause::Unknown,
    }
}

/// Whether even the quietest samples around `row` are raised, alike.
fn is_step(drive: &Drive, row: usize, over: &dyn Fn(usize) -> Option<Over>) -> bool {
    let Some(here) = over(row) else { return false };
    let is_raised = |other: usize| {
        over(other).is_some_and(|at| at.over > (0.4 * here.over).max(1.5 * at.spread)) && drive.rpm.get(other).is_some()
    };
    let mut first = row;
    while first > 0 && row - first < REACH && is_raised(first - 1) {
        first -= 1;
    }
    let mut last = row;
    while last - row < REACH && is_raised(last + 1) {
        last += 1;
    }
    let seconds = drive.t_s.get(last).zip(drive.t_s.get(first)).map_or(0.0, |(b, a)| b - a);
    if seconds < STEP_S || last - first + 1 < STEP_ROWS {
        return false;
    }
    let raised: Vec<f64> = (first..=last).filter_map(|row| over(row).map(|at| at.over)).collect();
    crate::stats::moments::standard_deviation(&raised).is_some_and(|sd| sd < STEP_SCATTER * here.spread)
}

/// Whether all columns are raised by about as much as this one in two rows on end (three above 20 a second).
fn all_rise(
    drive: &Drive,
    row: usize,
    column: usize,
    columns: usize,
    over: &dyn Fn(usize, usize) -> Option<Over>,
) -> bool {
    let alike = |row: usize| {
        let Some(own) = over(row, column).filter(|own| own.over > RAISED * own.spread) else { return false };
        (0..columns).all(|other| {
            over(row, other).is_some_and(|at| at.over > RAISED * at.spread && (at.over - own.over).abs() < ALIKE_DB)
        })
    };
    let needed = if drive.step_s < 0.045 { 3 } else { 2 };
    let first = row.saturating_sub(needed - 1);
    alike(row) && (first..=row).any(|first| (first..first + needed).all(alike))
}
