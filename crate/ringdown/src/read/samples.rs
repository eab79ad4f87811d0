//! A recording, whatever it was read from: one rate, some channels, random access to any slice.

use super::Source;
use super::interleaved::{Interleaved, Layout};
use super::wave::Cue;
use crate::error::Error;

/// Samples of one slice, channel by channel, full scale = 1.
pub type Planes = Vec<Vec<f32>>;

/// What stands behind [`Samples`]: PCM words in a file, frames of a decoder, values in memory, several of them joined.
pub(super) trait Body {
    /// Fills each plane with `count` samples from frame `first` on; the caller keeps both inside the recording and has
    /// sized the planes. Samples that are no finite numbers become 0 and are counted.
    fn fill(&mut self, first: u64, count: usize, planes: &mut Planes) -> Result<(), Error>;

    /// Non-finite samples met so far, all channels.
    fn non_finite(&self) -> u64;

    /// Whether any place costs the same to reach; what is decoded has to be read up to it.
    fn is_plain(&self) -> bool {
        false
    }
}

/// An open recording with random access to any slice.
pub struct Samples {
    /// File name as the user knows it.
    pub name: String,
    /// Sampling rate, Hz.
    pub sample_rate_hz: f64,
    /// Number of channels.
    pub channels: usize,
    /// Frames (samples per channel) present.
    pub frames: u64,
    /// How the samples are stored.
    pub form: Form,
    /// Bits of one sample that carry signal.
    pub bits: u16,
    /// Least step between two sample values, full scale = 1; `None` for float.
    pub step: Option<f64>,
    /// Marks the recorder set, in order of time.
    pub cues: Vec<Cue>,
    /// What the file calls its channels; empty where it names none, else one a channel.
    pub labels: Vec<Label>,
    /// Frame of the day the recording starts at, where the recorder kept it (bext, EBU Tech 3285).
    pub time_reference: Option<u64>,
    pub(super) body: Box<dyn Body>,
}

/// How the samples of a recording are stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Form {
    /// What one sample is.
    pub coding: Coding,
    /// The file around them where it is not WAV: a proper name such as "AIFF".
    pub container: Option<&'static str>,
    /// Whether a user told the form of samples without a header.
    pub is_bare: bool,
    /// Files joined to this one; 1 for a file of its own.
    pub files: usize,
}

/// What one sample is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Coding {
    /// Whole numbers.
    Pcm {
        /// Bits that carry signal.
        bits: u16,
        /// Bytes that hold them.
        bytes: usize,
    },
    /// Floating point of so many bits.
    Float(u16),
    /// FLAC of so many bits.
    Flac(u16),
    /// Text of an oscilloscope.
    Text,
}

impl From<Coding> for Form {
    fn from(coding: Coding) -> Self {
        Self { coding, container: None, is_bare: false, files: 1 }
    }
}

/// Name and unit of one channel.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Label {
    /// Name as written; empty where none is.
    pub name: String,
    /// Unit as written.
    pub unit: Option<String>,
    /// What a sample of 1 is in that unit; `None` where the file does not say.
    pub full_scale: Option<f64>,
}

impl std::fmt::Debug for Samples {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Samples { name, sample_rate_hz, channels, frames, form, .. } = self;
        write!(f, "Samples({name}, {sample_rate_hz} Hz, {channels} channels, {frames} frames, {form:?})")
    }
}

impl Samples {
    /// Uncompressed frames: `data_bytes` of them from the layout's start on.
    pub(super) fn pcm(
        name: &str,
        source: Box<dyn Source>,
        layout: Layout,
        bits: u16,
        sample_rate_hz: f64,
        data_bytes: u64,
    ) -> Samples {
        Samples {
            name: name.to_owned(),
            sample_rate_hz,
            channels: layout.channels,
            frames: data_bytes / layout.frame_bytes().max(1) as u64,
            form: layout.word.coding(bits, layout.word_bytes).into(),
            bits,
            step: layout.word.step(bits),
            cues: Vec::new(),
            labels: Vec::new(),
            time_reference: None,
            body: Box::new(Interleaved::new(name, source, layout)),
        }
    }

    /// Fills `planes` (resized to `channels` x the count returned) with up to `count` frames from `first` on.
    /// Returns how many there were, 0 past the end. Non-finite samples become 0 and are counted by
    /// [`Samples::non_finite`].
    ///
    /// # Errors
    /// When the file can't be read any more, or has shrunk since it was opened.
    pub fn read(&mut self, first: u64, count: usize, planes: &mut Planes) -> Result<usize, Error> {
        self.read_channels(first, count, planes, |_| true)
    }

    /// As [`Samples::read`], of the `wanted` channels (from 1); the planes of others are empty where leaving them out saves
    /// work.
    ///
    /// # Errors
    /// As there.
    pub fn read_channels(
        &mut self,
        first: u64,
        count: usize,
        planes: &mut Planes,
        wanted: impl Fn(u16) -> bool,
    ) -> Result<usize, Error> {
        let count = self.frames.saturating_sub(first).min(count as u64) as usize;
        let all = !self.is_plain();
        planes.resize_with(self.channels, Vec::new);
        for (plane, channel) in planes.iter_mut().zip(1..) {
            plane.resize(if all || wanted(channel) { count } else { 0 }, 0.0);
        }
        if count > 0 {
            self.body.fill(first, count, planes)?;
        }
        Ok(count)
    }

    /// Whether a sample here and there can be read without reading what lies between.
    pub fn is_plain(&self) -> bool {
        self.body.is_plain()
    }

    /// Non-finite samples met so far, all channels.
    pub fn non_finite(&self) -> u64 {
        self.body.non_finite()
    }
}
