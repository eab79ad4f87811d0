//! Readers: sniff by content, pick a reader, keep the reason of each refusal.
//!
//! Every reader takes `Read + Seek`, believes no size in a header before it is checked against the file's length, and
//! returns what could be read with notes; `Err` only when nothing is usable.

mod aiff;
mod bytes;
mod caf;
pub mod card;
pub mod chain;
mod clock;
mod cue;
mod dialect;
pub mod figures;
mod flac;
mod fmt_chunk;
pub mod halves;
#[cfg(test)]
mod hostile;
mod inflated;
mod interleaved;
pub mod joined;
mod json;
pub mod log;
mod magic;
mod names;
mod number;
pub mod packed;
mod part;
mod pcm;
mod quick;
pub mod raw;
mod riff;
pub mod roles;
pub mod samples;
mod scope;
pub mod sheet;
mod sheet_check;
mod table;
pub mod text;
mod trade;
pub mod values;
pub mod wave;

use crate::error::{Error, Kind, Loaded, Place};
use magic::Promise;
use serde::{Deserialize, Serialize};
use std::io::{Read, Seek};

/// Anything a reader can read from: a file, bytes in memory, a browser's file in a worker.
pub trait Source: Read + Seek {}
impl<T: Read + Seek> Source for T {}

/// What whoever hands a file over says about it, where the file itself does not.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Told {
    /// Samples without a header.
    pub raw: Option<raw::RawForm>,
    /// Rows a second of a log without a time column.
    pub log_rate_hz: Option<f64>,
    /// Bytes it takes in the archive it lies in; never said by a user.
    #[serde(skip)]
    pub packed_bytes: Option<u64>,
}

/// What a file turned out to be.
#[derive(Debug)]
pub enum Content {
    /// Samples at a fixed rate.
    Recording(samples::Samples),
    /// A table over time from a control unit or logger.
    Log(log::Log),
    /// The engine sheet.
    Sheet(Box<sheet::Sheet>),
    /// A saved card.
    Card(Box<card::CardFile>),
}

/// Finds out by content, never by name, what `source` is and opens it. Headers are read, a log is read whole, samples
/// are not.
///
/// # Errors
/// When nothing of the file is usable: empty, unreadable, of another kind (with what to do instead), or broken.
pub fn open(name: &str, mut source: Box<dyn Source>, told: &Told) -> Result<Loaded<Content>, Error> {
    let head = bytes::slice(name, source.as_mut(), 0, magic::HEAD_BYTES)?;
    if !packed::is_packed(&head) {
        return open_plain(name, source, &head, told);
    }
    let told = Told { packed_bytes: Some(bytes::length(name, source.as_mut())?), ..told.clone() };
    let Loaded { value: mut source, notes } = packed::only(name, source)?;
    let head = bytes::slice(name, source.as_mut(), 0, magic::HEAD_BYTES)?;
    let mut loaded = open_plain(name, source, &head, &told)?;
    loaded.notes.splice(0..0, notes);
    Ok(loaded)
}

/// Opens what stands in no archive; an archive inside an archive is refused by its signature.
fn open_plain(name: &str, source: Box<dyn Source>, head: &[u8], told: &Told) -> Result<Loaded<Content>, Error> {
    let mut loaded = match &told.raw {
        Some(form) => raw::open(name, source, form)?.map(Content::Recording),
        None => open_promised(name, source, head, told)?,
    };
    if let Content::Recording(samples) = &loaded.value
        && samples.sample_rate_hz < LOWEST_USEFUL_HZ
    {
        let what = format!("the sampling rate is {} Hz: too low for any knock frequency", samples.sample_rate_hz);
        let remedy = "record with at least 44 100 Hz; use this file for listening only";
        loaded.notes.push(Error::new(name, Place::File, Kind::Noted { what, remedy }));
    }
    Ok(loaded)
}

/// Below this a note is made: nothing of knock is left.
const LOWEST_USEFUL_HZ: f64 = 8_000.0;

fn open_promised(name: &str, mut source: Box<dyn Source>, head: &[u8], told: &Told) -> Result<Loaded<Content>, Error> {
    match magic::promise(head).map_err(|kind| Error::new(name, Place::File, kind))? {
        Promise::Wave => Ok(wave::open(name, source)?.map(Content::Recording)),
        Promise::Flac => Ok(flac::open(name, source)?.map(Content::Recording)),
        Promise::Aiff => Ok(aiff::open(name, source)?.map(Content::Recording)),
        Promise::Caf => Ok(caf::open(name, source)?.map(Content::Recording)),
        Promise::Json => open_json(name, source.as_mut()),
        Promise::Text => log::Parsed::read(name, source, told.packed_bytes)?.into_content(name, told.log_rate_hz),
    }
}

fn open_json(name: &str, source: &mut dyn Source) -> Result<Loaded<Content>, Error> {
    let json = bytes::whole(name, source, "bytes of JSON", json::MOST_BYTES)?;
    let map = json::object(name, &json)?;
    if map.contains_key("card") {
        return Ok(card::CardFile::parse(name, &json)?.map(|card| Content::Card(Box::new(card))));
    }
    if map.contains_key("sheet") {
        return Ok(sheet::Sheet::parse(name, &json)?.map(|sheet| Content::Sheet(Box::new(sheet))));
    }
    let looks_like = "JSON that is neither an engine sheet nor a card".to_owned();
    let remedy = "an engine sheet starts with \"sheet\": 1, a card with \"card\": 1; a log must be CSV text";
    Err(Error::new(name, Place::File, Kind::Unknown { looks_like, remedy }))
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
