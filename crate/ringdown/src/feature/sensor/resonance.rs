//! One resonance that rules the spectrum: a sharply tuned sensor, or a loose mount.
//!
//! The pooled log spectrum around its peak is fitted by the power response of a second-order system, with the tilt of what
//! excites it and a noise floor: P(f) = A r^s / ((1 - r^2)^2 + (r/Q)^2) + N, r = f/f0. s = 0 is a mass on a spring seen as
//! displacement, s = 2 as velocity, s = 4 as acceleration; an excitation that falls with frequency lowers it. Deviations
//! count in full only up to a limit (P. J. Huber, Ann. Math. Stat. 35 (1964) 73), and by the square root of power, since the
//! top of the peak says most. Resonances of the block stand on the curve as bumps: up to two are fitted with it, each a
//! factor 1 + B / (1 + (2 Q_b ln(f/f_b))^2), kept only where the misfit falls clearly.
//!
//! Told apart from orders by staying put over speed, from modes by ringing all the time, from resonances of the block by
//! its sides: a tuned sensor passes its skirts and noise there, a flat one the full spectrum.

use super::spectra::{PEAKS_ABOVE_HZ, SpectraScan};
use crate::stats::order::Arrange;
use serde::{Deserialize, Serialize};

/// A resonance of the second order fitted to the spectrum pooled over speeds.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Resonance {
    /// Resonance frequency, Hz.
    pub f0_hz: f64,
    /// Quality: `f0_hz` over the half-power width.
    pub q: f64,
    /// Share of the energy between a third and three times `f0_hz` that lies within 1.5 half-power widths of it.
    pub energy_share: f64,
    /// Peak over the median level outside those widths, dB.
    pub prominence_db: f64,
    /// Share of segments whose own spectrum peaks within one half-power width.
    pub steady_share: f64,
    /// The two sides of the peak, from a third of `f0_hz` up and to three times of it; `None` where the spectrum ends.
    pub sides: [Option<Side>; 2],
    /// Whether the spectrum reaches far enough above the peak to show that side.
    pub seen: bool,
}

/// What lies on one side of the peak, further off than 1.5 half-power widths; medians over frequency.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Side {
    /// How far it lies under the peak, dB.
    pub down_db: f64,
    /// How far it lies over the skirt of the fitted resonance, dB.
    pub over_skirt_db: f64,
    /// How many dB it rises with each dB of the peak, from the quieter to the louder half of the recording; `None` where
    /// the peak hardly moves. What the block sends follows it, noise of the input does not.
    pub follows: Option<f64>,
}

/// Limits between a tuned sensor and a flat one on a resonant block. The skirts of a resonance seen as velocity lie
/// 20 log10(1.5 Q) under its peak an octave off: 17 dB for Q 5, 33 dB for Q 30. A sensor that is tuned passes no more than
/// that beside its peak, on both sides; one that hears the block passes the full spectrum there, which lies over the skirts
/// by as much as the block's peak falls short of them, on one side at least. Resonances of the block lift the sides of a
/// tuned sensor by a few dB, both sides together; the sharper the peak, the deeper the skirts and the more they lift.
const MOST_OVER_SKIRTS_DB: f64 = 5.0;
const MORE_FOR_Q_DB: f64 = 0.1;
/// Noise of the input may cover deep skirts: a side so far down holds no more than a few parts in a thousand.
const DOWN_ENOUGH_DB: f64 = 26.0;
/// Both sides must be seen: up to this share of the highest frequency looked at (15.8 kHz at 44.1 kHz sampling rate).
const SEEN_SHARE: f64 = 0.8;
/// No sensor or bracket that is tuned to hear knock rings higher (common practice, no source): the first mode of a bore of
/// 50 mm lies near 12 kHz.
const MOST_F0_HZ: f64 = 15_600.0;
/// Under Q 4 nothing rings; over 80 it is a whistle. The rest says that the peak rules the channel, in energy and in time.
const LEAST_Q: f64 = 4.0;
const MOST_Q: f64 = 80.0;
const LEAST_ENERGY_SHARE: f64 = 0.5;
const LEAST_PROMINENCE_DB: f64 = 14.5;
const LEAST_STEADY_SHARE: f64 = 0.5;
/// Of noise that the input adds: it stays while the peak moves.
const NOISE_FOLLOWS: f64 = 0.3;

impl Side {
    /// How far it lies over the skirt, dB; 0 where it holds nothing but noise.
    fn beside_db(&self) -> f64 {
        let noise = self.follows.is_some_and(|follows| follows < NOISE_FOLLOWS);
        if noise || self.down_db >= DOWN_ENOUGH_DB { 0.0 } else { self.over_skirt_db.max(0.0) }
    }
}

