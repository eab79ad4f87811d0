//! The format chunk: channels, rate and sample words, or why they can't be read.

use super::bytes::Endian;
use super::pcm::Word;
use crate::error::Kind;

/// What the samples are.
#[derive(Debug, Clone, Copy)]
pub(super) struct Format {
    pub channels: usize,
    pub sample_rate_hz: u32,
    pub word: Word,
    /// Bytes of one sample of one channel.
    pub word_bytes: usize,
    /// Bits that carry signal.
    pub bits: u16,
}

/// Above this nothing samples.
pub(super) const HIGHEST_HZ: u32 = 2_000_000;
/// Channels held.
const MOST_CHANNELS: u16 = 32;

const PCM: u16 = 1;
const FLOAT: u16 = 3;
const EXTENSIBLE: u16 = 0xFFFE;
/// What follows the tag in a sub-format that only wraps a plain format tag, little-endian and big-endian.
const SUBFORMAT_TAIL: [u8; 14] = [0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71];
const SUBFORMAT_TAIL_BIG: [u8; 12] = [0, 0, 0, 0x10, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71];

const AGAIN: &str = "record or export it again as WAV, PCM 16 or 24 bits";

impl Format {
    /// Bytes of one sample of every channel.
    pub(super) fn frame_bytes(&self) -> usize {
        self.word_bytes * self.channels
    }
}

/// Reads the chunk's body.
pub(super) fn parse(body: &[u8], endian: Endian) -> Result<Format, Kind> {
    let short = || malformed(format!("a format chunk of {} bytes", body.len()), "at least 16 bytes");
    let word = |at| endian.u16(body, at).ok_or_else(short);
    let (tag, channels, block, bits) = (word(0)?, word(2)?, word(12)?, word(14)?);
    let sample_rate_hz = endian.u32(body, 4).ok_or_else(short)?;
    let (tag, valid) = if tag == EXTENSIBLE { extension(body, endian)? } else { (tag, None) };
    known_tag(tag)?;
    check(channels, f64::from(sample_rate_hz))?;
    let word_bytes = word_bytes(channels, block, bits)?;
    let bits = valid.filter(|valid| (1..=bits).contains(valid)).unwrap_or(bits);
    let word = stored(tag, word_bytes, bits, endian)?;
    Ok(Format { channels: usize::from(channels), sample_rate_hz, word, word_bytes: usize::from(word_bytes), bits })
}

/// Format tag and valid bits of the extensible form.
fn extension(body: &[u8], endian: Endian) -> Result<(u16, Option<u16>), Kind> {
    let guid = body.get(24..40).unwrap_or_default();
    let tag = match (guid.get(2..), guid.get(4..)) {
        (Some(tail), _) if tail == SUBFORMAT_TAIL => Endian::Little.u16(guid, 0),
        (_, Some(tail)) if tail == SUBFORMAT_TAIL_BIG => Endian::Big.u16(guid, 2),
        _ => None,
    };
    let found = || Kind::Unsupported { found: "an extensible format of unknown kind".into(), remedy: AGAIN };
    Ok((tag.ok_or_else(found)?, endian.u16(body, 18)))
}

/// Registered format tags (Microsoft mmreg.h, from memory).
fn known_tag(tag: u16) -> Result<(), Kind> {
    let lossy = match tag {
        PCM | FLOAT => return Ok(()),
        0x02 | 0x11 => "ADPCM-compressed sound",
        0x06 => "A-law-compressed sound",
        0x07 => "mu-law-compressed sound",
        0x31 => "GSM-compressed sound",
        0x50 | 0x55 => "MP3-compressed sound in a WAV file",
        0xFF | 0x1600 | 0x1610 => "AAC-compressed sound in a WAV file",
        0x160..=0x162 => "WMA-compressed sound in a WAV file",
        0x2000 => "AC-3-compressed sound in a WAV file",
        0xF1AC => "FLAC-compressed sound in a WAV file",
        _ => return Err(Kind::Unsupported { found: format!("the sample format {tag:#06x}"), remedy: AGAIN }),
    };
    let remedy = "compression removes what knock looks like: record again as WAV, PCM 16 or 24 bits";
    Err(Kind::Unsupported { found: lossy.to_owned(), remedy })
}

fn word_bytes(channels: u16, block: u16, bits: u16) -> Result<u16, Kind> {
    let least = bits.div_ceil(8);
    if channels == 0 || !block.is_multiple_of(channels) || bits == 0 || block / channels < least || block / channels > 8
    {
        let found = format!("{channels} channels of {bits} bits in frames of {block} bytes");
        return Err(malformed(found, "a frame that holds a whole number of bytes for each channel"));
    }
    Ok(block / channels)
}

fn stored(tag: u16, word_bytes: u16, bits: u16, endian: Endian) -> Result<Word, Kind> {
    match (tag, word_bytes) {
        (FLOAT, 4) => Ok(Word::Float32(endian)),
        (FLOAT, 8) => Ok(Word::Float64(endian)),
        (FLOAT, _) => Err(malformed(format!("float samples of {word_bytes} bytes"), "float samples of 4 or 8 bytes")),
        (_, 1) if bits <= 8 => Ok(Word::Unsigned8),
        (_, bytes) => Ok(Word::Int { bytes: bytes.min(8) as u8, endian }),
    }
}

/// Refuses numbers of channels and rates that no recorder of engines has.
pub(super) fn check(channels: u16, sample_rate_hz: f64) -> Result<(), Kind> {
    let refused = |value: String, allowed: String| Err(Kind::OutOfRange { value, allowed });
    if !(1..=MOST_CHANNELS).contains(&channels) {
        return refused(format!("{channels} channels"), format!("1 to {MOST_CHANNELS}"));
    }
    if !(1.0..=f64::from(HIGHEST_HZ)).contains(&sample_rate_hz) {
        return refused(format!("{sample_rate_hz} Hz sampling rate"), format!("1 to {HIGHEST_HZ}"));
    }
    Ok(())
}

fn malformed(found: String, expected: &'static str) -> Kind {
    Kind::Malformed { found, expected, remedy: AGAIN }
}
