//! The window over speed: a ring lasts for milliseconds, so the faster the engine turns the more degrees it takes.
//!
//! Loud cycles less their quiet neighbours show where the ring lies at each speed: between the angles that a tenth and four
//! fifths of it have passed. The window in force is stretched and moved as these are, so that it holds the same part of the
//! ring at every speed; nothing is said where they move by no more than chance.

use super::evidence::profile_angles;
use crate::feature::level::{PROFILE_BINS, PROFILE_STEP_DEG, Profile, profile_db};
use crate::stats::moments::{mean, standard_deviation};
use crate::stats::order::Arrange;

/// Window of a range of speeds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WindowAt {
    /// From this speed on, 1/min; 0 in the lowest range.
    pub rpm_low: f64,
    /// Up to this one; `None` in the highest range.
    pub rpm_high: Option<f64>,
    /// Opens, degrees after firing TDC.
    pub start_deg_atdc: f64,
    /// Closes.
    pub end_deg_atdc: f64,
    /// Loud cycles it is read from.
    pub pairs: usize,
}

/// A loud cycle and its quiet neighbour.
pub(super) struct Rung {
    pub rpm: f64,
    pub loud: Profile,
    pub quiet: Profile,
}

/// Fewest pairs of a range, and most ranges.
const FEWEST: usize = 60;
const MOST_RANGES: usize = 4;
/// Parts the pairs of a range are dealt into, to see how sure its angles are.
const PARTS: usize = 6;
/// Standard errors by which the ring must widen from the lowest range to the highest.
const SURE: f64 = 3.0;
/// Shares of the ring that have passed at the angles compared.
const SHARES: [f64; 2] = [0.1, 0.8];
/// Windows stay within the profile's useful part, degrees after firing TDC.
const ALLOWED_DEG_ATDC: [f64; 2] = [-10.0, 115.0];

/// Windows over speed, rising; fewer than two ranges where the pairs don't support more or the ring does not widen.
pub(super) fn windows(mut rungs: Vec<Rung>, window_deg_atdc: [f64; 2]) -> Vec<WindowAt> {
    rungs.arrange(|a, b| a.rpm.total_cmp(&b.rpm));
    let ranges = (rungs.len() / FEWEST).min(MOST_RANGES);
    if ranges < 2 {
        return Vec::new();
    }
    let range = |at: usize| &rungs[at * rungs.len() / ranges..(at + 1) * rungs.len() / ranges];
    let all: Option<Vec<Lies>> = (0..ranges).map(|at| Lies::of(range(at))).collect();
    let (Some(all), Some(over_all)) = (all, between(rungs.iter())) else { return Vec::new() };
    let (low, high) = (&all[0], &all[ranges - 1]);
    if high.width() - low.width() <= SURE * low.width_error.hypot(high.width_error) {
        return Vec::new();
    }
    let border = |at: usize| 0.5 * (range(at - 1)[range(at - 1).len() - 1].rpm + range(at)[0].rpm);
    let one = |(at, own): (usize, &Lies)| {
        let stretch = own.width() / (over_all[1] - over_all[0]);
        let edge = |deg: f64| {
            let moved = own.deg[0] + (deg - over_all[0]) * stretch;
            moved.clamp(ALLOWED_DEG_ATDC[0], ALLOWED_DEG_ATDC[1]).round()
        };
        // Onset does not move with the length of the ring: the part before it keeps its degrees.
        let start = (own.deg[0] + window_deg_atdc[0] - over_all[0]).max(ALLOWED_DEG_ATDC[0]).round();
        WindowAt {
            rpm_low: if at == 0 { 0.0 } else { border(at).round() },
            rpm_high: (at + 1 < ranges).then(|| border(at + 1).round()),
            start_deg_atdc: start,
            end_deg_atdc: edge(window_deg_atdc[1]).max(start + PROFILE_STEP_DEG),
            pairs: range(at).len(),
        }
    };
    all.iter().enumerate().map(one).collect()
}

/// Where the ring of a range lies.
struct Lies {
    deg: [f64; 2],
    width_error: f64,
}

impl Lies {
    fn of(rungs: &[Rung]) -> Option<Self> {
        let part = |part: usize| between(rungs.iter().skip(part).step_by(PARTS));
        let widths: Vec<f64> = (0..PARTS).filter_map(part).map(|deg| deg[1] - deg[0]).collect();
        let sure = widths.len() == PARTS && mean(&widths)? > 0.0;
        let width_error = standard_deviation(&widths)? / (PARTS as f64).sqrt();
        let deg = between(rungs.iter())?;
        (sure && deg[1] > deg[0]).then_some(Self { deg, width_error })
    }

    fn width(&self) -> f64 {
        self.deg[1] - self.deg[0]
    }
}

/// Angles that [`SHARES`] of the mean ring have passed; each pair counts alike, however loud.
fn between<'a>(rungs: impl Iterator<Item = &'a Rung>) -> Option<[f64; 2]> {
    let power = |step: u8| if step == 0 { 0.0 } else { 10f64.powf(f64::from(profile_db(step)) / 10.0) };
    let mut sums = [0.0; PROFILE_BINS];
    for rung in rungs {
        let whole: f64 = rung.loud.iter().map(|step| power(*step)).sum();
        for ((sum, loud), quiet) in sums.iter_mut().zip(&rung.loud).zip(&rung.quiet) {
            *sum += (power(*loud) - power(*quiet)) / whole.max(1e-30);
        }
    }
    let whole: f64 = sums.iter().map(|excess| excess.max(0.0)).sum();
    let passed = |share: f64| {
        let mut left = share * whole;
        profile_angles().zip(&sums).find_map(|(deg, excess)| {
            let excess = excess.max(0.0);
            let at = (left <= excess && excess > 0.0).then(|| deg + PROFILE_STEP_DEG * (left / excess - 0.5));
            left -= excess;
            at
        })
    };
    Some([passed(SHARES[0])?, passed(SHARES[1])?])
}
