//! Gain of one sensor against another from events both heard.

use serde::{Deserialize, Serialize};
use statrs::distribution::{Binomial, DiscreteCDF};

/// Difference of gain, dB, with its interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Gain {
    /// Median of second less first.
    pub db: f64,
    /// Lower end of the interval.
    pub low_db: f64,
    /// Upper end of the interval.
    pub high_db: f64,
    /// Events used.
    pub events: usize,
}

/// Median of `second_db - first_db` over events both sensors heard (same order, one level each), with the distribution-free
/// interval of the median at `confidence`: the order statistics x(k) and x(n + 1 - k) with the largest k for which
/// P(Binomial(n, 1/2) < k) <= (1 - confidence) / 2.
///
/// Pairs with a non-finite level are left out, as are levels without a partner. `None` where there are too few events for
/// that confidence (under 6 at 95 %).
///
/// # Source
/// W. J. Conover, Practical Nonparametric Statistics, 3rd ed. (1999) ch. 3.2 (from memory).
pub fn gain_between(first_db: &[f64], second_db: &[f64], confidence: f64) -> Option<Gain> {
    let mut differences: Vec<f64> =
        first_db.iter().zip(second_db).map(|(first, second)| second - first).filter(|d| d.is_finite()).collect();
    differences.sort_unstable_by(f64::total_cmp);
    let events = differences.len();
    let k = lower_rank(events as u64, confidence)?;
    let db = 0.5 * (differences[(events - 1) / 2] + differences[events / 2]);
    Some(Gain { db, low_db: differences[k - 1], high_db: differences[events - k], events })
}

/// The rank k, counted from 1; `None` where even the extremes do not hold the median that surely.
fn lower_rank(events: u64, confidence: f64) -> Option<usize> {
    let tail = 0.5 * (1.0 - confidence.clamp(0.0, 1.0));
    let law = Binomial::new(0.5, events).ok()?;
    let (mut low, mut high) = (0, events / 2); // P(X < low) <= tail holds, P(X < high + 1) may not
    while low < high {
        let middle = (low + high).div_ceil(2);
        if law.cdf(middle - 1) <= tail { low = middle } else { high = middle - 1 }
    }
    (low >= 1).then_some(low as usize)
}
