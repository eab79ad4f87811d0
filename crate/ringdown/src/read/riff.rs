//! The chunks of a WAVE file: where the samples are and what they are.
//!
//! Layout: Microsoft multimedia RIFF specification 1.0 and WAVEFORMATEXTENSIBLE (from memory); `ds64`: EBU Tech 3306.

use super::bytes::{self, Endian};
use super::fmt_chunk::{self, Format};
use super::wave::Cue;
use super::{Source, cue};
use crate::error::{Error, Kind, Place};

/// What the header gave.
pub(super) struct Head {
    pub format: Format,
    /// Byte the samples start at.
    pub data_start: u64,
    /// Bytes of samples that are there, whatever the header claims.
    pub data_bytes: u64,
    pub cues: Vec<Cue>,
    pub time_reference: Option<u64>,
    pub notes: Vec<Error>,
}

/// Chunks looked at before the rest is left alone; a hostile file could hold hundreds of millions.
const MOST_CHUNKS: usize = 4096;
/// What a 32-bit size reads when the true one is elsewhere or was never filled in.
const UNFILLED: u32 = u32::MAX;
const RECOVERED: &str = "play or look at the end of it before relying on the last seconds";

/// A chunk's name and place.
#[derive(Clone, Copy)]
struct Chunk {
    id: [u8; 4],
    /// First byte after the 8-byte head.
    start: u64,
    claimed: u32,
}

/// Walks the chunks.
pub(super) fn head(name: &str, source: &mut dyn Source) -> Result<Head, Error> {
    let len = bytes::length(name, source)?;
    let first = bytes::slice(name, source, 0, 12)?;
    let (endian, wide) = container(name, &first)?;
    let mut walk = Walk { name, source, len, endian, wide, riff_end: 0, ds64_data: None, notes: Vec::new() };
    walk.riff_end = endian.u32(&first, 4).map_or(0, |size| u64::from(size) + 8);
    walk.run()
}

fn container(name: &str, first: &[u8]) -> Result<(Endian, bool), Error> {
    let malformed = |found: String| {
        let expected = "RIFF, RIFX, RF64 or BW64 with the form WAVE";
        Error::new(
            name,
            Place::Byte(0),
            Kind::Malformed { found, expected, remedy: "record or export it again as WAV" },
        )
    };
    if first.is_empty() {
        return Err(Error::new(name, Place::File, Kind::Empty));
    }
    let kind = match first.get(..4) {
        Some(b"RIFF") => (Endian::Little, false),
        Some(b"RF64" | b"BW64") => (Endian::Little, true),
        Some(b"RIFX") => (Endian::Big, false),
        _ => return Err(malformed(format!("{:?}", String::from_utf8_lossy(first.get(..4).unwrap_or(first))))),
    };
    match first.get(8..12) {
        Some(b"WAVE") => Ok(kind),
        form => Err(malformed(format!("the form {:?}", String::from_utf8_lossy(form.unwrap_or_default())))),
    }
}

struct Walk<'a> {
    name: &'a str,
    source: &'a mut dyn Source,
    len: u64,
    endian: Endian,
    /// RF64 or BW64.
    wide: bool,
    riff_end: u64,
    ds64_data: Option<u64>,
    notes: Vec<Error>,
}

