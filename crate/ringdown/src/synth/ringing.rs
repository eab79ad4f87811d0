//! Things that ring and die away: chamber modes whose frequency falls as the gas cools, and struck metal.

use super::random::Random;
use super::sensor::SENSORS;
use std::f64::consts::PI;

/// First zeros of the derivative of the Bessel functions for modes (1,0), (2,0), (0,1), (3,0): Abramowitz and Stegun,
/// Handbook of Mathematical Functions, table 9.5.
const ZEROS: [f64; 4] = [1.841_18, 3.054_24, 3.831_71, 4.201_19];
/// Mean share of each mode in a knock, by amplitude (invented).
const SHARES: [f64; 4] = [1.0, 0.42, 0.26, 0.18];
/// Burned gas: ratio of heats and gas constant, J/(kg K) (common practice, no source).
const GAMMA: f64 = 1.3;
const GAS_CONSTANT: f64 = 287.0;
/// The first mode falls to 1/e in this time; higher ones faster by their frequency (common practice, no source).
const DECAY_S: f64 = 0.0017;
/// The gas falls towards this temperature while the piston goes down, to 1/e within so many degrees (invented).
const END_K: f64 = 1450.0;
const COOLING_DEG: f64 = 48.0;
/// A ring is over when it has lost 52 dB.
const LIFE: f64 = 6.0;

/// One decaying oscillation as a rotating, shrinking phasor.
struct Ring {
    re: f64,
    im: f64,
    /// Rotation and shrinking of one sample.
    cos: f64,
    sin: f64,
    heard: [f64; SENSORS],
    /// Samples until it starts, then samples left.
    wait: u32,
    left: u32,
    gas: Option<Gas>,
}

/// What a chamber mode's frequency follows.
struct Gas {
    onset_deg: f64,
    onset_k: f64,
    /// Radians a sample per root of a kelvin.
    per_root_k: f64,
    shrink: f64,
}

/// A blow on metal.
pub(super) struct Blow {
    pub hz: f64,
    pub decay_s: f64,
    pub amplitude: f64,
    pub wait_s: f64,
    pub heard: [f64; SENSORS],
}

/// The start of a knock.
pub(super) struct Knock {
    /// Crank degrees as turned so far.
    pub onset_deg: f64,
    pub gas_k: f64,
    /// First mode's amplitude.
    pub amplitude: f64,
    pub heard: [f64; SENSORS],
}

/// All that rings at present.
pub(super) struct Rings {
    rings: Vec<Ring>,
    rate_hz: f64,
    bore_m: f64,
}

impl Rings {
    /// Silence in an engine of this bore.
    pub fn new(rate_hz: f64, bore_mm: f64) -> Self {
        Self { rings: Vec::with_capacity(64), rate_hz, bore_m: bore_mm / 1000.0 }
    }

    /// Strikes metal.
    pub fn strike(&mut self, blow: &Blow, random: &mut Random) {
        let turn = 2.0 * PI * blow.hz / self.rate_hz;
        let shrink = libm::exp(-1.0 / (blow.decay_s * self.rate_hz));
        let phase = 2.0 * PI * random.unit();
        self.rings.push(Ring {
            re: blow.amplitude * libm::cos(phase),
            im: blow.amplitude * libm::sin(phase),
            cos: shrink * libm::cos(turn),
            sin: shrink * libm::sin(turn),
            heard: blow.heard,
            wait: (blow.wait_s * self.rate_hz) as u32,
            left: (LIFE * blow.decay_s * self.rate_hz) as u32,
            gas: None,
        });
    }

