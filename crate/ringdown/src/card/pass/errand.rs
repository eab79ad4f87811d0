//! Errands: parts of the passes that another worker does from the file alone, and hands back as bytes.
//!
//! A card gives them out one at a time ([`Card::errand`]) and works on meanwhile; what comes back ([`Card::take_back`]) is
//! what it would have found itself, bit by bit, and what does not come back it does itself.

use super::events::{Measured, Portion, Wanted};
use super::sensors::{Listening, Plan};
use super::survey::{Hearing, Sound, Surveyed};
use crate::card::recording::Recording;
use crate::card::work::{Hashing, Task, Working};
use crate::card::{Card, Content, File, FileId, Input};
use crate::error::Error;
use crate::feature::sensor::Listened;
use crate::read::Content as Read;
use crate::read::samples::Samples;
use serde::{Deserialize, Serialize};

/// Something to be done elsewhere.
pub struct Errand {
    /// By which it is handed back; never used twice.
    pub number: u32,
    /// The file it is about.
    pub file: FileId,
    /// Done in a moment, so that another may wait behind it.
    pub is_short: bool,
    /// What to do, for [`Runner::begin`].
    pub order: Vec<u8>,
}

/// An order as it crosses, with what the file was here: one that has become another gives no answer.
#[derive(Serialize, Deserialize)]
struct Parcel {
    order: Order,
    bytes: u64,
    shape: Shape,
}

/// What a recording is.
#[derive(Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Shape {
    frames: u64,
    channels: usize,
    sample_rate_hz: f64,
}

impl Shape {
    fn of(samples: &Samples) -> Self {
        let Samples { frames, channels, sample_rate_hz, .. } = *samples;
        Self { frames, channels, sample_rate_hz }
    }
}

/// What is to be done.
#[derive(Serialize, Deserialize)]
pub(super) enum Order {
    Sound(Sound),
    Portion(Wanted, Box<Portion>),
    Sensors(Plan),
    Hash,
}

/// What came of it.
#[derive(Serialize, Deserialize)]
pub(super) enum Brought {
    Sound(Surveyed),
    Events(Measured),
    Sensors(Vec<(u16, Listened)>),
    Hash(String),
}

/// An errand can't be done. What is wrong with the file the card finds out by itself, doing what it does not get back.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Undone;

impl From<Error> for Undone {
    fn from(_: Error) -> Self {
        Undone
    }
}

impl From<postcard::Error> for Undone {
    fn from(_: postcard::Error) -> Self {
        Undone
    }
}

/// The other worker: does errands about one file, one after the other.
pub struct Runner {
    input: Input,
    samples: Option<Samples>,
    work: Option<Work>,
}

enum Work {
    Hear(Box<Hearing>),
    Measure(Wanted, Box<Portion>),
    Listen(Box<Listening>),
    Hash(Box<Hashing>),
}

impl Runner {
    /// For errands about this file; nothing is read yet.
    pub fn new(input: Input) -> Self {
        Self { input, samples: None, work: None }
    }

    /// Begins an errand; one under way is dropped.
    ///
    /// # Errors
    /// The file can't be read, or the bytes are no order for it.
    pub fn begin(&mut self, order: &[u8]) -> Result<(), Undone> {
        self.work = None;
        let Parcel { order, bytes, shape } = postcard::from_bytes(order)?;
        if bytes != self.input.bytes {
            return Err(Undone);
        }
        if matches!(order, Order::Hash) {
            self.work = Some(Work::Hash(Box::new(Hashing::of(&self.input)?)));
            return Ok(());
        }
        if self.samples.is_none() {
            let Read::Recording(samples) = self.input.read()?.value else {
                return Err(Undone);
            };
            self.samples = Some(samples);
        }
        if self.samples.as_ref().map(Shape::of) != Some(shape) {
            return Err(Undone);
        }
        let rate = shape.sample_rate_hz;
        self.work = match order {
            Order::Sound(sound) => Some(Work::Hear(Box::new(Hearing::new(&sound)))),
            Order::Portion(wanted, portion) => Some(Work::Measure(wanted, portion)),
            Order::Sensors(plan) => Some(Work::Listen(Box::new(Listening::new(plan, rate)))),
            Order::Hash => None,
        };
        Ok(())
    }

    /// Works on a little; what to hand back, once it is done.
    ///
    /// # Errors
    /// The file can't be read any more, or there is nothing to do.
    pub fn step(&mut self) -> Result<Option<Vec<u8>>, Undone> {
        let brought = match (&mut self.work, &mut self.samples) {
            (Some(Work::Hash(hashing)), _) => hashing.go_on(&self.input)?.map(Brought::Hash),
            (Some(Work::Hear(hearing)), Some(samples)) => hearing.go_on(samples)?,
            (Some(Work::Measure(wanted, portion)), Some(samples)) => {
                let (measured, read) = portion.measure(wanted, samples);
                read?;
                Some(Brought::Events(measured))
            }
            (Some(Work::Listen(listening)), Some(samples)) => match listening.go_on(samples)? {
                true => None,
                false => match self.work.take() {
                    Some(Work::Listen(listening)) => Some(Brought::Sensors(listening.finish())),
                    _ => None,
                },
            },
            _ => return Err(Undone),
        };
        let Some(brought) = brought else { return Ok(None) };
        self.work = None;
        Ok(Some(postcard::to_allocvec(&brought)?))
    }
}

