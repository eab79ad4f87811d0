//! The generalised Pareto law of what exceeds a high level.

use super::special::chi_squared_above;

/// Shapes the search allows. Below -1/2 the maximum of the likelihood has no usable error (R. L. Smith, Biometrika 72
/// (1985) 67); a law in decibels never comes near the upper end.
const SHAPES: (f64, f64) = (-0.5, 2.0);
const GOLDEN: f64 = 0.618_033_988_749_894_9;

/// A generalised Pareto law: exceedance probability `(1 + shape x / scale)^(-1/shape)`, exponential for shape 0.
#[derive(Debug, Clone, PartialEq)]
pub struct Pareto {
    /// Shape; negative: the tail ends at `-scale / shape`.
    pub shape: f64,
    /// Scale, in the unit of the excesses.
    pub scale: f64,
    /// Negative logarithm of the likelihood.
    pub neg_log_likelihood: f64,
    excesses: Vec<f64>,
}

/// What is known of a shape before the data: a normal law, wider on the side of heavy tails where those are to be let in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Belief {
    /// Mean.
    pub centre: f64,
    /// Standard deviation below the centre.
    pub sd: f64,
    /// Standard deviation above it.
    pub sd_above: f64,
}

/// A quantile of a tail with its upper confidence bound.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bounded {
    /// The most likely value.
    pub estimate: f64,
    /// One-sided upper bound.
    pub upper: f64,
    /// Shape of the law at `estimate`.
    pub shape: f64,
    /// Scale of the law at `estimate`.
    pub scale: f64,
}

impl Pareto {
    /// Maximum likelihood from excesses (> 0). `None` below 10 of them, with a negative or non-finite one, or if all
    /// are 0.
    ///
    /// One-dimensional: for a given `t = shape / scale` the best shape is the mean of `ln(1 + t x)`, so only `t` is
    /// searched, on a grid and then by golden section. Shapes are held within -0.5..=2.
    ///
    /// # Source
    /// S. D. Grimshaw, Technometrics 35 (1993) 185; A. C. Davison, R. L. Smith, J. R. Stat. Soc. B 52 (1990) 393.
    pub fn fit(excesses: &[f64]) -> Option<Pareto> {
        let largest = excesses.iter().copied().fold(0.0, f64::max);
        let fits = |x: &f64| x.is_finite() && *x >= 0.0;
        if excesses.len() < 10 || largest <= 0.0 || !excesses.iter().all(fits) {
            return None;
        }
        let mean = super::moments::mean(excesses)?;
        let profile = |t: f64| profile(excesses, t);
        let grid = search_grid(largest, mean);
        let best = grid.iter().map(|t| profile(*t).2).enumerate().min_by(|a, b| a.1.total_cmp(&b.1))?.0;
        let low = *grid.get(best.saturating_sub(1))?;
        let high = *grid.get((best + 1).min(grid.len() - 1))?;
        let t = golden(low, high, 60, |t| profile(t).2);
        let (shape, scale, neg_log_likelihood) = profile(t);
        neg_log_likelihood.is_finite().then(|| Pareto { shape, scale, neg_log_likelihood, excesses: excesses.to_vec() })
    }

    /// Number of excesses it was fitted to.
    pub fn count(&self) -> usize {
        self.excesses.len()
    }

    /// The law with another shape and scale, over the same excesses.
    pub fn with(&self, shape: f64, scale: f64) -> Pareto {
        let neg_log_likelihood = neg_log_likelihood(&self.excesses, shape, scale);
        Pareto { shape, scale, neg_log_likelihood, excesses: self.excesses.clone() }
    }

    /// Share of excesses above `x`.
    pub fn above(&self, x: f64) -> f64 {
        above(self.shape, x / self.scale)
    }

    /// The excess that the share `exceeded` of excesses lies above.
    pub fn quantile_above(&self, exceeded: f64) -> f64 {
        self.scale * unit_quantile(self.shape, exceeded)
    }

