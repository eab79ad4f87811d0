//! From levels to floor, limits and judged events, for recordings (per cylinder, or per sensor where the turn is not known).

use crate::stats::order::Arrange;
use std::borrow::Cow;
use std::collections::BTreeMap;

use super::loads::Parting;
use super::recording::Recording;
use super::{Card, Content, Feature, File, FileId, FileRole, Mark, MarkLabel, SAME_EVENT_S};
use crate::crank::Event;
use crate::feature::level::{LeftOut, Level};
use crate::limit::floor::{Floor, Observation};
use crate::limit::limits::{LimitAt, Limits, Wanted, standing_apart};
use crate::limit::plan::Step;
use crate::limit::proof::nearest;
use crate::limit::rules::Rule;
use crate::limit::shape::Shape;
use crate::sparing::push_sparingly;
use crate::stats::rate::Rate;

/// What shares a floor: a cylinder, the two candidates of a turn not known, or a log's level column.
#[derive(Debug, Clone, PartialEq)]
pub struct Group {
    /// One cylinder, or two candidates; empty for a log's sensor.
    pub cylinders: Vec<u16>,
    /// Sensor channel that heard it, or the log's sensor number.
    pub sensor: Option<u16>,
    /// Name of the log's column.
    pub column: Option<String>,
    /// Load breakpoint of the sheet's control unit that its cycles lie nearest to; `None`: no breakpoints, or load not
    /// known.
    pub load: Option<f64>,
}

/// What floor and limits were learnt from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// Safe running.
    Safe,
    /// No safe running: the quieter half of a provoked recording, mirrored about its floor.
    QuieterHalf,
}

/// Floor and limits over groups and speed.
pub struct Side {
    /// Groups, by index.
    pub groups: Vec<Group>,
    /// What was learnt from.
    pub source: Source,
    /// The levels learnt from.
    pub learnt_from: Vec<Observation>,
    /// Robust floor.
    pub floor: Floor,
    /// Limits over it.
    pub limits: Limits,
    /// Speeds of the table.
    pub breakpoints: Vec<f64>,
    /// One row per group, one cell per breakpoint.
    pub table: Vec<Vec<LimitAt>>,
}

/// Which filter the levels passed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Through {
    /// Forwards and backwards, in the band chosen: no delay.
    ZeroPhase,
    /// Causal, in the band the control unit can be set to.
    OwnFilter,
    /// As [`Through::ZeroPhase`], in the earlier (0) or later (1) window of [`Levels::beside`].
    ///
    /// [`Levels::beside`]: super::recording::Levels::beside
    Beside(usize),
}

/// How far floor and limits move, at the most in any cell of the table, were the crank angle wrong by [`OFF_DEG`] either way
/// and band and window kept, dB.
///
/// [`OFF_DEG`]: crate::feature::level::OFF_DEG
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moves {
    /// Of the floor.
    pub floor_db: f64,
    /// Of the limits.
    pub limit_db: f64,
}

/// One event judged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Judged {
    /// Index of the group.
    pub group: u16,
    /// The chosen feature, dB re full scale (for `ratio`: dB).
    pub level_db: f32,
    /// Floor at its speed; NaN where unknown.
    pub floor_db: f32,
    /// Limit at its speed; NaN where unknown.
    pub limit_db: f32,
    /// Learnt from, or could be.
    pub used: bool,
    /// Judged by ear.
    pub label: Option<bool>,
}

impl Judged {
    /// Level over the limit; `None` where there is no limit.
    pub fn knock(&self) -> Option<bool> {
        (!self.limit_db.is_nan() && !self.level_db.is_nan()).then_some(self.level_db > self.limit_db)
    }
}

/// What the recordings gave.
pub struct Outcome {
    /// Floor and limits.
    pub side: Side,
    /// The same from levels through a causal filter like the control unit's own: what is handed over where the sheet has a
    /// control unit whose band can be built; over the same groups.
    pub through_own: Option<Side>,
    /// What a wrong offset would do; `None` where nothing is known of any cell, or crank angle itself.
    pub moves: Option<Moves>,
    /// Judged events of each recording, in the order of its crank events.
    pub judged: Vec<(FileId, Vec<Judged>)>,
    /// Events of safe running judged by limits learnt without them (five contiguous parts): alarms, events.
    pub held_out: Option<(u64, u64)>,
    /// The same by group and by the index of the nearest breakpoint.
    pub held_out_by: BTreeMap<(u16, usize), Rate>,
}

