//! Readers: sniff by content, pick a reader, keep the reason of each refusal.
//!
//! Every reader takes `Read + Seek`, believes no size in a header before it is checked against the file's length, and
//! returns what could be read with notes; `Err` only when nothing is usable.

pub mod log;
pub mod roles;
pub mod sheet;
pub mod wave;

use crate::error::{Error, Loaded};
use std::io::{Read, Seek};

/// Anything a reader can read from: a file, bytes in memory, a browser's file in a worker.
pub trait Source: Read + Seek {}
impl<T: Read + Seek> Source for T {}

/// What a file turned out to be.
pub enum Content {
    /// Samples at a fixed rate.
    Recording(wave::Wave),
    /// A table over time from a control unit or logger.
    Log(log::Log),
    /// The engine sheet.
    Sheet(Box<sheet::Sheet>),
    /// A saved card, its JSON checked for version, size and depth only.
    Card(serde_json::Value),
}

/// Finds out by content what `source` is and opens it. Headers are read, a log is read whole, samples are not.
pub fn open(_name: &str, _source: Box<dyn Source>) -> Result<Loaded<Content>, Error> {
    todo!("readers")
}

/// SHA-256 of the whole source in lower-case hex, read in slices; leaves the position at the end.
pub struct Hasher(sha2::Sha256);

impl Hasher {
    /// Nothing hashed yet.
    #[allow(clippy::new_without_default)]
    pub fn new() -> Self {
        use sha2::Digest;
        Self(sha2::Sha256::new())
    }

    /// Adds bytes.
    pub fn update(&mut self, bytes: &[u8]) {
        use sha2::Digest;
        self.0.update(bytes);
    }

    /// The digest in lower-case hex.
    pub fn finish(self) -> String {
        use sha2::Digest;
        self.0.finalize().iter().map(|byte| format!("{byte:02x}")).collect()
    }
}
