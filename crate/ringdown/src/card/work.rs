//! The work of a card in small steps: which task comes next, one slice of it at a time.

use super::measure::{Levelling, Listening, Mapping, Surveying};
use super::recording::{Levels, Recording};
use super::{Card, Content, File, FileId, RoleReason};
use crate::progress::Progress;
use crate::read::Hasher;
use std::io::Read;

/// Frames a slice holds: some 70 ms of work, so that a page can stop or answer in between.
pub(super) const SLICE_FRAMES: usize = 1 << 16;
/// Bytes hashed in a step.
const HASH_BYTES: usize = 4 << 20;
/// Bytes a call of the hash takes.
const HASH_PIECE: usize = 1 << 16;

/// A pass over a recording under way.
pub(super) enum Working {
    Survey(Box<Surveying>),
    Maps(Box<Mapping>),
    Blind(Box<crate::crank::blind::Blind>),
    Levels(Box<Levelling>),
    Sensors(Box<Listening>),
}

/// A hash under way.
pub(super) struct Hashing {
    hasher: Hasher,
    source: Box<dyn crate::read::Source>,
    done: u64,
}

/// What one step did.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Over all work known now.
    pub progress: Progress,
    /// Section the work belongs to.
    pub section: Option<u8>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Task {
    Survey(FileId),
    Maps(FileId),
    Search,
    Blind(FileId),
    Overlay,
    Levels(FileId),
    Sensors(FileId),
    Learn,
    Evidence,
    Compare,
    Heard,
    Hash(FileId),
}

impl Card {
    /// Does the next piece of work, one slice at the most.
    pub fn step(&mut self) -> Step {
        let Some(task) = self.next_task() else {
            return Step { progress: Progress { share: 1.0, done: true }, section: None };
        };
        let section = match task {
            Task::Survey(id) => {
                self.survey_slice(id);
                4
            }
            Task::Maps(id) => {
                self.maps_slice(id);
                5
            }
            Task::Search => {
                self.search_on();
                5
            }
            Task::Blind(id) => {
                self.blind_slice(id);
                4
            }
            Task::Overlay => {
                self.lay_over();
                4
            }
            Task::Levels(id) => {
                self.levels_slice(id);
                7
            }
            Task::Sensors(id) => {
                self.sensors_slice(id);
                3
            }
            Task::Learn => {
                self.learn_on();
                8
            }
            Task::Evidence => {
                self.evidence = Some(self.gather_evidence());
                self.map_cycle();
                self.changed.extend([5, 6]);
                5
            }
            Task::Compare => {
                self.comparison = Some(self.compare_sides());
                self.changed.insert(10);
                10
            }
            Task::Heard => {
                self.all_heard = !self.explain_next();
                self.changed.insert(7);
                7
            }
            Task::Hash(id) => {
                self.hash_slice(id);
                11
            }
        };
        let done = self.next_task().is_none();
        Step {
            progress: Progress { share: if done { 1.0 } else { self.share().min(0.999) }, done },
            section: Some(section),
        }
    }

    /// A file that a saved card knows by its hash is hashed before anything is made of it. Then surveys, the search for
    /// band and window, levels in them, and what is learnt from levels; sensor figures and other hashes last: the numbers
    /// a user waits for come first. Where band and window are given, the search changes none of these and comes late, and
    /// so do the maps it looks at, unless a file's role is still to be told from them.
    fn next_task(&self) -> Option<Task> {
        let recordings = || self.recordings();
        let survey =
            recordings().find(|(_, recording)| recording.survey.is_none()).map(|(file, _)| Task::Survey(file.id));
        let maps = || recordings().find(|(_, recording)| wants_maps(recording)).map(|(file, _)| Task::Maps(file.id));
        let search = || self.wants_search().then_some(Task::Search);
        let searched = |recording: &Recording| matches!(recording.working, Some(Working::Blind(_)));
        let blind = || {
            let wanted =
                |(file, recording): &(&File, &Recording)| searched(recording) || self.wants_blind(file.role, recording);
            recordings().find(wanted).map(|(file, _)| Task::Blind(file.id))
        };
        let overlay = || self.wants_overlays().then_some(Task::Overlay);
        let levels =
            || recordings().find(|(_, recording)| self.wants_levels(recording)).map(|(file, _)| Task::Levels(file.id));
        let learn = || (self.wants_learning() && !self.files.is_empty()).then_some(Task::Learn);
        let evidence = || (self.outcome.is_some() && self.evidence.is_none()).then_some(Task::Evidence);
        let compare = || (self.comparison.is_none() && self.has_two_sides()).then_some(Task::Compare);
        let laid = || self.overlays.iter().any(|overlay| overlay.found.is_ok());
        let heard = || (!self.all_heard && laid()).then_some(Task::Heard);
        let sensors =
            || recordings().find(|(_, recording)| recording.sensors.is_none()).map(|(file, _)| Task::Sensors(file.id));
        let unhashed = || self.files.iter().filter(|file| file.sha256.is_none());
        let doubtful =
            unhashed().find(|file| self.wanted_hash(&file.input.name).is_some()).map(|file| Task::Hash(file.id));
        let hash = || unhashed().next().map(|file| Task::Hash(file.id));
        let first = doubtful.or(survey).or_else(blind).or_else(overlay);
        let given = self.choices.band.is_some() && self.choices.window.is_some();
        let late = || search().filter(|_| given && !self.search_left);
        let limits = if given && recordings().all(|(file, _)| !is_guessed_by_tail(file)) {
            first.or_else(levels).or_else(learn).or_else(maps)
        } else {
            first.or_else(maps).or_else(|| search().filter(|_| !given)).or_else(levels).or_else(learn)
        };
        limits.or_else(evidence).or_else(compare).or_else(heard).or_else(sensors).or_else(late).or_else(hash)
    }