impl Resonance {
    /// Whether it leaves little beside it on both sides, at every speed.
    pub fn dominates(&self) -> bool {
        (LEAST_Q..=MOST_Q).contains(&self.q)
            && self.energy_share >= LEAST_ENERGY_SHARE
            && self.prominence_db >= LEAST_PROMINENCE_DB
            && self.steady_share >= LEAST_STEADY_SHARE
            && self.seen
            && self.f0_hz <= MOST_F0_HZ
            && self.sides.iter().flatten().map(Side::beside_db).sum::<f64>()
                <= MOST_OVER_SKIRTS_DB + MORE_FOR_Q_DB * self.q
    }
}

/// The best fit with its figures, whether it dominates or not.
pub fn fitted(spectra: &SpectraScan) -> Option<Resonance> {
    let curve = Curve::of(&spectra.pooled_db()?, spectra.bin_hz());
    let fit = curve.best_fit()?;
    let halves = spectra.quiet_and_loud_db().map(|halves| halves.map(|db| Curve::of(&db, spectra.bin_hz())));
    let (f0_hz, q) = (fit.f0_hz(), fit.q());
    let width_hz = f0_hz / q;
    Some(Resonance {
        f0_hz,
        q,
        energy_share: curve.energy_share(f0_hz, 1.5 * width_hz),
        prominence_db: curve.prominence_db(f0_hz, 1.5 * width_hz),
        steady_share: spectra.share_peaking_in(f0_hz - width_hz, f0_hz + width_hz),
        seen: curve.hz.last().is_some_and(|top_hz| f0_hz <= SEEN_SHARE * top_hz),
        sides: [(f0_hz / 3.0, f0_hz - 1.5 * width_hz), (f0_hz + 1.5 * width_hz, f0_hz * 3.0)]
            .map(|(low_hz, high_hz)| curve.side(&fit, low_hz, high_hz, halves.as_ref())),
    })
}

/// Points of the log spectrum at even steps of log frequency.
struct Curve {
    hz: Vec<f64>,
    level_db: Vec<f64>,
}

/// Relative spacing of points: a Q of 30 is seven of them wide.
const SPACING: f64 = 0.005;

/// The fit looks from f0 / REACH to f0 * REACH.
const REACH: f64 = 2.5;

impl Curve {
    /// From 1 kHz to 0.45 of the sampling rate or 25 kHz: means of the bins between two points.
    fn of(bins_db: &[f64], bin_hz: f64) -> Self {
        let top_hz = (0.9 * bins_db.len() as f64 * bin_hz).min(25_000.0);
        let (mut hz, mut level_db) = (Vec::new(), Vec::new());
        let (mut point, mut sum_db, mut sum_hz, mut count) = (i64::MIN, 0.0, 0.0, 0.0);
        for (bin, bin_db) in bins_db.iter().enumerate() {
            let at_hz = bin as f64 * bin_hz;
            if at_hz < PEAKS_ABOVE_HZ || at_hz > top_hz {
                continue;
            }
            let here = (at_hz.ln() / SPACING) as i64;
            if here != point && count > 0.0 {
                hz.push(sum_hz / count);
                level_db.push(sum_db / count);
                (sum_db, sum_hz, count) = (0.0, 0.0, 0.0);
            }
            point = here;
            (sum_db, sum_hz, count) = (sum_db + bin_db, sum_hz + at_hz, count + 1.0);
        }
        Self { hz, level_db }
    }

    /// Smoothed over `2 half + 1` points: the place of the maximum.
    fn peak_hz(&self, half: usize) -> Option<f64> {
        let smooth = |k: usize| {
            let near = &self.level_db[k.saturating_sub(half)..(k + half + 1).min(self.hz.len())];
            near.iter().sum::<f64>() / near.len() as f64
        };
        (0..self.hz.len()).max_by(|a, b| smooth(*a).total_cmp(&smooth(*b))).map(|k| self.hz[k])
    }

    /// The fit of least cost from several starts: sharp and blunt, at the sharp and the smoothed peak.
    fn best_fit(&self) -> Option<Fit> {
        let mut best: Option<(f64, Fit)> = None;
        for half in [2, 12, 40] {
            let f0_hz = self.peak_hz(half)?;
            for q in [3.0, 8.0, 20.0, 50.0] {
                let Some((cost, fit)) = self.fitted(f0_hz, q).filter(|(_, fit)| self.holds(fit.f0_hz())) else {
                    continue;
                };
                if best.is_none_or(|(least, _)| cost < least) {
                    best = Some((cost, fit));
                }
            }
        }
        best.map(|(cost, fit)| self.with_bumps(cost, fit))
    }

