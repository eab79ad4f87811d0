//! What a running engine sounds like without knock: each combustion's push on the block, steady noise, gear whine.

use super::engine::CYLINDERS;
use super::random::Random;
use super::sensor::{Hearing, SENSORS};
use std::f64::consts::PI;

/// Loudness of combustion and of steady noise at 4000 rpm, and their growth with speed (invented).
const BURST: f64 = 0.030;
const STEADY: f64 = 0.015;
const COMBUSTION_GROWTH: f64 = 0.62;
const STEADY_GROWTH: f64 = 1.15;
/// Full load against none, and each degree of advance against 24 degrees (common practice in sign, invented in size).
const LOAD_DB: f64 = 6.0;
const ADVANCE_DB_PER_DEG: f64 = 0.3;
/// Combustion is dull: it falls with frequency from here.
const DULL_HZ: f64 = 4500.0;
/// The burst rises over so many degrees, then dies away.
const RISE_DEG: f64 = 9.0;
const FALL_DEG: f64 = 24.0;
const LENGTH_DEG: usize = 96;
/// Gear whine: teeth a crank turn, its loudness at 4000 rpm.
const WHINE_ORDER: f64 = 31.0;
const WHINE: f64 = 0.010;
const SINE: usize = 1024;

/// Level of one combustion against full load, 24 degrees of advance and 4000 rpm, dB, without its own luck.
pub(super) fn usual_db(rpm: f64, load: f64, ignition_deg: f64) -> f64 {
    growth_db(rpm, COMBUSTION_GROWTH) + LOAD_DB * (load - 1.0) + ADVANCE_DB_PER_DEG * (ignition_deg - 24.0)
}

/// Growth of loudness with speed as a power of it, dB against 4000 rpm.
pub(super) fn growth_db(rpm: f64, power: f64) -> f64 {
    20.0 * power * libm::log10(rpm / 4000.0)
}

/// Amplitude of a level.
pub(super) fn amplitude(level_db: f64) -> f64 {
    libm::exp(level_db * (std::f64::consts::LN_10 / 20.0))
}

/// A burst under way.
#[derive(Clone, Copy)]
struct Burst {
    start_deg: f64,
    amplitude: f64,
}

/// All that is heard without knock and without blows.
pub(super) struct Noise {
    hearing: Hearing,
    bursts: [Option<Burst>; CYLINDERS],
    clicks: [f64; CYLINDERS],
    rise_and_fall: [f64; LENGTH_DEG + 1],
    dull: f64,
    low: [f64; SENSORS],
    steady: f64,
    whine: f64,
    sine: Vec<f64>,
}

impl Noise {
    /// An engine at rest.
    pub fn new(rate_hz: f64, hearing: Hearing) -> Self {
        let rise_and_fall = std::array::from_fn(|deg| {
            let deg = deg as f64;
            if deg < RISE_DEG { deg / RISE_DEG } else { libm::exp((RISE_DEG - deg) / FALL_DEG) }
        });
        Self {
            hearing,
            bursts: [None; CYLINDERS],
            clicks: [0.0; CYLINDERS],
            rise_and_fall,
            dull: 1.0 - libm::exp(-2.0 * PI * DULL_HZ / rate_hz),
            low: [0.0; SENSORS],
            steady: 0.0,
            whine: 0.0,
            sine: (0..=SINE).map(|k| libm::sin(2.0 * PI * k as f64 / SINE as f64)).collect(),
        }
    }

    /// Follows speed and load; to be called every few samples.
    pub fn tune(&mut self, rpm: f64, load: f64) {
        self.steady = STEADY * amplitude(growth_db(rpm, STEADY_GROWTH) + 2.0 * (load - 1.0));
        self.whine = WHINE * amplitude(growth_db(rpm, 1.0) + 4.0 * (load - 1.0));
    }

    /// The gas pushes the block once.
    pub fn click(&mut self, cylinder_index: usize, amplitude: f64) {
        self.clicks[cylinder_index] += amplitude;
    }

    /// Burning begins to roar.
    pub fn burst(&mut self, cylinder_index: usize, start_deg: f64, amplitude: f64) {
        self.bursts[cylinder_index] = Some(Burst { start_deg, amplitude: BURST * amplitude });
    }

    /// One sample, as each sensor's side of the block feels it.
    #[inline]
    pub fn next(&mut self, deg: f64, random: &mut Random, felt: &mut [f64; SENSORS]) {
        let mut pushed = [0.0; SENSORS];
        for cylinder_index in 0..CYLINDERS {
            let push = self.push(cylinder_index, deg, random);
            for (pushed, hearing) in pushed.iter_mut().zip(&self.hearing) {
                *pushed += hearing[cylinder_index] * push;
            }
        }
        let whine = self.whine_at(deg);
        for ((felt, low), pushed) in felt.iter_mut().zip(&mut self.low).zip(pushed) {
            *low += self.dull * (pushed - *low);
            *felt += *low + whine + self.steady * random.noise();
        }
    }

    #[inline]
    fn push(&mut self, cylinder_index: usize, deg: f64, random: &mut Random) -> f64 {
        let click = std::mem::take(&mut self.clicks[cylinder_index]);
        let Some(burst) = self.bursts[cylinder_index] else { return click };
        let after_deg = (deg - burst.start_deg) as usize;
        if after_deg > LENGTH_DEG {
            self.bursts[cylinder_index] = None;
            return click;
        }
        click + burst.amplitude * self.rise_and_fall[after_deg] * random.noise()
    }

    #[inline]
    fn whine_at(&self, deg: f64) -> f64 {
        let turns = deg * (WHINE_ORDER / 360.0);
        let at = (turns - turns as i64 as f64) * SINE as f64;
        let k = (at as usize).min(SINE - 1);
        self.whine * (self.sine[k] + (at - k as f64) * (self.sine[k + 1] - self.sine[k]))
    }
}