impl Outcome {
    /// Judged events of a file.
    pub fn of(&self, id: FileId) -> Option<&[Judged]> {
        self.judged.iter().find(|(file, _)| *file == id).map(|(_, judged)| judged.as_slice())
    }
}

/// Contiguous parts safe running is split into for the held-out count.
const PARTS: usize = 5;
/// Load breakpoints beyond this many are left out: each has its own floor.
const MOST_LOADS: usize = 12;
/// Fewest levels that anything is learnt from.
const FEWEST: usize = 30;

impl Card {
    /// Learning goes in stages, so that limits show before the held-out count: recordings, logs, then part by part.
    pub(super) fn learn_on(&mut self) {
        match self.learnt {
            0 => {
                self.proposed_loads = Parting::default();
                self.outcome = self.learn_recordings();
                self.proposed_loads = self.loads_worth_parting();
                if !self.proposed_loads.loads.is_empty() {
                    self.outcome = self.learn_recordings();
                }
                self.changed.extend(5..=11);
            }
            1 => {
                self.proposed_log_loads = Parting::default();
                self.log_outcome = self.learn_logs();
                self.proposed_log_loads = self.log_loads_worth_parting();
                if !self.proposed_log_loads.loads.is_empty() {
                    self.log_outcome = self.learn_logs();
                }
                self.learn_through_own();
                self.changed.extend(7..=11);
            }
            2 => {
                self.learn_moves();
                self.changed.extend([6, 8]);
            }
            stage => self.hold_out(stage - 3),
        }
        self.learnt += 1;
    }

    pub(super) fn wants_learning(&self) -> bool {
        let from_safe = self.outcome.as_ref().is_some_and(|outcome| outcome.side.source == Source::Safe);
        self.learnt < 3 || (from_safe && self.learnt < 3 + PARTS)
    }

    fn hold_out(&mut self, part: usize) {
        let (wanted, rule) = (self.wanted(), self.choices.common_rule());
        let Some(outcome) = &mut self.outcome else { return };
        for (place, alarm) in held_out(&outcome.side, wanted, rule, part) {
            let rate = outcome.held_out_by.entry(place).or_insert(Rate { hits: 0, trials: 0 });
            rate.hits += u64::from(alarm);
            rate.trials += 1;
        }
        let sum = |pick: fn(&Rate) -> u64| outcome.held_out_by.values().map(pick).sum::<u64>();
        let (alarms, judged) = (sum(|rate| rate.hits), sum(|rate| rate.trials));
        if part + 1 == PARTS && judged > 0 {
            outcome.held_out = Some((alarms, judged));
            self.changed.extend([9, 11]);
        }
    }

    fn wanted(&self) -> Wanted {
        Wanted { false_alarm: self.choices.false_alarm, confidence: self.choices.confidence }
    }

