//! From a log's samples to floor, limits and the samples over them, per level column.

use super::explain::{Answers, explain};
use super::learn::{Group, Side, Source, index_of, may_knock, nearest_load};
use super::own::{Flags, Own, own};
use super::{Card, File, FileId, FileRole, RoleReason};
use crate::feature::cause::Cause;
use crate::feature::drive::{Drive, held};
use crate::feature::logged::{self, Cell, LevelColumn};
use crate::feature::response::{Response, Retard, retards, taken_for_knock};
use crate::feature::stretch::{Stretch, Stretches};
use crate::limit::floor::{Floor, MOST_RPM, Observation};
use crate::read::log::{Column, Log, Of};
use crate::read::roles::Role;
use crate::stats::normal;
use crate::stats::order::Arrange;
use crate::stats::robust::{Definition, quantile};

/// A log sample over its limit.
#[derive(Debug, Clone, Copy, PartialEq)]
#[allow(missing_docs)]
pub struct LogEvent {
    pub file: FileId,
    pub row: usize,
    pub group: u16,
    pub level: f64,
    pub floor: f64,
    pub limit: f64,
    /// What probably raised it.
    pub cause: Cause,
    /// What the control unit did; `None` where the log does not show it.
    pub response: Option<Response>,
    /// The next samples were back under the limit; `None` at the end of a log.
    pub fell: Option<bool>,
}

/// What the logs gave.
pub struct LogOutcome {
    /// Floor and limits, in dB or the linear unit's dB.
    pub side: Side,
    /// Unit of the level columns, as logged.
    pub unit: Option<String>,
    /// Levels are linear in the log (volts, counts) and stand as 20 log10 inside `side`.
    pub linear: bool,
    /// Samples above the limit, in the log's unit.
    pub events: Vec<LogEvent>,
    /// Samples judged.
    pub judged: u64,
    /// Of those, samples that nothing upset and that a floor may be learnt from.
    pub judged_quiet: u64,
    /// Of all judged, those that are no old value written again.
    pub judged_new: u64,
    /// Seconds of log they stand for.
    pub judged_s: f64,
    /// Mean number of new samples in a row that stand high together; 1 without serial correlation.
    pub burst: f64,
    /// Every row of each log in its stretch.
    pub stretches: Vec<(FileId, Stretches)>,
    /// What the control unit did, over speed and load.
    pub answers: Answers,
    /// Samples of logs that nobody promised to be safe that no background would give: not learnt from.
    pub set_aside: usize,
    /// What each level column shows, and the control unit's own background and limit beside ours.
    pub own: Vec<Own>,
    /// Its knock flags beside our samples over the limit, where any are logged.
    pub flags: Option<Flags>,
    /// Median step from row to row, s; of several logs the longest.
    pub step_s: f64,
    /// Logs with levels in other units, which are not learnt from together with these, and those units.
    pub other_units: Vec<(FileId, Option<String>)>,
}

impl LogOutcome {
    /// From the level inside `side` to the log's unit.
    pub fn logged(&self, level: f64) -> f64 {
        if self.linear { 10f64.powf(level / 20.0) } else { level }
    }

    /// Events of a cause.
    pub fn caused_by(&self, cause: Cause) -> usize {
        self.events.iter().filter(|event| event.cause == cause).count()
    }
}

/// A log made ready: how it was driven, in which stretches, and its level columns with their groups.
pub(super) struct Ready<'a> {
    pub file: &'a File,
    pub drive: Drive<'a>,
    pub stretches: Stretches,
    pub levels: Vec<(u16, LevelColumn<'a>)>,
    /// What the control unit took out.
    pub retards: Vec<Retard>,
    /// Rows that the control unit took for knock, in a log that nobody promised to be safe; empty: none.
    pub suspect: Vec<bool>,
    /// Load breakpoint of each group, where load parts the table; empty: none.
    pub loads: Vec<(u16, Option<f64>)>,
    /// Load breakpoint of each row; empty: none.
    pub row_loads: Vec<Option<f64>>,
    /// Stretches that the user waved through.
    pub used: Vec<Stretch>,
    /// Rows that the user's filters let through; empty: all.
    pub passes: Vec<bool>,
    /// Someone said that it holds no knock.
    pub is_promised: bool,
}

