//! RIFF/WAVE (Microsoft multimedia RIFF specification), RIFX, RF64/BW64 (EBU Tech 3306, ITU-R BS.2088).

use super::pcm::Word;
use super::{Source, riff};
use crate::error::{Error, Loaded};
use std::io::{Read, Seek, SeekFrom};

/// Samples of one slice, channel by channel, full scale = 1.
pub type Planes = Vec<Vec<f32>>;

/// Bytes read from the source at once.
const BLOCK_BYTES: usize = 1 << 16;

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
    /// Bits of one sample that carry signal.
    pub bits: u16,
    /// Least step between two sample values, full scale = 1; `None` for float.
    pub step: Option<f64>,
    /// Marks the recorder set, in order of time.
    pub cues: Vec<Cue>,
    source: Box<dyn Source>,
    word: Word,
    word_bytes: usize,
    data_start: u64,
    block: Vec<u8>,
    non_finite: u64,
}

/// A mark set while recording.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cue {
    /// Frame it stands at.
    pub frame: u64,
    /// Its label; empty where none was given.
    pub label: String,
}

impl std::fmt::Debug for Wave {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "Wave({}, {} Hz, {} channels, {} frames, {})",
            self.name, self.sample_rate_hz, self.channels, self.frames, self.format
        )
    }
}

impl Wave {
    /// Reads the header. Sizes in it are claims, checked against the file's length.
    ///
    /// # Errors
    /// When the file is empty, no WAVE file, holds compressed samples, or its header leaves no way to find samples.
    pub fn open(name: &str, mut source: Box<dyn Source>) -> Result<Loaded<Wave>, Error> {
        let head = riff::head(name, source.as_mut())?;
        let format = head.format;
        let wave = Wave {
            name: name.to_owned(),
            sample_rate_hz: f64::from(format.sample_rate_hz),
            channels: format.channels,
            frames: head.data_bytes / format.frame_bytes() as u64,
            format: format.in_words(),
            bits: format.bits,
            step: format.step(),
            cues: head.cues,
            source,
            word: format.word,
            word_bytes: format.word_bytes,
            data_start: head.data_start,
            block: Vec::new(),
            non_finite: 0,
        };
        Ok(Loaded { value: wave, notes: head.notes })
    }

    /// Fills `planes` (resized to `channels` x the count returned) with up to `count` frames from `first` on.
    /// Returns how many there were, 0 past the end. Non-finite float samples become 0 and are counted by the caller's
    /// scan through [`Wave::non_finite`].
    ///
    /// # Errors
    /// When the file can't be read any more, or has shrunk since it was opened.
    pub fn read(&mut self, first: u64, count: usize, planes: &mut Planes) -> Result<usize, Error> {
        let count = self.frames.saturating_sub(first).min(count as u64) as usize;
        planes.resize_with(self.channels, Vec::new);
        planes.iter_mut().for_each(|plane| plane.resize(count, 0.0));
        if count == 0 {
            return Ok(0); // from here `first` lies inside the file: the product can't overflow
        }
        let frame_bytes = self.word_bytes * self.channels;
        let mut at = self.data_start + first * frame_bytes as u64;
        self.source.seek(SeekFrom::Start(at)).map_err(|e| Error::io(&self.name, at, e))?;
        let frames_a_block = (BLOCK_BYTES / frame_bytes).max(1);
        let mut done = 0;
        while done < count {
            let now = frames_a_block.min(count - done);
            self.block.resize(now * frame_bytes, 0);
            self.source.read_exact(&mut self.block).map_err(|e| Error::io(&self.name, at, e))?;
            self.scatter(done, now, planes);
            done += now;
            at += self.block.len() as u64;
        }
        Ok(count)
    }

    /// Decodes the block into `now` samples of each plane from `done` on.
    fn scatter(&mut self, done: usize, now: usize, planes: &mut Planes) {
        for (channel, plane) in planes.iter_mut().enumerate() {
            let out = plane.get_mut(done..done + now).unwrap_or_default();
            let offset = channel * self.word_bytes;
            self.non_finite += self.word.decode(&self.block, self.word_bytes * self.channels, offset, out);
        }
    }

    /// Non-finite samples met so far, all channels.
    pub fn non_finite(&self) -> u64 {
        self.non_finite
    }
}
