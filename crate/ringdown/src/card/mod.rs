//! The job card: inputs and choices, what has been computed from them, and what a change makes stale.
//!
//! A card works in small steps ([`Card::step`]) so that a page stays alive and a native run can show progress; both
//! call it the same way and get the same numbers.

mod add;
pub mod align;
mod blind;
pub mod bursts;
pub mod choices;
pub mod compare;
mod cycle;
mod driven;
pub mod evidence;
pub mod explain;
mod glance;
pub mod heard;
mod input;
mod learn;
mod learn_log;
pub mod listen;
mod loads;
pub mod order_lines;
pub mod overview;
pub mod own;
mod pass;
pub mod proof;
pub mod recording;
mod returned;
pub mod search;
pub mod sensors;
pub mod windows;
mod work;

pub use crate::read::card::{FileRole, Filter, Mark, MarkLabel};
pub use crate::read::joined::Join;
pub use choices::{Choices, ChosenBy, Feature, RoleReason, Settled};
pub use input::Input;
pub use learn::{Group, Judged, Moves, Outcome, Side, Source as LearntFrom};
pub use learn_log::{LogEvent, LogOutcome};
pub use pass::{Errand, Runner, Undone};
pub use returned::{Expected, Refused};

use crate::error::{Error, Kind as Fault, Place};
use crate::read::log::Log;
use crate::read::sheet::Sheet;
use recording::Recording;
use std::collections::BTreeSet;

/// Number of a file in this card; never used twice.
pub type FileId = u32;

/// A file on the card.
pub struct File {
    /// Its number.
    pub id: FileId,
    /// Name, length, opener.
    pub input: Input,
    /// SHA-256 in lower-case hex, once computed.
    pub sha256: Option<String>,
    /// What it is used as.
    pub role: FileRole,
    /// Why: guessed from what, or chosen (then it is not guessed again).
    pub role_reason: RoleReason,
    /// What was assumed, recovered or left out when reading.
    pub notes: Vec<String>,
    /// What is in it.
    pub content: Content,
    hashing: Option<work::Hashing>,
    /// The errand that hashes it.
    hash_away: Option<u32>,
    /// No errand about it has failed.
    is_helped: bool,
}

impl File {
    fn choose_role(&mut self, role: FileRole) {
        // an engine that is off stands: its sensors are heard otherwise, and no rhythm in them is a speed
        if let Content::Recording(recording) = &mut self.content
            && (role == FileRole::EngineOff) != (self.role == FileRole::EngineOff)
        {
            recording.forget_sensors();
            recording.forget_blind();
        }
        (self.role, self.role_reason) = (role, RoleReason::Chosen);
    }

    /// A recording or a log.
    pub fn is_data(&self) -> bool {
        matches!(self.content, Content::Recording(_) | Content::Log(_))
    }
}

/// What is in a file.
pub enum Content {
    /// A recording and what has been computed from it.
    Recording(Box<Recording>),
    /// A log.
    Log(Box<Log>),
    /// The engine sheet.
    Sheet,
    /// A saved card.
    Card,
}

/// An event judged by ear.
#[derive(Debug, Clone, PartialEq)]
pub struct EarLabel {
    /// File name (a saved card knows no numbers).
    pub file: String,
    /// Firing TDC of the event.
    pub t_s: f64,
    /// Knock or not.
    pub knock: bool,
}

/// The job card.
#[derive(Default)]
pub struct Card {
    sheet: Option<Sheet>,
    sheet_file: Option<String>,
    choices: Choices,
    files: Vec<File>,
    labels: Vec<EarLabel>,
    marks: Vec<Mark>,
    /// Roles a saved card gives to files that have not been dropped yet.
    expected: Vec<Expected>,
    refused: Vec<Refused>,
    outcome: Option<Outcome>,
    log_outcome: Option<LogOutcome>,
    /// Load breakpoints in force where the sheet lists none, see [`loads`].
    proposed_loads: loads::Parting,
    /// The same of the logs.
    proposed_log_loads: loads::Parting,
    evidence: Option<evidence::Evidence>,
    /// `Some(None)`: looked at, and there is nothing to compare.
    comparison: Option<Option<compare::Comparison>>,
    search: Option<search::Search>,
    searching: Option<Box<search::Searching>>,
    /// What the finished search depended on.
    searched: Option<search::Key>,
    /// No search where band and window are given.
    search_left: bool,
    /// What the level columns of logs beside recordings listen to, and whether that is all.
    heard: Vec<heard::Heard>,
    all_heard: bool,
    overlays: Vec<align::Overlay>,
    /// What the overlays depended on.
    overlaid: align::Key,
    /// How far learning has come, see [`learn`].
    learnt: usize,
    /// What is said of the sensors, worked out when first asked for.
    reports: std::cell::OnceCell<Vec<sensors::SensorReport>>,
    overviews: std::cell::RefCell<overview::Overviews>,
    changed: BTreeSet<u8>,
    next_id: FileId,
    next_errand: u32,
}

