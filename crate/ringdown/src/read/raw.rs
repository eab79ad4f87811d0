//! Samples without a header: what they are is told by whoever hands them over.

use super::bytes::{self, Endian};
use super::interleaved::Layout;
use super::pcm::Word;
use super::samples::Samples;
use super::{Source, fmt_chunk};
use crate::error::{Error, Kind, Loaded, Place};
use serde::{Deserialize, Serialize};

/// What raw samples are.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RawForm {
    /// Sampling rate, Hz, 1 to 2 000 000.
    pub sample_rate_hz: f64,
    /// Channels, 1 to 32, one word each in every frame.
    pub channels: u16,
    /// How a word is stored.
    pub word: RawWord,
    /// Bytes before the first frame.
    #[serde(default)]
    pub skip: u64,
}

/// How a raw word is stored; `Le`: lowest byte first, `Be`: highest byte first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[allow(missing_docs)]
pub enum RawWord {
    U8,
    S8,
    S16le,
    S16be,
    S24le,
    S24be,
    S32le,
    S32be,
    F32le,
    F32be,
    F64le,
    F64be,
}

impl RawWord {
    /// Every word, in the order of the form on the page.
    pub const ALL: [RawWord; 12] = [
        RawWord::U8,
        RawWord::S8,
        RawWord::S16le,
        RawWord::S16be,
        RawWord::S24le,
        RawWord::S24be,
        RawWord::S32le,
        RawWord::S32be,
        RawWord::F32le,
        RawWord::F32be,
        RawWord::F64le,
        RawWord::F64be,
    ];

    /// "s16le".
    pub fn name(self) -> &'static str {
        match self {
            RawWord::U8 => "u8",
            RawWord::S8 => "s8",
            RawWord::S16le => "s16le",
            RawWord::S16be => "s16be",
            RawWord::S24le => "s24le",
            RawWord::S24be => "s24be",
            RawWord::S32le => "s32le",
            RawWord::S32be => "s32be",
            RawWord::F32le => "f32le",
            RawWord::F32be => "f32be",
            RawWord::F64le => "f64le",
            RawWord::F64be => "f64be",
        }
    }

    /// The word called `name`.
    pub fn named(name: &str) -> Option<RawWord> {
        RawWord::ALL.into_iter().find(|word| word.name() == name)
    }

    fn stored(self) -> (Word, usize) {
        let int = |bytes: u8, endian| (Word::Int { bytes, endian }, usize::from(bytes));
        match self {
            RawWord::U8 => (Word::Unsigned8, 1),
            RawWord::S8 => int(1, Endian::Little),
            RawWord::S16le => int(2, Endian::Little),
            RawWord::S16be => int(2, Endian::Big),
            RawWord::S24le => int(3, Endian::Little),
            RawWord::S24be => int(3, Endian::Big),
            RawWord::S32le => int(4, Endian::Little),
            RawWord::S32be => int(4, Endian::Big),
            RawWord::F32le => (Word::Float32(Endian::Little), 4),
            RawWord::F32be => (Word::Float32(Endian::Big), 4),
            RawWord::F64le => (Word::Float64(Endian::Little), 8),
            RawWord::F64be => (Word::Float64(Endian::Big), 8),
        }
    }
}

/// Takes `source` as frames of `form` to its end; an incomplete last frame is left out and noted.
///
/// # Errors
/// A form outside its ranges, or not one whole frame.
pub fn open(name: &str, mut source: Box<dyn Source>, form: &RawForm) -> Result<Loaded<Samples>, Error> {
    fmt_chunk::check(form.channels, form.sample_rate_hz).map_err(|kind| Error::new(name, Place::File, kind))?;
    let (word, word_bytes) = form.word.stored();
    let layout = Layout { word, word_bytes, channels: usize::from(form.channels), data_start: form.skip };
    let present = bytes::length(name, source.as_mut())?.saturating_sub(form.skip);
    let (frames, left) = (present / layout.frame_bytes() as u64, present % layout.frame_bytes() as u64);
    if frames == 0 {
        return Err(Error::new(name, Place::File, Kind::NoFrame { present }));
    }
    let mut notes = Vec::new();
    if left > 0 {
        let what = format!("{left} bytes after the last whole frame were left out");
        let remedy = "check the width and the number of channels: they should come out even";
        notes.push(Error::new(name, Place::Byte(form.skip + present - left), Kind::Noted { what, remedy }));
    }
    let bits = 8 * word_bytes as u16;
    let mut value = Samples::pcm(name, source, layout, bits, form.sample_rate_hz, present);
    value.form.is_bare = true;
    Ok(Loaded { value, notes })
}
