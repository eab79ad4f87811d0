//! The card's two sets of files, before and after, made ready to compare.

use super::learn::{Group, Side, feature_db, group_of};
use super::learn_log::{Ready, observe};
use super::recording::Recording;
use super::{Card, File, FileRole};
use crate::feature::drive::{held, range};
use crate::feature::logged;
use crate::limit::compare::{Compared, Grid, Seen, Seens, compare};
use crate::limit::floor::Observation;
use crate::read::log::{Column, Log};
use crate::read::roles::Role;

/// What is compared with what.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Recordings, dB re full scale.
    Recordings,
    /// Logs, dB of the log's unit.
    Logs,
    /// A log with a recording: only how their floors go over speed.
    Shape,
}

/// Why floors can't be compared, though contrast can.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NotFloor {
    /// The user says that sensors, gain or band differ.
    Said,
    /// The logs' level columns differ in name or unit.
    Columns,
    /// Band or sampling rate differ, so that the bands do.
    Band,
}

/// Before against after.
pub struct Comparison {
    /// What with what.
    pub kind: Kind,
    /// Groups of both sides together.
    pub groups: Vec<Group>,
    /// Differences.
    pub compared: Compared,
    /// Why no floors, if so.
    pub not_floor: Option<NotFloor>,
    /// Matched by load, by temperature.
    pub matched: [bool; 2],
    /// Unit of the levels.
    pub unit: Option<String>,
    /// Floor and limits of either side.
    pub sides: [Option<Side>; 2],
    /// How floors agree in shape: (correlation over speed, largest difference in dB once their means are the same).
    pub shape: Option<(f64, f64)>,
}

impl Comparison {
    /// A log with a recording.
    pub fn shape_only(&self) -> bool {
        self.kind == Kind::Shape
    }
}

/// A stretch is cut after so long, s: far longer than levels remember.
const BLOCK_S: f64 = 5.0;
/// And where this much of time is missing, s.
const GAP_S: f64 = 0.5;
/// Load cells.
const LOADS: usize = 4;
/// Width of temperature cells, K.
const DEGC: f64 = 10.0;
/// Samples of a level taken for comparing at most.
const MOST_SEEN: usize = 200_000;
const CONFIDENCE: f64 = 0.95;

impl Card {
    /// Whether there are files from before a change and later ones.
    pub(super) fn has_two_sides(&self) -> bool {
        let data = || self.files.iter().filter(|file| file.is_data());
        data().any(|file| file.role == FileRole::Before) && data().any(|file| is_after(file.role))
    }

    pub(super) fn compare_sides(&self) -> Option<Comparison> {
        let recordings: Vec<(&File, &Recording)> = self.recordings().filter(|(_, r)| r.levels.is_some()).collect();
        let logs: Vec<(&File, &Log)> = self.logs().filter(|(_, log)| !logged::levels(log).is_empty()).collect();
        let both = |roles: Vec<FileRole>| roles.contains(&FileRole::Before) && roles.iter().copied().any(is_after);
        if both(recordings.iter().map(|(file, _)| file.role).collect()) {
            self.compare_recordings(&recordings)
        } else if both(logs.iter().map(|(file, _)| file.role).collect()) {
            self.compare_logs(&logs)
        } else {
            self.compare_shape(&recordings, &logs)
        }
    }

    fn compare_recordings(&self, all: &[(&File, &Recording)]) -> Option<Comparison> {
        let mut groups: Vec<Group> = Vec::new();
        let mut sides = [true, false].map(|is_before| {
            let mut seen = Seens::default();
            let mut blocks = Blocks::default();
            let mut levels: [Vec<Observation>; 2] = Default::default();
            for (file, recording) in all.iter().filter(|(file, _)| is_side(file.role, is_before)) {
                self.see_recording(file, recording, &mut groups, &mut blocks, &mut seen, &mut levels);
            }
            (seen, levels)
        });
        let not_floor = if self.choices.sensors_changed {
            Some(NotFloor::Said)
        } else {
            let bands = [true, false].map(|is_before| self.bands_of(all, is_before));
            (bands[0] != bands[1]).then_some(NotFloor::Band)
        };
        let learnt = self.learn_sides(&mut sides, &groups);
        self.finish(Kind::Recordings, groups, sides.map(|(seen, _)| seen), learnt, not_floor, None)
    }