impl<'a> Ready<'a> {
    /// Whether only what the user waved through speaks against a row.
    fn is_waved_through(&self, row: usize) -> bool {
        let is_upset = self.stretches.upsets.get(row).is_none_or(Option::is_some);
        !is_upset && self.stretches.of.get(row).is_some_and(|stretch| self.used.contains(stretch))
    }

    /// The group of a level column at the load of a row.
    pub fn group_at(&self, column: usize, row: usize) -> Option<u16> {
        let (group, level) = self.levels.get(column)?;
        let Some(load) = self.row_loads.get(row) else { return Some(*group) };
        let own = self.levels.iter().filter(|(_, other)| other.name == level.name);
        own.map(|(group, _)| *group).find(|group| self.loads.contains(&(*group, *load)))
    }

    /// Whether an observation is this file's.
    fn holds(&self, one: &Observation) -> bool {
        (one.t_s / FILE_S).round() == f64::from(self.file.id)
    }

    /// Samples of one level column that the filters let through.
    pub fn cells(&'a self, group: u16, level: &'a LevelColumn<'a>) -> impl Iterator<Item = Cell> + 'a {
        let of_load = self.loads.iter().find(|(of, _)| *of == group).map(|(_, load)| *load);
        let at_load = move |row: usize| of_load.is_none_or(|load| self.row_loads.get(row).copied().flatten() == load);
        let passes = move |cell: &Cell| self.passes.get(cell.row).copied().unwrap_or(true) && at_load(cell.row);
        let suspect = |row: usize| self.suspect.get(row).copied().unwrap_or(false);
        let cells = logged::cells(&self.drive, &self.stretches, level).filter(passes);
        let learnt_from = move |cell: &Cell| cell.learnt_from || self.is_waved_through(cell.row);
        cells.map(move |cell| Cell { learnt_from: learnt_from(&cell) && !suspect(cell.row), ..cell })
    }
}

/// Samples of one group that a floor is learnt from at most; of more every second, third, ... is taken.
const MOST_LEARNT: usize = 60_000;
/// Times of different files lie so far apart: more than any log is long.
const FILE_S: f64 = 1e8;
/// Further over the floor than so many upper spreads lies no background: 1 in a million of the highest of 1 to 20 levels
/// that are normal in dB lies 4.8 to 6.4 upper spreads over their median (by the normal law).
const FAR_SPREADS: f64 = 6.5;
/// A sample so many spreads over its floor counts for bursts: 1 in 44 of a normal law.
const HIGH_SPREADS: f64 = 2.0;
/// A value that stands for longer is not an old one: at 400 1/min a cylinder fires every 0.3 s.
pub(super) const OLD_S: f64 = 0.3;
/// Bursts are counted once there are so many high samples.
const FEWEST_HIGH: u64 = 30;

impl Card {
    pub(super) fn learn_logs(&self) -> Option<LogOutcome> {
        let all: Vec<(&File, &Log)> = self.logs().collect();
        let pooled = self.pooled(&all);
        let first = pooled.iter().find_map(|(_, log)| logged::levels(log).into_iter().next())?;
        let (unit, linear) = (first.unit.clone(), first.linear);
        let of_file = |(file, log): &(&File, &Log)| {
            let other = logged::levels(log).into_iter().find(|level| level.unit != unit)?;
            Some((file.id, other.unit))
        };
        let other_units: Vec<(FileId, Option<String>)> = pooled.iter().filter_map(of_file).collect();
        let mut groups: Vec<Group> = Vec::new();
        let ready: Vec<Ready> =
            pooled.iter().filter_map(|(file, log)| self.ready(file, log, &unit, &mut groups)).collect();
        let observe =
            |knock: bool| observe(ready.iter().filter(|ready| may_knock(ready.file.role) == knock), groups.len());
        let (mut safe, provoked) = (observe(false), observe(true));
        let promised = |one: &Observation| ready.iter().any(|ready| ready.is_promised && ready.holds(one));
        let before = safe.len();
        set_aside_far(&mut safe, groups.len(), promised);
        let set_aside = before - safe.len();
        let is_promised = ready.iter().any(|ready| ready.is_promised);
        let unsaid = if is_promised { Vec::new() } else { safe.clone() };
        let mut side = self.side(safe, provoked, groups)?;
        // Where nobody said that it is safe and much of it stands apart like knock, its quieter half is the background.
        if side.source == Source::Safe && !is_promised && side.limits.apart_share.is_some() {
            let groups = side.groups.clone();
            side = self.side(Vec::new(), unsaid, groups).unwrap_or(side);
        }
        let mut outcome = LogOutcome {
            side,
            unit,
            linear,
            events: Vec::new(),
            judged: 0,
            judged_quiet: 0,
            judged_new: 0,
            judged_s: 0.0,
            burst: 1.0,
            stretches: Vec::new(),
            answers: Answers::default(),
            set_aside,
            own: Vec::new(),
            flags: None,
            step_s: ready.iter().map(|log| log.drive.step_s).fold(0.0, f64::max),
            other_units,
        };
        judge(&mut outcome, &ready);
        explain(&mut outcome, &ready);
        (outcome.own, outcome.flags) = own(&outcome, &ready);
        outcome.stretches = ready.into_iter().map(|ready| (ready.file.id, ready.stretches)).collect();
        Some(outcome)
    }