    fn wants_levels(&self, recording: &Recording) -> bool {
        let window = self.window();
        let Some(band) = self.band(recording.sample_rate_hz()).filter(|_| has_events(recording)) else { return false };
        let same = |levels: &Levels| {
            levels.band_hz == [band.low, band.high] && levels.window_deg_atdc == [window.low, window.high]
        };
        !recording.levels.as_ref().is_some_and(same)
    }

    /// Share of the work done, by bytes and frames: a survey, levels and sensor figures cost about alike.
    fn share(&self) -> f64 {
        let (mut done, mut all) = (0.0, 0.0);
        for file in &self.files {
            let bytes = file.input.bytes as f64;
            if let Content::Recording(recording) = &file.content {
                let part = match &recording.working {
                    Some(Working::Survey(survey)) => survey.share(),
                    Some(Working::Maps(maps)) => maps.share(),
                    Some(Working::Levels(levels)) => levels.share(),
                    Some(Working::Sensors(sensors)) => sensors.share(),
                    Some(Working::Blind(_)) | None => 0.0,
                };
                let whole = |done: bool| if done { 1.0 } else { 0.0 };
                let surveyed = recording.survey.is_some();
                let maps = surveyed && !wants_maps(recording);
                let levels = maps && !self.wants_levels(recording);
                done +=
                    bytes * (part + whole(surveyed) + whole(maps) + whole(levels) + whole(recording.sensors.is_some()));
                all += 4.0 * bytes;
            }
            done += 0.2 * bytes * if file.sha256.is_some() { 1.0 } else { 0.0 };
            all += 0.2 * bytes;
        }
        if all > 0.0 { done / all } else { 1.0 }
    }

    fn hash_slice(&mut self, id: FileId) {
        let Some(file) = self.files.iter_mut().find(|file| file.id == id) else { return };
        match hash_on(file) {
            Ok(None) => return,
            Ok(Some(hash)) => file.sha256 = Some(hash),
            Err(error) => {
                file.notes.push(error.to_string());
                file.sha256 = Some(String::new());
            }
        }
        self.changed.extend([2, 11]);
        self.refuse_other(id);
    }
}

fn has_events(recording: &Recording) -> bool {
    recording.crank().is_some_and(|crank| !crank.events.is_empty())
}

/// Whether the file's role hangs on its maps.
pub(super) fn is_guessed_by_tail(file: &File) -> bool {
    matches!(file.role_reason, RoleReason::Nothing | RoleReason::Tail(_))
}

fn wants_maps(recording: &Recording) -> bool {
    recording.maps.is_none() && has_events(recording)
}

/// Hashes on; the digest once the end is reached.
fn hash_on(file: &mut File) -> Result<Option<String>, crate::error::Error> {
    let io = |at: u64, error| crate::error::Error::io(&file.input.name, at, error);
    if file.hashing.is_none() {
        let source = (file.input.open)().map_err(|error| io(0, error))?;
        file.hashing = Some(Hashing { hasher: Hasher::new(), source, done: 0 });
    }
    let Some(hashing) = &mut file.hashing else { return Ok(None) };
    let mut block = vec![0; HASH_BYTES.min(file.input.bytes as usize + 1)];
    let count = hashing.source.read(&mut block).map_err(|error| io(hashing.done, error))?;
    // Engines compile wasm better between calls than inside one long call.
    block[..count].chunks(HASH_PIECE).for_each(|piece| hashing.hasher.update(piece));
    hashing.done += count as u64;
    if count > 0 {
        return Ok(None);
    }
    if hashing.done != file.input.bytes {
        return Err(crate::error::Error::new(
            &file.input.name,
            crate::error::Place::Byte(hashing.done),
            crate::error::Kind::Truncated { promised: file.input.bytes, present: hashing.done },
        ));
    }
    Ok(file.hashing.take().map(|hashing| hashing.hasher.finish()))
}
