//! The incomplete beta and gamma functions the exact intervals rest on.

/// Steps of the continued fraction before it is taken as it stands; about `sqrt(max(a, b))` are needed.
const MOST_STEPS: usize = 20_000;

/// Regularised incomplete beta function `I_x(a, b)`, for `a, b > 0`; `x` is clamped to 0..=1.
///
/// # Source
/// Continued fraction DLMF 8.17.22, evaluated by Lentz's method (I. J. Thompson, A. R. Barnett, J. Comput. Phys. 64
/// (1986) 490); the symmetry DLMF 8.17.4 keeps it in its fast half.
pub fn beta_share(a: f64, b: f64, x: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if x >= 1.0 {
        return 1.0;
    }
    let front = (a * x.ln() + b * (-x).ln_1p() - ln_beta(a, b)).exp();
    if x < (a + 1.0) / (a + b + 2.0) {
        front * beta_fraction(a, b, x) / a
    } else {
        1.0 - front * beta_fraction(b, a, 1.0 - x) / b
    }
}

fn ln_beta(a: f64, b: f64) -> f64 {
    libm::lgamma(a) + libm::lgamma(b) - libm::lgamma(a + b)
}

fn beta_fraction(a: f64, b: f64, x: f64) -> f64 {
    let away_from_zero = |v: f64| if v.abs() < 1e-300 { 1e-300 } else { v };
    let mut c = 1.0;
    let mut d = 1.0 / away_from_zero(1.0 - (a + b) * x / (a + 1.0));
    let mut value = d;
    for step in 1..=MOST_STEPS {
        let m = step as f64;
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        let before = value;
        for term in [even, odd] {
            d = 1.0 / away_from_zero(1.0 + term * d);
            c = away_from_zero(1.0 + term / c);
            value *= d * c;
        }
        if (value / before - 1.0).abs() < 1e-16 {
            break;
        }
    }
    value
}

/// The `x` with `beta_share(a, b, x) == share`, by bisection to the last bit.
pub fn beta_quantile(a: f64, b: f64, share: f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..1100 {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            break;
        }
        if beta_share(a, b, middle) < share {
            low = middle;
        } else {
            high = middle;
        }
        if high - low <= f64::EPSILON * high * 0.25 {
            break;
        }
    }
    0.5 * (low + high)
}

/// Probability of at least `least` successes in `trials`, each with probability `chance`: a binomial upper tail
/// (DLMF 8.17.5). `least` 0 gives 1.
pub fn binomial_at_least(least: f64, trials: f64, chance: f64) -> f64 {
    if least <= 0.0 {
        return 1.0;
    }
    if least > trials {
        return 0.0;
    }
    beta_share(least, trials - least + 1.0, chance)
}

/// Probability that a chi-squared variable with `freedom` degrees exceeds `value`.
pub fn chi_squared_above(value: f64, freedom: f64) -> f64 {
    if !(value > 0.0 && freedom > 0.0) {
        return 1.0;
    }
    statrs::function::gamma::checked_gamma_ur(0.5 * freedom, 0.5 * value).unwrap_or(0.0)
}
