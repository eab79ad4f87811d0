//! AIFF and AIFF-C (Audio Interchange File Format 1.3 and its AIFF-C draft of 1991, from memory): uncompressed words in
//! big-endian chunks, so any slice is read without the rest.

use super::bytes::{self, Endian};
use super::interleaved::{self, Layout};
use super::pcm::Word;
use super::samples::Samples;
use super::wave::Cue;
use super::{Source, fmt_chunk};
use crate::error::{Error, Kind, Loaded, Place};

const MOST_CHUNKS: usize = 4096;
const MOST_MARK_BYTES: usize = 1 << 16;
const AGAIN: &str = "export it again as WAV, PCM 16 or 24 bits";
const BIG: Endian = Endian::Big;

/// The chunk COMM.
struct Common {
    channels: u16,
    frames: u64,
    bits: u16,
    sample_rate_hz: f64,
    word: Word,
    word_bytes: usize,
}

/// Reads the chunks.
///
/// # Errors
/// No common chunk, no samples, compressed samples, or values outside our limits.
pub(super) fn open(name: &str, mut source: Box<dyn Source>) -> Result<Loaded<Samples>, Error> {
    let len = bytes::length(name, source.as_mut())?;
    let is_c = bytes::slice(name, source.as_mut(), 8, 4)? == b"AIFC";
    let (mut at, mut common, mut data, mut cues) = (12, None, None, Vec::new());
    for _ in 0..MOST_CHUNKS {
        let head = bytes::slice(name, source.as_mut(), at, 8)?;
        let (Some(id), Some(size)) = (head.first_chunk::<4>(), BIG.u32(&head, 4).map(u64::from)) else { break };
        let mut body = |most: usize| bytes::slice(name, source.as_mut(), at + 8, most.min(size as usize));
        match id {
            b"COMM" => {
                let read = self::common(&body(64)?, is_c);
                common = Some(read.map_err(|kind| Error::new(name, Place::Byte(at), kind))?);
            }
            b"SSND" if data.is_none() => {
                let skip = BIG.u32(&body(8)?, 0).map_or(0, u64::from);
                data = Some((at + 16 + skip, size.checked_sub(8 + skip)));
            }
            b"MARK" => cues = marks(&body(MOST_MARK_BYTES)?),
            _ => {}
        }
        at = at.saturating_add(8 + size + size % 2);
        if at >= len {
            break;
        }
    }
    let missing = |found: &str, expected| {
        let kind = Kind::Malformed { found: found.to_owned(), expected, remedy: AGAIN };
        Error::new(name, Place::Byte(len), kind)
    };
    let common = common.ok_or_else(|| missing("no common chunk", "a chunk \"COMM\""))?;
    let (data_start, told) = data.ok_or_else(|| missing("no samples", "a chunk \"SSND\""))?;
    let layout =
        Layout { word: common.word, word_bytes: common.word_bytes, channels: usize::from(common.channels), data_start };
    let counted = common.frames.checked_mul(layout.frame_bytes() as u64).filter(|bytes| *bytes > 0);
    let told = told.filter(|bytes| *bytes > 0).or(counted);
    let mut notes = Vec::new();
    let present = interleaved::present(name, &layout, told, len, &mut notes)?;
    let mut value = Samples::pcm(name, source, layout, common.bits, common.sample_rate_hz, present);
    value.form.container = Some(if is_c { "AIFF-C" } else { "AIFF" });
    cues.retain(|cue: &Cue| cue.frame < value.frames);
    cues.sort_by_key(|cue| cue.frame);
    value.cues = cues;
    Ok(Loaded { value, notes })
}

fn common(body: &[u8], is_c: bool) -> Result<Common, Kind> {
    let short = || Kind::Malformed {
        found: format!("a common chunk of {} bytes", body.len()),
        expected: "at least 18 bytes",
        remedy: AGAIN,
    };
    let channels = BIG.u16(body, 0).ok_or_else(short)?;
    let frames = u64::from(BIG.u32(body, 2).ok_or_else(short)?);
    let bits = BIG.u16(body, 6).ok_or_else(short)?;
    let sample_rate_hz = body.get(8..).and_then(|rest| rest.first_chunk()).map(extended).ok_or_else(short)?;
    fmt_chunk::check(channels, sample_rate_hz)?;
    let kind = if is_c { body.get(18..22).unwrap_or(b"NONE") } else { b"NONE" };
    let bytes = bits.div_ceil(8).clamp(1, 8) as u8;
    let (word, word_bytes) = match kind {
        b"NONE" | b"twos" | b"in24" | b"in32" => (Word::Int { bytes, endian: BIG }, usize::from(bytes)),
        b"sowt" | b"42ni" | b"42n1" | b"23ni" => (Word::Int { bytes, endian: Endian::Little }, usize::from(bytes)),
        b"raw " => (Word::Unsigned8, 1),
        b"fl32" | b"FL32" => (Word::Float32(BIG), 4),
        b"fl64" | b"FL64" => (Word::Float64(BIG), 8),
        other => return Err(compressed(other)),
    };
    let bits = if matches!(word, Word::Float32(_) | Word::Float64(_)) { 8 * word_bytes as u16 } else { bits };
    if !(1..=64).contains(&bits) {
        return Err(Kind::OutOfRange { value: format!("{bits} bits a sample"), allowed: "1 to 64".into() });
    }
    Ok(Common { channels, frames, bits, sample_rate_hz, word, word_bytes })
}

fn compressed(kind: &[u8]) -> Kind {
    let found = match kind {
        b"ulaw" | b"ULAW" => "mu-law-compressed sound in an AIFF-C file".to_owned(),
        b"alaw" | b"ALAW" => "A-law-compressed sound in an AIFF-C file".to_owned(),
        b"ima4" | b"MAC3" | b"MAC6" => "ADPCM-compressed sound in an AIFF-C file".to_owned(),
        other => format!("AIFF-C compression {:?}", String::from_utf8_lossy(other)),
    };
    let remedy = "compression removes what knock looks like: record again as WAV, PCM 16 or 24 bits";
    Kind::Unsupported { found, remedy }
}

/// An 80-bit extended number: sign and exponent in two bytes, then 64 bits with a whole first one.
fn extended(bytes: &[u8; 10]) -> f64 {
    let [e0, e1, mantissa @ ..] = *bytes;
    let exponent = i32::from(u16::from_be_bytes([e0, e1]) & 0x7fff) - 16_383 - 63;
    u64::from_be_bytes(mantissa) as f64 * 2f64.powi(exponent)
}

/// Marks: number, frame and name of each.
fn marks(body: &[u8]) -> Vec<Cue> {
    let mut cues = Vec::new();
    let mut rest = body.get(2..).unwrap_or_default();
    while let (Some(frame), Some(length)) = (BIG.u32(rest, 2), rest.get(6)) {
        let length = usize::from(*length);
        let label = rest.get(7..7 + length).unwrap_or_default();
        cues.push(Cue { frame: u64::from(frame), length: 0, label: String::from_utf8_lossy(label).into_owned() });
        rest = rest.get(7 + length + usize::from(length.is_multiple_of(2))..).unwrap_or_default();
    }
    cues
}
