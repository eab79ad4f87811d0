//! RIFF/WAVE (Microsoft multimedia RIFF specification), RIFX, RF64/BW64 (EBU Tech 3306, ITU-R BS.2088).

use super::interleaved::Layout;
use super::samples::Samples;
use super::{Source, riff};
use crate::error::{Error, Loaded};

/// A mark set while recording.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cue {
    /// Frame it stands at.
    pub frame: u64,
    /// Frames it reaches over; 0 for a point.
    pub length: u64,
    /// Its label; empty where none was given.
    pub label: String,
}

/// Reads the header. Sizes in it are claims, checked against the file's length.
///
/// # Errors
/// When the file is empty, no WAVE file, holds compressed samples, or its header leaves no way to find samples.
pub fn open(name: &str, mut source: Box<dyn Source>) -> Result<Loaded<Samples>, Error> {
    let head = riff::head(name, source.as_mut())?;
    let format = head.format;
    let layout = Layout {
        word: format.word,
        word_bytes: format.word_bytes,
        channels: format.channels,
        data_start: head.data_start,
    };
    let rate_hz = f64::from(format.sample_rate_hz);
    let mut value = Samples::pcm(name, source, layout, format.bits, rate_hz, head.data_bytes);
    value.cues = head.cues;
    value.time_reference = head.time_reference;
    Ok(Loaded { value, notes: head.notes })
}