    /// Sets the chamber's modes ringing.
    pub fn knock(&mut self, knock: &Knock, random: &mut Random) {
        for (zero, share) in ZEROS.into_iter().zip(SHARES) {
            let decay_s = DECAY_S * ZEROS[0] / zero;
            let gas = Gas {
                onset_deg: knock.onset_deg,
                onset_k: knock.gas_k,
                per_root_k: 2.0 * PI * mode_hz_per_root_k(zero, self.bore_m) / self.rate_hz,
                shrink: libm::exp(-1.0 / (decay_s * self.rate_hz)),
            };
            // The first mode carries the truth's intensity; the others come as they like, and where they stand against
            // the sensor decides how much of each is heard.
            let luck = if zero == ZEROS[0] { 1.0 } else { libm::exp(0.3 * random.normal()) };
            let amplitude = knock.amplitude * share * luck;
            let phase = 2.0 * PI * random.unit();
            let mut ring = Ring {
                re: amplitude * libm::cos(phase),
                im: amplitude * libm::sin(phase),
                cos: 0.0,
                sin: 0.0,
                heard: knock.heard,
                wait: 0,
                left: (LIFE * decay_s * self.rate_hz) as u32,
                gas: Some(gas),
            };
            ring.tune(knock.onset_deg);
            if mode_hz_per_root_k(zero, self.bore_m) * knock.gas_k.sqrt() < 0.47 * self.rate_hz {
                self.rings.push(ring);
            }
        }
    }

    /// Follows the cooling gas; to be called every few samples.
    pub fn tune(&mut self, deg: f64) {
        for ring in &mut self.rings {
            ring.tune(deg);
        }
    }

    /// One sample of everything, as each sensor's side of the block feels it.
    #[inline]
    pub fn next(&mut self, felt: &mut [f64; SENSORS]) {
        let mut k = 0;
        while let Some(ring) = self.rings.get_mut(k) {
            if ring.left == 0 {
                self.rings.swap_remove(k);
                continue;
            }
            ring.next(felt);
            k += 1;
        }
    }
}

impl Ring {
    fn tune(&mut self, deg: f64) {
        if let Some(gas) = &self.gas {
            let cooled = libm::exp(-(deg - gas.onset_deg) / COOLING_DEG);
            let gas_k = END_K + (gas.onset_k - END_K) * cooled;
            let turn = gas.per_root_k * gas_k.sqrt();
            self.cos = gas.shrink * libm::cos(turn);
            self.sin = gas.shrink * libm::sin(turn);
        }
    }

    #[inline]
    fn next(&mut self, felt: &mut [f64; SENSORS]) {
        if self.wait > 0 {
            self.wait -= 1;
            return;
        }
        for (felt, heard) in felt.iter_mut().zip(self.heard) {
            *felt += heard * self.re;
        }
        let re = self.re * self.cos - self.im * self.sin;
        self.im = self.re * self.sin + self.im * self.cos;
        self.re = re;
        self.left -= 1;
    }
}

/// Draper's formula: `f = zero c / (pi bore)` with `c = sqrt(gamma R T)`, per root of the gas temperature.
/// Source: C. S. Draper, NACA Report 493 (1934).
fn mode_hz_per_root_k(zero: f64, bore_m: f64) -> f64 {
    zero * (GAMMA * GAS_CONSTANT).sqrt() / (PI * bore_m)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_94_mm_bore_rings_near_6_khz_when_hot() {
        // By hand: 1.8412 * sqrt(1.3 * 287 * 2500) / (pi * 0.094) = 1.8412 * 965.8 / 0.29531 = 6021 Hz.
        let hz = mode_hz_per_root_k(ZEROS[0], 0.094) * 2500.0_f64.sqrt();
        assert!((hz - 6021.0).abs() < 3.0, "{hz}");
    }

    #[test]
    fn a_blow_keeps_its_decay() {
        let mut rings = Rings::new(48_000.0, 94.0);
        let blow = Blow { hz: 3000.0, decay_s: 0.001, amplitude: 1.0, wait_s: 0.0, heard: [1.0; SENSORS] };
        rings.strike(&blow, &mut Random::new(1));
        let mut energy = [0.0; 2];
        for n in 0..96 {
            let mut felt = [0.0; SENSORS];
            rings.next(&mut felt);
            energy[n / 48] += felt[0] * felt[0];
        }
        // 48 samples are one decay time and three whole periods: the energy falls by exp(-2).
        assert!((energy[1] / energy[0] - libm::exp(-2.0)).abs() < 1e-9);
    }
}