    /// Lower and upper edges in whole Hz of all bands in use on one side.
    fn bands_of(&self, all: &[(&File, &Recording)], is_before: bool) -> std::collections::BTreeSet<[i64; 2]> {
        let own = all.iter().filter(|(file, _)| is_side(file.role, is_before));
        let bands = own.filter_map(|(_, recording)| self.band(recording.sample_rate_hz()));
        bands.map(|band| [band.low, band.high].map(|hz| hz.round() as i64)).collect()
    }

    fn see_recording(
        &self,
        file: &File,
        recording: &Recording,
        groups: &mut Vec<Group>,
        blocks: &mut Blocks,
        seen: &mut Seens,
        observed: &mut [Vec<Observation>; 2],
    ) {
        let (Some(crank), Some(levels)) = (recording.crank(), &recording.levels) else { return };
        blocks.next_file();
        for ((event, level), channel) in crank.events.iter().zip(&levels.levels).zip(&levels.channels) {
            let group = group_of(groups, event, *channel, None);
            let level_db = feature_db(self.choices.feature, level);
            if level.left_out.is_some() || !level_db.is_finite() {
                continue;
            }
            let (rpm, load) = (f64::from(event.rpm), self.marked_load(&file.input.name, event.t_s));
            let block = blocks.of(event.t_s);
            let level = f64::from(level_db);
            seen.seen.push(Seen { group, rpm, load, degc: None, level, knock_db: None, block });
            let t_s = event.t_s + f64::from(file.id) * 1e8;
            observed[usize::from(may_knock(file.role))].push(Observation {
                group,
                rpm: event.rpm,
                level: level_db,
                t_s,
            });
        }
    }

    /// Load typed in for the stretch around a time.
    fn marked_load(&self, file: &str, t_s: f64) -> Option<f64> {
        let inside = |mark: &&super::Mark| mark.file == file && (mark.from_s..mark.to_s).contains(&t_s);
        self.marks.iter().find(inside).and_then(|mark| mark.load)
    }

    fn compare_logs(&self, all: &[(&File, &Log)]) -> Option<Comparison> {
        let unit_of = |is_before: bool| {
            let own = all.iter().find(|(file, _)| is_side(file.role, is_before))?;
            logged::levels(own.1).into_iter().next().map(|level| level.unit)
        };
        let units = [unit_of(true)?, unit_of(false)?];
        let mut groups: Vec<Group> = Vec::new();
        let mut ready = [true, false].map(|is_before| {
            let unit = &units[usize::from(!is_before)];
            let own = all.iter().filter(|(file, _)| is_side(file.role, is_before));
            own.filter_map(|(file, log)| self.ready(file, log, unit, &mut groups)).collect::<Vec<Ready>>()
        });
        let used = [0, 1].map(|side| groups_of(&ready[side]));
        let is_same = units[0] == units[1] && used[0].intersection(&used[1]).next().is_some();
        if !is_same {
            // Nothing pairs off: all levels of a side together, in shape and contrast only.
            ready.iter_mut().flatten().flat_map(|log| &mut log.levels).for_each(|(group, _)| *group = 0);
            groups = vec![Group { cylinders: Vec::new(), sensor: None, column: None, load: None }];
        }
        let with_load = same_load_unit(all);
        let mut sides = [0, 1].map(|side| {
            let mut seen = Seens::default();
            let mut blocks = Blocks::default();
            for log in &ready[side] {
                see_log(log, with_load, &mut blocks, &mut seen);
            }
            let observed = [false, true]
                .map(|knock| observe(ready[side].iter().filter(|log| may_knock(log.file.role) == knock), groups.len()));
            (seen, observed)
        });
        let not_floor = match (self.choices.sensors_changed, is_same) {
            (true, _) => Some(NotFloor::Said),
            (false, false) => Some(NotFloor::Columns),
            (false, true) => None,
        };
        let learnt = self.learn_sides(&mut sides, &groups);
        let unit = units[1].clone();
        self.finish(Kind::Logs, groups, sides.map(|(seen, _)| seen), learnt, not_floor, unit)
    }

    /// Floor and limits of either side; heights of the limits and knock over them go into what was seen.
    fn learn_sides(&self, sides: &mut [(Seens, [Vec<Observation>; 2]); 2], groups: &[Group]) -> [Option<Side>; 2] {
        sides.each_mut().map(|(seen, observed)| {
            let [safe, provoked] = std::mem::take(observed);
            let side = self.side(safe, provoked, groups.to_vec())?;
            for one in &mut seen.seen {
                let at = side.limits.at(&side.floor, one.group, one.rpm);
                if let (Some(floor), Some(limit)) = (at.floor, at.limit) {
                    one.knock_db = (one.level > limit).then_some(one.level - floor);
                }
            }
            seen.heights = (0..groups.len()).map(|group| height(&side, group as u16)).collect();
            Some(side)
        })
    }

