//! Electrical spikes: far over all around them, over within some 60 microseconds, and gone without a ring.
//!
//! What strikes the block makes it ring for at least a few tenths of a millisecond; what jumps onto the wire (ignition,
//! injector drivers, a loose contact) doesn't. So a spike must stand five times over everything heard 0.3 to 1.2 ms before
//! and after it. And it falls as fast as it rose, where a blow rises at once and dies away. The limits are common practice,
//! no source.

use crate::signal::extreme::higher;
use crate::stats::rate::Rate;
use serde::{Deserialize, Serialize};

/// How many spikes there are.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Spikes {
    /// Spikes counted.
    pub count: u64,
    /// A second.
    pub per_s: f64,
    /// Lower end of its 95 % interval.
    pub low_per_s: f64,
    /// Upper end.
    pub high_per_s: f64,
}

const BLOCK_S: f64 = 1e-4;
/// Over how long the signal is differenced: no longer than a spike lasts.
const LAG_S: f64 = 2e-5;
/// Longest spike.
const LASTS_S: f64 = 6e-5;
/// Blocks looked at on each side, and how many of them next to the spike are left out.
const REACH: usize = 12;
const CLEAR: usize = 3;
/// How far over the largest around, over the usual largest of a block.
const OVER_AROUND: f32 = 5.0;
const OVER_USUAL: f32 = 5.0;
/// The smaller of rise and fall over the larger.
const FALLS_LIKE: f32 = 0.6;

/// Counts spikes in one channel.
pub struct SpikeScan {
    sample_rate_hz: f64,
    block: usize,
    lag: usize,
    /// Samples of the blocks that may still hold or surround a spike, `lag` samples before them.
    held: Vec<f32>,
    /// Largest step of each whole block held.
    peaks: Vec<f32>,
    peak_sum: f64,
    blocks: u64,
    samples: u64,
    count: u64,
}

impl SpikeScan {
    pub fn new(sample_rate_hz: f64) -> Self {
        let whole = |seconds: f64, least: usize| ((sample_rate_hz * seconds).round() as usize).clamp(least, 1 << 12);
        Self {
            sample_rate_hz,
            block: whole(BLOCK_S, 4),
            lag: whole(LAG_S, 1),
            held: Vec::new(),
            peaks: Vec::new(),
            peak_sum: 0.0,
            blocks: 0,
            samples: 0,
            count: 0,
        }
    }

    pub fn push(&mut self, samples: &[f32]) {
        self.samples += samples.len() as u64;
        self.held.extend(samples.iter().map(|x| if x.is_finite() { *x } else { 0.0 }));
        while self.held.len() >= (self.peaks.len() + 1) * self.block + self.lag {
            let peak = self.largest_step(self.peaks.len());
            self.peaks.push(peak);
            self.peak_sum += f64::from(peak);
            self.blocks += 1;
        }
        for middle in REACH..self.peaks.len().saturating_sub(REACH) {
            self.count += u64::from(self.is_spike(middle));
        }
        let done = self.peaks.len().saturating_sub(2 * REACH);
        self.peaks.drain(..done);
        self.held.drain(..done * self.block);
    }

    pub fn gap(&mut self) {
        self.held.clear();
        self.peaks.clear();
    }

    /// Steps over the lag.
    fn steps(&self, from: usize, to: usize) -> impl Iterator<Item = f32> + '_ {
        let held = self.held.get(from..to + self.lag).unwrap_or_default();
        held.iter().zip(held.iter().skip(self.lag)).map(|(before, after)| after - before)
    }

    fn largest_step(&self, block: usize) -> f32 {
        self.steps(block * self.block, (block + 1) * self.block).fold(0.0, |most, step| higher(step.abs(), most))
    }

    fn is_spike(&self, middle: usize) -> bool {
        let peak = self.peaks[middle];
        let usual = (self.peak_sum / self.blocks.max(1) as f64) as f32;
        if peak <= OVER_USUAL * usual || self.peaks[middle - 1] > peak || self.peaks[middle + 1] >= peak {
            return false;
        }
        let around =
            self.peaks[middle - REACH..=middle - CLEAR].iter().chain(&self.peaks[middle + CLEAR..=middle + REACH]);
        around.fold(0.0_f32, |most, peak| most.max(*peak)) * OVER_AROUND < peak && self.is_short(middle, peak)
    }

    /// Whether all large steps lie within the longest spike and the lag, and it falls as fast as it rose.
    fn is_short(&self, middle: usize, peak: f32) -> bool {
        let from = (middle - CLEAR) * self.block;
        let (mut first, mut last, mut up, mut down) = (None, 0, 0.0_f32, 0.0_f32);
        for (at, step) in self.steps(from, (middle + CLEAR) * self.block).enumerate() {
            (up, down) = (up.max(step), down.max(-step));
            if step.abs() > 0.3 * peak {
                last = at;
                first.get_or_insert(at);
            }
        }
        let span = last - first.unwrap_or(last);
        up.min(down) >= FALLS_LIKE * up.max(down)
            && span <= self.lag + ((LASTS_S * self.sample_rate_hz) as usize).max(3)
    }

    /// `None` under a second.
    pub fn finish(&self) -> Option<Spikes> {
        let seconds = self.samples as f64 / self.sample_rate_hz;
        if seconds < 1.0 {
            return None;
        }
        // a spike a block at most: the binomial interval is Poisson's for all that matters
        let interval = Rate { hits: self.count, trials: self.blocks }.interval(0.95);
        let blocks_per_s = self.blocks as f64 / seconds;
        Some(Spikes {
            count: self.count,
            per_s: self.count as f64 / seconds,
            low_per_s: interval.low * blocks_per_s,
            high_per_s: interval.high * blocks_per_s,
        })
    }
}
