//! A recording without a usable crank signal: its sensors are searched for the engine's own rhythm.

use super::recording::Recording;
use super::work::Working;
use super::{Card, Content, FileId, FileRole};
use crate::crank::Crank;
use crate::crank::blind::{Blind, Layout};
use crate::read::sheet::Sheet;

/// Moments searched in a step: some 50 ms of work.
const MOMENTS: usize = 64;

impl Card {
    /// Whether speed has to come from the sensors, and has not yet.
    pub(super) fn wants_blind(&self, role: FileRole, recording: &Recording) -> bool {
        let without = |crank: &Crank| crank.track.segments.is_empty();
        recording.heard.is_some()
            && recording.survey.is_some()
            && recording.crank().is_none_or(without)
            && role != FileRole::EngineOff
            && self.sheet().and_then(Layout::of).is_some()
    }

    pub(super) fn blind_slice(&mut self, id: FileId) {
        let sheet = self.sheet.as_ref();
        let Some(file) = self.files.iter_mut().find(|file| file.id == id) else { return };
        let Content::Recording(recording) = &mut file.content else { return };
        let mut blind = match recording.working.take() {
            Some(Working::Blind(blind)) => blind,
            _ => match start(recording, sheet) {
                Some(blind) => Box::new(blind),
                None => return,
            },
        };
        if blind.step(MOMENTS) {
            recording.working = Some(Working::Blind(blind));
            return;
        }
        let found = blind.finish();
        if let Some(survey) = &mut recording.survey {
            survey.crank = Some(beside(survey.crank.take(), found));
        }
        self.changed.extend([2, 4, 5, 6, 7, 8, 9, 11]);
        self.forget_learnt();
    }
}

/// Takes what was heard: found or not, it is searched once.
fn start(recording: &mut Recording, sheet: Option<&Sheet>) -> Option<Blind> {
    let sensors = recording.sensor_channels(sheet);
    let heard = recording.heard.take()?.into_iter().filter(|(channel, _)| sensors.contains(channel)).collect();
    Blind::new(Layout::of(sheet?)?, heard)
}

/// What a failed crank signal said stays said.
fn beside(failed: Option<Crank>, found: Crank) -> Crank {
    match failed {
        Some(failed) if found.track.segments.is_empty() => failed,
        Some(failed) => Crank { notes: failed.notes, edges: failed.edges, ..found },
        None => found,
    }
}
