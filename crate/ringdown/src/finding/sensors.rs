//! Whether a sensor's signal can be trusted, and what speaks against it.

use crate::feature::modes::Mode;
use crate::feature::sensor::{Gain, SensorFeatures};
use serde::Serialize;

/// What was found of a sensor, with its figures.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum Kind {
    Dead,
    Clipped { share: f64 },
    Quantised { bits: f64 },
    Offset { value: f64 },
    Hum { hz: f64, db: f64 },
    SharplyTuned { f0_hz: f64, q: f64 },
    Unequal { db: f64, low: f64, high: f64 },
    LowRate { modes_lost: usize },
    Stuck,
    Saturated { share: f64 },
    FollowsSpeed { correlation: f64 },
    Slow { rate_hz: f64 },
}

/// How much a finding weighs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Weight {
    /// Worth saying.
    Noted,
    /// Check it before trusting what follows.
    Look,
    /// The signal can't be trusted.
    Distrust,
}

/// Share of clipped samples from which on single cycles may be cut.
const CLIPPED_SHARE: f64 = 1e-4;
/// Share from which on the signal can't be trusted: about one cycle in ten has a clipped window.
const CLIPPED_BADLY: f64 = 1e-2;
/// Fewer effective bits bury the background in converter steps.
const FEWEST_BITS: f64 = 7.0;
/// Offset that eats a noticeable part of the range.
const OFFSET: f64 = 0.05;
/// Hum that stands this far out is heard in the band's skirts, dB.
const HUM_DB: f64 = 6.0;
/// Gain difference worth saying, dB.
const UNEQUAL_DB: f64 = 1.0;

impl Kind {
    /// How much it weighs.
    pub fn weight(&self) -> Weight {
        match self {
            Kind::Dead | Kind::SharplyTuned { .. } | Kind::Stuck => Weight::Distrust,
            Kind::Clipped { share } if *share >= CLIPPED_BADLY => Weight::Distrust,
            Kind::LowRate { modes_lost } if *modes_lost >= 6 => Weight::Distrust,
            Kind::Unequal { .. } | Kind::LowRate { .. } => Weight::Noted,
            _ => Weight::Look,
        }
    }
}

/// Judges a recorded sensor. `gain`: against the first sensor of the same recording.
pub fn recorded(
    features: &SensorFeatures,
    modes: Option<&[Mode]>,
    sample_rate_hz: f64,
    gain: Option<&Gain>,
) -> Vec<Kind> {
    if features.dead.is_some() {
        return vec![Kind::Dead];
    }
    let mut kinds = Vec::new();
    if let Some(resonance) = &features.resonance {
        kinds.push(Kind::SharplyTuned { f0_hz: resonance.f0_hz, q: resonance.q });
    }
    if features.clipped_share > CLIPPED_SHARE {
        kinds.push(Kind::Clipped { share: features.clipped_share });
    }
    if features.bits < FEWEST_BITS {
        kinds.push(Kind::Quantised { bits: features.bits });
    }
    if features.offset.abs() > OFFSET {
        kinds.push(Kind::Offset { value: features.offset });
    }
    if let Some(hum) = features.hum.filter(|hum| hum.db >= HUM_DB) {
        kinds.push(Kind::Hum { hz: hum.hz, db: hum.db });
    }
    let modes_lost = modes.unwrap_or_default().iter().filter(|mode| mode.hz_high > 0.5 * sample_rate_hz).count();
    if modes_lost > 0 {
        kinds.push(Kind::LowRate { modes_lost });
    }
    if let Some(gain) = gain.filter(|gain| gain.low_db > UNEQUAL_DB || gain.high_db < -UNEQUAL_DB) {
        kinds.push(Kind::Unequal { db: gain.db, low: gain.low_db, high: gain.high_db });
    }
    kinds
}

/// Fewest samples of a log that a judgement is based on.
const FEWEST_SAMPLES: usize = 100;
/// Share of samples at the very top from which on the level counts as saturated.
const SATURATED_SHARE: f64 = 0.01;
/// Rank correlation with speed beyond which the level tells nothing but speed.
const FOLLOWS: f64 = 0.985;
/// Slower logs miss most cycles.
const SLOW_HZ: f64 = 10.0;

/// Judges a logged level: `pairs` of (speed, level) at known speed.
pub fn logged(pairs: &[(f64, f64)], rate_hz: Option<f64>) -> Vec<Kind> {
    let mut kinds = Vec::new();
    if pairs.len() < FEWEST_SAMPLES {
        return kinds;
    }
    let levels = || pairs.iter().map(|(_, level)| *level);
    let top = levels().fold(f64::NEG_INFINITY, f64::max);
    let bottom = levels().fold(f64::INFINITY, f64::min);
    if top <= bottom {
        return vec![Kind::Stuck];
    }
    let at_top = levels().filter(|level| *level >= top).count() as f64 / pairs.len() as f64;
    if at_top > SATURATED_SHARE {
        kinds.push(Kind::Saturated { share: at_top });
    }
    let correlation = rank_correlation(pairs);
    if correlation.abs() > FOLLOWS {
        kinds.push(Kind::FollowsSpeed { correlation });
    }
    if let Some(rate_hz) = rate_hz.filter(|rate_hz| *rate_hz < SLOW_HZ) {
        kinds.push(Kind::Slow { rate_hz });
    }
    kinds
}

/// Spearman's correlation; ties take their mean rank.
fn rank_correlation(pairs: &[(f64, f64)]) -> f64 {
    let ranks = |pick: fn(&(f64, f64)) -> f64| {
        let mut order: Vec<usize> = (0..pairs.len()).collect();
        order.sort_by(|a, b| pick(&pairs[*a]).total_cmp(&pick(&pairs[*b])));
        let mut ranks = vec![0.0; pairs.len()];
        let mut from = 0;
        while from < order.len() {
            let same = order[from..].iter().take_while(|&&i| pick(&pairs[i]) == pick(&pairs[order[from]])).count();
            for &index in &order[from..from + same] {
                ranks[index] = from as f64 + 0.5 * (same as f64 - 1.0);
            }
            from += same.max(1);
        }
        ranks
    };
    let (a, b) = (ranks(|pair| pair.0), ranks(|pair| pair.1));
    let mean = 0.5 * (pairs.len() as f64 - 1.0);
    let sum = |x: &[f64], y: &[f64]| -> f64 { x.iter().zip(y).map(|(x, y)| (x - mean) * (y - mean)).sum() };
    let scale = (sum(&a, &a) * sum(&b, &b)).sqrt();
    if scale > 0.0 { sum(&a, &b) / scale } else { 0.0 }
}
