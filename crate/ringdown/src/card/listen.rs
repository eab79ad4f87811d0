//! A stretch of a sensor made ready for the ear: through the band or not, slowed down, never painfully loud.

use super::{Card, FileId};
use crate::error::{Error, Kind, Place};
use crate::signal::filter::{Pass, butterworth};
use crate::signal::filtfilt::filtfilt;

/// A stretch to play.
#[derive(Debug, Clone, PartialEq)]
pub struct Clip {
    /// Sampling rate to play at, Hz: that of the recording, however much it is slowed.
    pub sample_rate_hz: f64,
    /// Samples, at most [`LOUDEST`].
    pub samples: Vec<f32>,
}

/// Longest stretch played, s.
const LONGEST_S: f64 = 60.0;
/// Most samples made: a minute at 48 kHz slowed sixteen times would be 46 million.
const MOST_SAMPLES: usize = 12_000_000;
/// Largest sample played, full scale = 1: a level an ear in headphones bears.
pub const LOUDEST: f32 = 0.25;
/// Quiet stretches are raised, by at most this factor (40 dB).
const MOST_GAIN: f32 = 100.0;
/// Fade at both ends, s: no click.
const FADE_S: f64 = 0.003;

impl Card {
    /// The stretch `from_s..to_s` of a channel (from 1), slowed `slow` times (1, 2, 4, 8 or 16).
    ///
    /// # Errors
    /// No such file or channel, or the stretch can't be read.
    pub fn clip(
        &self,
        id: FileId,
        channel: u16,
        range_s: [f64; 2],
        through_band: bool,
        slow: usize,
    ) -> Result<Clip, Error> {
        let Some((file, recording)) = self.recordings().find(|(file, _)| file.id == id) else {
            return Err(nothing_to_play("the card", "this file is no recording of the card"));
        };
        let rate = recording.sample_rate_hz();
        let [from_s, to_s] = range_s;
        let from_s = if from_s.is_finite() { from_s.max(0.0) } else { 0.0 };
        let length_s = if to_s.is_finite() { (to_s - from_s).clamp(0.0, LONGEST_S) } else { 0.0 };
        let slow = slow.clamp(1, 16);
        let count = ((length_s * rate) as usize).min(MOST_SAMPLES / slow);
        let mut planes = Vec::new();
        recording.samples.borrow_mut().read((from_s * rate) as u64, count, &mut planes)?;
        let plane = planes.get(usize::from(channel).wrapping_sub(1)).filter(|plane| !plane.is_empty());
        let Some(plane) = plane else {
            return Err(nothing_to_play(&file.input.name, "there is no such channel or stretch"));
        };
        let band = self.band(rate).filter(|_| through_band);
        let filter =
            band.and_then(|band| butterworth(4, Pass::Band { low_hz: band.low, high_hz: band.high }, rate).ok());
        let heard = match filter {
            Some(filter) => filtfilt(&filter, plane).into_iter().map(|sample| sample as f32).collect(),
            None => plane.clone(),
        };
        let mut samples = slowed(&heard, slow, rate);
        guard(&mut samples, (FADE_S * rate) as usize);
        Ok(Clip { sample_rate_hz: rate, samples })
    }
}

fn nothing_to_play(file: &str, found: &str) -> Error {
    let kind = Kind::Unsupported { found: found.into(), remedy: "choose a stretch inside a recording" };
    Error::new(file, Place::File, kind)
}

/// Stretches in time by a whole factor: zeros between the samples, then a low-pass that leaves the old band only.
fn slowed(samples: &[f32], slow: usize, rate: f64) -> Vec<f32> {
    if slow == 1 {
        return samples.to_vec();
    }
    let mut stuffed = vec![0.0; samples.len() * slow];
    for (index, sample) in samples.iter().enumerate() {
        stuffed[index * slow] = sample * slow as f32;
    }
    match butterworth(8, Pass::Low { edge_hz: 0.45 * rate / slow as f64 }, rate) {
        Ok(filter) => filtfilt(&filter, &stuffed).into_iter().map(|sample| sample as f32).collect(),
        Err(_) => stuffed,
    }
}

/// Takes the mean out, scales to [`LOUDEST`], fades both ends.
fn guard(samples: &mut [f32], fade: usize) {
    let mean = samples.iter().sum::<f32>() / samples.len().max(1) as f32;
    samples.iter_mut().for_each(|sample| *sample -= mean);
    let peak = samples.iter().fold(0.0_f32, |peak, sample| peak.max(sample.abs()));
    let gain = if peak > 0.0 { (LOUDEST / peak).min(MOST_GAIN) } else { 0.0 };
    let count = samples.len();
    let fade = fade.clamp(1, count / 2 + 1);
    for (index, sample) in samples.iter_mut().enumerate() {
        let edge = index.min(count - 1 - index) as f32 / fade as f32;
        *sample *= gain * edge.min(1.0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slowing_halves_the_frequency_and_the_guard_holds_the_peak() {
        let rate = 48_000.0;
        let tone: Vec<f32> = (0..4800).map(|n| (n as f32 * std::f32::consts::TAU * 6000.0 / 48_000.0).sin()).collect();
        let mut slow = slowed(&tone, 2, rate);
        guard(&mut slow, 100);
        let middle = &slow[2000..6800];
        let crossings = middle.windows(2).filter(|two| two[0] < 0.0 && two[1] >= 0.0).count();
        assert!((298..=302).contains(&crossings), "{crossings} periods in 0.1 s of 3 kHz");
        assert!(slow.iter().all(|sample| sample.abs() <= LOUDEST + 1e-6));
    }
}
