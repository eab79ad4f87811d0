//! What probably raised a level over its limit, if not knock.

use super::drive::Drive;
use super::stretch::{Stretch, Stretches};
use super::upset::Upset;
use crate::stats::robust::median;

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
/// The noise of a gear change, a cut or a lift lasts at least so long, s (common practice, no source).
const NOISE_S: f64 = 0.1;
/// What raised one sample raised its neighbours to at least this share of its height.
const BESIDE_SHARE: f64 = 0.4;
/// Knock needs load: more throttle than this.
const DRIVEN_SHARE: f64 = 0.3;
/// Scatters beyond what such moments usually raise: by itself, and with timing taken out by the control unit.
const FAR_BEYOND: f64 = 4.0;
const BEYOND: f64 = 1.0;
/// What is usual needs so many samples.
const USUAL_FEWEST: usize = 8;
/// Of a normal law.
const MAD_TO_SD: f64 = 1.4826;

/// Where a level stands over its floor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Over {
    /// dB, or the log's unit.
    pub over: f64,
    /// Spread of the floor there.
    pub spread: f64,
    /// No old value written again.
    pub is_new: bool,
}

/// How high moments of one kind (gear changes, cuts, lifts) usually raise a level of this log.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Usual {
    /// Median height over the floor of the samples they raised over the limit.
    pub middle: f64,
    /// Their scatter by the median absolute deviation.
    pub scatter: f64,
}

impl Usual {
    /// From heights over the floor; `None` of too few.
    pub fn of(heights: &[f64]) -> Option<Usual> {
        let middle = median(heights).filter(|_| heights.len() >= USUAL_FEWEST)?;
        let apart: Vec<f64> = heights.iter().map(|height| (height - middle).abs()).collect();
        Some(Usual { middle, scatter: MAD_TO_SD * median(&apart)? })
    }
}

/// What a sample over its limit is judged by.
pub struct Evidence<'a> {
    /// How the log was driven.
    pub drive: &'a Drive<'a>,
    /// Its rows sorted.
    pub stretches: &'a Stretches,
    /// The level column over its limit, as `over` counts them.
    pub column: usize,
    /// The log's other level columns.
    pub others: &'a [usize],
    /// A row's height over the floor of a level column.
    pub over: &'a dyn Fn(usize, usize) -> Option<Over>,
}

impl Evidence<'_> {
    /// The cause of a sample over its limit. `usual`: what such moments usually raise; `pulled`: the control unit took
    /// timing out at once, by its own logged correction.
    pub fn cause(&self, row: usize, usual: Option<Usual>, pulled: bool) -> Cause {
        let beside = |cause: Cause| if self.is_knock_beside(row, usual, pulled) { Cause::Knock } else { cause };
        match self.stretches.upsets.get(row).copied().flatten() {
            Some(Upset::Start) => return Cause::Start,
            Some(Upset::GearChange) => return beside(Cause::GearChange),
            Some(Upset::Cut) => return beside(Cause::Cut),
            Some(Upset::Lift) => return beside(Cause::Lift),
            Some(Upset::Misfire) => return Cause::Misfire,
            Some(Upset::GainSwitch) => return Cause::GainStep,
            None => {}
        }
        let drive = self.drive;
        if is_step(drive, row, &|row| (self.over)(row, self.column)) {
            return Cause::GainStep;
        }
        if !self.others.is_empty() && self.all_rise(row) {
            return Cause::BothSensorsStep;
        }
        match self.stretches.of.get(row) {
            Some(Stretch::Steady | Stretch::Sweep) => Cause::Knock,
            // A foot that goes down is when knock is likeliest; speed that leaps without it is something else.
            Some(Stretch::Transient | Stretch::WarmUp) if drive.is_shut(row) != Some(true) => Cause::Knock,
            _ => Cause::Unknown,
        }
    }

    /// Whether a loud sample next to a gear change, cut or lift is knock all the same. What such a moment raises is heard
    /// by the whole block, lasts longer than one combustion, and is about as loud each time; knock is one cylinder's, one
    /// combustion long, under load.
    fn is_knock_beside(&self, row: usize, usual: Option<Usual>, pulled: bool) -> bool {
        let Some(here) = (self.over)(row, self.column).filter(|_| self.is_driven(row)) else { return false };
        let beyond = |scatters: f64| {
            usual.is_some_and(|usual| here.over > usual.middle + scatters * usual.scatter.max(here.spread))
        };
        self.is_alone_among_columns(row, here)
            || self.is_alone_in_time(row, here)
            || beyond(FAR_BEYOND)
            || (pulled && beyond(BEYOND))
    }

    /// The throttle was open at some time since the row before, as far as is known.
    fn is_driven(&self, row: usize) -> bool {
        let demands = [row.saturating_sub(1), row].map(|row| self.drive.demand_at(row));
        demands.iter().any(|share| share.is_nan() || *share > DRIVEN_SHARE)
    }

    /// The other columns stayed down within a cycle of the engine to each side.
    fn is_alone_among_columns(&self, row: usize, here: Over) -> bool {
        let cycle_s = self.drive.rpm.get(row).map_or(0.0, |rpm| 120.0 / rpm.max(400.0));
        let near = self.drive.around(row, -cycle_s, cycle_s);
        let heard = |other: &usize| -> Vec<bool> {
            let new = near.clone().filter_map(|row| (self.over)(row, *other)).filter(|at| at.is_new);
            new.map(|at| is_raised_beside(at, here)).collect()
        };
        let heard: Vec<Vec<bool>> = self.others.iter().map(heard).collect();
        !heard.is_empty() && heard.iter().all(|one| !one.is_empty() && !one.contains(&true))
    }

    /// The samples before and after in the same column stayed down, nearer together than the noise of such a moment is
    /// long.
    fn is_alone_in_time(&self, row: usize, here: Over) -> bool {
        let drive = self.drive;
        let new = |row: &usize| (self.over)(*row, self.column).is_some_and(|at| at.is_new);
        let before = drive.around(row, -NOISE_S, 0.0).start;
        let before = (before..row).rev().find(new);
        let after = (row + 1..drive.around(row, 0.0, NOISE_S).end).find(new);
        let Some((before, after)) = before.zip(after) else { return false };
        let down = |row: usize| (self.over)(row, self.column).is_some_and(|at| !is_raised_beside(at, here));
        drive.t_s[after] - drive.t_s[before] <= NOISE_S && down(before) && down(after)
    }

    /// Whether all columns are raised by about as much as this one in two rows on end (three above 20 a second).
    fn all_rise(&self, row: usize) -> bool {
        let alike = |row: usize| {
            let own = (self.over)(row, self.column).filter(|own| own.over > RAISED * own.spread);
            let Some(own) = own else { return false };
            self.others.iter().all(|other| {
                (self.over)(row, *other)
                    .is_some_and(|at| at.over > RAISED * at.spread && (at.over - own.over).abs() < ALIKE_DB)
            })
        };
        let needed = if self.drive.step_s < 0.045 { 3 } else { 2 };
        let first = row.saturating_sub(needed - 1);
        alike(row) && (first..=row).any(|first| (first..first + needed).all(alike))
    }
}

/// Raised as far as noise that raised `here` would have raised it.
fn is_raised_beside(at: Over, here: Over) -> bool {
    at.over > RAISED * at.spread && at.over > BESIDE_SHARE * here.over
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
