//! CAF (Core Audio Format Specification 1.0, from memory): uncompressed words behind chunks with 64-bit sizes, so any
//! slice is read without the rest.

use super::bytes::{self, Endian};
use super::interleaved::{self, Layout};
use super::pcm::Word;
use super::samples::Samples;
use super::{Source, fmt_chunk};
use crate::error::{Error, Kind, Loaded, Place};

const MOST_CHUNKS: usize = 4096;
const AGAIN: &str = "export it again as WAV, PCM 16 or 24 bits";
const BIG: Endian = Endian::Big;
const IS_FLOAT: u32 = 1;
const IS_LITTLE: u32 = 2;

/// The chunk desc.
struct Description {
    sample_rate_hz: f64,
    channels: u16,
    bits: u16,
    word: Word,
    word_bytes: usize,
}

/// Reads the chunks.
///
/// # Errors
/// No description, no samples, compressed samples, or values outside our limits.
pub(super) fn open(name: &str, mut source: Box<dyn Source>) -> Result<Loaded<Samples>, Error> {
    let len = bytes::length(name, source.as_mut())?;
    let (mut at, mut description, mut data) = (8, None, None);
    for _ in 0..MOST_CHUNKS {
        let head = bytes::slice(name, source.as_mut(), at, 12)?;
        let (Some(id), Some(size)) = (head.first_chunk::<4>(), BIG.u64(&head, 4)) else { break };
        match id {
            b"desc" => {
                let body = bytes::slice(name, source.as_mut(), at + 12, 32)?;
                description = Some(describe(&body).map_err(|kind| Error::new(name, Place::Byte(at), kind))?);
            }
            // All ones: the writer did not know yet. Four bytes of edit count stand before the samples.
            b"data" if data.is_none() => data = Some((at + 16, size.checked_sub(4).filter(|_| size < u64::MAX >> 1))),
            _ => {}
        }
        let Some(next) = at.checked_add(12).and_then(|at| at.checked_add(size)).filter(|next| *next < len) else {
            break;
        };
        at = next;
    }
    let missing = |found: &str, expected| {
        let kind = Kind::Malformed { found: found.to_owned(), expected, remedy: AGAIN };
        Error::new(name, Place::Byte(len), kind)
    };
    let description = description.ok_or_else(|| missing("no description of the samples", "a chunk \"desc\""))?;
    let (data_start, told) = data.ok_or_else(|| missing("no samples", "a chunk \"data\""))?;
    let Description { word, word_bytes, channels, .. } = description;
    let layout = Layout { word, word_bytes, channels: usize::from(channels), data_start };
    let mut notes = Vec::new();
    let present = interleaved::present(name, &layout, told, len, &mut notes)?;
    let mut value = Samples::pcm(name, source, layout, description.bits, description.sample_rate_hz, present);
    value.form.container = Some("CAF");
    Ok(Loaded { value, notes })
}

fn describe(body: &[u8]) -> Result<Description, Kind> {
    let short = || Kind::Malformed {
        found: format!("a description of {} bytes", body.len()),
        expected: "32 bytes",
        remedy: AGAIN,
    };
    let word_at = |at| BIG.u32(body, at).ok_or_else(short);
    let sample_rate_hz = f64::from_bits(BIG.u64(body, 0).ok_or_else(short)?);
    let kind = body.get(8..12).ok_or_else(short)?;
    let (flags, packet, frames, channels, bits) =
        (word_at(12)?, word_at(16)?, word_at(20)?, word_at(24)?, word_at(28)?);
    if kind != b"lpcm" {
        return Err(compressed(kind));
    }
    let channels = u16::try_from(channels).unwrap_or(u16::MAX);
    fmt_chunk::check(channels, sample_rate_hz)?;
    let bytes = packet / u32::from(channels).max(1);
    let odd = || Kind::Malformed {
        found: format!("packets of {packet} bytes, {frames} frames, {channels} channels of {bits} bits"),
        expected: "packets of one frame that hold a whole number of bytes for each channel",
        remedy: AGAIN,
    };
    if frames != 1
        || !(1..=8).contains(&bytes)
        || bytes * u32::from(channels) != packet
        || !(1..=8 * bytes).contains(&bits)
    {
        return Err(odd());
    }
    let endian = if flags & IS_LITTLE != 0 { Endian::Little } else { BIG };
    let word = match (flags & IS_FLOAT != 0, bytes) {
        (true, 4) => Word::Float32(endian),
        (true, 8) => Word::Float64(endian),
        (true, _) => return Err(odd()),
        (false, bytes) => Word::Int { bytes: bytes as u8, endian },
    };
    Ok(Description { sample_rate_hz, channels, bits: bits as u16, word, word_bytes: bytes as usize })
}

fn compressed(kind: &[u8]) -> Kind {
    let found = match kind {
        b"alac" => {
            let remedy = "convert it to WAV (PCM, 24 bits, same sampling rate) with any audio editor and drop that";
            return Kind::Unsupported { found: "Apple Lossless sound in a CAF file".into(), remedy };
        }
        b"ulaw" | b"alaw" => "mu-law- or A-law-compressed sound in a CAF file".to_owned(),
        b"aac " => "AAC-compressed sound in a CAF file".to_owned(),
        other => format!("CAF compression {:?}", String::from_utf8_lossy(other)),
    };
    let remedy = "compression removes what knock looks like: record again as WAV, PCM 16 or 24 bits";
    Kind::Unsupported { found, remedy }
}