    /// Whether the spectrum reaches over the frequency: a fit beyond its end has seen one skirt only.
    fn holds(&self, hz: f64) -> bool {
        self.hz.first().zip(self.hz.last()).is_some_and(|(first, last)| (*first..=*last).contains(&hz))
    }

    /// Adds a bump where the fit falls short most, as long as that pays.
    fn with_bumps(&self, mut cost: f64, mut fit: Fit) -> Fit {
        let points = self.within(fit.f0_hz() / REACH, fit.f0_hz() * REACH);
        let most_db = points.iter().map(|(_, db)| *db).fold(f64::NEG_INFINITY, f64::max);
        cost = cost.min(fit.cost(&points, most_db));
        for _ in 0..MOST_BUMPS {
            let Some(start) = fit.bumped(&points, most_db) else { break };
            let (next_cost, next) = descended(start, &points, most_db);
            if next_cost > BUMP_PAYS * cost {
                break;
            }
            (cost, fit) = (next_cost, next);
        }
        fit
    }

    /// The fit from one start. The range looked at belongs to the start, not to the fit.
    fn fitted(&self, f0_hz: f64, q: f64) -> Option<(f64, Fit)> {
        let points = self.within(f0_hz / REACH, f0_hz * REACH);
        let most_db = points.iter().map(|(_, db)| *db).fold(f64::NEG_INFINITY, f64::max);
        let least_db = points.iter().map(|(_, db)| *db).fold(f64::INFINITY, f64::min);
        if points.len() < 40 || !most_db.is_finite() || !least_db.is_finite() {
            return None;
        }
        Some(descended(Fit::new(f0_hz, q, most_db, least_db), &points, most_db))
    }

    fn within(&self, low_hz: f64, high_hz: f64) -> Vec<(f64, f64)> {
        let all = self.hz.iter().copied().zip(self.level_db.iter().copied());
        all.filter(|(hz, _)| (low_hz..=high_hz).contains(hz)).collect()
    }

    /// Energy within `half_hz` of `f0_hz` over that between a third and three times of it.
    fn energy_share(&self, f0_hz: f64, half_hz: f64) -> f64 {
        let energy = |low_hz: f64, high_hz: f64| {
            // points are even in log frequency: each stands for a width in proportion to its frequency
            self.within(low_hz, high_hz).iter().map(|(hz, db)| hz * 10.0_f64.powf(0.1 * db)).sum::<f64>()
        };
        energy(f0_hz - half_hz, f0_hz + half_hz) / energy(f0_hz / 3.0, f0_hz * 3.0).max(f64::MIN_POSITIVE)
    }

    /// One side of a fit; `None` with fewer than ten points.
    fn side(&self, fit: &Fit, low_hz: f64, high_hz: f64, halves: Option<&[Curve; 2]>) -> Option<Side> {
        let points = self.within(low_hz, high_hz);
        let peak_db = fit.level_db(fit.f0_hz());
        let down_db = median_by_hz(points.iter().map(|(hz, db)| (*hz, peak_db - db)).collect())?;
        let over_skirt_db = median_by_hz(points.iter().map(|(hz, db)| (*hz, db - fit.skirt_db(*hz))).collect())?;
        let half_width_hz = 0.5 * fit.f0_hz() / fit.q();
        let rise_db = |low_hz, high_hz| rise_db(halves?, low_hz, high_hz);
        let peak_rise_db = rise_db(fit.f0_hz() - half_width_hz, fit.f0_hz() + half_width_hz);
        let follows =
            peak_rise_db.filter(|rise| *rise >= LEAST_RISE_DB).and_then(|rise| Some(rise_db(low_hz, high_hz)? / rise));
        (points.len() >= 10).then_some(Side { down_db, over_skirt_db, follows })
    }

    /// The level at the peak over the median outside, each hertz counting alike.
    fn prominence_db(&self, f0_hz: f64, half_hz: f64) -> f64 {
        let near = self.within(f0_hz - 0.2 * half_hz, f0_hz + 0.2 * half_hz);
        let peak_db = near.iter().map(|(_, db)| *db).fold(f64::NEG_INFINITY, f64::max);
        let mut outside = self.within(f0_hz / 3.0, f0_hz * 3.0);
        outside.retain(|(hz, _)| (hz - f0_hz).abs() > half_hz);
        median_by_hz(outside).map_or(0.0, |db| peak_db - db).max(0.0)
    }
}

