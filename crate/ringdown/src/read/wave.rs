//! RIFF/WAVE (Microsoft multimedia RIFF specification), RIFX, RF64/BW64 (EBU Tech 3306, ITU-R BS.2088).

use super::Source;
use crate::error::{Error, Loaded};

/// Samples of one slice, channel by channel, full scale = 1.
pub type Planes = Vec<Vec<f32>>;

/// An open recording with random access to any slice.
pub struct Wave {
    /// File name as the user knows it.
    pub name: String,
    /// Sampling rate, Hz.
    pub sample_rate_hz: f64,
    /// Number of channels.
    pub channels: usize,
    /// Frames (samples per channel) present.
    pub frames: u64,
    /// What the samples are, in words: "24-bit PCM".
    pub format: String,
    /// Least step between two sample values, full scale = 1; `None` for float.
    pub step: Option<f64>,
    #[allow(dead_code)]
    source: Box<dyn Source>,
}

impl Wave {
    /// Reads the header. Sizes in it are claims, checked against the file's length.
    pub fn open(_name: &str, _source: Box<dyn Source>) -> Result<Loaded<Wave>, Error> {
        todo!("readers")
    }

    /// Fills `planes` (resized to `channels` x the count returned) with up to `count` frames from `first` on.
    /// Returns how many there were, 0 past the end. Non-finite float samples become 0 and are counted by the caller's
    /// scan through [`Wave::non_finite`].
    pub fn read(&mut self, _first: u64, _count: usize, _planes: &mut Planes) -> Result<usize, Error> {
        todo!("readers")
    }

    /// Non-finite samples met so far, all channels.
    pub fn non_finite(&self) -> u64 {
        todo!("readers")
    }
}
