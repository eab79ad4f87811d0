//! One-sided upper tolerance bounds: a value that a stated proportion of the population stays below, at a stated
//! confidence.

use super::normal;
use super::special::binomial_at_least;

/// Factor `k`: `mean + k * standard deviation` of `n` normal values lies over `proportion` of their population with
/// probability `confidence`. `None` for `n < 2` or shares outside 0..1 (exclusive).
///
/// `k` solves `P(Z <= sqrt(n) (k S - z)) = confidence`, with `z` the quantile of `proportion` and `(n - 1) S^2`
/// chi-squared with `n - 1` degrees; that is `k = t' / sqrt(n)` of the noncentral t law. The chance is integrated over
/// `ln S` by the trapezoidal rule, which converges geometrically because the integrand is smooth and vanishes at both
/// ends; the weights are normalised by their own sum, so no gamma function loses digits and the same form serves
/// `n` from 2 to millions.
///
/// # Source
/// ISO 16269-6:2014 (mean and standard deviation unknown); D. B. Owen, SIAM Rev. 10 (1968) 445.
pub fn normal_factor(n: f64, proportion: f64, confidence: f64) -> Option<f64> {
    let open = |share: f64| share > 0.0 && share < 1.0;
    if !(n >= 2.0 && n.is_finite() && open(proportion) && open(confidence)) {
        return None;
    }
    let z = normal::quantile(proportion);
    let scales = Scales::new(n - 1.0, z);
    let missing = |k: f64| scales.chance(n, k, z) - confidence;
    bracketed_root(missing, z)
}

/// Values of `S` and their weights.
struct Scales(Vec<(f64, f64)>);

impl Scales {
    fn new(freedom: f64, z: f64) -> Scales {
        let sd = 1.0 / (2.0 * freedom).sqrt();
        // The normal factor turns over within sd / z, the weight within sd.
        let step = sd / (3.0 * (1.0 + z.abs()));
        let ln_weight = |u: f64| freedom * (u - 0.5 * (2.0 * u).exp_m1());
        let walk = |direction: f64| {
            (0..200_000)
                .map(move |i| direction * step * f64::from(i))
                .map(move |u| (u, ln_weight(u)))
                .take_while(|(_, ln)| *ln > -45.0)
        };
        let both = walk(-1.0).skip(1).chain(walk(1.0));
        let mut points: Vec<(f64, f64)> = both.map(|(u, ln)| (u.exp(), ln.exp())).collect();
        let total: f64 = points.iter().map(|(_, weight)| weight).sum();
        points.iter_mut().for_each(|(_, weight)| *weight /= total);
        Scales(points)
    }

    /// Probability that `mean + k S` lies over the standard normal `z`.
    fn chance(&self, n: f64, k: f64, z: f64) -> f64 {
        self.0.iter().map(|(s, weight)| weight * normal::below(n.sqrt() * (k * s - z))).sum()
    }
}

/// Root of an increasing function near `start`: doubling brackets, then bisection with secants (Illinois method).
fn bracketed_root(f: impl Fn(f64) -> f64, start: f64) -> Option<f64> {
    let mut reach = 0.1 * (1.0 + start.abs());
    let (mut low, mut high) = (start - reach, start + reach);
    for _ in 0..60 {
        match (f(low) < 0.0, f(high) > 0.0) {
            (true, true) => break,
            (false, _) => low -= reach,
            (_, false) => high += reach,
        }
        reach *= 2.0;
    }
    let (mut f_low, mut f_high) = (f(low), f(high));
    if !(f_low < 0.0 && f_high > 0.0) {
        return None;
    }
    for _ in 0..200 {
        let middle = low - f_low * (high - low) / (f_high - f_low);
        let value = f(middle);
        if value.abs() < 1e-15 || (high - low) < 1e-13 * (1.0 + high.abs()) {
            return Some(middle);
        }
        if value < 0.0 {
            (low, f_low) = (middle, value);
            f_high *= 0.5;
        } else {
            (high, f_high) = (middle, value);
            f_low *= 0.5;
        }
    }
    Some(0.5 * (low + high))
}

/// Confidence that the `from_top`-th largest (1 = largest) of `n` values of any continuous law is exceeded by at most
/// the share `exceeded` of the population: the chance of at least `from_top` exceedances in `n`.
///
/// # Source
/// S. S. Wilks, Ann. Math. Stat. 12 (1941) 91; ISO 16269-6:2014, distribution-free bounds.
pub fn free_confidence(n: f64, from_top: f64, exceeded: f64) -> f64 {
    binomial_at_least(from_top, n, exceeded)
}

/// Which order statistic from the top (1 = largest) is the lowest distribution-free bound; `None` where even the
/// largest is not enough. `n` may be an effective count.
pub fn free_rank(n: f64, exceeded: f64, confidence: f64) -> Option<u64> {
    let holds = |from_top: u64| free_confidence(n, from_top as f64, exceeded) >= confidence;
    if !(n.is_finite() && holds(1)) {
        return None;
    }
    let (mut good, mut bad) = (1_u64, n as u64 + 1);
    while bad - good > 1 {
        let middle = good + (bad - good) / 2;
        if holds(middle) {
            good = middle;
        } else {
            bad = middle;
        }
    }
    Some(good)
}

/// How many values the largest needs to be a bound: the least `n` with `1 - (1 - exceeded)^n >= confidence`.
pub fn free_count(exceeded: f64, confidence: f64) -> Option<u64> {
    let n = ((-confidence).ln_1p() / (-exceeded).ln_1p() - 1e-9).ceil();
    (n.is_finite() && n >= 1.0).then_some(n as u64)
}
