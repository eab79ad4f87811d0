//! The broad shape of a sensor's spectrum: levels in thirds of an octave, their slope, and whether the top is cut off.

use crate::stats::robust::median;
use serde::{Deserialize, Serialize};

/// Level of a third of an octave.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Third {
    /// Geometric middle, Hz.
    pub hz: f64,
    /// dB: of [`thirds`] the mean of the logs of the power in its bins, up to a constant.
    pub db: f64,
}

/// From 100 Hz up; bands are those of IEC 61260-1, base ten, numbered from 1 kHz: 1000 * 10^(k/10).
const FIRST: i32 = -10;
const LAST: i32 = 14;

/// Thirds of an octave of a spectrum in dB, those below 0.45 of the sampling rate with at least one bin.
pub fn thirds(bins_db: &[f64], bin_hz: f64) -> Vec<Third> {
    let top_hz = 0.9 * bins_db.len() as f64 * bin_hz;
    let third = |k: i32| {
        let hz = 1000.0 * 10.0_f64.powf(0.1 * f64::from(k));
        let edge = |side: f64| (hz * 10.0_f64.powf(0.05 * side) / bin_hz).round().max(0.0) as usize;
        let bins = bins_db.get(edge(-1.0)..edge(1.0)).filter(|bins| !bins.is_empty() && hz < top_hz)?;
        Some(Third { hz, db: bins.iter().sum::<f64>() / bins.len() as f64 })
    };
    (FIRST..=LAST).filter_map(third).collect()
}

/// Slope over frequency with its interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Slope {
    /// dB an octave.
    pub db_per_octave: f64,
    /// Lower end of the 95 % interval.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// Median of the slopes between all pairs of thirds between two frequencies; `None` with fewer than six.
///
/// # Source
/// H. Theil, Proc. Kon. Ned. Akad. Wetensch. 53 (1950) 386; P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379, with his
/// interval from the variance of Kendall's tau (from memory).
pub fn slope(thirds: &[Third], low_hz: f64, high_hz: f64) -> Option<Slope> {
    let inside: Vec<&Third> = thirds.iter().filter(|third| (low_hz..=high_hz).contains(&third.hz)).collect();
    if inside.len() < 6 {
        return None;
    }
    let mut slopes = Vec::new();
    for (index, a) in inside.iter().enumerate() {
        slopes.extend(inside[index + 1..].iter().map(|b| (b.db - a.db) / (b.hz / a.hz).log2()));
    }
    slopes.sort_unstable_by(f64::total_cmp);
    let (n, pairs) = (inside.len() as f64, slopes.len() as f64);
    let reach = 1.96 * (n * (n - 1.0) * (2.0 * n + 5.0) / 18.0).sqrt();
    let at = |place: f64| slopes[(place.max(0.0) as usize).min(slopes.len() - 1)];
    Some(Slope {
        db_per_octave: median(&slopes)?,
        low: at(0.5 * (pairs - reach)),
        high: at((0.5 * (pairs + reach)).ceil()),
    })
}

/// One sensor's thirds over another's, where both have them.
pub fn over(own: &[Third], other: &[Third]) -> Vec<Third> {
    own.iter().zip(other).map(|(own, other)| Third { hz: own.hz, db: own.db - other.db }).collect()
}

/// How far the level must fall within the gap, dB, and the stretches compared above and below it, Hz. No filter of an
/// analog input is so steep: a resampler's or a lossy coder's is.
const FALLS_DB: f64 = 18.0;
const GAP_HZ: f64 = 250.0;
const STRETCH_HZ: f64 = 600.0;
/// An edge nearer to half the sampling rate is the converter's own; one lower down is the engine's.
const NEAREST: f64 = 0.89;
const LOWEST_HZ: f64 = 7000.0;
/// The level above the edge stays down, dB.
const STAYS_DB: f64 = 14.0;

/// Frequency above which the spectrum is cut off as by a lossy coder or a resampler.
pub fn cut_hz(bins_db: &[f64], bin_hz: f64) -> Option<f64> {
    let bin = |hz: f64| (hz / bin_hz).round().max(0.0) as usize;
    let middle = |from_hz: f64, to_hz: f64| median(bins_db.get(bin(from_hz)..bin(to_hz))?);
    let half_rate_hz = bins_db.len().saturating_sub(1) as f64 * bin_hz;
    let steps = ((NEAREST * half_rate_hz - LOWEST_HZ) / 100.0).max(0.0) as usize;
    let fall = |step: usize| {
        let hz = LOWEST_HZ + 100.0 * step as f64;
        let below = middle(hz - GAP_HZ - STRETCH_HZ, hz - GAP_HZ)?;
        let above = middle(hz + GAP_HZ, hz + GAP_HZ + STRETCH_HZ)?;
        Some((below - above, below, hz))
    };
    let (falls_db, below_db, hz) = (0..steps).filter_map(fall).max_by(|a, b| a.0.total_cmp(&b.0))?;
    let rest = bins_db.get(bin(hz + GAP_HZ)..bin(0.98 * half_rate_hz))?;
    let most = crate::stats::robust::quantile(
        &crate::stats::robust::sorted(rest),
        0.98,
        crate::stats::robust::Definition::Linear,
    )?;
    (falls_db >= FALLS_DB && below_db - most >= STAYS_DB).then_some(hz)
}