impl Card {
    /// The engine sheet, if any.
    pub fn sheet(&self) -> Option<&Sheet> {
        self.sheet.as_ref()
    }

    /// What the user chose.
    pub fn choices(&self) -> &Choices {
        &self.choices
    }

    /// Files in the order of dropping.
    pub fn files(&self) -> &[File] {
        &self.files
    }

    /// A file by number.
    pub fn file(&self, id: FileId) -> Option<&File> {
        self.files.iter().find(|file| file.id == id)
    }

    /// Recordings in the order of dropping.
    pub fn recordings(&self) -> impl Iterator<Item = (&File, &Recording)> {
        self.files.iter().filter_map(|file| match &file.content {
            Content::Recording(recording) => Some((file, recording.as_ref())),
            _ => None,
        })
    }

    /// Logs in the order of dropping.
    pub fn logs(&self) -> impl Iterator<Item = (&File, &Log)> {
        self.files.iter().filter_map(|file| match &file.content {
            Content::Log(log) => Some((file, log.as_ref())),
            _ => None,
        })
    }

    /// Whether any recording's events count from a firing TDC: without, the window is relative to the sensors' pattern.
    pub fn has_angle(&self) -> bool {
        self.recordings().any(|(_, recording)| recording.crank().is_some_and(crate::crank::Crank::has_angle))
    }

    /// Events judged by ear.
    pub fn labels(&self) -> &[EarLabel] {
        &self.labels
    }

    /// Marked stretches.
    pub fn marks(&self) -> &[Mark] {
        &self.marks
    }

    /// Floor, limits and proof from the recordings, once learnt.
    pub fn outcome(&self) -> Option<&Outcome> {
        self.outcome.as_ref()
    }

    /// Floor and limits from the logs, once learnt.
    pub fn log_outcome(&self) -> Option<&LogOutcome> {
        self.log_outcome.as_ref()
    }

    /// Before against after, once compared.
    pub fn comparison(&self) -> Option<&compare::Comparison> {
        self.comparison.as_ref()?.as_ref()
    }

    /// Loud against quiet cycles, once gathered.
    pub fn evidence(&self) -> Option<&evidence::Evidence> {
        self.evidence.as_ref()
    }

    /// Sections whose view has changed since the last call.
    pub fn take_changed(&mut self) -> Vec<u8> {
        std::mem::take(&mut self.changed).into_iter().collect()
    }

    /// Replaces the sheet as edited on the page or loaded from a file.
    ///
    /// # Errors
    /// A silly field, with its range.
    pub fn set_sheet(&mut self, json: &[u8]) -> Result<(), Error> {
        let loaded = Sheet::parse("engine sheet", json)?;
        self.take_sheet(loaded.value);
        Ok(())
    }

    fn take_sheet(&mut self, sheet: Sheet) {
        if self.sheet.as_ref() == Some(&sheet) {
            return;
        }
        let crank_same = self.sheet.as_ref().is_some_and(|old| same_crank(old, &sheet));
        self.sheet = Some(sheet);
        for file in &mut self.files {
            if let Content::Recording(recording) = &mut file.content {
                if crank_same { recording.forget_levels() } else { recording.forget_all() }
            }
        }
        self.forget_learnt();
        self.changed.extend(1..=11);
    }