    /// Files whose levels may be pooled: one mounting. A recording from before a change stands only where nothing else is.
    pub(super) fn pooled<'a, T>(&self, all: &[(&'a File, T)]) -> Vec<(&'a File, T)>
    where
        T: Copy,
    {
        let of = |roles: &[FileRole]| -> Vec<(&'a File, T)> {
            all.iter().filter(|(file, _)| roles.contains(&file.role)).copied().collect()
        };
        let now = of(&[FileRole::Safe, FileRole::Knock, FileRole::After]);
        if now.is_empty() { of(&[FileRole::Before]) } else { now }
    }

    fn learn_recordings(&self) -> Option<Outcome> {
        let all: Vec<(&File, &Recording)> = self.recordings().filter(|(_, r)| r.levels.is_some()).collect();
        let mut groups = Vec::new();
        for (file, recording) in &all {
            self.observations((file, recording, Through::ZeroPhase), 0.0, &mut groups, &mut Vec::new(), |_| true);
        }
        let load = |group: &Group| group.load.unwrap_or(f64::INFINITY);
        groups.arrange(|a: &Group, b: &Group| a.cylinders.cmp(&b.cylinders).then(load(a).total_cmp(&load(b))));
        let side = self.side_through(Through::ZeroPhase, groups)?;
        let judged = all.iter().map(|(file, recording)| (file.id, self.judge(file, recording, &side))).collect();
        Some(Outcome { side, through_own: None, moves: None, judged, held_out: None, held_out_by: BTreeMap::new() })
    }

    /// Floor and limits for what is handed over, from levels through the control unit's own filter.
    fn learn_through_own(&mut self) {
        let Some(groups) = self.outcome.as_ref().map(|outcome| outcome.side.groups.clone()) else { return };
        let through_own = self.side_through(Through::OwnFilter, groups);
        if let Some(outcome) = &mut self.outcome {
            outcome.through_own = through_own;
        }
    }

    /// Floor and limits of the same cells in the window moved to either side.
    fn learn_moves(&mut self) {
        let Some(outcome) = self.outcome.as_ref().filter(|_| self.has_angle()) else { return };
        let own = &outcome.side;
        let cell = |side: &Side, (group, rpm): (u16, f64)| side.limits.at(&side.floor, group, rpm);
        let places =
            || (0..own.groups.len() as u16).flat_map(|group| own.breakpoints.iter().map(move |&rpm| (group, rpm)));
        // One after the other: of an hour each holds tens of megabytes.
        let further = |index: usize| -> Vec<[Option<f64>; 2]> {
            let Some(moved) = self.side_through(Through::Beside(index), own.groups.clone()) else { return Vec::new() };
            let off =
                |pick: fn(&LimitAt) -> Option<f64>, at| Some((pick(&cell(&moved, at))? - pick(&cell(own, at))?).abs());
            places().map(|at| [off(|cell| cell.floor, at), off(|cell| cell.limit, at)]).collect()
        };
        let off = [further(0), further(1)].concat();
        let most = |what: usize| off.iter().filter_map(|cell| cell[what]).max_by(f64::total_cmp);
        let (floor_db, limit_db) = (most(0), most(1));
        let moves = floor_db.map(|floor_db| Moves { floor_db, limit_db: limit_db.unwrap_or(f64::NAN) });
        if let Some(outcome) = &mut self.outcome {
            outcome.moves = moves;
        }
    }

    /// Floor and limits from the levels of one filter.
    fn side_through(&self, through: Through, mut groups: Vec<Group>) -> Option<Side> {
        let all: Vec<(&File, &Recording)> = self.recordings().filter(|(_, r)| r.levels.is_some()).collect();
        let pooled = self.pooled(&all);
        let mut observe = |knock: bool| -> Vec<Observation> {
            let mut offset_s = 0.0;
            let mut out = Vec::new();
            for (file, recording) in &pooled {
                let counts = self.counts(file, knock);
                self.observations((file, recording, through), offset_s, &mut groups, &mut out, counts);
                offset_s += recording.duration_s() + 60.0;
            }
            out
        };
        let (safe, provoked) = (observe(false), observe(true));
        self.side(safe, provoked, groups)
    }

    /// Times of the events of a file that the ear judged so, rising.
    fn labels_of(&self, file: &File, knock: bool) -> Vec<f64> {
        let own = self.labels.iter().filter(|label| label.file == file.input.name && label.knock == knock);
        let mut times: Vec<f64> = own.map(|label| label.t_s).collect();
        times.sort_by(f64::total_cmp);
        times
    }

    /// Whether nothing speaks against learning from a level, neither the level itself nor how the engine was driven, or only
    /// what the user waved through.
    fn may_learn(&self, level: &Level, driving: Option<&str>) -> bool {
        match level.left_out {
            _ if driving.is_some_and(|reason| !self.choices.uses(reason)) => false,
            None => true,
            Some(LeftOut::Clipped) => self.choices.uses("clipped"),
            Some(LeftOut::Transient) => self.choices.uses("transient"),
            Some(LeftOut::Outside | LeftOut::TooSlow) => false,
        }
    }

    /// Load breakpoint around a time of a recording, from the marked stretch it lies in, else from the log laid over it.
    pub(super) fn load_at(&self, file: &File, t_s: f64) -> Option<f64> {
        nearest_load(&self.listed_loads()?, self.known_load(file, t_s)?)
    }

    /// The same, by the breakpoints proposed where the sheet lists none.
    fn load_of(&self, file: &File, t_s: f64) -> Option<f64> {
        if self.proposed_loads.loads.is_empty() {
            return self.load_at(file, t_s);
        }
        nearest_load(&self.proposed_loads.loads, self.known_load(file, t_s)?)
    }

    /// Load breakpoints in force for logs: of the sheet's control unit, else those proposed; empty: none.
    pub(super) fn log_loads(&self) -> Vec<f64> {
        self.listed_loads().unwrap_or_else(|| self.proposed_log_loads.loads.clone())
    }

    /// Load breakpoints of the sheet's control unit; `None`: fewer than two.
    pub(super) fn listed_loads(&self) -> Option<Vec<f64>> {
        let list = self.sheet()?.control.as_ref()?.get("load")?.as_array()?;
        (list.len() > 1).then(|| list.iter().take(MOST_LOADS).filter_map(serde_json::Value::as_f64).collect())
    }

    /// Load breakpoints in force for recordings that the sheet does not list; empty: none.
    pub fn proposed_loads(&self) -> &[f64] {
        &self.proposed_loads.loads
    }

    /// The same for logs.
    pub fn proposed_log_loads(&self) -> &[f64] {
        &self.proposed_log_loads.loads
    }

    /// What must be recorded before load, which moves the floor, can part recordings and logs; empty: nothing.
    pub fn lacking_loads(&self) -> [&[Step]; 2] {
        [&self.proposed_loads.lacking, &self.proposed_log_loads.lacking]
    }

    /// Levels of safe running of a recording, at its own times; a group that is not among `groups` yet comes after them.
    pub(super) fn safe_levels(&self, file: &File, recording: &Recording, groups: &[Group]) -> Vec<Observation> {
        let (mut groups, mut out) = (groups.to_vec(), Vec::new());
        let counts = self.counts(file, false);
        self.observations((file, recording, Through::ZeroPhase), 0.0, &mut groups, &mut out, counts);
        out
    }

    /// Whether what happens at a time of a file counts as provoked, or as safe. A judgement by ear counts over a mark, a mark
    /// over the role of its file; what is marked as left out is learnt from in no way.
    fn counts(&self, file: &File, knock: bool) -> impl Fn(f64) -> bool {
        let knocking = self.labels_of(file, true);
        let (name, may_knock) = (file.input.name.clone(), may_knock(file.role));
        move |t_s: f64| match self.mark_at(&name, t_s) {
            Some(MarkLabel::Exclude) => false,
            _ if near(&knocking, t_s) => knock,
            Some(MarkLabel::Knock) => knock,
            Some(MarkLabel::Safe) => !knock,
            None => may_knock == knock,
        }
    }

    /// What the stretch around a time is marked as.
    pub(super) fn mark_at(&self, file: &str, t_s: f64) -> Option<MarkLabel> {
        let inside = |mark: &&Mark| mark.file == file && (mark.from_s..mark.to_s).contains(&t_s);
        self.marks.iter().find(inside).map(|mark| mark.label)
    }

    /// Levels of a recording that may be learnt from and that `counts`, `t_s` shifted so that recordings don't overlap in
    /// time.
    fn observations(
        &self,
        (file, recording, through): (&File, &Recording, Through),
        offset_s: f64,
        groups: &mut Vec<Group>,
        out: &mut Vec<Observation>,
        counts: impl Fn(f64) -> bool,
    ) {
        let (Some(crank), Some(levels)) = (recording.crank(), &recording.levels) else { return };
        let heard: Box<dyn Iterator<Item = &Level>> = match through {
            Through::ZeroPhase => Box::new(levels.levels.iter()),
            Through::OwnFilter => Box::new(levels.through_own.iter()),
            Through::Beside(index) => Box::new(levels.beside.iter().filter_map(move |both| both.get(index))),
        };
        let driven = self.driven(file);
        for ((event, level), channel) in crank.events.iter().zip(heard).zip(&levels.channels) {
            let group = group_of(groups, event, *channel, self.load_of(file, event.t_s));
            let level_db = feature_db(self.choices.feature, level);
            if self.may_learn(level, driven.left_out(event.t_s)) && level_db.is_finite() && counts(event.t_s) {
                push_sparingly(out, Observation { group, rpm: event.rpm, level: level_db, t_s: event.t_s + offset_s });
            }
        }
    }

    fn judge(&self, file: &File, recording: &Recording, side: &Side) -> Vec<Judged> {
        let (Some(crank), Some(levels)) = (recording.crank(), &recording.levels) else { return Vec::new() };
        let mut labels: Vec<(f64, bool)> = self
            .labels
            .iter()
            .filter(|label| label.file == file.input.name)
            .map(|label| (label.t_s, label.knock))
            .collect();
        labels.arrange(|a, b| a.0.total_cmp(&b.0));
        let mut groups = side.groups.clone();
        let driven = self.driven(file);
        let judge_one = |((event, level), channel): ((&Event, &Level), &u16)| {
            let group = group_of(&mut groups, event, *channel, self.load_of(file, event.t_s));
            let level_db = feature_db(self.choices.feature, level);
            let at = side.limits.at(&side.floor, group, f64::from(event.rpm));
            let first = labels.partition_point(|(t_s, _)| *t_s < event.t_s - SAME_EVENT_S);
            let label = labels.get(first).filter(|(t_s, _)| *t_s <= event.t_s + SAME_EVENT_S).map(|(_, knock)| *knock);
            Judged {
                group,
                level_db,
                floor_db: at.floor.map_or(f32::NAN, |floor| floor as f32),
                limit_db: at.limit.map_or(f32::NAN, |limit| limit as f32),
                used: self.may_learn(level, driven.left_out(event.t_s)),
                label,
            }
        };
        crank.events.iter().zip(&levels.levels).zip(&levels.channels).map(judge_one).collect()
    }

    /// Learns from safe running; where there is none, from the quieter half of what there is.
    pub(super) fn side(&self, safe: Vec<Observation>, provoked: Vec<Observation>, groups: Vec<Group>) -> Option<Side> {
        let (source, observed) =
            if safe.len() >= FEWEST { (Source::Safe, safe) } else { (Source::QuieterHalf, joined(safe, provoked)) };
        if observed.len() < FEWEST {
            return None;
        }
        let floor = Floor::learn(&observed, groups.len());
        let learnt_from = if source == Source::QuieterHalf { quieter_half(&floor, observed) } else { observed };
        let limits = limits_of(&floor, &learnt_from, groups.len(), self.wanted(), self.choices.common_rule());
        let breakpoints = self.breakpoints(&learnt_from);
        let row = |group| breakpoints.iter().map(|&rpm| limits.at(&floor, group as u16, rpm)).collect();
        let table = (0..groups.len()).map(row).map(|row| shaped(row, self.choices.shape)).collect();
        Some(Side { groups, source, learnt_from, floor, limits, breakpoints, table })
    }

    /// The user's speeds, else the control unit's of the sheet, else every 500 rpm that the levels come near to.
    fn breakpoints(&self, observed: &[Observation]) -> Vec<f64> {
        let control = || -> Option<Vec<f64>> {
            let list = self.sheet()?.control.as_ref()?.get("rpm")?.as_array()?;
            let speeds: Vec<f64> = list.iter().filter_map(serde_json::Value::as_f64).collect();
            (!speeds.is_empty() && speeds.windows(2).all(|two| two[1] > two[0])).then_some(speeds)
        };
        self.choices.breakpoints.clone().or_else(control).unwrap_or_else(|| proposed(observed))
    }

    /// Share of events that stand apart above their own floor, see [`standing_apart`]. `None` = nothing speaks for knock.
    pub(super) fn knock_like_share(&self, id: FileId) -> Option<f64> {
        let Content::Recording(recording) = &self.file(id)?.content else { return None };
        let mut groups = Vec::new();
        let observed = self.mapped_levels(recording, &mut groups);
        if observed.len() < 200 {
            return None;
        }
        let floor = Floor::learn(&observed, groups.len());
        let over = observed.iter().filter_map(|observation| {
            let at = floor.at(observation.group, f64::from(observation.rpm))?;
            Some((f64::from(observation.level) - at.level) / at.spread)
        });
        let mut heights: Vec<f64> = over.filter(|height| height.is_finite()).collect();
        heights.sort_unstable_by(f64::total_cmp);
        standing_apart(&heights)
    }
}

