//! Bootstrap over blocks: intervals for values that belong together in stretches, not one by one.

use super::rate::Interval;
use super::special::beta_quantile;

/// An estimate from blocks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// From all blocks as they are.
    pub value: f64,
    /// Standard error over resampled blocks.
    pub error: f64,
    /// Blocks.
    pub blocks: usize,
}

/// Resamples drawn; the error of a standard error from so many is 4 %.
const ROUNDS: usize = 300;
/// Fewer blocks tell nothing of how they scatter.
const FEWEST_BLOCKS: usize = 3;

/// Estimates `of` from blocks drawn with replacement; `of` gets how often each block counts, and says `None` where those
/// drawn can't answer. The variance is multiplied by n / (n - 1), which the bootstrap lacks with few blocks. `None` with
/// fewer than three blocks. The same seed gives the same numbers.
///
/// # Source
/// B. Efron, R. J. Tibshirani, An Introduction to the Bootstrap (1993), ch. 6; the factor: T. C. Hesterberg, The American
/// Statistician 69 (2015) 371, section 3.1 (both from memory).
pub fn estimate(blocks: usize, seed: u64, of: impl Fn(&[f64]) -> Option<f64>) -> Option<Estimate> {
    if blocks < FEWEST_BLOCKS {
        return None;
    }
    let value = of(&vec![1.0; blocks])?;
    let drawn = draws(blocks, seed).take(ROUNDS).filter_map(|counts| of(&counts).filter(|value| value.is_finite()));
    let drawn: Vec<f64> = drawn.collect();
    let sd = super::moments::standard_deviation(&drawn)?;
    let n = blocks as f64;
    Some(Estimate { value, error: sd * (n / (n - 1.0)).sqrt(), blocks })
}

/// How often each of `blocks` counts when as many are drawn with replacement, again and again.
pub fn draws(blocks: usize, seed: u64) -> impl Iterator<Item = Vec<f64>> {
    let mut draw = Draw(seed);
    std::iter::repeat_with(move || {
        let mut counts = vec![0.0; blocks];
        (0..blocks).for_each(|_| counts[draw.below(blocks)] += 1.0);
        counts
    })
}

/// Two-sided interval of `b - a` at `confidence` by Student's t with the degrees of freedom of B. L. Welch (Biometrika 34
/// (1947) 28), each estimate with one less than its blocks.
pub fn difference(a: &Estimate, b: &Estimate, confidence: f64) -> Interval {
    let [va, vb] = [a, b].map(|one| one.error.powi(2));
    let freedom_of = |one: &Estimate| (one.blocks as f64 - 1.0).max(1.0);
    let below = va * va / freedom_of(a) + vb * vb / freedom_of(b);
    let freedom = if below > 0.0 { (va + vb).powi(2) / below } else { 1e6 };
    let half = t_quantile(freedom, confidence) * (va + vb).sqrt();
    let value = b.value - a.value;
    Interval { low: value - half, high: value + half }
}

/// The `t` that Student's t with `freedom` degrees of freedom stays within (both sides) at `confidence`, by the beta law of
/// `freedom / (freedom + t^2)`.
pub fn t_quantile(freedom: f64, confidence: f64) -> f64 {
    let x = beta_quantile(0.5 * freedom, 0.5, 1.0 - confidence).clamp(1e-300, 1.0);
    (freedom * (1.0 - x) / x).sqrt()
}

/// Splitmix64 (G. L. Steele, D. Lea, C. H. Flood, OOPSLA 2014).
struct Draw(u64);

impl Draw {
    fn below(&mut self, count: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        let unit = ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64;
        ((unit * count as f64) as usize).min(count.saturating_sub(1))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Student's table: t of 95 % two-sided for 1, 2, 5, 10, 30 degrees of freedom, as printed everywhere.
    #[test]
    fn t_quantiles_are_those_of_the_table() {
        for (freedom, t) in [(1.0, 12.706), (2.0, 4.303), (5.0, 2.571), (10.0, 2.228), (30.0, 2.042)] {
            assert!((t_quantile(freedom, 0.95) - t).abs() < 6e-4, "{freedom}: {}", t_quantile(freedom, 0.95));
        }
    }

    /// The generator's published first words for seed 1234567 (again by Python's whole numbers).
    #[test]
    fn draws_are_those_of_splitmix64() {
        let mut draw = Draw(1_234_567);
        for word in [6_457_827_717_110_365_317_u64, 3_203_168_211_198_807_973, 9_817_491_932_198_370_423] {
            assert_eq!(draw.below(1 << 53), (word >> 11) as usize);
        }
    }

    /// The standard error of a mean is known: s / sqrt(n).
    #[test]
    fn the_error_of_a_mean_is_that_of_the_formula() {
        let values: Vec<f64> = (0..40).map(|k| f64::from(k * k % 17)).collect();
        let mean = |counts: &[f64]| {
            let total: f64 = counts.iter().sum();
            Some(counts.iter().zip(&values).map(|(count, value)| count * value).sum::<f64>() / total)
        };
        let got = estimate(values.len(), 1, mean).unwrap();
        let formula = crate::stats::moments::standard_deviation(&values).unwrap() / 40f64.sqrt();
        assert!((got.error / formula - 1.0).abs() < 0.15, "{} {formula}", got.error);
        assert!(estimate(2, 1, |_| Some(0.0)).is_none());
    }
}