    /// Sorts a log's rows and finds the groups of its level columns of one unit.
    pub(super) fn ready<'a>(
        &self,
        file: &'a File,
        log: &'a Log,
        unit: &Option<String>,
        groups: &mut Vec<Group>,
    ) -> Option<Ready<'a>> {
        let drive = Drive::of(log)?;
        let stretches = Stretches::of(&drive);
        let breakpoints = self.log_loads();
        let load = log.first(Role::Load).filter(|_| !breakpoints.is_empty()).map(|column| held(drive.t_s, column));
        let at = |row: usize| load.as_ref()?.get(row).and_then(|load| nearest_load(&breakpoints, *load));
        let mut row_loads: Vec<Option<f64>> = (0..log.t_s.len()).map(at).collect();
        let mut parts: Vec<Option<f64>> = Vec::new();
        for load in &row_loads {
            if !parts.contains(load) {
                parts.push(*load);
            }
        }
        parts.arrange(|a, b| a.unwrap_or(f64::NEG_INFINITY).total_cmp(&b.unwrap_or(f64::NEG_INFINITY)));
        if parts == [None] {
            row_loads.clear();
        }
        let (mut levels, mut loads) = (Vec::new(), Vec::new());
        for load in &parts {
            for column in logged::levels(log).into_iter().filter(|column| column.unit == *unit) {
                let group = log_group(groups, column.of, &column.name, *load);
                if !row_loads.is_empty() {
                    loads.push((group, *load));
                }
                levels.push((group, column));
            }
        }
        let retards = retards(&drive, &stretches);
        // Where the user, or the file's name, says safe, every sample is background.
        let is_promised = file.role == FileRole::Safe && file.role_reason != RoleReason::Nothing;
        let suspect = if is_promised { Vec::new() } else { taken_for_knock(&drive, &retards) };
        let passes = self.passes(log);
        let reasons = [("transient", Stretch::Transient), ("cold", Stretch::WarmUp), ("overrun", Stretch::Overrun)];
        let used = reasons.iter().filter(|(word, _)| self.choices.uses(word)).map(|(_, stretch)| *stretch).collect();
        Some(Ready { file, drive, stretches, levels, retards, suspect, loads, row_loads, used, passes, is_promised })
    }

    /// Rows where every filtered column that this log has lies within its filter.
    fn passes(&self, log: &Log) -> Vec<bool> {
        let filters = &self.choices.filters;
        let column = |name: &str| log.columns.iter().find(|column: &&Column| column.name == name);
        let found: Vec<_> = filters.iter().filter_map(|filter| Some((filter, column(&filter.column)?))).collect();
        if found.is_empty() {
            return Vec::new();
        }
        let inside = |row: usize| {
            found.iter().all(|(filter, column)| {
                column.values.get(row).is_some_and(|value| (filter.low..=filter.high).contains(&value))
            })
        };
        (0..log.t_s.len()).map(inside).collect()
    }
}