/// Whether a file of this role may hold knock: nobody promised that what came before a change ran safely.
pub(super) fn may_knock(role: FileRole) -> bool {
    matches!(role, FileRole::Knock | FileRole::Before)
}

/// The nearest of some load breakpoints.
pub(super) fn nearest_load(breakpoints: &[f64], load: f64) -> Option<f64> {
    breakpoints.get(nearest(breakpoints, load)?).copied()
}

/// The chosen feature of a level.
pub(super) fn feature_db(feature: Feature, level: &Level) -> f32 {
    match feature {
        Feature::Energy => level.energy_db,
        Feature::Peak => level.peak_db,
        Feature::Ratio => level.energy_db - level.reference_db,
    }
}

pub(super) fn group_of(groups: &mut Vec<Group>, event: &Event, channel: u16, load: Option<f64>) -> u16 {
    let mut cylinders: Vec<u16> = match (event.cylinder, event.pair) {
        (Some(cylinder), _) => vec![cylinder],
        (None, Some(pair)) => pair.to_vec(),
        (None, None) => Vec::new(),
    };
    cylinders.sort_unstable();
    // Where nothing names the cylinder, what one sensor hears is pooled.
    let heard = |a: &Group, b: &Group| !a.cylinders.is_empty() || a.sensor == b.sensor;
    let group = Group { cylinders, sensor: Some(channel), column: None, load };
    index_of(groups, group, |a, b| a.cylinders == b.cylinders && a.load == b.load && heard(a, b))
}

