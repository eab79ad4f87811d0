//! Spectrum over engine order: the signal taken at even crank angles, so that what turns with the crank makes a line at any
//! speed.

use crate::crank::track::Segment;
use crate::signal::spectrum::{Detrend, Welch};
use crate::signal::taper::{Shape, Taper};
use std::f64::consts::PI;

/// Turns a block: lines lie an eighth of an order apart.
pub const TURNS: usize = 8;
/// Points a turn; of the orders they could carry the upper ones are cut off before.
const POINTS: usize = 128;
/// Share of half the points at which the cut begins, in the middle of its slope.
const CUT: f64 = 0.8;
/// Zero crossings of the kernel to either side.
const REACH: f64 = 16.0;
/// Highest order given: below the slope of the cut.
pub const HIGHEST: f64 = 40.0;

/// Sums blocks of [`TURNS`].
pub struct Orders {
    welch: Welch,
    sample_rate_hz: f64,
    block: Vec<f32>,
}

impl Orders {
    /// For a sampling rate, Hz.
    pub fn new(sample_rate_hz: f64) -> Orders {
        let length = TURNS * POINTS;
        let welch = Welch::new(POINTS as f64, Taper::periodic(Shape::Hann, length), length, Detrend::Mean);
        Orders { welch, sample_rate_hz, block: Vec::with_capacity(length) }
    }

    /// Orders between two values of [`Orders::power`].
    pub fn step(&self) -> f64 {
        self.welch.bin_hz()
    }

    /// First sample and number of samples that the block from an angle of the segment takes; `None` where it isn't whole.
    pub fn wants(&self, segment: &Segment, from_deg: f64) -> Option<(u64, usize)> {
        let to_deg = from_deg + 360.0 * TURNS as f64;
        let sample = |deg: f64| Some(segment.time_at(deg)? * self.sample_rate_hz);
        let (from, to) = (sample(from_deg)?, sample(to_deg)?);
        // Speed may change within the block: half as much again of its mean step reaches far enough.
        let margin = 1.5 * REACH * ((to - from) / (TURNS * POINTS) as f64).max(1.0) / CUT + 2.0;
        (from >= margin).then_some(((from - margin) as u64, (to - from + 2.0 * margin) as usize + 1))
    }

    /// Adds the block from an angle, whose samples start at `first`; says whether they held it.
    pub fn add(&mut self, segment: &Segment, from_deg: f64, first: u64, samples: &[f32]) -> bool {
        self.block.clear();
        let points = TURNS * POINTS;
        let times = segment.times();
        let place = |k: usize| {
            let t_s = times.time_at(from_deg + 360.0 * k as f64 / POINTS as f64)?;
            Some(t_s * self.sample_rate_hz - first as f64)
        };
        let Some(places) = (0..=points).map(place).collect::<Option<Vec<f64>>>() else { return false };
        for (at, next) in places.iter().zip(places.iter().skip(1)) {
            let Some(value) = taken(samples, *at, next - at) else { return false };
            self.block.push(value);
        }
        self.welch.gap();
        self.welch.push(&self.block);
        true
    }

    /// Blocks so far.
    pub fn blocks(&self) -> u64 {
        self.welch.segments()
    }

    /// Power over order up to [`HIGHEST`], full scale = 1: a sine locked to an order that is a multiple of the step reads half
    /// the square of its amplitude. Empty without a block.
    pub fn power(&self) -> Vec<f64> {
        let mut power = self.welch.power().unwrap_or_default();
        power.truncate((HIGHEST / self.step()) as usize + 1);
        power
    }
}

/// The signal at a place between samples, `step` samples from the next: without what is too high for that step, by a sinc under
/// a raised cosine. `None` where the kernel reaches outside.
fn taken(samples: &[f32], at: f64, step: f64) -> Option<f32> {
    // Where the samples lie further apart than the points, the samples' own limit holds.
    let cut = CUT / step.max(1.0);
    let reach = REACH / cut;
    let (from, to) = ((at - reach).ceil(), (at + reach).floor());
    if !(from >= 0.0 && to < samples.len() as f64) {
        return None;
    }
    // Sine and cosine of evenly spaced angles by turning: a thousand steps cost 1e-13, and no library call each.
    let (mut turn, step_turn) = (PI * cut * (from - at), PI * cut);
    let (mut wave, mut bell) = (Turning::new(turn, step_turn), Turning::new(PI * (from - at) / reach, PI / reach));
    let (mut sum, mut weights) = (0.0, 0.0);
    for sample in samples.get(from as usize..=to as usize)? {
        let sinc = if turn.abs() < 1e-3 { 1.0 - turn * turn / 6.0 } else { wave.sin / turn };
        let weight = sinc * (0.5 + 0.5 * bell.cos);
        sum += weight * f64::from(*sample);
        weights += weight;
        turn += step_turn;
        wave.go_on();
        bell.go_on();
    }
    Some((sum / weights) as f32)
}

/// Sine and cosine of an angle that grows by even steps.
struct Turning {
    sin: f64,
    cos: f64,
    step: (f64, f64),
}

impl Turning {
    fn new(from: f64, step: f64) -> Turning {
        let (sin, cos) = from.sin_cos();
        Turning { sin, cos, step: step.sin_cos() }
    }

    fn go_on(&mut self) {
        let (sin, cos) = self.step;
        (self.sin, self.cos) = (self.sin * cos + self.cos * sin, self.cos * cos - self.sin * sin);
    }
}