/// The peak must rise so far from the quiet to the loud half, dB, for a side to be seen following.
const LEAST_RISE_DB: f64 = 2.0;

/// Median rise from the quiet to the loud half between two frequencies.
fn rise_db([quiet, loud]: &[Curve; 2], low_hz: f64, high_hz: f64) -> Option<f64> {
    let points = quiet.hz.iter().zip(quiet.level_db.iter().zip(&loud.level_db));
    let inside = points.filter(|(hz, _)| (low_hz..=high_hz).contains(*hz));
    median_by_hz(inside.map(|(hz, (quiet, loud))| (*hz, loud - quiet)).collect())
}

/// Median of the second values, each hertz counting alike: points are even in log frequency, so they weigh as their hertz.
fn median_by_hz(mut points: Vec<(f64, f64)>) -> Option<f64> {
    points.arrange(|a, b| a.1.total_cmp(&b.1));
    let half = 0.5 * points.iter().map(|(hz, _)| hz).sum::<f64>();
    let mut below = 0.0;
    let median = points.iter().find(|(hz, _)| {
        below += hz;
        below >= half
    });
    median.map(|(_, value)| *value)
}

/// Levenberg-Marquardt from a start: cost and fit.
fn descended(mut fit: Fit, points: &[(f64, f64)], most_db: f64) -> (f64, Fit) {
    let mut cost = fit.cost(points, most_db);
    let mut damping = 1e-2;
    for _ in 0..60 {
        let Some(next) = fit.stepped(points, most_db, damping) else { break };
        let next_cost = next.cost(points, most_db);
        if next_cost < cost {
            let gained = cost - next_cost;
            (fit, cost, damping) = (next, next_cost, damping * 0.3);
            if gained < 1e-4 * cost {
                break;
            }
        } else if damping > 1e6 {
            break;
        } else {
            damping *= 5.0;
        }
    }
    (cost, fit)
}

const MOST_BUMPS: usize = 2;
const PLAIN: usize = 5;
const MOST: usize = PLAIN + 3 * MOST_BUMPS;

/// A bump is kept if the misfit falls below this share.
const BUMP_PAYS: f64 = 0.8;

/// Values: ln f0, ln Q, level at the peak (dB), noise floor (dB), tilt s / 2; then for each bump ln f_b, ln Q_b, B (dB).
#[derive(Debug, Clone, Copy)]
struct Fit {
    values: [f64; MOST],
    count: usize,
}

/// Deviations count in full up to this, dB.
const FULL_DB: f64 = 1.5;

impl Fit {
    fn new(f0_hz: f64, q: f64, peak_db: f64, least_db: f64) -> Self {
        let mut values = [0.0; MOST];
        values[..PLAIN].copy_from_slice(&[f0_hz.ln(), q.ln(), peak_db, least_db - 3.0, 1.0]);
        Self { values, count: PLAIN }
    }

    /// With another bump of Q 20 where weight times shortfall, smoothed, is largest.
    fn bumped(&self, points: &[(f64, f64)], most_db: f64) -> Option<Self> {
        let short: Vec<f64> = points.iter().map(|(hz, db)| db - self.level_db(*hz)).collect();
        let smooth = |k: usize| {
            let near = &short[k.saturating_sub(3)..(k + 4).min(short.len())];
            near.iter().sum::<f64>() / near.len() as f64
        };
        let gain = |k: usize| smooth(k) * weight(points[k].1, most_db).sqrt();
        let at = (0..points.len()).max_by(|a, b| gain(*a).total_cmp(&gain(*b)))?;
        let mut next = *self;
        let start = [points[at].0.ln(), 20.0_f64.ln(), smooth(at).clamp(0.5, 12.0)];
        next.values.get_mut(self.count..self.count + 3)?.copy_from_slice(&start);
        next.count += 3;
        Some(next)
    }

    fn f0_hz(&self) -> f64 {
        self.values[0].exp()
    }

    fn q(&self) -> f64 {
        self.values[1].exp()
    }

    fn level_db(&self, hz: f64) -> f64 {
        let [ln_f0, ln_q, peak_db, noise_db, tilt, ref bumps @ ..] = self.values;
        let (ln_r, q) = (hz.ln() - ln_f0, ln_q.exp());
        let r2 = (2.0 * ln_r).exp();
        let response = 1.0 / ((q * (1.0 - r2)).powi(2) + r2);
        let bumps = bumps[..self.count - PLAIN].chunks_exact(3).map(|bump| bump_factor(bump, hz)).product::<f64>();
        let power = 10.0_f64.powf(0.1 * peak_db) * response * (2.0 * tilt * ln_r).exp() * bumps;
        10.0 * (power + 10.0_f64.powf(0.1 * noise_db)).max(1e-60).log10()
    }

