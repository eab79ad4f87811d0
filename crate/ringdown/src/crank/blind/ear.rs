//! What is kept of a sensor for a search without crank signal: its loudness, two thousand times a second.

use crate::signal::filter::{Pass, Running, butterworth};
use crate::signal::level::quick_db;

/// Combustion and valves are heard here in any engine; hum, road and orders of imbalance are not.
const BAND_HZ: [f64; 2] = [2000.0, 15_000.0];
/// Loudness values a second, about: an eight at 9000 rpm fires 600 times.
const RATE_HZ: f64 = 2000.0;
/// Steps a decibel, and the level of step 0.
const STEPS_PER_DB: f32 = 2.0;
const LOWEST_DB: f32 = -120.0;

/// Listens to one channel.
pub struct Ear {
    filter: Running,
    block: usize,
    taken: usize,
    sum: f64,
    loudness: Loudness,
}

/// Loudness of a channel over time, half a decibel a step.
#[derive(Debug, Clone, Default)]
pub struct Loudness {
    /// Values a second.
    pub rate_hz: f64,
    steps: Vec<u8>,
}

impl Ear {
    /// `None` where the sampling rate is too low to hear combustions.
    pub fn new(sample_rate_hz: f64) -> Option<Ear> {
        let high_hz = BAND_HZ[1].min(0.45 * sample_rate_hz);
        let filter = butterworth(1, Pass::Band { low_hz: BAND_HZ[0], high_hz }, sample_rate_hz).ok()?.start();
        let block = (sample_rate_hz / RATE_HZ).round().max(1.0) as usize;
        let loudness = Loudness { rate_hz: sample_rate_hz / block as f64, steps: Vec::new() };
        (high_hz > 1.3 * BAND_HZ[0]).then_some(Ear { filter, block, taken: 0, sum: 0.0, loudness })
    }

    /// The next samples; what is no number counts as silence.
    pub fn push(&mut self, samples: &[f32]) {
        for &sample in samples {
            let heard = self.filter.step(if sample.is_finite() { f64::from(sample) } else { 0.0 });
            self.sum += heard * heard;
            self.taken += 1;
            if self.taken == self.block {
                self.loudness.push((self.sum / self.block as f64) as f32);
                (self.sum, self.taken) = (0.0, 0);
            }
        }
    }

    /// Ends the channel.
    pub fn finish(self) -> Loudness {
        self.loudness
    }
}

impl Loudness {
    /// Mean of the decibels of several; `None` of none.
    pub fn mean(all: &[Loudness]) -> Option<Loudness> {
        let first = all.first()?;
        let one = |index: usize| {
            let sum: u32 = all.iter().map(|one| one.steps.get(index).copied().map_or(0, u32::from)).sum();
            (sum / all.len() as u32) as u8
        };
        Some(Loudness { rate_hz: first.rate_hz, steps: (0..first.steps.len()).map(one).collect() })
    }

    fn push(&mut self, power: f32) {
        self.steps.push(((quick_db(power) - LOWEST_DB) * STEPS_PER_DB).round().clamp(0.0, 255.0) as u8);
    }

    /// Seconds held.
    pub fn duration_s(&self) -> f64 {
        self.steps.len() as f64 / self.rate_hz.max(1.0)
    }

    /// Value `index` in dB over the lowest that is held; beyond the ends, the nearest.
    pub fn db(&self, index: i64) -> f32 {
        let last = self.steps.len() as i64 - 1;
        let at = index.clamp(0, last.max(0)) as usize;
        self.steps.get(at).map_or(0.0, |&step| f32::from(step) / STEPS_PER_DB)
    }

    /// Value at a moment, between the middles of its neighbours, dB as [`Loudness::db`].
    pub fn at(&self, t_s: f64) -> f32 {
        let place = t_s * self.rate_hz - 0.5;
        let low = place.floor();
        let (a, b) = (self.db(low as i64), self.db(low as i64 + 1));
        a + (b - a) * (place - low) as f32
    }

    /// Seconds of the middle of value `index`.
    pub fn t_s(&self, index: i64) -> f64 {
        (index as f64 + 0.5) / self.rate_hz
    }
}
