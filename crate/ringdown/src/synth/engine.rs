//! What turns and what fires when: crank angle with its ripple, firing order, valve and injector timing.

use std::f64::consts::PI;

/// Most cylinders of a demo engine.
pub(super) const CYLINDERS: usize = 4;

/// A demo engine. Timings are invented within common practice, no source.
pub(super) struct Engine {
    pub bore_mm: f64,
    /// Cylinders (from 1) in firing order, evenly spaced.
    pub firing_order: [u16; CYLINDERS],
    /// Louder or quieter than the first, by cylinder index.
    pub loudness_db: [f64; CYLINDERS],
    /// Degrees of ignition by which a cylinder knocks earlier than the mean.
    pub sooner_deg: [f64; CYLINDERS],
    pub intake_close_deg_atdc: f64,
    pub exhaust_close_deg_atdc: f64,
    pub injection_deg_atdc: f64,
}

/// The Alder Valley hill-climb car: 2.3 l, bore 94.0 mm, stroke 83.0 mm.
pub(super) const ALDER_VALLEY: Engine = Engine {
    bore_mm: 94.0,
    firing_order: [1, 3, 4, 2],
    loudness_db: [0.0, 0.8, 2.7, 1.0],
    sooner_deg: [-0.4, 0.3, 0.8, -0.7],
    intake_close_deg_atdc: -125.0,
    exhaust_close_deg_atdc: 372.0,
    injection_deg_atdc: -285.0,
};

/// The stranger's engine: also a four, smaller in the bore.
pub(super) const STRANGER: Engine = Engine {
    bore_mm: 86.0,
    firing_order: [1, 3, 4, 2],
    loudness_db: [0.0, 1.5, -0.8, 0.9],
    sooner_deg: [0.0, 0.6, -0.6, 0.2],
    intake_close_deg_atdc: -132.0,
    exhaust_close_deg_atdc: 368.0,
    injection_deg_atdc: -300.0,
};

impl Engine {
    /// Firing TDC of a cylinder (from 1) in the cycle that begins at the first cylinder's.
    pub fn firing_deg(&self, cylinder: u16) -> f64 {
        let place = self.firing_order.iter().position(|&c| c == cylinder).unwrap_or(0);
        720.0 / CYLINDERS as f64 * place as f64
    }
}

/// Steps of the ripple's table, one firing interval long.
const STEPS: usize = 360;
const INTERVAL_DEG: f64 = 720.0 / CYLINDERS as f64;
/// Relative speed ripple, half of peak to peak, at 1000 rpm and full load; falls as 1/speed (common practice, no source).
const RIPPLE_AT_1000: f64 = 0.048;

/// The turning crank.
pub(super) struct Crank {
    /// Crank degrees, rising; 0 modulo 720 is the first cylinder's firing TDC.
    pub deg: f64,
    /// Degrees turned by the last sample.
    pub turned_deg: f64,
    ripple: [f64; STEPS + 1],
    phase_deg: f64,
    strength: f64,
}

impl Crank {
    /// At rest at `deg`.
    pub fn new(deg: f64) -> Self {
        let ripple = std::array::from_fn(|k| {
            let x = 2.0 * PI * k as f64 / STEPS as f64;
            -libm::cos(x - 0.35) + 0.22 * libm::sin(2.0 * x)
        });
        Self { deg, turned_deg: 0.0, ripple, phase_deg: deg.rem_euclid(INTERVAL_DEG), strength: 1.0 }
    }

    /// How strongly the last combustion pushed, 1 = as usual.
    pub fn push(&mut self, strength: f64) {
        self.strength = strength;
    }

    /// Relative ripple at this speed (half of peak to peak) for a load of 0..1.
    pub fn ripple_share(rpm: f64, load: f64) -> f64 {
        RIPPLE_AT_1000 * (0.65 + 0.35 * load) * 1000.0 / rpm.max(700.0)
    }

    /// Turns by one sample at a mean of `mean_deg` degrees a sample.
    pub fn turn(&mut self, mean_deg: f64, ripple_share: f64) {
        let at = self.phase_deg * (STEPS as f64 / INTERVAL_DEG);
        let k = (at as usize).min(STEPS - 1);
        let shape = self.ripple[k] + (at - k as f64) * (self.ripple[k + 1] - self.ripple[k]);
        self.turned_deg = mean_deg * (1.0 + ripple_share * self.strength * shape);
        self.deg += self.turned_deg;
        self.phase_deg += self.turned_deg;
        if self.phase_deg >= INTERVAL_DEG {
            self.phase_deg -= INTERVAL_DEG;
        }
    }
}