    fn finish(
        &self,
        kind: Kind,
        groups: Vec<Group>,
        sides: [Seens; 2],
        learnt: [Option<Side>; 2],
        not_floor: Option<NotFloor>,
        unit: Option<String>,
    ) -> Option<Comparison> {
        let rpm = learnt.iter().flatten().map(|side| &side.breakpoints).max_by_key(|speeds| speeds.len())?.clone();
        let load = load_range(&sides);
        let has_degc = sides.iter().all(|side| side.seen.iter().any(|seen| seen.degc.is_some()));
        let degc = (self.choices.match_temperature && has_degc).then_some(DEGC);
        let grid = Grid { rpm, load: load.map(|(low, high)| (low, high, LOADS)), degc, confidence: CONFIDENCE };
        let compared = compare(&sides[0], &sides[1], &grid);
        let shape = shape(&learnt);
        let matched = [load.is_some(), degc.is_some()];
        Some(Comparison { kind, groups, compared, not_floor, matched, unit, sides: learnt, shape })
    }

    /// A log on one side, a recording on the other: what each of them was learnt alone.
    fn compare_shape(&self, recordings: &[(&File, &Recording)], logs: &[(&File, &Log)]) -> Option<Comparison> {
        let mut groups: Vec<Group> = Vec::new();
        let mut observed: [Vec<Observation>; 2] = Default::default();
        let mut recording_is_before = false;
        let mut blocks = Blocks::default();
        for (file, recording) in
            recordings.iter().filter(|(file, _)| file.role == FileRole::Before || is_after(file.role))
        {
            recording_is_before |= file.role == FileRole::Before;
            self.see_recording(file, recording, &mut groups, &mut blocks, &mut Seens::default(), &mut observed);
        }
        let of_recordings = self.side(std::mem::take(&mut observed[0]), std::mem::take(&mut observed[1]), groups)?;
        let unit = logs.iter().find_map(|(_, log)| logged::levels(log).into_iter().next()).map(|level| level.unit)?;
        let mut groups: Vec<Group> = Vec::new();
        let ready: Vec<Ready> =
            logs.iter().filter_map(|(file, log)| self.ready(file, log, &unit, &mut groups)).collect();
        let of_role = |knock: bool| observe(ready.iter().filter(|log| may_knock(log.file.role) == knock), groups.len());
        let of_logs = self.side(of_role(false), of_role(true), groups.clone())?;
        let sides = if recording_is_before { [of_recordings, of_logs] } else { [of_logs, of_recordings] }.map(Some);
        let shape = shape(&sides);
        Some(Comparison {
            kind: Kind::Shape,
            groups,
            compared: Compared::default(),
            not_floor: Some(NotFloor::Columns),
            matched: [false, false],
            unit: None,
            sides,
            shape,
        })
    }
}

/// Before and after alike: nobody promised either ran safely.
fn may_knock(role: FileRole) -> bool {
    matches!(role, FileRole::Before | FileRole::After | FileRole::Knock)
}

fn is_after(role: FileRole) -> bool {
    matches!(role, FileRole::After | FileRole::Safe | FileRole::Knock)
}

fn is_side(role: FileRole, is_before: bool) -> bool {
    if is_before { role == FileRole::Before } else { is_after(role) }
}

fn groups_of(ready: &[Ready]) -> std::collections::BTreeSet<u16> {
    ready.iter().flat_map(|log| log.levels.iter().map(|(group, _)| *group)).collect()
}

/// Height of a side's limit over its floor, in spreads, in the middle of its speeds.
fn height(side: &Side, group: u16) -> Option<f64> {
    let heights = side.breakpoints.iter().filter_map(|rpm| {
        let (at, floor) = (side.limits.at(&side.floor, group, *rpm), side.floor.at(group, *rpm)?);
        Some((at.limit? - floor.level) / floor.spread)
    });
    crate::stats::robust::median(&heights.collect::<Vec<_>>())
}

/// Numbers stretches: a new one after a gap, after [`BLOCK_S`], with each file.
#[derive(Default)]
struct Blocks {
    next: u32,
    from_s: f64,
    last_s: f64,
}