    /// The excess that the share `exceeded` lies above, and its one-sided upper confidence bound, by profile likelihood.
    ///
    /// * `independent`: share of the excesses that count as independent, 0..=1 (serial correlation); it scales the
    ///   log-likelihood.
    /// * `belief`: what is known of the shape before; `None`: nothing.
    /// * The bound is where twice the drop of the profile log-likelihood reaches the square of the normal quantile of
    ///   `confidence`.
    ///
    /// # Source
    /// S. Coles, An Introduction to Statistical Modeling of Extreme Values (2001), section 4.3.3; penalised shape:
    /// S. Coles, M. Dixon, Extremes 2 (1999) 5 (theirs is another penalty).
    pub fn quantile_bound(&self, exceeded: f64, confidence: f64, independent: f64, belief: Option<Belief>) -> Bounded {
        let independent = independent.clamp(1e-3, 1.0);
        let best = |x: f64| self.best_with_quantile(exceeded, x, independent, belief);
        let centre = self.quantile_above(exceeded).max(1e-6 * self.scale);
        let ln_x = golden(centre.ln() - 1.5, centre.ln() + 1.5, 24, |ln_x| best(ln_x.exp()).0);
        let estimate = ln_x.exp();
        let (least, shape) = best(estimate);
        let drop = 0.5 * super::normal::quantile(confidence).powi(2);
        let too_far = |x: f64| best(x).0 - least > drop;
        let mut reach = 0.1 * estimate.max(self.scale);
        let mut low = estimate;
        while !too_far(estimate + reach) && reach < 1e6 * self.scale {
            low = estimate + reach;
            reach *= 1.6;
        }
        let mut high = estimate + reach;
        while high - low > 2e-3 * self.scale {
            let middle = 0.5 * (low + high);
            if too_far(middle) {
                high = middle;
            } else {
                low = middle;
            }
        }
        Bounded { estimate, upper: high, shape, scale: estimate / unit_quantile(shape, exceeded) }
    }

    /// Least penalised negative log-likelihood of the laws whose quantile at `exceeded` is `x`, and its shape.
    fn best_with_quantile(&self, exceeded: f64, x: f64, independent: f64, belief: Option<Belief>) -> (f64, f64) {
        let cost = |shape: f64| {
            let sd = |b: Belief| if shape > b.centre { b.sd_above } else { b.sd };
            let penalty = belief.map_or(0.0, |b| 0.5 * ((shape - b.centre) / sd(b)).powi(2));
            independent * neg_log_likelihood(&self.excesses, shape, x / unit_quantile(shape, exceeded)) + penalty
        };
        let (low, high) = ((self.shape - 0.6).max(SHAPES.0 - 0.3), (self.shape + 0.9).min(SHAPES.1));
        let shape = golden(low, high, 18, cost);
        (cost(shape), shape)
    }

    /// Whether the excesses refuse the law: their Anderson-Darling distance to this fit is larger than that of each of
    /// `rounds` samples drawn from it and fitted again (parametric bootstrap: level `1 / (rounds + 1)`). One sample
    /// that lies further settles it.
    pub fn is_refused(&self, rounds: u32) -> bool {
        // A sample of a few hundred refuses what matters; more would only cost time.
        let stride = self.excesses.len().div_ceil(400);
        let sample: Vec<f64> = self.excesses.iter().step_by(stride).copied().collect();
        let distance = |values: &[f64]| Pareto::fit(values).map(|law| law.anderson_darling(values));
        let Some(own) = distance(&sample) else { return false };
        let mut draw = Draw(0x9E37_79B9_7F4A_7C15);
        (0..rounds).all(|_| {
            let drawn: Vec<f64> = sample.iter().map(|_| self.quantile_above(draw.next())).collect();
            distance(&drawn).is_some_and(|drawn| drawn < own)
        })
    }

    fn anderson_darling(&self, values: &[f64]) -> f64 {
        let ascending = super::robust::sorted(values);
        let n = values.len() as f64;
        let share = |x: &f64| self.above(*x).clamp(1e-15, 1.0 - 1e-15);
        let terms = ascending.iter().zip(ascending.iter().rev()).enumerate();
        -n - super::moments::sum(
            terms.map(|(i, (low, high))| (2.0 * i as f64 + 1.0) * ((-share(low)).ln_1p() + share(high).ln())),
        ) / n
    }
}

/// Uniform draws for the bootstrap, always the same (G. Marsaglia's xorshift, J. Stat. Softw. 8 (2003) 14, with the
/// multiplier of S. Vigna's xorshift64*): a result must not change from run to run.
struct Draw(u64);

impl Draw {
    fn next(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        let bits = self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 11;
        (bits as f64 + 0.5) / (1_u64 << 53) as f64
    }
}

/// Whether observed counts spread over cells with the `expected` counts by chance: the chi-squared p-value, its
/// statistic divided by `inflation` (serial correlation). Cells expecting below 5 are left out; 1 if under two remain.
///
/// # Source
/// K. Pearson, Philos. Mag. 50 (1900) 157; the rule of 5 is common practice.
pub fn same_shares(counts: &[(f64, f64)], inflation: f64) -> f64 {
    let kept: Vec<&(f64, f64)> = counts.iter().filter(|(_, expected)| *expected >= 5.0).collect();
    let statistic: f64 = kept.iter().map(|(seen, expected)| (seen - expected).powi(2) / expected).sum();
    if kept.len() < 2 { 1.0 } else { chi_squared_above(statistic / inflation.max(1.0), kept.len() as f64 - 1.0) }
}

