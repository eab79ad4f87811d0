//! Sample words of a recording to `f32`, full scale = 1.

use super::bytes::Endian;
use super::samples::Coding;

/// How one sample is stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Word {
    /// One byte, unsigned, 128 is zero: RIFF's rule for 8 bits and fewer.
    Unsigned8,
    /// Two's complement of 1 to 8 bytes; fewer bits stand at the top of the bytes.
    Int { bytes: u8, endian: Endian },
    /// IEEE 754 single.
    Float32(Endian),
    /// IEEE 754 double.
    Float64(Endian),
}

impl Word {
    /// What a sample of so many bits is.
    pub(super) fn coding(self, bits: u16, bytes: usize) -> Coding {
        match self {
            Word::Float32(_) | Word::Float64(_) => Coding::Float(bits),
            _ => Coding::Pcm { bits, bytes },
        }
    }

    /// Least step between two values of so many bits, full scale = 1; `None` for float.
    pub(super) fn step(self, bits: u16) -> Option<f64> {
        (!matches!(self, Word::Float32(_) | Word::Float64(_))).then(|| 2f64.powi(1 - i32::from(bits)))
    }

    /// Decodes the word at byte `offset` of each frame of `raw` into `out`; returns how many were NaN or infinite (those
    /// become 0).
    pub(super) fn decode(self, raw: &[u8], frame_bytes: usize, offset: usize, out: &mut [f32]) -> u64 {
        let lane = Lane { raw, frame_bytes, offset };
        match self {
            Word::Unsigned8 => lane.each(out, |[b]: [u8; 1]| (f32::from(b) - 128.0) / 128.0),
            Word::Int { bytes, endian } => lane.integers(bytes, endian, out),
            Word::Float32(endian) => return lane.floats32(endian, out),
            Word::Float64(endian) => return lane.floats64(endian, out),
        }
        0
    }
}

/// One channel of interleaved frames.
struct Lane<'a> {
    raw: &'a [u8],
    frame_bytes: usize,
    offset: usize,
}

/// One over the full scale of a 32-bit word: 2^-31.
const PER_TOP32: f32 = 1.0 / 2_147_483_648.0;
/// One over the full scale of a 64-bit word: 2^-63.
const PER_TOP64: f64 = 1.0 / 9_223_372_036_854_775_808.0;

fn top32(word: i32) -> f32 {
    word as f32 * PER_TOP32
}

impl Lane<'_> {
    fn each<const N: usize>(&self, out: &mut [f32], value: impl Fn([u8; N]) -> f32) {
        for (out, frame) in out.iter_mut().zip(self.raw.chunks_exact(self.frame_bytes)) {
            if let Some(word) = frame.get(self.offset..).and_then(|rest| rest.first_chunk::<N>()) {
                *out = value(*word);
            }
        }
    }

    /// As [`Lane::each`], quicker for what most recordings are: one, two or four channels, of so many bytes a frame.
    fn by_frames<const N: usize, const TWO: usize, const FOUR: usize>(
        &self,
        out: &mut [f32],
        value: impl Fn([u8; N]) -> f32,
    ) {
        match self.frame_bytes {
            bytes if bytes == N => self.tiled::<N, N>(out, value),
            bytes if bytes == TWO => self.tiled::<TWO, N>(out, value),
            bytes if bytes == FOUR => self.tiled::<FOUR, N>(out, value),
            _ => self.each(out, value),
        }
    }

    /// Four frames of `F` bytes at a time: their words are converted side by side.
    fn tiled<const F: usize, const N: usize>(&self, out: &mut [f32], value: impl Fn([u8; N]) -> f32) {
        let word =
            |frame: &[u8; F]| frame.get(self.offset..).and_then(|rest| rest.first_chunk()).copied().unwrap_or([0; N]);
        let frames = self.raw.as_chunks::<F>().0;
        let count = frames.len().min(out.len());
        let (fours, last) = frames[..count].as_chunks::<4>();
        let (tiles, rest) = out[..count].as_chunks_mut::<4>();
        for (out, four) in tiles.iter_mut().zip(fours) {
            *out = four.map(|frame| value(word(&frame)));
        }
        for (out, frame) in rest.iter_mut().zip(last) {
            *out = value(word(frame));
        }
    }

    fn integers(&self, bytes: u8, endian: Endian, out: &mut [f32]) {
        match (bytes, endian) {
            (1, _) => self.each(out, |[b]: [u8; 1]| f32::from(b as i8) / 128.0),
            (2, Endian::Little) => self.by_frames::<2, 4, 8>(out, |b| f32::from(i16::from_le_bytes(b)) / 32768.0),
            (2, Endian::Big) => self.each(out, |b| f32::from(i16::from_be_bytes(b)) / 32768.0),
            (3, Endian::Little) => self.by_frames::<3, 6, 12>(out, |[a, b, c]| top32(i32::from_le_bytes([0, a, b, c]))),
            (3, Endian::Big) => self.each(out, |[a, b, c]: [u8; 3]| top32(i32::from_be_bytes([a, b, c, 0]))),
            (4, Endian::Little) => self.each(out, |b| top32(i32::from_le_bytes(b))),
            (4, Endian::Big) => self.each(out, |b| top32(i32::from_be_bytes(b))),
            _ => self.wide(usize::from(bytes), endian, out),
        }
    }

    fn wide(&self, bytes: usize, endian: Endian, out: &mut [f32]) {
        for (out, frame) in out.iter_mut().zip(self.raw.chunks_exact(self.frame_bytes)) {
            let word = frame.get(self.offset..self.offset + bytes).unwrap_or_default();
            let top = match endian {
                Endian::Little => word.iter().rev().fold((0i64, 56u32), shift_in),
                Endian::Big => word.iter().fold((0i64, 56u32), shift_in),
            };
            *out = (top.0 as f64 * PER_TOP64) as f32;
        }
    }

    fn floats32(&self, endian: Endian, out: &mut [f32]) -> u64 {
        match endian {
            Endian::Little => self.each(out, f32::from_le_bytes),
            Endian::Big => self.each(out, f32::from_be_bytes),
        }
        silence_non_finite(out)
    }

    fn floats64(&self, endian: Endian, out: &mut [f32]) -> u64 {
        match endian {
            Endian::Little => self.each(out, |b| f64::from_le_bytes(b) as f32),
            Endian::Big => self.each(out, |b| f64::from_be_bytes(b) as f32),
        }
        silence_non_finite(out)
    }
}

/// Puts the next byte under the ones before, counted from the top of an `i64`.
fn shift_in((top, shift): (i64, u32), byte: &u8) -> (i64, u32) {
    (top | (i64::from(*byte) << shift), shift.saturating_sub(8))
}

fn silence_non_finite(out: &mut [f32]) -> u64 {
    let mut count = 0;
    for sample in out.iter_mut().filter(|sample| !sample.is_finite()) {
        *sample = 0.0;
        count += 1;
    }
    count
}