impl Walk<'_> {
    fn run(mut self) -> Result<Head, Error> {
        let (mut at, mut format, mut data, mut cues) = (12, None, None, cue::Marks::default());
        let mut time_reference = None;
        for _ in 0..MOST_CHUNKS {
            let Some(chunk) = self.chunk(at)? else { break };
            let mut size = u64::from(chunk.claimed);
            match &chunk.id {
                b"fmt " if format.is_none() => format = Some(self.format(chunk)?),
                b"ds64" => self.ds64_data = self.endian.u64(&self.body(chunk, 28)?, 8),
                b"data" if data.is_none() => {
                    size = self.data_size(chunk)?;
                    data = Some((chunk.start, size));
                }
                b"cue " => cues.points(&self.body(chunk, cue::MOST_BYTES)?, self.endian),
                b"bext" => time_reference = self.time_reference(chunk)?,
                b"LIST" => cues.labels(&self.body(chunk, cue::MOST_BYTES)?, self.endian),
                _ => {}
            }
            let Some(next) = self.next(chunk, size)? else { break };
            at = next;
        }
        let head = self.finish(format, data, cues)?;
        Ok(Head { time_reference, ..head })
    }

    fn finish(self, format: Option<Format>, data: Option<(u64, u64)>, cues: cue::Marks) -> Result<Head, Error> {
        let Some(format) = format else { return Err(self.missing("no format chunk", "a chunk \"fmt \"")) };
        let whole = format.frame_bytes() as u64;
        let Some((data_start, bytes)) = data.filter(|(_, bytes)| *bytes >= whole) else {
            return Err(self.missing("no samples", "a chunk \"data\" with at least one whole frame"));
        };
        let data_bytes = bytes - bytes % whole;
        Ok(Head {
            format,
            data_start,
            data_bytes,
            cues: cues.within(data_bytes / whole),
            time_reference: None,
            notes: self.notes,
        })
    }

    fn missing(&self, found: &str, expected: &'static str) -> Error {
        let remedy = "the recorder probably stopped before writing: copy the file again or record anew";
        let kind = Kind::Malformed { found: found.to_owned(), expected, remedy };
        Error::new(self.name, Place::Byte(self.len), kind)
    }

    fn note(&mut self, place: Place, what: String, remedy: &'static str) {
        self.notes.push(Error::new(self.name, place, Kind::Noted { what, remedy }));
    }

    /// The chunk head at `at`; `None` at the end of the file.
    fn chunk(&mut self, at: u64) -> Result<Option<Chunk>, Error> {
        if at >= self.len {
            return Ok(None);
        }
        let head = bytes::slice(self.name, self.source, at, 8)?;
        let id = head.first_chunk::<4>().copied();
        let claimed = self.endian.u32(&head, 4);
        Ok(id.zip(claimed).map(|(id, claimed)| Chunk { id, start: at + 8, claimed }))
    }

    fn body(&mut self, chunk: Chunk, most: usize) -> Result<Vec<u8>, Error> {
        bytes::slice(self.name, self.source, chunk.start, most.min(chunk.claimed as usize))
    }

    fn format(&mut self, chunk: Chunk) -> Result<Format, Error> {
        let body = self.body(chunk, 40)?;
        fmt_chunk::parse(&body, self.endian).map_err(|kind| Error::new(self.name, Place::Byte(chunk.start), kind))
    }

    /// Frame of the day the recording starts at (EBU Tech 3285: after description, originator, reference, date and time).
    fn time_reference(&mut self, chunk: Chunk) -> Result<Option<u64>, Error> {
        let body = self.body(chunk, 346)?;
        let words = self.endian.u32(&body, 338).zip(self.endian.u32(&body, 342));
        Ok(words.map(|(low, high)| u64::from(high) << 32 | u64::from(low)).filter(|frame| *frame > 0))
    }

    /// Bytes of samples really there.
    fn data_size(&mut self, chunk: Chunk) -> Result<u64, Error> {
        let present = self.len.saturating_sub(chunk.start);
        let told = match self.ds64_data {
            Some(size) if self.wide && chunk.claimed == UNFILLED => size,
            _ => u64::from(chunk.claimed),
        };
        let unfilled = told == u64::from(UNFILLED) || (told == 0 && !self.chunk_follows(chunk.start)?);
        if unfilled && present > 0 {
            let what = format!("the header gives no length; the {present} bytes up to the end of the file were taken");
            self.note(Place::Byte(chunk.start), what, RECOVERED);
            return Ok(present);
        }
        if told > present {
            let kind = Kind::Truncated { promised: told, present };
            self.notes.push(Error::new(self.name, Place::Byte(chunk.start), kind));
            return Ok(present);
        }
        self.unless_too_short(chunk, told, present)
    }

    /// A length that wrapped at 4 GiB, or was never updated, leaves samples where a chunk should follow.
    fn unless_too_short(&mut self, chunk: Chunk, told: u64, present: u64) -> Result<u64, Error> {
        let end = chunk.start + told;
        let trusted = end >= self.len || (self.riff_end == end + told % 2 && self.len < u64::from(UNFILLED));
        if trusted || self.chunk_follows(end + told % 2)? || self.chunk_follows(end)? || present - told < 8 {
            return Ok(told);
        }
        let what = format!("the header gives {told} bytes of samples, {present} are there and were taken");
        self.note(Place::Byte(chunk.start), what, RECOVERED);
        Ok(present)
    }

    /// Whether a chunk that fits into the file starts at `at`.
    fn chunk_follows(&mut self, at: u64) -> Result<bool, Error> {
        let printable = |id: [u8; 4]| id.iter().all(|b| (0x20..0x7f).contains(b));
        let len = self.len;
        let fits =
            |chunk: Chunk| printable(chunk.id) && chunk.start + u64::from(chunk.claimed) <= len.saturating_add(1);
        Ok(self.chunk(at)?.is_some_and(fits))
    }

    /// Where the next chunk starts: after the pad byte of an odd one, unless its writer forgot it.
    fn next(&mut self, chunk: Chunk, size: u64) -> Result<Option<u64>, Error> {
        let Some(end) = chunk.start.checked_add(size).filter(|end| *end < self.len) else { return Ok(None) };
        let forgotten = size % 2 == 1 && !self.chunk_follows(end + 1)? && self.chunk_follows(end)?;
        Ok(Some(if forgotten { end } else { end + size % 2 }))
    }
}