/// `(shape, scale, negative log-likelihood)` best for `t = shape / scale`; the last infinite where not allowed.
fn profile(excesses: &[f64], t: f64) -> (f64, f64, f64) {
    let n = excesses.len() as f64;
    let shape = excesses.iter().map(|x| (t * x).ln_1p()).sum::<f64>() / n;
    let mean = excesses.iter().sum::<f64>() / n;
    let scale = if (t * mean).abs() < 1e-9 { mean } else { shape / t };
    let allowed = shape >= SHAPES.0 && shape <= SHAPES.1 && scale > 0.0;
    (shape, scale, if allowed { n * (scale.ln() + shape + 1.0) } else { f64::INFINITY })
}

/// Values of `t` from just above `-1 / largest` to a heavy tail.
fn search_grid(largest: f64, mean: f64) -> Vec<f64> {
    let negative = (0..14).map(|i| -(1.0 - 10_f64.powf(-6.0 + 6.0 * f64::from(i) / 14.0)) / largest);
    let positive = (0..20).map(|i| 10_f64.powf(-3.0 + 5.0 * f64::from(i) / 19.0) / mean);
    negative.chain([0.0]).chain(positive).collect()
}

fn neg_log_likelihood(excesses: &[f64], shape: f64, scale: f64) -> f64 {
    if scale.is_nan() || scale <= 0.0 {
        return f64::INFINITY;
    }
    let n = excesses.len() as f64;
    if shape.abs() < 1e-6 {
        return n * scale.ln() + excesses.iter().sum::<f64>() / scale;
    }
    let t = shape / scale;
    let logs: f64 = excesses.iter().map(|x| (t * x).ln_1p()).sum();
    let value = n * scale.ln() + (1.0 + 1.0 / shape) * logs;
    if value.is_finite() { value } else { f64::INFINITY }
}

fn above(shape: f64, x: f64) -> f64 {
    if shape.abs() < 1e-9 { (-x).exp() } else { (-(shape * x).max(-1.0).ln_1p() / shape).exp() }
}

/// Quantile of the law with scale 1 above which the share `exceeded` lies.
fn unit_quantile(shape: f64, exceeded: f64) -> f64 {
    let depth = -exceeded.clamp(1e-300, 1.0).ln();
    if shape.abs() < 1e-9 { depth } else { (shape * depth).exp_m1() / shape }
}

/// Place of the minimum between `low` and `high` by golden section.
fn golden(mut low: f64, mut high: f64, steps: u32, cost: impl Fn(f64) -> f64) -> f64 {
    let (mut a, mut b) = (high - GOLDEN * (high - low), low + GOLDEN * (high - low));
    let (mut cost_a, mut cost_b) = (cost(a), cost(b));
    for _ in 0..steps {
        if cost_a <= cost_b {
            (high, b, cost_b) = (b, a, cost_a);
            a = high - GOLDEN * (high - low);
            cost_a = cost(a);
        } else {
            (low, a, cost_a) = (a, b, cost_b);
            b = low + GOLDEN * (high - low);
            cost_b = cost(b);
        }
    }
    if cost_a <= cost_b { a } else { b }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The generator's words for seed 1, by Python's whole numbers.
    #[test]
    fn draws_are_those_of_xorshift64_star() {
        let mut draw = Draw(1);
        for word in [5_180_492_295_206_395_165_u64, 12_380_297_144_915_551_517, 13_389_498_078_930_870_103] {
            assert_eq!(draw.next(), ((word >> 11) as f64 + 0.5) / 2_f64.powi(53));
        }
    }

    /// Distance of ten points to the exponential law of scale 2, by the statistic's formula with `scipy.stats.expon`.
    #[test]
    fn the_distance_to_a_law_is_that_of_its_formula() {
        let points = [0.1, 0.3, 0.4, 0.9, 1.2, 1.9, 2.5, 3.0, 5.5, 9.0];
        let law = Pareto { shape: 0.0, scale: 2.0, neg_log_likelihood: 0.0, excesses: points.to_vec() };
        assert!(
            (law.anderson_darling(&points) - 0.3131196467425923).abs() < 1e-12,
            "{}",
            law.anderson_darling(&points)
        );
    }
}
