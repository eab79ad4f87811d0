//! What is kept of a sensor for a search without crank signal: its loudness, two thousand times a second.

use crate::read::samples::Planes;
use crate::signal::filter::{Abreast, Pass, butterworth};
use crate::signal::level::quick_db;
use crate::sparing::push_sparingly;
use serde::{Deserialize, Serialize};

/// Combustion and valves are heard here in any engine; hum, road and orders of imbalance are not.
const BAND_HZ: [f64; 2] = [2000.0, 15_000.0];
/// Loudness values a second, about: an eight at 9000 rpm fires 600 times.
const RATE_HZ: f64 = 2000.0;
/// Steps a decibel, and the level of step 0.
const STEPS_PER_DB: f32 = 2.0;
const LOWEST_DB: f32 = -120.0;

/// Most channels listened to.
const MOST_EARS: usize = 4;

/// Listens to several channels at once.
pub struct Ears {
    filter: Abreast<MOST_EARS>,
    block: usize,
    taken: usize,
    sums: [f64; MOST_EARS],
    heard: Vec<(u16, Loudness)>,
}

/// Loudness of a channel over time, half a decibel a step.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub struct Loudness {
    /// Values a second.
    pub rate_hz: f64,
    steps: Vec<u8>,
}

impl Ears {
    /// For the first few of these channels (from 1); `None` where the sampling rate is too low to hear combustions.
    pub fn new(sample_rate_hz: f64, mut channels: Vec<u16>) -> Option<Ears> {
        channels.truncate(MOST_EARS);
        let high_hz = BAND_HZ[1].min(0.45 * sample_rate_hz);
        let filter = butterworth(1, Pass::Band { low_hz: BAND_HZ[0], high_hz }, sample_rate_hz).ok()?;
        let block = (sample_rate_hz / RATE_HZ).round().max(1.0) as usize;
        let silent = Loudness { rate_hz: sample_rate_hz / block as f64, steps: Vec::new() };
        let heard = channels.into_iter().map(|channel| (channel, silent.clone())).collect();
        let filter = Abreast::new(&filter);
        (high_hz > 1.3 * BAND_HZ[0]).then_some(Ears { filter, block, taken: 0, sums: [0.0; MOST_EARS], heard })
    }

    /// The next samples of all channels of the recording; what is no number counts as silence.
    pub fn push(&mut self, planes: &Planes) {
        let plane = |channel: u16| planes.get(usize::from(channel).wrapping_sub(1)).map_or(&[][..], Vec::as_slice);
        let Some(first) = self.heard.first().map(|(channel, _)| plane(*channel)) else { return };
        // A place without a channel hears the first again, and nobody asks what.
        let channels = std::array::from_fn(|place| self.heard.get(place).map_or(first, |(channel, _)| plane(*channel)));
        let Self { filter, block, taken, sums, heard } = self;
        filter.run(channels, |samples| {
            sums.iter_mut().zip(samples).for_each(|(sum, x)| *sum += x * x);
            *taken += 1;
            if *taken == *block {
                for ((_, loudness), sum) in heard.iter_mut().zip(&*sums) {
                    loudness.push((sum / *block as f64) as f32);
                }
                (*sums, *taken) = ([0.0; MOST_EARS], 0);
            }
        });
    }

    /// Ends the channels: each with its loudness.
    pub fn finish(self) -> Vec<(u16, Loudness)> {
        self.heard
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
        let step = ((quick_db(power) - LOWEST_DB) * STEPS_PER_DB).round().clamp(0.0, 255.0) as u8;
        push_sparingly(&mut self.steps, step);
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