/// What may be learnt from, thinned to [`MOST_LEARNT`] a group; times of different files don't overlap.
pub(super) fn observe<'a>(ready: impl Iterator<Item = &'a Ready<'a>> + Clone, groups: usize) -> Vec<Observation> {
    let columns =
        || ready.clone().flat_map(|ready| ready.levels.iter().map(move |(group, level)| (ready, *group, level)));
    let mut counts = vec![0_usize; groups];
    let rows: usize = ready.clone().map(|ready| ready.drive.t_s.len()).sum();
    if rows > MOST_LEARNT {
        for (ready, group, level) in columns() {
            learnt_from(ready, group, level, &mut |_| counts[usize::from(group)] += 1);
        }
    }
    let strides: Vec<usize> = counts.iter().map(|count| count.div_ceil(MOST_LEARNT).max(1)).collect();
    counts.iter_mut().for_each(|count| *count = 0);
    let mut thinned = Vec::new();
    for (ready, group, level) in columns() {
        let own = usize::from(group);
        learnt_from(ready, group, level, &mut |one| {
            counts[own] += 1;
            if (counts[own] - 1).is_multiple_of(strides[own]) {
                thinned.push(one);
            }
        });
    }
    thinned
}

/// Hands over the samples of one level column that may be learnt from.
#[inline(never)] // a browser makes code fast between two calls, not while it runs: a call a column instead of one for all
fn learnt_from<'a>(ready: &'a Ready<'a>, group: u16, level: &'a LevelColumn<'a>, take: &mut dyn FnMut(Observation)) {
    let from_s = f64::from(ready.file.id) * FILE_S;
    for cell in ready.cells(group, level).filter(|cell| cell.learnt_from) {
        take(Observation { group, rpm: cell.rpm as f32, level: cell.level as f32, t_s: cell.t_s + from_s });
    }
}

/// Takes out what stands so far over its floor that no background would, where nobody `promised` that there is no knock:
/// a few knocks left in would lift the limit over all of them. The upper spread comes from quantiles that a tenth of knock
/// hardly moves.
fn set_aside_far(safe: &mut Vec<Observation>, groups: usize, promised: impl Fn(&Observation) -> bool) {
    if safe.is_empty() || safe.iter().all(&promised) {
        return;
    }
    let floor = Floor::learn(safe, groups);
    let height = |one: &Observation| {
        let at = floor.at(one.group, f64::from(one.rpm))?;
        Some((f64::from(one.level) - at.level) / at.spread)
    };
    let mut heights: Vec<Vec<f64>> = vec![Vec::new(); groups];
    for one in safe.iter() {
        if let (Some(own), Some(height)) = (heights.get_mut(usize::from(one.group)), height(one)) {
            own.push(height);
        }
    }
    let far: Vec<f64> = heights.iter_mut().map(|own| far_from(own)).collect();
    safe.retain(|one| promised(one) || height(one).is_none_or(|height| height < far[usize::from(one.group)]));
}

/// The height, in spreads, beyond which nothing is background.
fn far_from(heights: &mut [f64]) -> f64 {
    heights.sort_unstable_by(f64::total_cmp);
    let at = |share: f64| quantile(heights, share, Definition::Linear);
    let (Some(middle), Some(near), Some(high)) = (at(0.5), at(0.65), at(0.8)) else { return f64::INFINITY };
    let upper = ((near - middle) / normal::quantile(0.65)).min((high - middle) / normal::quantile(0.8));
    middle + FAR_SPREADS * upper.max(0.3)
}

/// Floor, spread and limit of a group every few rpm: judging a million samples one by one takes too long.
struct Lookup(Vec<Vec<Option<[f32; 3]>>>);

const LOOKUP_RPM: f64 = 10.0;
/// Between two places of the look-up the limit moves by less than this, dB; nearer ones are judged exactly.
const NEAR: f64 = 0.5;