pub(super) fn index_of(groups: &mut Vec<Group>, group: Group, same: impl Fn(&Group, &Group) -> bool) -> u16 {
    let index = groups.iter().position(|known| same(known, &group)).unwrap_or_else(|| {
        groups.push(group);
        groups.len() - 1
    });
    index as u16
}

/// The few before the others; an hour's levels are not copied for them.
fn joined(mut few: Vec<Observation>, mut others: Vec<Observation>) -> Vec<Observation> {
    if few.is_empty() {
        return others;
    }
    few.append(&mut others);
    few
}

/// Levels at or under the floor, each with its mirror image above it: what a provoked recording tells about its own
/// background, if that is as wide above as below.
fn quieter_half(floor: &Floor, observed: Vec<Observation>) -> Vec<Observation> {
    let mut out = Vec::new();
    for observation in observed {
        if let Some(at) = floor.at(observation.group, f64::from(observation.rpm))
            && f64::from(observation.level) <= at.level
        {
            push_sparingly(&mut out, observation);
            push_sparingly(&mut out, Observation { level: (2.0 * at.level) as f32 - observation.level, ..observation });
        }
    }
    out
}

/// Limits by the law, or by the common rule that was asked for.
fn limits_of(floor: &Floor, safe: &[Observation], groups: usize, wanted: Wanted, rule: Option<Rule>) -> Limits {
    let limits = Limits::learn(floor, safe, groups, wanted);
    match rule {
        Some(rule) => limits.by_rule(rule, floor, safe, groups),
        None => limits,
    }
}

