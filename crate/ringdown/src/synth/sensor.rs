//! From the block to the plug: block resonances, mount or bracket, the sensor itself, its drift with temperature.

use super::engine::CYLINDERS;
use super::random::Random;
use std::f64::consts::PI;

/// Most sensors of a demo engine.
pub(super) const SENSORS: usize = 2;

/// Resonances of the block as heard at each sensor: Hz, Q, gain (invented, Q within 10-40).
const BLOCK: [[(f64, f64, f64); 6]; SENSORS] = [
    [
        (1460.0, 11.0, 1.3),
        (2380.0, 16.0, 1.1),
        (3350.0, 14.0, 0.8),
        (5150.0, 10.0, 0.55),
        (7900.0, 24.0, 0.6),
        (12_300.0, 38.0, 0.5),
    ],
    [
        (1390.0, 12.0, 1.2),
        (2520.0, 18.0, 1.1),
        (3120.0, 13.0, 0.9),
        (5320.0, 10.0, 0.5),
        (7450.0, 22.0, 0.6),
        (13_100.0, 36.0, 0.5),
    ],
];
/// Share of the block's movement that arrives without resonance.
const DIRECT: f64 = 0.5;
/// Buzzing loses its highest tones: a one-pole low-pass, near 7 kHz at 48 kHz.
const BUZZ_DULL: f64 = 0.6;
/// Sensors lose a little when hot: share per kelvin around 80 degC (common practice, no source).
const DRIFT_PER_K: f64 = -0.0015;

/// How a sensor is held and what it is.
#[derive(Clone, Copy)]
pub(super) struct Mount {
    /// Share of the block's movement that reaches the element as it is.
    pub direct: f64,
    /// Own resonance of bracket or element: Hz, Q, gain at its peak.
    pub f0_hz: f64,
    pub q: f64,
    pub peak: f64,
    /// Buzzing of a loose part, as a share of its own movement.
    pub rattle: f64,
    /// Gain of sensor and input against the first, dB.
    pub gain_db: f64,
}

/// A flat sensor, tight on the block: its own resonance lies above the audible range.
pub(super) const ON_BLOCK: Mount = Mount { direct: 1.0, f0_hz: 20_500.0, q: 4.0, peak: 1.2, rattle: 0.0, gain_db: 0.0 };
/// The same on a thin bracket that rings on its own.
pub(super) const ON_BRACKET: Mount =
    Mount { direct: 0.02, f0_hz: 3620.0, q: 32.0, peak: 5.5, rattle: 0.2, gain_db: -3.1 };
/// A sensor built to ring.
pub(super) const TUNED: Mount = Mount { direct: 0.1, f0_hz: 6800.0, q: 8.0, peak: 2.6, rattle: 0.0, gain_db: 0.0 };

/// How strongly a sensor hears each cylinder, as a factor; by sensor, then cylinder index.
pub(super) type Hearing = [[f64; CYLINDERS]; SENSORS];
/// Sensor 1 between cylinders 1 and 2, sensor 2 between 3 and 4: neighbours 6 to 12 dB down.
pub(super) const PAIRS: Hearing = [[1.0, 0.9, 0.42, 0.27], [0.27, 0.42, 0.9, 1.0]];
/// One sensor in the middle of the block.
pub(super) const MIDDLE: Hearing = [[0.62, 1.0, 0.95, 0.58], [0.0; CYLINDERS]];

/// Second-order band-pass, gain 1 at its centre (R. Bristow-Johnson, "Audio EQ cookbook", constant 0 dB peak gain).
#[derive(Clone, Copy, Default)]
pub(super) struct Resonator {
    b0: f64,
    a1: f64,
    a2: f64,
    x: [f64; 2],
    y: [f64; 2],
}

impl Resonator {
    /// At rest.
    pub fn new(f0_hz: f64, q: f64, rate_hz: f64) -> Self {
        let turn = 2.0 * PI * f0_hz / rate_hz;
        let alpha = libm::sin(turn) / (2.0 * q);
        Self {
            b0: alpha / (1.0 + alpha),
            a1: 2.0 * libm::cos(turn) / (1.0 + alpha),
            a2: (alpha - 1.0) / (1.0 + alpha),
            ..Self::default()
        }
    }

    /// One sample.
    #[inline]
    pub fn next(&mut self, x: f64) -> f64 {
        let y = self.b0 * (x - self.x[1]) + (self.a1 * self.y[0] + self.a2 * self.y[1]);
        self.x = [x, self.x[0]];
        self.y = [y, self.y[0]];
        y
    }
}

/// One sensor with its path.
pub(super) struct Sensor {
    block: [(Resonator, f64); 6],
    own: Resonator,
    buzz: f64,
    mount: Mount,
    fixed: f64,
    gain: f64,
}

impl Sensor {
    /// The sensor of this index (0 or 1) on its mount.
    pub fn new(index: usize, mount: Mount, rate_hz: f64) -> Self {
        let fixed = libm::pow(10.0, mount.gain_db / 20.0);
        let block = BLOCK[index.min(SENSORS - 1)].map(|(hz, q, gain)| (Resonator::new(hz, q, rate_hz), gain));
        Self { block, own: Resonator::new(mount.f0_hz, mount.q, rate_hz), buzz: 0.0, mount, fixed, gain: fixed }
    }

    /// The engine's temperature, degC.
    pub fn warm(&mut self, temperature_c: f64) {
        self.gain = self.fixed * (1.0 + DRIFT_PER_K * (temperature_c - 80.0));
    }

    /// One sample: from the block's movement near the sensor to its output.
    #[inline]
    pub fn next(&mut self, felt: f64, random: &mut Random) -> f64 {
        let mut moved = DIRECT * felt;
        for (resonator, gain) in &mut self.block {
            moved += *gain * resonator.next(felt);
        }
        let rings = self.mount.peak * self.own.next(moved);
        if self.mount.rattle > 0.0 {
            let hits = self.mount.rattle * rings.abs() * random.noise();
            self.buzz += BUZZ_DULL * (hits - self.buzz);
        }
        self.gain * (self.mount.direct * moved + rings + self.buzz)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_resonator_passes_its_centre_and_blocks_direct_current() {
        let mut at_centre = Resonator::new(6000.0, 8.0, 48_000.0);
        let mut at_rest = at_centre;
        let (mut peak, mut last) = (0.0_f64, 0.0);
        for n in 0..4800 {
            let y = at_centre.next(libm::sin(2.0 * PI * n as f64 / 8.0));
            peak = if n > 4000 { peak.max(y) } else { peak };
            last = at_rest.next(1.0);
        }
        assert!((peak - 1.0).abs() < 1e-9 && last.abs() < 1e-9, "{peak} {last}");
    }
}
