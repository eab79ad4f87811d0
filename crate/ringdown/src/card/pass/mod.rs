//! The passes over a recording, a slice at a time: survey (statistics, envelope, crank), maps, levels, sensor figures.

mod errand;
mod events;
mod sensors;
mod survey;

pub use errand::{Errand, Runner, Undone};
pub(super) use events::EventPass;
pub(super) use sensors::Listening;
pub(super) use survey::Surveying;

use super::recording::Recording;
use super::work::Working;
use super::{Card, Content, FileId, FileRole, RoleReason};
use crate::error::Error;
use crate::feature::grid::map::Maps;
use crate::feature::sensor::Listened;
use crate::read::roles::Role;
use crate::read::sheet::Sheet;
use errand::{Brought, Order};
use events::Out;
use sensors::Plan;

/// Frames a slice holds: some 70 ms of work, so that a page can stop or answer in between.
const SLICE_FRAMES: usize = 1 << 16;

/// How a pass stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Stand {
    /// More is to be done here.
    Going,
    /// The rest is being done elsewhere.
    Waiting,
    /// All is done.
    Done,
}

impl Card {
    pub(super) fn recording_mut(&mut self, id: FileId) -> Option<(&mut Recording, Option<&Sheet>, &mut Vec<String>)> {
        let file = self.files.iter_mut().find(|file| file.id == id)?;
        match &mut file.content {
            Content::Recording(recording) => Some((recording, self.sheet.as_ref(), &mut file.notes)),
            _ => None,
        }
    }

    pub(super) fn survey_slice(&mut self, id: FileId) -> Stand {
        let Some((recording, sheet, notes)) = self.recording_mut(id) else { return Stand::Done };
        let mut survey = match recording.working.take() {
            Some(Working::Survey(survey)) => survey,
            _ => Box::new(Surveying::new(recording, sheet)),
        };
        let stand = noted(survey.go_on(&mut recording.samples.borrow_mut()), notes);
        if stand != Stand::Done {
            recording.working = Some(Working::Survey(survey));
            return stand;
        }
        let rate = recording.sample_rate_hz();
        let (mut survey, heard) = survey.finish(rate);
        recording.samples.get_mut().frames = survey.frames;
        if let (Some(crank), Some(sheet)) = (&mut survey.crank, sheet) {
            let sensors = (1..=recording.channels()).filter(|c| recording.role(*c, Some(sheet)) == Role::Sensor);
            let sensors: Vec<u16> = sensors.collect();
            let voices = heard.iter().filter(|(channel, _)| sensors.contains(channel));
            crank.listen(sheet, &voices.map(|(channel, voice)| (*channel, voice)).collect::<Vec<_>>());
        }
        recording.heard = survey.crank.as_ref().is_none_or(|crank| crank.track.segments.is_empty()).then_some(heard);
        recording.survey = Some(survey);
        self.changed.extend([1, 2, 3, 4, 5, 6, 7, 8, 9, 11]);
        self.forget_learnt();
        Stand::Done
    }

    pub(super) fn maps_slice(&mut self, id: FileId) -> Stand {
        let Some((recording, sheet, notes)) = self.recording_mut(id) else { return Stand::Done };
        let work = match recording.working.take() {
            Some(Working::Maps(work)) => Some(work),
            _ => EventPass::maps(recording).map(Box::new),
        };
        let Some(mut work) = work else {
            recording.maps = Some(Maps::default());
            return Stand::Done;
        };
        let stand = noted(work.go_on(recording, sheet), notes);
        if stand != Stand::Done {
            recording.working = Some(Working::Maps(work));
            return stand;
        }
        if let Out::Maps(maps) = work.finish() {
            recording.maps = Some(maps);
        }
        self.guess_from_tail(id);
        self.changed.extend([2, 5]);
        Stand::Done
    }

    pub(super) fn levels_slice(&mut self, id: FileId) -> Stand {
        let window = self.window();
        let Some(rate) = self.recording_mut(id).map(|(recording, ..)| recording.sample_rate_hz()) else {
            return Stand::Done;
        };
        let Some(band) = self.band(rate) else { return Stand::Done };
        let Some((recording, sheet, notes)) = self.recording_mut(id) else { return Stand::Done };
        let mut work = match recording.working.take() {
            Some(Working::Levels(work)) => work,
            _ => {
                let pass =
                    EventPass::levels(recording, sheet, [band.low, band.high], [window.low, window.high]).map(Box::new);
                let Some(pass) = pass else { return Stand::Done };
                pass
            }
        };
        let stand = noted(work.go_on(recording, sheet), notes);
        if stand != Stand::Done {
            recording.working = Some(Working::Levels(work));
            return stand;
        }
        if let Out::Levels(levels) = work.finish() {
            recording.levels = Some(levels);
        }
        self.forget_learnt();
        self.changed.insert(2);
        self.changed.extend(5..=9);
        Stand::Done
    }

    /// A recording whose role nobody gave and no name tells: its own events may.
    fn guess_from_tail(&mut self, id: FileId) {
        let share = self.knock_like_share(id);
        let Some(file) = self.files.iter_mut().find(|file| file.id == id) else { return };
        if super::work::is_guessed_by_tail(file) {
            (file.role, file.role_reason) = match share {
                Some(share) => (FileRole::Knock, RoleReason::Tail(share)),
                None => (FileRole::Safe, RoleReason::Nothing),
            };
        }
    }

    pub(super) fn sensors_slice(&mut self, id: FileId) {
        let Some(role) = self.file(id).map(|file| file.role) else { return };
        let Some((recording, sheet, notes)) = self.recording_mut(id) else { return };
        let mut work = match recording.working.take() {
            Some(Working::Sensors(work)) => work,
            _ => Box::new(Listening::new(Plan::of(recording, sheet, role), recording.sample_rate_hz())),
        };
        let more = work.go_on(recording.samples.get_mut()).unwrap_or_else(|error| {
            notes.push(error.to_string());
            false
        });
        if more {
            recording.working = Some(Working::Sensors(work));
        } else {
            self.take_sensors(id, work.finish());
        }
    }

    fn take_sensors(&mut self, id: FileId, sensors: Vec<(u16, Listened)>) {
        let Some((recording, ..)) = self.recording_mut(id) else { return };
        recording.sensors = Some(sensors);
        self.forget_reports();
        self.changed.extend([3, 5, 11]);
    }
}

/// A fault of the file goes to its notes, and the pass goes on.
fn noted(stand: Result<Stand, Error>, notes: &mut Vec<String>) -> Stand {
    stand.unwrap_or_else(|error| {
        notes.push(error.to_string());
        Stand::Going
    })
}