impl Blocks {
    fn next_file(&mut self) {
        (self.next, self.from_s, self.last_s) = (self.next + 1, f64::NEG_INFINITY, f64::NEG_INFINITY);
    }

    fn of(&mut self, t_s: f64) -> u32 {
        if t_s - self.last_s > GAP_S || t_s - self.from_s > BLOCK_S || t_s < self.last_s {
            self.next += 1;
            self.from_s = t_s;
        }
        self.last_s = t_s;
        self.next
    }
}

/// What the level columns of a log show of ordinary running; all columns of one moment share its stretch.
fn see_log(log: &Ready, with_load: bool, blocks: &mut Blocks, seen: &mut Seens) {
    let load = log.drive.log.first(Role::Load).filter(|_| with_load);
    let load = load.map(|column| held(log.drive.t_s, column));
    let coolant = log.drive.log.first(Role::Coolant).map(|column| held(log.drive.t_s, column));
    blocks.next_file();
    let numbers: Vec<u32> = log
        .drive
        .t_s
        .iter()
        .enumerate()
        .map(|(row, t_s)| {
            // Rows that are not learnt from leave gaps, which part stretches.
            if log.stretches.is_learnt_from(row) { blocks.of(*t_s) } else { 0 }
        })
        .collect();
    let stride = (log.drive.t_s.len() * log.levels.len()).div_ceil(MOST_SEEN).max(1);
    let finite = |values: &Option<Vec<f64>>, row: usize| {
        values.as_ref().and_then(|values| values.get(row)).copied().filter(|value| value.is_finite())
    };
    for (group, level) in &log.levels {
        for cell in log.cells(*group, level).filter(|cell| cell.learnt_from).step_by(stride) {
            seen.seen.push(Seen {
                group: *group,
                rpm: cell.rpm,
                load: finite(&load, cell.row),
                degc: finite(&coolant, cell.row),
                level: cell.level,
                knock_db: None,
                block: numbers.get(cell.row).copied().unwrap_or(0),
            });
        }
    }
}

/// Whether loads of all logs can be matched: all of one unit (pressures are read in kPa).
pub(super) fn same_load_unit(all: &[(&File, &Log)]) -> bool {
    let columns: Option<Vec<&Column>> = all.iter().map(|(_, log)| log.first(Role::Load)).collect();
    columns.is_some_and(|columns| columns.windows(2).all(|two| two[0].unit == two[1].unit))
}

/// From the lowest to the highest load of either side, where both have one.
fn load_range(sides: &[Seens; 2]) -> Option<(f64, f64)> {
    let ranges = sides.each_ref().map(|side| {
        let loads: Vec<f64> = side.seen.iter().filter_map(|seen| seen.load).collect();
        range(loads.iter().copied()).filter(|_| loads.len() * 2 > side.seen.len())
    });
    let [Some(a), Some(b)] = ranges else { return None };
    let (low, high) = (a.0.min(b.0), a.1.max(b.1));
    (high > low).then_some((low, high))
}

/// How alike two floors go over speed, the mean over each side's groups.
fn shape(sides: &[Option<Side>; 2]) -> Option<(f64, f64)> {
    let [Some(before), Some(after)] = sides else { return None };
    let mean_at = |side: &Side, rpm: f64| {
        let levels: Vec<f64> =
            (0..side.groups.len()).filter_map(|group| side.floor.at(group as u16, rpm)).map(|at| at.level).collect();
        (!levels.is_empty()).then(|| levels.iter().sum::<f64>() / levels.len() as f64)
    };
    let speeds = (2..200).map(|k| f64::from(k) * 100.0);
    let pairs: Vec<(f64, f64)> = speeds.filter_map(|rpm| Some((mean_at(before, rpm)?, mean_at(after, rpm)?))).collect();
    if pairs.len() < 5 {
        return None;
    }
    let n = pairs.len() as f64;
    let (a, b) = (pairs.iter().map(|p| p.0).sum::<f64>() / n, pairs.iter().map(|p| p.1).sum::<f64>() / n);
    let [mut ab, mut aa, mut bb, mut most] = [0.0_f64; 4];
    for (x, y) in &pairs {
        let (x, y) = (x - a, y - b);
        (ab, aa, bb, most) = (ab + x * y, aa + x * x, bb + y * y, most.max((x - y).abs()));
    }
    (aa > 0.0 && bb > 0.0).then(|| (ab / (aa * bb).sqrt(), most))
}
