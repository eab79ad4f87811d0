//! The last word on the phase: each short block of loudness is held against the pattern around it, and the course of phase
//! is the one that meets the blocks best while its acceleration changes as seldom as engines let it.
//!
//! Per block a step of Gauss and Newton: with the pattern g over the phase and the loudness y, `sum((y - g) g') / sum(g'^2)`
//! is how far the phase lags, and `sum(g'^2) / var(y - g)` how much that is worth. The course minimises the weighted squares
//! of what is left and of its third differences (Whittaker, Proc. Edinburgh Math. Soc. 41 (1923) 63); the latter count as
//! Student's t has them, so that a gear change bends the course where a parabola would run on.

use super::Layout;
use super::ear::Loudness;
use super::phase::{KNOT_S, Phase, averaged};
use rustfft::num_complex::Complex;
use std::f64::consts::TAU;

/// Rounds of holding blocks against the pattern.
const ROUNDS: usize = 4;
/// Knots on each side that make the pattern.
const PATTERN: usize = 25;
/// Usual third difference of the phase from knot to knot, cycles: 2000 rpm/s more or less of acceleration within a second.
const USUAL: f64 = 5e-4;
/// Freedom of Student's t for third differences: small, for gear changes are many times the usual.
const FREEDOM: f64 = 1.0;
/// Rounds of weighing third differences anew.
const WEIGHINGS: usize = 6;
/// Share of a firing interval that a block may move by at once.
const FARTHEST: f64 = 0.2;
/// A burst varies as a whole: loudness values within it are not independent.
const SHARED: f64 = 3.0;

/// What a block says: its lag in cycles, and what that is worth, one over cycles squared.
#[derive(Debug, Clone, Copy, Default)]
struct Lag {
    cycles: f64,
    worth: f64,
}

impl Phase {
    /// Corrects the phase to the most likely course.
    pub fn settle(&mut self, voices: &[Loudness], layout: &Layout) {
        for _ in 0..ROUNDS {
            let lags = self.lags(voices, layout);
            let middles: Vec<f64> = self.cycles.windows(2).map(|pair| 0.5 * (pair[0] + pair[1])).collect();
            let course = course(&middles, &lags);
            let corrections: Vec<f64> = course.iter().zip(&middles).map(|(to, from)| to - from).collect();
            if !corrections.iter().all(|correction| correction.is_finite()) {
                return;
            }
            self.shift(&corrections);
        }
    }

    fn lags(&self, voices: &[Loudness], layout: &Layout) -> Vec<Lag> {
        let lines = 2 * layout.firing_deg.len();
        let count = self.cycles.len().saturating_sub(1);
        let mut sums = vec![[0.0; 2]; count];
        for voice in voices {
            let pattern = averaged(&self.blocks(voice, lines), PATTERN);
            let mut own = vec![[0.0; 2]; count];
            let (mut squares, mut values) = (0.0, 0.0);
            self.each(voice, |block, phase, value| {
                let (level, slope) = at(&pattern[block], phase, voice.rate_hz);
                let left = value - level;
                own[block][0] += left * slope;
                own[block][1] += slope * slope;
                squares += left * left;
                values += 1.0;
            });
            let variance = SHARED * (squares / f64::max(values, 1.0)).max(1e-6);
            for (sum, own) in sums.iter_mut().zip(own) {
                sum[0] += own[0] / variance;
                sum[1] += own[1] / variance;
            }
        }
        let most = FARTHEST / layout.firing_deg.len().max(1) as f64;
        let lag = |[moment, worth]: [f64; 2]| Lag { cycles: (moment / worth.max(1e-9)).clamp(-most, most), worth };
        sums.into_iter().map(lag).collect()
    }
}

/// Level of the pattern at a phase, dB, and how it rises, dB a cycle.
fn at(lines: &[Complex<f64>], phase: f64, rate_hz: f64) -> (f64, f64) {
    // The taper of `averaged` sums to PATTERN + 1 blocks.
    let scale = 2.0 / (rate_hz * KNOT_S * (PATTERN as f64 + 1.0));
    let turn = Complex::cis(TAU * phase);
    let mut line = turn;
    let (mut level, mut slope) = (0.0, 0.0);
    for (index, sum) in lines.iter().enumerate() {
        let value = sum * line * scale;
        level += value.re;
        slope -= TAU * (index + 1) as f64 * value.im;
        line *= turn;
    }
    (level, slope)
}

/// The course of least cost through `middles` plus their lags.
fn course(middles: &[f64], lags: &[Lag]) -> Vec<f64> {
    let wanted: Vec<f64> = middles.iter().zip(lags).map(|(middle, lag)| middle + lag.cycles).collect();
    let mut course = middles.to_vec();
    let thirds = |course: &[f64]| -> Vec<f64> {
        course.windows(4).map(|four| four[3] - 3.0 * four[2] + 3.0 * four[1] - four[0]).collect()
    };
    for _ in 0..WEIGHINGS {
        let weigh = |third: f64| (FREEDOM + 1.0) / (FREEDOM * USUAL * USUAL + third * third);
        let weights: Vec<f64> = thirds(&course).into_iter().map(weigh).collect();
        course = solve(&wanted, lags, &weights);
    }
    course
}

/// Minimises `sum(worth (x - wanted)^2) + sum(weight third(x)^2)`: normal equations of seven diagonals, by Cholesky's
/// factors without roots (Golub and Van Loan, Matrix Computations, 4.3.5).
fn solve(wanted: &[f64], lags: &[Lag], weights: &[f64]) -> Vec<f64> {
    const THIRD: [f64; 4] = [-1.0, 3.0, -3.0, 1.0];
    let count = wanted.len();
    // Row i holds A[i][i], A[i][i-1], A[i][i-2], A[i][i-3].
    let mut rows: Vec<[f64; 4]> = lags.iter().map(|lag| [lag.worth + 1e-3, 0.0, 0.0, 0.0]).collect();
    let mut right: Vec<f64> = rows.iter().zip(wanted).map(|(row, wanted)| row[0] * wanted).collect();
    for (first, weight) in weights.iter().enumerate() {
        for a in 0..4 {
            for b in 0..=a {
                rows[first + a][a - b] += weight * THIRD[a] * THIRD[b];
            }
        }
    }
    let mut pivots = vec![1.0; count];
    for i in 0..count {
        for back in (1..=3.min(i)).rev() {
            let j = i - back;
            let mut value = rows[i][back];
            for k in i.saturating_sub(3)..j {
                if j - k <= 3 {
                    value -= rows[i][i - k] * rows[j][j - k] * pivots[k];
                }
            }
            rows[i][back] = value / pivots[j];
        }
        let taken: f64 = (1..=3.min(i)).map(|back| rows[i][back] * rows[i][back] * pivots[i - back]).sum();
        pivots[i] = (rows[i][0] - taken).max(1e-12);
        let taken: f64 = (1..=3.min(i)).map(|back| rows[i][back] * right[i - back]).sum();
        right[i] -= taken;
    }
    for i in (0..count).rev() {
        let above: f64 =
            (1..=3).filter(|ahead| i + ahead < count).map(|ahead| rows[i + ahead][ahead] * right[i + ahead]).sum();
        right[i] = right[i] / pivots[i] - above;
    }
    right
}
