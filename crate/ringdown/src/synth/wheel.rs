//! Crank wheel and cam as the recorder sees them: band-limited edges, directly coupled or through a sound input.

use super::random::Random;
use std::f64::consts::PI;

/// Teeth of the wheel with the missing ones, missing ones, and the place of the first edge after the gap.
const TEETH: f64 = 60.0;
const STANDING: f64 = 58.0;
const GAP_DEG_BTDC: f64 = 84.0;
/// Rising edge of the cam's pulse before the first cylinder's firing TDC, and its length.
const CAM_DEG_BTDC: f64 = 60.0;
const CAM_LENGTH_DEG: f64 = 48.0;
/// Half the length of a band-limited edge, samples.
const HALF_EDGE: f64 = 1.5;
/// A sound input's coupling (common practice, no source).
const COUPLING_HZ: f64 = 15.0;
const LOW: f64 = 0.04;
const HIGH: f64 = 0.62;
const NOISE: f64 = 0.0015;

/// How an input is coupled.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Coupling {
    /// Down to direct current.
    Direct,
    /// Through a high-pass.
    Sound,
}

/// The coupling of one channel.
pub(super) struct Input {
    keep: Option<f64>,
    last: f64,
    out: f64,
}

impl Input {
    /// At rest at the signal's low level.
    pub fn new(coupling: Coupling, rate_hz: f64) -> Self {
        let keep = (coupling == Coupling::Sound).then(|| libm::exp(-2.0 * PI * COUPLING_HZ / rate_hz));
        Self { keep, last: LOW, out: 0.0 }
    }

    /// One sample of `high`, 0..1.
    #[inline]
    pub fn next(&mut self, high: f64, random: &mut Random) -> f64 {
        let value = LOW + (HIGH - LOW) * high + NOISE * random.noise();
        let Some(keep) = self.keep else { return value };
        self.out = keep * (self.out + value - self.last);
        self.last = value;
        self.out
    }
}

/// The wheel at crank angle `deg` while a sample turns it by `turned_deg`: 0 in a space, 1 on a tooth.
#[inline]
pub(super) fn wheel(deg: f64, turned_deg: f64) -> f64 {
    let pitch_deg = 360.0 / TEETH;
    let teeth = (deg + GAP_DEG_BTDC) / pitch_deg;
    let whole = below(teeth);
    let (share, samples) = (teeth - whole, pitch_deg / turned_deg);
    let tooth = whole - TEETH * below(whole / TEETH);
    let this = if tooth < STANDING { step(share * samples) - step((share - 0.5) * samples) } else { 0.0 };
    let next = if tooth < STANDING - 1.0 || tooth == TEETH - 1.0 { step((share - 1.0) * samples) } else { 0.0 };
    this + next
}

/// The cam's pulse, likewise.
#[inline]
pub(super) fn cam(deg: f64, turned_deg: f64) -> f64 {
    let cycle = (deg + CAM_DEG_BTDC + 360.0) / 720.0;
    let after_deg = (cycle - below(cycle)) * 720.0 - 360.0;
    step(after_deg / turned_deg) - step((after_deg - CAM_LENGTH_DEG) / turned_deg)
}

/// The next whole number below; quicker than `floor` where the processor has no instruction for it.
#[inline]
fn below(x: f64) -> f64 {
    let whole = x as i64 as f64;
    if whole > x { whole - 1.0 } else { whole }
}

/// A smooth step from 0 to 1 through 1/2 at 0.
#[inline]
fn step(samples: f64) -> f64 {
    let x = (samples / HALF_EDGE).clamp(-1.0, 1.0);
    let xx = x * x;
    0.5 + x * (15.0 - 10.0 * xx + 3.0 * xx * xx) / 16.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_wheel_has_58_teeth_and_its_gap_ends_84_degrees_before_tdc() {
        let turned = 0.01;
        let mut rises = Vec::new();
        for n in 0..36_000 {
            let deg = f64::from(n) * turned + 0.005;
            if wheel(deg - turned, turned) < 0.5 && wheel(deg, turned) >= 0.5 {
                rises.push(deg);
            }
        }
        assert_eq!(rises.len(), 58);
        let (k, _) = (1..58).map(|k| (k, rises[k] - rises[k - 1])).max_by(|a, b| a.1.total_cmp(&b.1)).unwrap();
        assert!((rises[k] - rises[k - 1] - 18.0).abs() < 0.02 && (rises[k] - 276.0).abs() < 0.02, "{}", rises[k]);
    }
}
