//! FLAC (RFC 9639): metadata and frame headers are read here, so that any frame is found by halving; a frame's samples
//! are decoded by claxon, which checks their CRC.

use super::samples::{Body, Coding, Planes, Samples};
use super::{Source, bytes, fmt_chunk};
use crate::error::{Error, Kind, Loaded, Place};
use claxon::frame::FrameReader;
use std::collections::BTreeMap;
use std::io::{Cursor, SeekFrom};

/// Bytes read at once; grows to the largest frame the stream may hold.
const LEAST_WINDOW: usize = 1 << 17;
/// Frames whose place is remembered: at 4096 samples and 48 kHz three hours.
const MOST_PLACES: usize = 1 << 17;
/// Metadata blocks looked at.
const MOST_BLOCKS: usize = 256;
/// From here on frames are decoded one after the other instead of halving further.
const NEAR_BYTES: u64 = 1 << 19;
const AGAIN: &str = "copy the file again, or record anew";

/// STREAMINFO, RFC 9639 section 8.2.
#[derive(Debug, Clone, Copy)]
struct Info {
    block: u64,
    most_frame_bytes: usize,
    sample_rate_hz: u32,
    channels: usize,
    bits: u16,
    frames: u64,
}

/// A frame header, RFC 9639 section 9.1.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Header {
    first: u64,
    count: u64,
}

/// Reads the metadata and looks at the last frame.
///
/// # Errors
/// No stream information, a form outside RFC 9639 or our limits, or not one whole frame.
pub(super) fn open(name: &str, mut source: Box<dyn Source>) -> Result<Loaded<Samples>, Error> {
    let len = bytes::length(name, source.as_mut())?;
    let (info, start) = metadata(name, source.as_mut(), len)?;
    let window = info.most_frame_bytes.max(LEAST_WINDOW);
    let mut stream = Stream {
        name: name.to_owned(),
        source,
        info,
        len,
        places: BTreeMap::from([(0, start)]),
        window: vec![0; window],
        held: (0, 0),
        block: Vec::new(),
        block_at: Header { first: 0, count: 0 },
        after: start,
    };
    let mut notes = Vec::new();
    let frames = stream.whole_frames(start)?;
    if frames == 0 {
        let found = "no whole frame of sound".to_owned();
        let kind = Kind::Malformed { found, expected: "at least one FLAC frame after the metadata", remedy: AGAIN };
        return Err(Error::new(name, Place::Byte(start), kind));
    }
    if info.frames > 0 && frames < info.frames {
        let what = format!("the header promises {} samples a channel, {frames} are there", info.frames);
        let remedy = "the recording was probably cut off: check its end before relying on the last seconds";
        notes.push(Error::new(name, Place::Byte(len), Kind::Noted { what, remedy }));
    }
    let value = Samples {
        name: name.to_owned(),
        sample_rate_hz: f64::from(info.sample_rate_hz),
        channels: info.channels,
        frames: if info.frames > 0 { frames.min(info.frames) } else { frames },
        form: Coding::Flac(info.bits).into(),
        bits: info.bits,
        step: Some(2f64.powi(1 - i32::from(info.bits))),
        cues: Vec::new(),
        labels: Vec::new(),
        time_reference: None,
        body: Box::new(stream),
    };
    Ok(Loaded { value, notes })
}

fn metadata(name: &str, source: &mut dyn Source, len: u64) -> Result<(Info, u64), Error> {
    let malformed = |at: u64, found: &str| {
        let expected = "fLaC, then a block of stream information";
        Error::new(name, Place::Byte(at), Kind::Malformed { found: found.to_owned(), expected, remedy: AGAIN })
    };
    let (mut at, mut info) = (4, None);
    for _ in 0..MOST_BLOCKS {
        let head = bytes::slice(name, source, at, 4)?;
        let [kind, a, b, c] = *head.first_chunk::<4>().ok_or_else(|| malformed(at, "the end of the file"))?;
        let size = u64::from(u32::from_be_bytes([0, a, b, c]));
        if kind & 0x7f == 0 && info.is_none() {
            let body = bytes::slice(name, source, at + 4, 34)?;
            info = Some(stream_info(&body).map_err(|kind| Error::new(name, Place::Byte(at), kind))?);
        }
        at += 4 + size;
        if kind & 0x80 != 0 || at >= len {
            break;
        }
    }
    info.map(|info| (info, at)).ok_or_else(|| malformed(4, "no stream information"))
}

