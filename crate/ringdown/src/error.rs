//! Why an input can't be used: which file, where in it, what was found, what to do.

use serde::{Deserialize, Serialize};
use std::fmt;

/// Why an input can't be used. `Display` gives one line: file, place, what was found, what to do.
#[derive(Debug)]
pub struct Error {
    /// File name as the user knows it.
    pub file: String,
    /// Where in the file.
    pub place: Place,
    /// What was found.
    pub kind: Kind,
}

/// A place inside a file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub enum Place {
    /// The file as a whole.
    File,
    /// Byte offset from 0.
    Byte(u64),
    /// Line from 1 and the byte offset of its start.
    Line {
        /// From 1.
        line: u64,
        /// From 0.
        byte: u64,
    },
    /// A line, from 1, where its byte is not known any more.
    Row {
        /// From 1.
        line: u64,
    },
    /// A named field of a sheet or card.
    Field(String),
}

/// What was found, split by what the user can do about it.
#[derive(Debug)]
#[non_exhaustive]
pub enum Kind {
    /// The file could not be read from its disk.
    Io(std::io::Error),
    /// Nothing in the file.
    Empty,
    /// Fewer bytes than the header promises.
    Truncated {
        /// Bytes promised by the header.
        promised: u64,
        /// Bytes present.
        present: u64,
    },
    /// More than we hold, whatever the header claims.
    TooLarge {
        /// What is too large.
        what: &'static str,
        /// Asked for.
        asked: u64,
        /// Allowed.
        allowed: u64,
    },
    /// The content is of no kind Ringdown reads.
    Unknown {
        /// What it looks like.
        looks_like: String,
        /// What to hand over instead.
        remedy: &'static str,
    },
    /// Bytes of no kind at all: samples without a header, if a user says how they are stored.
    Bytes,
    /// Samples without a header, stored as told, that do not fill one frame.
    NoFrame {
        /// Bytes there are.
        present: u64,
    },
    /// A known kind, but this part of it breaks its own rules.
    Malformed {
        /// What was found.
        found: String,
        /// What was expected.
        expected: &'static str,
        /// What to do.
        remedy: &'static str,
    },
    /// A known kind in a form Ringdown does not read.
    Unsupported {
        /// What was found.
        found: String,
        /// What to do.
        remedy: &'static str,
    },
    /// A value outside what makes sense.
    OutOfRange {
        /// The value as text.
        value: String,
        /// The allowed range with the reason.
        allowed: String,
    },
    /// A note: something assumed, repaired or left out; the rest was read.
    Noted {
        /// One clause: what was done.
        what: String,
        /// When and how to act on it.
        remedy: &'static str,
    },
}

impl Kind {
    /// The next thing to do about it.
    pub fn remedy(&self) -> &str {
        match self {
            Kind::Io(_) => "copy the file to this computer's disk and drop it again",
            Kind::Empty => "check that the recorder or logger wrote it, and copy it again",
            Kind::Truncated { .. } => "the recorder probably lost power: use what was kept, check its end",
            Kind::TooLarge { what, .. } if what.ends_with("JSON") => {
                "an engine sheet or a card is a short text: drop the file that Ringdown saved"
            }
            Kind::TooLarge { .. } => "split the file, or export fewer columns",
            Kind::Bytes => "drop a WAV recording, a log as CSV text, an engine sheet or a card",
            Kind::NoFrame { .. } => "check the width and the number of channels",
            Kind::Unknown { remedy, .. }
            | Kind::Malformed { remedy, .. }
            | Kind::Unsupported { remedy, .. }
            | Kind::Noted { remedy, .. } => remedy,
            Kind::OutOfRange { .. } => "correct the value and drop the file again",
        }
    }
}

impl Error {
    /// An error at `place` of `file`.
    pub fn new(file: impl Into<String>, place: Place, kind: Kind) -> Self {
        Self { file: file.into(), place, kind }
    }

    /// A failed read at byte `at`.
    pub fn io(file: &str, at: u64, error: std::io::Error) -> Self {
        Self::new(file, Place::Byte(at), Kind::Io(error))
    }

    /// What was found, without file, place and remedy.
    pub fn found(&self) -> String {
        self.kind.to_string()
    }

    /// Where, in words; empty for the whole file.
    pub fn place_in_words(&self) -> String {
        self.place.to_string()
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Place::File => Ok(()),
            Place::Byte(at) => write!(f, "byte {at}"),
            Place::Line { line, byte } => write!(f, "line {line} (byte {byte})"),
            Place::Row { line } => write!(f, "line {line}"),
            Place::Field(name) => write!(f, "field {name}"),
        }
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Kind::Io(error) => write!(f, "could not be read ({error})"),
            Kind::Empty => write!(f, "the file is empty"),
            Kind::Truncated { promised, present } => {
                write!(f, "the header promises {promised} bytes, {present} are there")
            }
            Kind::TooLarge { what, asked, allowed } => write!(f, "{what}: {asked}, at most {allowed} are held"),
            Kind::Bytes => write!(f, "bytes that are neither sound nor text"),
            Kind::NoFrame { present } => {
                write!(f, "found {present} bytes of samples, expected at least one whole frame")
            }
            Kind::Unknown { looks_like, .. } => write!(f, "{looks_like}"),
            Kind::Malformed { found, expected, .. } => write!(f, "found {found}, expected {expected}"),
            Kind::Unsupported { found, .. } => write!(f, "{found} is not read"),
            Kind::OutOfRange { value, allowed } => write!(f, "{value} is outside {allowed}"),
            Kind::Noted { what, .. } => write!(f, "{what}"),
        }
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.file)?;
        if self.place != Place::File {
            write!(f, ", {}", self.place)?;
        }
        write!(f, ": {}", self.kind)?;
        match self.kind.remedy() {
            "" => Ok(()),
            remedy => write!(f, "; {remedy}"),
        }
    }
}

impl std::error::Error for Error {}

/// Something read in part: the value and what was wrong with the rest.
#[derive(Debug)]
pub struct Loaded<T> {
    /// What could be read.
    pub value: T,
    /// What was assumed, recovered or left out; each reaches the card.
    pub notes: Vec<Error>,
}

impl<T> Loaded<T> {
    /// The same notes about `make(value)`.
    pub fn map<U>(self, make: impl FnOnce(T) -> U) -> Loaded<U> {
        Loaded { value: make(self.value), notes: self.notes }
    }
}
