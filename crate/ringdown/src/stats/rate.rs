//! Binomial rates with exact intervals.

use super::special::beta_quantile;

/// `hits` of `trials`; more hits than trials count as all.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rate {
    /// Successes.
    pub hits: u64,
    /// Trials.
    pub trials: u64,
}

/// An interval of a share, 0..=1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// Clopper-Pearson: never covers less than stated, because it inverts the binomial test itself
/// (C. J. Clopper, E. S. Pearson, Biometrika 26 (1934) 404; as beta quantiles).
impl Rate {
    /// Counts the `true` ones.
    pub fn count(outcomes: impl IntoIterator<Item = bool>) -> Rate {
        let mut rate = Rate { hits: 0, trials: 0 };
        for hit in outcomes {
            rate.trials += 1;
            rate.hits += u64::from(hit);
        }
        rate
    }

    /// Hits over trials; `None` without trials.
    pub fn share(self) -> Option<f64> {
        (self.trials > 0).then(|| self.hits.min(self.trials) as f64 / self.trials as f64)
    }

    /// Two-sided interval at `confidence`, e.g. 0.95; 0..=1 without trials.
    pub fn interval(self, confidence: f64) -> Interval {
        let each_side = 0.5 * (1.0 + confidence);
        Interval { low: self.lower(each_side), high: self.upper(each_side) }
    }

    /// One-sided upper bound at `confidence`; 1 without trials.
    pub fn upper(self, confidence: f64) -> f64 {
        let hits = self.hits.min(self.trials) as f64;
        if self.hits >= self.trials { 1.0 } else { beta_quantile(hits + 1.0, self.trials as f64 - hits, confidence) }
    }

    /// One-sided lower bound at `confidence`; 0 without hits.
    pub fn lower(self, confidence: f64) -> f64 {
        let hits = self.hits.min(self.trials) as f64;
        if hits == 0.0 { 0.0 } else { beta_quantile(hits, self.trials as f64 - hits + 1.0, 1.0 - confidence) }
    }
}