    /// The resonance alone, without noise and bumps.
    fn skirt_db(&self, hz: f64) -> f64 {
        let mut bare = *self;
        bare.values[3] = -1e3;
        bare.count = PLAIN;
        bare.level_db(hz)
    }

    fn cost(&self, points: &[(f64, f64)], most_db: f64) -> f64 {
        let one = |(hz, db): &(f64, f64)| {
            let off = (db - self.level_db(*hz)).abs();
            let loss = if off <= FULL_DB { off * off } else { FULL_DB * (2.0 * off - FULL_DB) };
            weight(*db, most_db) * loss
        };
        let all: f64 = points.iter().map(|(_, db)| weight(*db, most_db)).sum();
        points.iter().map(one).sum::<f64>() / all
    }

    /// One damped step; `None` where the equations have no solution.
    fn stepped(&self, points: &[(f64, f64)], most_db: f64, damping: f64) -> Option<Fit> {
        let mut normal = [[0.0; MOST + 1]; MOST];
        for (hz, db) in points {
            let level_db = self.level_db(*hz);
            let off = db - level_db;
            let weight = weight(*db, most_db) * (FULL_DB / off.abs().max(FULL_DB));
            let slopes = self.slopes(*hz, level_db);
            for (row, slope) in normal.iter_mut().zip(slopes) {
                row.iter_mut().zip(slopes).for_each(|(sum, other)| *sum += weight * slope * other);
                row[MOST] += weight * slope * off;
            }
        }
        for (k, row) in normal.iter_mut().enumerate() {
            row[k] = row[k] * (1.0 + damping) + 1e-12;
        }
        let step = solved(normal)?;
        let mut next = *self;
        for (k, (value, step)) in next.values.iter_mut().zip(step).enumerate().take(self.count) {
            let (most, low, high) = bounds(k);
            *value = (*value + step.clamp(-most, most)).clamp(low, high);
        }
        Some(next)
    }

    fn slopes(&self, hz: f64, level_db: f64) -> [f64; MOST] {
        std::array::from_fn(|k| {
            if k >= self.count {
                return 0.0;
            }
            let mut moved = *self;
            moved.values[k] += 1e-5;
            (moved.level_db(hz) - level_db) / 1e-5
        })
    }
}

/// What a resonance of the block multiplies the power by.
fn bump_factor(bump: &[f64], hz: f64) -> f64 {
    let [ln_hz, ln_q, db] = bump else { return 1.0 };
    let off = 2.0 * ln_q.exp() * (hz.ln() - ln_hz);
    1.0 + 10.0_f64.powf(0.1 * db) / (1.0 + off * off)
}

/// Largest step, least and largest value of each parameter. Bumps sharper than Q 10 only: a blunt one would pass for the
/// resonance itself.
fn bounds(k: usize) -> (f64, f64, f64) {
    match k {
        0 => (0.1, 0.0, 20.0),
        1 => (0.5, 0.0, 6.0),
        2 | 3 => (10.0, -1e3, 1e3),
        4 => (1.0, -3.0, 4.0),
        _ => match (k - PLAIN) % 3 {
            0 => (0.02, 0.0, 20.0),
            1 => (0.5, 10.0_f64.ln(), 60.0_f64.ln()),
            _ => (5.0, -20.0, 15.0),
        },
    }
}

/// Square root of the power relative to the largest.
fn weight(level_db: f64, most_db: f64) -> f64 {
    10.0_f64.powf(0.05 * (level_db - most_db))
}

/// Gauss elimination with pivots; the last column is the right side.
fn solved(mut rows: [[f64; MOST + 1]; MOST]) -> Option<[f64; MOST]> {
    for column in 0..MOST {
        let pivot = (column..MOST).max_by(|a, b| rows[*a][column].abs().total_cmp(&rows[*b][column].abs()))?;
        rows.swap(column, pivot);
        let top = rows[column];
        if top[column] == 0.0 || !top[column].is_finite() {
            return None;
        }
        for row in rows.iter_mut().skip(column + 1) {
            let factor = row[column] / top[column];
            row.iter_mut().zip(top).for_each(|(value, above)| *value -= factor * above);
        }
    }
    let mut x = [0.0; MOST];
    for k in (0..MOST).rev() {
        let known: f64 = (k + 1..MOST).map(|other| rows[k][other] * x[other]).sum();
        x[k] = (rows[k][MOST] - known) / rows[k][k];
    }
    x.iter().all(|value| value.is_finite()).then_some(x)
}
