//! From a log's samples to floor, limits and the samples over them, per level column.

use super::learn::{Group, Side, index_of, may_knock};
use super::{Card, File, FileId};
use crate::feature::logged::{self, Cell};
use crate::limit::floor::Observation;
use crate::read::log::{Log, Of};
use crate::read::roles::Role;

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
    /// Seconds of log they stand for.
    pub judged_s: f64,
}

impl LogOutcome {
    /// From the level inside `side` to the log's unit.
    pub fn logged(&self, level: f64) -> f64 {
        if self.linear { 10f64.powf(level / 20.0) } else { level }
    }
}

impl Card {
    pub(super) fn learn_logs(&self) -> Option<LogOutcome> {
        let all: Vec<(&File, &Log)> = self.logs().collect();
        let pooled = self.pooled(&all);
        let first = pooled.iter().find_map(|(_, log)| logged::levels(log).into_iter().next())?;
        let (unit, linear) = (first.unit.clone(), first.linear);
        let mut groups: Vec<Group> = Vec::new();
        let mut observe = |knock: bool| {
            let mut out: Vec<(FileId, u16, Cell)> = Vec::new();
            for (file, log) in pooled.iter().filter(|(file, _)| may_knock(file.role) == knock) {
                for column in logged::levels(log).into_iter().filter(|column| column.unit == unit) {
                    let load = log.first(Role::Load);
                    let load_at = |row: usize| load.and_then(|load| load.values.get(row)).copied();
                    for cell in logged::cells(log, &column) {
                        let load = load_at(cell.row).and_then(|load| self.load_breakpoint(load));
                        out.push((file.id, log_group(&mut groups, column.of, &column.name, load), cell));
                    }
                }
            }
            out
        };
        let (safe, provoked) = (observe(false), observe(true));
        let observation = |(id, group, cell): &(FileId, u16, Cell)| Observation {
            group: *group,
            rpm: cell.rpm as f32,
            level: cell.level as f32,
            t_s: cell.t_s + f64::from(*id) * 1e6,
        };
        let usable = |cells: &[(FileId, u16, Cell)]| -> Vec<Observation> {
            cells.iter().filter(|(_, _, cell)| self.may_learn_logged(cell)).map(observation).collect()
        };
        let side = self.side(usable(&safe), usable(&provoked), groups)?;
        let mut outcome = LogOutcome { side, unit, linear, events: Vec::new(), judged: 0, judged_s: 0.0 };
        for (file, group, cell) in safe.iter().chain(&provoked) {
            let at = outcome.side.limits.at(&outcome.side.floor, *group, cell.rpm);
            let (Some(floor), Some(limit)) = (at.floor, at.limit) else { continue };
            outcome.judged += 1;
            outcome.judged_s += cell.step_s;
            if cell.level > limit {
                let [level, floor, limit] = [cell.level, floor, limit].map(|level| outcome.logged(level));
                outcome.events.push(LogEvent { file: *file, row: cell.row, group: *group, level, floor, limit });
            }
        }
        outcome.judged_s /= outcome.side.groups.len().max(1) as f64;
        Some(outcome)
    }
}

impl Card {
    /// Whether nothing speaks against learning from a sample, or only what the user waved through.
    fn may_learn_logged(&self, cell: &Cell) -> bool {
        cell.left_out.is_none_or(|reason| match reason {
            logged::LeftOut::Transient => self.choices.uses("transient"),
            logged::LeftOut::Cold => self.choices.uses("cold"),
            logged::LeftOut::Overrun => self.choices.uses("overrun"),
        })
    }
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