/// A row of the table as the user wants it.
fn shaped(row: Vec<LimitAt>, shape: Shape) -> Vec<LimitAt> {
    let limits: Vec<Option<f64>> = row.iter().map(|cell| cell.limit).collect();
    row.into_iter().zip(shape.of(&limits)).map(|(cell, limit)| LimitAt { limit, ..cell }).collect()
}

/// Whether one of the rising `times` speaks of the event at `t_s`.
fn near(times: &[f64], t_s: f64) -> bool {
    let first = times.partition_point(|time| *time < t_s - SAME_EVENT_S);
    times.get(first).is_some_and(|time| *time <= t_s + SAME_EVENT_S)
}

/// The safe events of one part of the run, judged by limits learnt from the other parts: group and index of the nearest
/// breakpoint, alarm.
fn held_out(side: &Side, wanted: Wanted, rule: Option<Rule>, part: usize) -> Vec<((u16, usize), bool)> {
    let mut by_time = Cow::Borrowed(&side.learnt_from[..]);
    if !by_time.is_sorted_by(|a, b| a.t_s.total_cmp(&b.t_s).is_le()) {
        by_time.to_mut().arrange(|a, b| a.t_s.total_cmp(&b.t_s));
    }
    let [from, to] = [part, part + 1].map(|p| p * by_time.len() / PARTS);
    let others = [&by_time[..from], &by_time[to..]].concat();
    let floor = Floor::learn(&others, side.groups.len());
    let limits = limits_of(&floor, &others, side.groups.len(), wanted, rule);
    let judge = |observation: &Observation| {
        let rpm = f64::from(observation.rpm);
        let limit = limits.at(&floor, observation.group, rpm).limit?;
        let place = (observation.group, nearest(&side.breakpoints, rpm)?);
        Some((place, f64::from(observation.level) > limit))
    };
    by_time.get(from..to).unwrap_or_default().iter().filter_map(judge).collect()
}

/// Every 500 rpm from the slowest to the fastest hundredth of the levels.
fn proposed(observed: &[Observation]) -> Vec<f64> {
    let mut speeds: Vec<f32> = observed.iter().map(|observation| observation.rpm).collect();
    speeds.sort_by(f32::total_cmp);
    let at = |share: f64| speeds.get(((speeds.len() as f64 - 1.0) * share) as usize).copied().unwrap_or(0.0);
    let step = 500.0;
    let first = (f64::from(at(0.01)) / step).round().max(1.0) as usize;
    let last = (f64::from(at(0.99)) / step).round().max(1.0) as usize;
    (first..=last.max(first)).take(64).map(|index| index as f64 * step).collect()
}
