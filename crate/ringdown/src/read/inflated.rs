//! Deflated bytes (RFC 1951) as a source with random access, in bounded memory.

use super::part::place;
use super::{Source, bytes};
use crate::error::{Error, Kind, Place};
use miniz_oxide::inflate::stream::{InflateState, inflate};
use miniz_oxide::{DataFormat, MZFlush, MZStatus};
use std::io::{Read, Result, Seek, SeekFrom};

/// Bytes unpacked at most: an hour of four channels, 24 bits, 48 kHz.
const MOST_BYTES: u64 = 2 << 30;
/// Sound and logs shrink to a fifth or a fiftieth; what shrinks more than this is made to fill memory.
const MOST_RATIO: u64 = 100;
/// Below this no ratio is suspicious.
const FREE_BYTES: u64 = 16 << 20;
/// Distance of the kept states; each takes some 43 KiB.
const STEP: u64 = 8 << 20;
const INPUT_BYTES: usize = 1 << 16;
const OUTPUT_BYTES: usize = 1 << 18;

/// A decompressor and its places in both streams.
#[derive(Clone)]
struct Spot {
    state: Box<InflateState>,
    /// Byte of the archive the decompressor reads next.
    input: u64,
    /// Unpacked bytes it has given.
    output: u64,
}

/// What the reading through found.
pub(super) struct Found {
    pub length: u64,
    pub crc: u32,
    /// Byte of the archive after the packed ones.
    pub end: u64,
    /// Whether the packed bytes came to their proper end.
    pub whole: bool,
}

/// Unpacked bytes as a source.
pub(super) struct Inflated {
    inner: Box<dyn Source>,
    end: u64,
    /// In order of output; the first stands at the start.
    spots: Vec<Spot>,
    now: Spot,
    /// Unpacked bytes held, and where they start.
    held: Vec<u8>,
    held_at: u64,
    input: Vec<u8>,
    input_at: u64,
    length: u64,
    at: u64,
}

impl Inflated {
    /// Reads the packed bytes `start..end` of `inner` through once.
    ///
    /// # Errors
    /// More than the caps allow, or bytes that are no deflated data.
    pub(super) fn open(
        name: &str,
        inner: Box<dyn Source>,
        start: u64,
        end: u64,
    ) -> std::result::Result<(Inflated, Found), Error> {
        let spot = Spot { state: InflateState::new_boxed(DataFormat::Raw), input: start, output: 0 };
        let mut all = Inflated {
            inner,
            end,
            spots: vec![spot.clone()],
            now: spot,
            held: Vec::new(),
            held_at: 0,
            input: Vec::new(),
            input_at: 0,
            length: u64::MAX,
            at: 0,
        };
        let mut hasher = crc32fast::Hasher::new();
        let broken = |at: u64, error: std::io::Error| Error::io(name, at, error);
        let whole = loop {
            let more = all.advance();
            let now = (all.now.input, all.now.output);
            let more = more.map_err(|error| broken(now.0, error))?;
            hasher.update(&all.held);
            let (taken, given) = (now.0 - start, now.1);
            if given > MOST_BYTES || (given > FREE_BYTES && given / MOST_RATIO > taken) {
                return Err(too_large(name, taken, given));
            }
            if all.spots.last().is_none_or(|last| given >= last.output + STEP) {
                all.spots.push(all.now.clone());
            }
            match more {
                Step::More => {}
                Step::End => break true,
                Step::Starved => break false,
            }
        };
        all.length = all.now.output;
        let found = Found { length: all.length, crc: hasher.finalize(), end: all.now.input, whole };
        Ok((all, found))
    }

    /// The archive itself.
    pub(super) fn inner(&mut self) -> &mut dyn Source {
        self.inner.as_mut()
    }

    /// Unpacks the next bytes into `held`.
    fn advance(&mut self) -> Result<Step> {
        self.held.resize(OUTPUT_BYTES, 0);
        self.held_at = self.now.output;
        let mut filled = 0;
        let step = loop {
            self.load()?;
            let skip = (self.now.input - self.input_at) as usize;
            let input = self.input.get(skip..).unwrap_or_default();
            let result =
                inflate(&mut self.now.state, input, self.held.get_mut(filled..).unwrap_or_default(), MZFlush::None);
            self.now.input += result.bytes_consumed as u64;
            filled += result.bytes_written;
            match result.status {
                Ok(MZStatus::StreamEnd) => break Step::End,
                Ok(_) if filled == OUTPUT_BYTES => break Step::More,
                Ok(_) if result.bytes_consumed + result.bytes_written > 0 => {}
                Ok(_) | Err(miniz_oxide::MZError::Buf) if self.now.input >= self.end => break Step::Starved,
                _ => return Err(std::io::Error::new(std::io::ErrorKind::InvalidData, "damaged packed bytes")),
            }
        };
        self.held.truncate(filled);
        self.now.output += filled as u64;
        Ok(step)
    }

    /// Makes sure that `input` holds the byte the decompressor wants, if there is one.
    fn load(&mut self) -> Result<()> {
        let at = self.now.input;
        if at >= self.input_at && at < self.input_at + self.input.len() as u64 {
            return Ok(());
        }
        self.input.resize(self.end.saturating_sub(at).min(INPUT_BYTES as u64) as usize, 0);
        self.inner.seek(SeekFrom::Start(at))?;
        let count = bytes::fill("", at, self.inner.as_mut(), &mut self.input)
            .map_err(|error| std::io::Error::other(error.found()))?;
        self.input.truncate(count);
        self.input_at = at;
        if count == 0 {
            self.end = self.end.min(at);
        }
        Ok(())
    }

    /// Unpacks on, from the nearest kept state, until the held bytes reach the wanted place.
    fn reach(&mut self) -> Result<()> {
        let nearest = self.spots.partition_point(|spot| spot.output <= self.at).saturating_sub(1);
        let Some(spot) = self.spots.get(nearest) else { return Ok(()) };
        if self.at < self.now.output || spot.output > self.now.output {
            self.now = spot.clone();
        }
        while self.now.output <= self.at {
            match self.advance()? {
                Step::More => {}
                Step::End | Step::Starved => break,
            }
        }
        Ok(())
    }
}

enum Step {
    More,
    End,
    /// The input ended before the packed bytes did.
    Starved,
}

fn too_large(name: &str, taken: u64, given: u64) -> Error {
    let found = if given > MOST_BYTES {
        format!("an archive of more than {} MiB unpacked", MOST_BYTES >> 20)
    } else {
        format!("an archive that grows {} times when unpacked (after {given} bytes)", given / taken.max(1))
    };
    let remedy = "unpack it elsewhere, look at what comes out, and drop that";
    Error::new(name, Place::File, Kind::Unsupported { found, remedy })
}

impl Read for Inflated {
    fn read(&mut self, out: &mut [u8]) -> Result<usize> {
        if self.at >= self.length || out.is_empty() {
            return Ok(0);
        }
        let inside = self.at >= self.held_at && self.at < self.held_at + self.held.len() as u64;
        if !inside {
            self.reach()?;
        }
        let skip = self.at.saturating_sub(self.held_at) as usize;
        let held = self.held.get(skip..).unwrap_or_default();
        let count = held.len().min(out.len());
        out.iter_mut().zip(held).for_each(|(out, byte)| *out = *byte);
        self.at += count as u64;
        Ok(count)
    }
}

impl Seek for Inflated {
    fn seek(&mut self, to: SeekFrom) -> Result<u64> {
        self.at = place(to, self.at, self.length)?;
        Ok(self.at)
    }
}