    /// Replaces the choices; only what depends on what differs is computed again.
    ///
    /// # Errors
    /// A value outside its range.
    pub fn choose(&mut self, choices: Choices) -> Result<(), Error> {
        choices.check()?;
        if choices == self.choices {
            return Ok(());
        }
        let same_feature = choices.band == self.choices.band && choices.window == self.choices.window;
        self.choices = choices;
        if !same_feature {
            self.forget_levels();
        }
        self.forget_learnt();
        self.changed.extend(5..=11);
        Ok(())
    }

    /// Gives a file a role.
    pub fn set_role(&mut self, id: FileId, role: FileRole) {
        if let Some(file) = self.files.iter_mut().find(|file| file.id == id) {
            file.choose_role(role);
        }
        self.forget_learnt();
        self.changed.extend(2..=11);
    }

    /// Gives a column of a log a role; at most one column is time, and one is speed.
    pub fn set_column_role(&mut self, id: FileId, column: usize, role: crate::read::roles::Role) {
        use crate::read::roles::Role;
        let file = self.files.iter_mut().find(|file| file.id == id);
        if let Some(File { content: Content::Log(log), .. }) = file {
            for other in &mut log.columns {
                if other.column == column {
                    other.role = role;
                    other.reason = "chosen by you".into();
                } else if other.role == role && matches!(role, Role::Time | Role::Speed) {
                    other.role = Role::Other;
                }
            }
        }
        self.forget_learnt();
        self.changed.extend([2, 3, 4, 7, 8, 9, 10, 11]);
    }

    /// Judges the event at `t_s` of a file by ear; `None` takes the judgement back.
    pub fn label(&mut self, id: FileId, t_s: f64, knock: Option<bool>) {
        let Some(file) = self.file(id) else { return };
        let name = file.input.name.clone();
        let t_s = nearest_event(file, t_s).unwrap_or(t_s);
        self.labels.retain(|label| label.file != name || (label.t_s - t_s).abs() > SAME_EVENT_S);
        if let Some(knock) = knock {
            self.labels.push(EarLabel { file: name, t_s, knock });
        }
        self.forget_learnt();
        self.changed.extend([9, 11]);
    }

    /// Takes a file off the card.
    pub fn remove(&mut self, id: FileId) {
        self.files.retain(|file| file.id != id);
        self.forget_learnt();
        self.changed.extend(1..=11);
    }

    fn forget_levels(&mut self) {
        for file in &mut self.files {
            if let Content::Recording(recording) = &mut file.content {
                recording.forget_levels();
            }
        }
    }

    fn forget_learnt(&mut self) {
        self.learnt = 0;
        self.evidence = None;
        self.comparison = None;
        self.heard.clear();
        self.all_heard = false;
        self.forget_reports();
    }

    fn forget_reports(&mut self) {
        self.reports.take();
    }

    fn error(file: &str, fault: Fault) -> Error {
        Error::new(file, Place::File, fault)
    }
}

/// Firing TDC of the event nearest to `t_s`, if within [`NEAR_EVENT_S`].
fn nearest_event(file: &File, t_s: f64) -> Option<f64> {
    let Content::Recording(recording) = &file.content else { return None };
    let events = &recording.crank()?.events;
    let at = events.partition_point(|event| event.t_s < t_s);
    let near = [at.checked_sub(1), Some(at)].into_iter().flatten().filter_map(|at| events.get(at));
    let nearest = near.map(|event| event.t_s).min_by(|a, b| (a - t_s).abs().total_cmp(&(b - t_s).abs()))?;
    ((nearest - t_s).abs() < NEAR_EVENT_S).then_some(nearest)
}

/// A judgement this near to an event speaks of it; rounding on the way takes less.
const NEAR_EVENT_S: f64 = 0.002;

/// Two labels closer than this speak of one event: half the firing interval of an eight at 9000 rpm is 0.8 ms.
pub const SAME_EVENT_S: f64 = 0.0008;

fn same_crank(a: &Sheet, b: &Sheet) -> bool {
    a.crank == b.crank
        && a.cam == b.cam
        && a.ignition == b.ignition
        && a.cylinders == b.cylinders
        && a.strokes == b.strokes
        && a.firing_order == b.firing_order
        && a.firing_angles_deg == b.firing_angles_deg
        && a.sensors == b.sensors
}