impl Lookup {
    fn of(side: &Side) -> Lookup {
        let at = |group: usize, place: usize| {
            let rpm = place as f64 * LOOKUP_RPM;
            let floor = side.floor.at(group as u16, rpm)?;
            let limit = side.limits.at(&side.floor, group as u16, rpm).limit?;
            Some([floor.level as f32, floor.spread as f32, limit as f32])
        };
        let highest = side.learnt_from.iter().map(|one| f64::from(one.rpm)).fold(0.0, f64::max).min(MOST_RPM);
        let places = (highest / LOOKUP_RPM) as usize + 40;
        Lookup((0..side.groups.len()).map(|group| (0..places).map(|place| at(group, place)).collect()).collect())
    }

    fn at(&self, group: u16, rpm: f64) -> Option<[f64; 3]> {
        let row = self.0.get(usize::from(group))?;
        row.get((rpm / LOOKUP_RPM).round() as usize).copied().flatten().map(|three| three.map(f64::from))
    }
}

/// Finds the samples over their limits, in the order of file, column and time.
fn judge(outcome: &mut LogOutcome, ready: &[Ready]) {
    let lookup = Lookup::of(&outcome.side);
    let (mut high, mut bursts) = (0_u64, 0_u64);
    for log in ready {
        for (group, level) in &log.levels {
            let mut was_high = false;
            let mut last: Option<Cell> = None;
            for cell in log.cells(*group, level) {
                let Some([floor, spread, limit]) = lookup.at(*group, cell.rpm) else { continue };
                outcome.judged += 1;
                outcome.judged_s += cell.step_s;
                outcome.judged_quiet += u64::from(cell.learnt_from);
                // A fast log writes an old value again until the next combustion: one event, not several.
                let is_old = last.is_some_and(|last| last.level == cell.level && cell.t_s - last.t_s < OLD_S);
                last = Some(cell);
                if is_old {
                    continue;
                }
                outcome.judged_new += 1;
                if cell.learnt_from {
                    let is_high = cell.level > floor + HIGH_SPREADS * spread;
                    high += u64::from(is_high);
                    bursts += u64::from(is_high && !was_high);
                    was_high = is_high;
                }
                if cell.level > limit - NEAR {
                    outcome.events.extend(event(outcome, log.file.id, *group, &cell));
                }
            }
        }
    }
    outcome.judged_s /= columns(&outcome.side.groups) as f64;
    if high >= FEWEST_HIGH {
        outcome.burst = high as f64 / bursts.max(1) as f64;
    }
}

/// Level columns among groups: one column is several groups where loads part it.
fn columns(groups: &[Group]) -> usize {
    let alike = |a: &Group, b: &Group| a.cylinders == b.cylinders && a.sensor == b.sensor && a.column == b.column;
    let is_first = |(index, group): &(usize, &Group)| !groups[..*index].iter().any(|other| alike(other, group));
    groups.iter().enumerate().filter(is_first).count().max(1)
}

fn event(outcome: &LogOutcome, file: FileId, group: u16, cell: &Cell) -> Option<LogEvent> {
    let at = outcome.side.limits.at(&outcome.side.floor, group, cell.rpm);
    let (floor, limit) = (at.floor?, at.limit?);
    if cell.level <= limit {
        return None;
    }
    let [level, floor, limit] = [cell.level, floor, limit].map(|level| outcome.logged(level));
    Some(LogEvent {
        file,
        row: cell.row,
        group,
        level,
        floor,
        limit,
        cause: Cause::Unknown,
        response: None,
        fell: None,
    })
}

fn log_group(groups: &mut Vec<Group>, of: Option<Of>, name: &str, load: Option<f64>) -> u16 {
    let (cylinders, sensor) = match of {
        Some(Of::Cylinder(cylinder)) => (vec![cylinder], None),
        Some(Of::Sensor(sensor)) => (Vec::new(), Some(sensor)),
        None => (Vec::new(), None),
    };
    let group = Group { cylinders, sensor, column: Some(name.into()), load };
    index_of(groups, group, |a, b| {
        a.cylinders == b.cylinders && a.sensor == b.sensor && a.column == b.column && a.load == b.load
    })
}