fn stream_info(body: &[u8]) -> Result<Info, Kind> {
    let body: &[u8; 34] = body.first_chunk().ok_or_else(|| Kind::Malformed {
        found: format!("{} bytes", body.len()),
        expected: "34 bytes of FLAC stream information",
        remedy: AGAIN,
    })?;
    let [_, _, b0, b1, _, _, _, _, _, _, r0, r1, r2, r3, t0, t1, t2, t3, ..] = *body;
    let block = u64::from(u16::from_be_bytes([b0, b1]));
    let sample_rate_hz = u32::from_be_bytes([0, r0, r1, r2]) >> 4;
    let channels = usize::from(r2 >> 1 & 7) + 1;
    let bits = u16::from((r2 & 1) << 4 | r3 >> 4) + 1;
    let frames = u64::from(r3 & 15) << 32 | u64::from(u32::from_be_bytes([t0, t1, t2, t3]));
    let out = |value: String, allowed: &str| Kind::OutOfRange { value, allowed: allowed.to_owned() };
    if sample_rate_hz == 0 || sample_rate_hz > fmt_chunk::HIGHEST_HZ {
        return Err(out(format!("{sample_rate_hz} Hz sampling rate"), "1 to 2000000"));
    }
    if block < 16 || !(4..=32).contains(&bits) {
        return Err(out(format!("a block of {block} samples of {bits} bits"), "what FLAC holds"));
    }
    // Verbatim samples, one bit more for a side channel, plus headers: the most a frame can take.
    let most_frame_bytes = block as usize * channels * (usize::from(bits) / 8 + 1) + 1024;
    Ok(Info { block, most_frame_bytes, sample_rate_hz, channels, bits, frames })
}

/// An open stream.
struct Stream {
    name: String,
    source: Box<dyn Source>,
    info: Info,
    len: u64,
    /// First sample of frames met so far, and the byte they start at.
    places: BTreeMap<u64, u64>,
    window: Vec<u8>,
    /// Byte of the file the window starts at, and bytes it holds.
    held: (u64, usize),
    /// The frame decoded last, channel after channel.
    block: Vec<i32>,
    block_at: Header,
    /// Byte after that frame.
    after: u64,
}

impl Stream {
    /// The window from `at` on: as much as it holds, or up to the end of the file.
    fn ahead(&mut self, at: u64, least: usize) -> Result<&[u8], Error> {
        let (start, count) = self.held;
        let inside = at >= start && at.saturating_add(least as u64).min(self.len) <= start + count as u64;
        if !inside {
            self.source.seek(SeekFrom::Start(at)).map_err(|e| Error::io(&self.name, at, e))?;
            let count = bytes::fill(&self.name, at, self.source.as_mut(), &mut self.window)?;
            self.held = (at, count);
        }
        let (start, count) = self.held;
        let held = self.window.get(..count).unwrap_or_default();
        Ok(held.get(at.saturating_sub(start) as usize..).unwrap_or_default())
    }

    /// Decodes the frame that starts at byte `at`; false if there is none that holds together.
    fn decode(&mut self, at: u64) -> Result<bool, Error> {
        let info = self.info;
        let buffer = std::mem::take(&mut self.block);
        let ahead = self.ahead(at, info.most_frame_bytes)?;
        let Some(header) = header(ahead, &info) else { return Ok(false) };
        let mut reader = FrameReader::new(Cursor::new(ahead));
        let Ok(Some(block)) = reader.read_next_or_eof(buffer) else { return Ok(false) };
        let used = reader.into_inner().position();
        if block.channels() as usize != info.channels || u64::from(block.duration()) != header.count {
            return Ok(false);
        }
        self.block = block.into_buffer();
        self.block_at = header;
        self.after = at + used;
        if self.places.len() < MOST_PLACES {
            self.places.insert(header.first, at);
            self.places.insert(header.first + header.count, self.after);
        }
        Ok(true)
    }

    /// Byte and header of the first frame that decodes in `from..to` and starts in `samples`.
    fn find(&mut self, from: u64, to: u64, samples: std::ops::Range<u64>) -> Result<Option<(u64, Header)>, Error> {
        let mut at = from;
        while at < to {
            let info = self.info;
            let ahead = self.ahead(at, 16)?;
            let part = ahead.get(..(to - at).min(ahead.len() as u64) as usize).unwrap_or_default();
            if part.is_empty() {
                return Ok(None);
            }
            let starts = memchr::memchr_iter(0xFF, part);
            let fits = |k: &usize| {
                let found = header(ahead.get(*k..).unwrap_or_default(), &info);
                found.is_some_and(|header| samples.contains(&header.first))
            };
            let Some(k) = starts.into_iter().find(fits) else {
                // a header may lie across the end of what is held
                at += (part.len() as u64).saturating_sub(16).max(1);
                continue;
            };
            at += k as u64;
            if self.decode(at)? {
                return Ok(Some((at, self.block_at)));
            }
            at += 1;
        }
        Ok(None)
    }

    /// Samples a channel up to the end of the last whole frame.
    fn whole_frames(&mut self, start: u64) -> Result<u64, Error> {
        let claimed = if self.info.frames > 0 { self.info.frames } else { u64::MAX >> 1 };
        let mut to = self.len;
        while to > start {
            let from = to.saturating_sub(self.window.len() as u64 / 2).max(start);
            let (mut at, mut last) = (from, None);
            while let Some((_, found)) = self.find(at, to, 0..claimed)? {
                last = Some(found);
                at = self.after;
            }
            if let Some(found) = last {
                return Ok(found.first + found.count);
            }
            to = from;
        }
        Ok(0)
    }

