//! The normal law, and a test of it.

use std::f64::consts::{FRAC_1_SQRT_2, PI, SQRT_2};

use super::moments;

/// Share of the standard normal law below `z`.
pub fn below(z: f64) -> f64 {
    0.5 * libm::erfc(-z * FRAC_1_SQRT_2)
}

/// Share of the standard normal law above `z`; keeps its digits far out.
pub fn above(z: f64) -> f64 {
    below(-z)
}

/// Density of the standard normal law.
pub fn density(z: f64) -> f64 {
    (-0.5 * z * z).exp() / (2.0 * PI).sqrt()
}

/// The `z` with [`below`]`(z) == share`; infinite at 0 and 1, NaN outside.
///
/// statrs gives the start, one step of Halley's method against `erfc` the last digits.
pub fn quantile(share: f64) -> f64 {
    if !(0.0..=1.0).contains(&share) {
        return f64::NAN;
    }
    let start = -SQRT_2 * statrs::function::erf::erfc_inv(2.0 * share);
    if !start.is_finite() {
        return start;
    }
    let step = (below(start) - share) / density(start);
    if step.is_finite() { start - step / (1.0 + 0.5 * start * step) } else { start }
}

/// `ln below(z)`, finite for every finite `z`.
fn ln_below(z: f64) -> f64 {
    if z > -36.0 {
        return below(z).ln();
    }
    // First terms of the asymptotic series DLMF 7.12.1: the relative error is below 3 / z^4.
    -0.5 * z * z - (-z * (2.0 * PI).sqrt()).ln() + (-1.0 / (z * z)).ln_1p()
}

/// Outcome of the Anderson-Darling test for a normal law whose mean and standard deviation come from the sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AndersonDarling {
    /// The statistic A2.
    pub a2: f64,
    /// A2 (1 + 0.75/n + 2.25/n^2), to be held against 0.561, 0.631, 0.752, 0.873, 1.035 (15 %, 10 %, 5 %, 2.5 %, 1 %).
    pub a2_star: f64,
    /// Probability of an `a2_star` at least as large under a normal law.
    pub p: f64,
}

/// Anderson-Darling test of normality, mean and standard deviation estimated ("case 3"). `None` below 8 values, with
/// non-finite ones, or if all are alike.
///
/// # Source
/// Statistic and correction: M. A. Stephens, J. Am. Stat. Assoc. 69 (1974) 730; p-value: R. B. D'Agostino,
/// M. A. Stephens, Goodness-of-Fit Techniques (1986), table 4.9 (coefficients as in R's nortest package).
pub fn anderson_darling(values: &[f64]) -> Option<AndersonDarling> {
    if values.len() < 8 || values.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let (centre, sd) = (moments::mean(values)?, moments::standard_deviation(values)?);
    if !(sd > 0.0 && sd.is_finite()) {
        return None;
    }
    let ascending = super::robust::sorted(values);
    let n = values.len() as f64;
    let terms = ascending.iter().zip(ascending.iter().rev()).enumerate().map(|(index, (low, high))| {
        (2.0 * index as f64 + 1.0) * (ln_below((low - centre) / sd) + ln_below(-(high - centre) / sd))
    });
    let a2 = -n - moments::sum(terms) / n;
    let a2_star = a2 * (1.0 + 0.75 / n + 2.25 / (n * n));
    Some(AndersonDarling { a2, a2_star, p: anderson_darling_p(a2_star) })
}

fn anderson_darling_p(a: f64) -> f64 {
    let exponent = |c: f64, b: f64, q: f64| (c + b * a + q * a * a).exp();
    let p = match a {
        _ if a < 0.2 => 1.0 - exponent(-13.436, 101.14, -223.73),
        _ if a < 0.34 => 1.0 - exponent(-8.318, 42.796, -59.938),
        _ if a < 0.6 => exponent(0.9177, -4.279, -1.38),
        _ if a < 10.0 => exponent(1.2937, -5.709, 0.0186),
        _ => 0.0,
    };
    p.clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Significance points of the statistic, mean and deviation estimated (Stephens 1986, table 4.7; from memory). The
    /// four pieces were fitted to one curve, so they meet.
    #[test]
    fn p_values_fall_without_a_step_and_meet_the_table() {
        for (a, p) in
            [(0.341, 0.5), (0.470, 0.25), (0.561, 0.15), (0.631, 0.1), (0.752, 0.05), (0.873, 0.025), (1.035, 0.01)]
        {
            assert!((anderson_darling_p(a) / p - 1.0).abs() < 0.03, "{a}: {}", anderson_darling_p(a));
        }
        let curve: Vec<f64> = (10..1100).map(|step| anderson_darling_p(0.01 * f64::from(step))).collect();
        assert!(curve.windows(2).all(|pair| pair[0] >= pair[1] && pair[0] - pair[1] < 0.035));
        assert!(curve[0] > 0.99 && curve.last() == Some(&0.0));
    }
}