impl Card {
    /// Something another worker can do meanwhile about a file that it `can` open, or nothing now. What is given out must be
    /// taken back, by [`Card::take_back`].
    pub fn errand(&mut self, can: impl Fn(FileId) -> bool) -> Option<Errand> {
        let number = self.next_errand;
        let task = self.next_task();
        let sheet = self.sheet.as_ref();
        let mut found = None;
        for file in self.files.iter_mut().filter(|file| file.is_helped && can(file.id)) {
            let id = file.id;
            let Content::Recording(recording) = &mut file.content else { continue };
            if !recording.samples.borrow().is_plain() {
                continue;
            }
            let mut working = recording.working.take();
            found = match (&mut working, task) {
                (None, Some(Task::Survey(_))) if recording.survey.is_none() => {
                    let mut survey = super::Surveying::new(recording, sheet);
                    let order = survey.order(number);
                    working = Some(Working::Survey(Box::new(survey)));
                    order
                }
                (Some(Working::Survey(survey)), Some(Task::Survey(_))) => survey.order(number),
                (Some(Working::Levels(pass)), Some(Task::Levels(now))) if now == id => {
                    pass.order(number, recording, sheet)
                }
                (Some(Working::Maps(pass)), Some(Task::Maps(now))) if now == id => pass.order(number, recording, sheet),
                _ => None,
            }
            .map(|order| (id, order));
            recording.working = working;
            if found.is_some() {
                break;
            }
        }
        let is_urgent = matches!(task, Some(Task::Levels(_) | Task::Maps(_)));
        if found.is_none() && !is_urgent && !self.speed_is_open() {
            found = self.late_errand(number, can);
        }
        let (file, order) = found?;
        self.next_errand += 1;
        let is_short = matches!(order, Order::Portion(..));
        let there = self.file(file)?;
        let Content::Recording(recording) = &there.content else { return None };
        let shape = Shape::of(&recording.samples.borrow());
        match postcard::to_allocvec(&Parcel { order, bytes: there.input.bytes, shape }) {
            Ok(order) => Some(Errand { number, file, is_short, order }),
            Err(_) => {
                self.take_back(number, None);
                None
            }
        }
    }

    /// Whether a speed is still to be told, on which figures of sensors hang.
    fn speed_is_open(&self) -> bool {
        let is_open = |(file, recording): (&File, &Recording)| {
            let blind = matches!(recording.working, Some(Working::Blind(_))) || self.wants_blind(file.role, recording);
            recording.survey.is_none() || blind
        };
        self.recordings().any(is_open) || self.wants_overlays()
    }

    /// What no limit waits for: figures of sensors, then hashes.
    fn late_errand(&mut self, number: u32, can: impl Fn(FileId) -> bool) -> Option<(FileId, Order)> {
        let sheet = self.sheet.as_ref();
        let is_helped =
            |file: &&mut File| file.is_helped && can(file.id) && matches!(file.content, Content::Recording(_));
        let mut files: Vec<&mut File> = self.files.iter_mut().filter(is_helped).collect();
        for file in &mut files {
            let (id, role) = (file.id, file.role);
            let Content::Recording(recording) = &mut file.content else { continue };
            let is_begun = matches!(recording.working, Some(Working::Sensors(_)));
            if recording.wants_sensors() && !is_begun && recording.samples.borrow().is_plain() {
                recording.sensors_away = Some(number);
                return Some((id, Order::Sensors(Plan::of(recording, sheet, role))));
            }
        }
        let unhashed = |file: &&mut File| file.wants_hash() && file.hashing.is_none();
        let file = files.into_iter().find(unhashed)?;
        file.hash_away = Some(number);
        Some((file.id, Order::Hash))
    }

    /// Whether an errand is still waited for: after another choice it may not be.
    pub fn awaits(&self, number: u32) -> bool {
        self.files.iter().any(|file| file.awaits(number))
    }

    /// Takes back an errand nobody does any more: the card does it itself, or gives it out again.
    pub fn recall(&mut self, number: u32) {
        self.put_back(number, None);
    }

    /// Takes what came of an errand. With `None`, or anything that is not what was asked for, the card does it and all else
    /// about that file itself: whatever stood in the way may do so again.
    pub fn take_back(&mut self, number: u32, brought: Option<&[u8]>) {
        let brought: Option<Brought> = brought.and_then(|bytes| postcard::from_bytes(bytes).ok());
        if brought.is_none()
            && let Some(file) = self.files.iter_mut().find(|file| file.awaits(number))
        {
            file.is_helped = false;
        }
        self.put_back(number, brought);
    }

    fn put_back(&mut self, number: u32, brought: Option<Brought>) {
        let Some(file) = self.files.iter_mut().find(|file| file.awaits(number)) else { return };
        let id = file.id;
        if file.hash_away == Some(number) {
            file.hash_away = None;
            if let Some(Brought::Hash(hash)) = brought {
                self.take_hash(id, hash);
            }
            return;
        }
        let Content::Recording(recording) = &mut file.content else { return };
        if recording.sensors_away == Some(number) {
            recording.sensors_away = None;
            if let Some(Brought::Sensors(sensors)) = brought {
                self.take_sensors(id, sensors);
            }
            return;
        }
        match &mut recording.working {
            Some(Working::Survey(survey)) => survey.take_back(brought),
            Some(Working::Levels(pass) | Working::Maps(pass)) => pass.take_back(number, brought),
            _ => {}
        }
    }
}

impl File {
    fn awaits(&self, number: u32) -> bool {
        let recording = match &self.content {
            Content::Recording(recording) => recording.awaits(number),
            _ => false,
        };
        recording || self.hash_away == Some(number)
    }
}

impl Recording {
    fn awaits(&self, number: u32) -> bool {
        let working = match &self.working {
            Some(Working::Survey(survey)) => survey.awaits(number),
            Some(Working::Levels(pass) | Working::Maps(pass)) => pass.awaits(number),
            _ => false,
        };
        working || self.sensors_away == Some(number)
    }
}