    /// Decodes the frame that holds sample `wanted`.
    fn seek(&mut self, wanted: u64) -> Result<(), Error> {
        let (mut low, mut low_at) =
            self.places.range(..=wanted).next_back().map_or((0, 0), |(first, at)| (*first, *at));
        let mut high_at = self.places.range(wanted + 1..).next().map_or(self.len, |(_, at)| *at);
        while high_at > low_at + NEAR_BYTES {
            let middle = low_at + (high_at - low_at) / 2;
            match self.find(middle, high_at, low..u64::MAX >> 1)? {
                Some((at, header)) if header.first <= wanted => (low, low_at) = (header.first, at),
                _ => high_at = middle,
            }
        }
        let mut at = low_at;
        loop {
            if !self.decode(at)? {
                let kind = Kind::Malformed {
                    found: "a damaged frame".into(),
                    expected: "a FLAC frame whose check sum holds",
                    remedy: "use what comes before it, or copy the file again",
                };
                return Err(Error::new(&self.name, Place::Byte(at), kind));
            }
            let end = self.block_at.first + self.block_at.count;
            if wanted < end && wanted >= self.block_at.first {
                return Ok(());
            }
            if self.after <= at || self.block_at.first > wanted {
                let kind = Kind::Malformed {
                    found: format!("a frame that starts at sample {}", self.block_at.first),
                    expected: "frames that follow each other",
                    remedy: AGAIN,
                };
                return Err(Error::new(&self.name, Place::Byte(at), kind));
            }
            at = self.after;
        }
    }
}

impl Body for Stream {
    fn fill(&mut self, first: u64, count: usize, planes: &mut Planes) -> Result<(), Error> {
        let mut done = 0;
        while done < count {
            let wanted = first + done as u64;
            let Header { first: start, count: held } = self.block_at;
            if self.block.is_empty() || wanted < start || wanted >= start + held {
                self.seek(wanted)?;
            }
            let Header { first: start, count: held } = self.block_at;
            let skip = (wanted - start) as usize;
            let now = (held as usize - skip).min(count - done);
            let scale = 2f32.powi(1 - i32::from(self.info.bits));
            for (channel, plane) in planes.iter_mut().enumerate() {
                let from = channel * held as usize + skip;
                let values = self.block.get(from..from + now).unwrap_or_default();
                let out = plane.get_mut(done..done + now).unwrap_or_default();
                out.iter_mut().zip(values).for_each(|(out, value)| *out = *value as f32 * scale);
            }
            done += now;
        }
        Ok(())
    }

    fn non_finite(&self) -> u64 {
        0
    }
}

/// The frame header at the start of `bytes`, if its own check sum holds and it belongs to this stream.
fn header(bytes: &[u8], info: &Info) -> Option<Header> {
    let [0xFF, sync, sizes, layout, ..] = *bytes else { return None };
    if sync & 0xFE != 0xF8 || layout & 1 != 0 {
        return None;
    }
    let (number, mut at) = coded_number(bytes)?;
    let count = match sizes >> 4 {
        0 => return None,
        1 => 192,
        code @ 2..=5 => 576 << (code - 2),
        6 => u64::from(*bytes.get(at)?) + 1,
        7 => u64::from(u16::from_be_bytes(*bytes.get(at..)?.first_chunk()?)) + 1,
        code => 256 << (code - 8),
    };
    at += match sizes >> 4 {
        6 => 1,
        7 => 2,
        _ => 0,
    };
    at += match sizes & 15 {
        15 => return None,
        12 => 1,
        13 | 14 => 2,
        _ => 0,
    };
    let channels = match layout >> 4 {
        code @ 0..=7 => usize::from(code) + 1,
        8..=10 => 2,
        _ => return None,
    };
    let bits = match layout >> 1 & 7 {
        0 => info.bits,
        1 => 8,
        2 => 12,
        4 => 16,
        5 => 20,
        6 => 24,
        7 => 32,
        _ => return None,
    };
    let whole = crc8(bytes.get(..at)?) == *bytes.get(at)?;
    let fits = whole && channels == info.channels && bits == info.bits && count <= info.block.max(16);
    // With blocks of one size the number counts frames, else samples.
    let first = if sync & 1 == 0 { number.checked_mul(info.block)? } else { number };
    fits.then_some(Header { first, count })
}

/// The number coded from byte 4 on as UTF-8 does, up to 36 bits, and the byte after it.
fn coded_number(bytes: &[u8]) -> Option<(u64, usize)> {
    let first = *bytes.get(4)?;
    let ones = first.leading_ones() as usize;
    let more = match ones {
        0 => 0,
        2..=7 => ones - 1,
        _ => return None,
    };
    let mut number = u64::from(first) & (0x7F >> ones);
    for byte in bytes.get(5..5 + more)? {
        if byte & 0xC0 != 0x80 {
            return None;
        }
        number = number << 6 | u64::from(byte & 0x3F);
    }
    Some((number, 5 + more))
}

/// CRC of a frame header: x^8 + x^2 + x + 1, RFC 9639 section 9.1.8.
fn crc8(bytes: &[u8]) -> u8 {
    bytes
        .iter()
        .fold(0, |crc, byte| (0..8).fold(crc ^ byte, |crc, _| if crc & 0x80 == 0 { crc << 1 } else { crc << 1 ^ 0x07 }))
}
