//! The work of a card in small steps: which task comes next, one slice of it at a time.

use super::pass::{EventPass, Listening, Stand, Surveying};
use super::recording::{Levels, Recording};
use super::{Card, Content, File, FileId, Input, RoleReason};
use crate::error::{Error, Kind, Place};
use crate::progress::Progress;
use crate::read::Hasher;
use std::io::Read;

/// Bytes hashed in a step.
const HASH_BYTES: usize = 4 << 20;
/// Bytes a call of the hash takes.
const HASH_PIECE: usize = 1 << 16;

/// A pass over a recording under way.
pub(super) enum Working {
    Survey(Box<Surveying>),
    Maps(Box<EventPass>),
    Blind(Box<crate::crank::blind::Blind>),
    Levels(Box<EventPass>),
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
    /// Nothing can be done until something given out, see [`Card::errand`], is taken back.
    pub waiting: bool,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Task {
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
            return self.stepped(None, Stand::Waiting);
        };
        let mut stand = Stand::Going;
        let section = match task {
            Task::Survey(id) => {
                stand = self.survey_slice(id);
                4
            }
            Task::Maps(id) => {
                stand = self.maps_slice(id);
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
                stand = self.levels_slice(id);
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
        self.stepped(Some(section), stand)
    }

    fn stepped(&self, section: Option<u8>, stand: Stand) -> Step {
        let left = self.next_task().is_some();
        let away = self.files.iter().find_map(File::away);
        let done = !left && away.is_none();
        Step {
            progress: Progress { share: if done { 1.0 } else { self.share().min(0.999) }, done },
            section: if done { section } else { section.or(away) },
            waiting: !done && (stand == Stand::Waiting || !left),
        }
    }

    /// A file that a saved card knows by its hash is hashed before anything is made of it. Then surveys, the search for
    /// band and window, levels in them, and what is learnt from levels; sensor figures and other hashes last: the numbers
    /// a user waits for come first. Where band and window are given, the search changes none of these and comes late, and
    /// so do the maps it looks at, unless a file's role is still to be told from them.
    pub(super) fn next_task(&self) -> Option<Task> {
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
            || recordings().find(|(_, recording)| recording.wants_sensors()).map(|(file, _)| Task::Sensors(file.id));
        let unhashed = || self.files.iter().filter(|file| file.wants_hash());
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

    /// Whether a recording has been surveyed and its events, if any, have the levels asked for.
    pub fn is_measured(&self, recording: &Recording) -> bool {
        recording.survey.is_some() && !self.wants_levels(recording)
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
                    Some(Working::Maps(pass) | Working::Levels(pass)) => pass.share(),
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
            Ok(None) => {}
            Ok(Some(hash)) => self.take_hash(id, hash),
            Err(error) => {
                file.notes.push(error.to_string());
                self.take_hash(id, String::new());
            }
        }
    }

    /// Takes the hash of a file; an empty one where it could not be read.
    pub(super) fn take_hash(&mut self, id: FileId, hash: String) {
        let Some(file) = self.files.iter_mut().find(|file| file.id == id) else { return };
        (file.sha256, file.hashing) = (Some(hash), None);
        self.changed.extend([2, 11]);
        self.refuse_other(id);
    }
}

impl File {
    pub(super) fn wants_hash(&self) -> bool {
        self.sha256.is_none() && self.hash_away.is_none()
    }

    /// Section of what is being done elsewhere and waited for by nothing else.
    fn away(&self) -> Option<u8> {
        let sensors = matches!(&self.content, Content::Recording(recording) if recording.sensors_away.is_some());
        if sensors { Some(3) } else { self.hash_away.map(|_| 11) }
    }
}

impl Recording {
    pub(super) fn wants_sensors(&self) -> bool {
        self.sensors.is_none() && self.sensors_away.is_none()
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
fn hash_on(file: &mut File) -> Result<Option<String>, Error> {
    let hashing = match &mut file.hashing {
        Some(hashing) => hashing,
        none => none.insert(Hashing::of(&file.input)?),
    };
    hashing.go_on(&file.input)
}

impl Hashing {
    /// # Errors
    /// The file can't be opened.
    pub(super) fn of(input: &Input) -> Result<Self, Error> {
        Ok(Hashing { hasher: Hasher::new(), source: input.source()?, done: 0 })
    }

    /// Hashes on; the digest once the end is reached.
    ///
    /// # Errors
    /// The file can't be read any more, or is shorter than it was.
    pub(super) fn go_on(&mut self, input: &Input) -> Result<Option<String>, Error> {
        let mut block = vec![0; HASH_BYTES.min(input.bytes as usize + 1)];
        let count = self.source.read(&mut block).map_err(|error| Error::io(&input.name, self.done, error))?;
        // Engines compile wasm better between calls than inside one long call.
        block[..count].chunks(HASH_PIECE).for_each(|piece| self.hasher.update(piece));
        self.done += count as u64;
        if count > 0 {
            return Ok(None);
        }
        if self.done != input.bytes {
            let fault = Kind::Truncated { promised: input.bytes, present: self.done };
            return Err(Error::new(&input.name, Place::Byte(self.done), fault));
        }
        Ok(Some(std::mem::replace(&mut self.hasher, Hasher::new()).finish()))
    }
}
