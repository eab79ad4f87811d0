//! Tests of normality, tolerance bounds, rates and tails against standards and reference libraries.
//!
//! check: normal quantile | `scipy.stats.norm.ppf` | 1e-13 relative
//! check: Anderson-Darling | `scipy.stats.anderson`; Stephens' critical values | 1e-9; p within 5 %
//! check: tolerance factors | ISO 16269-6 by noncentral t (scipy); NIST 7.2.6.3; Wilks 1941 | 1e-6 relative; printed to 0.0006; exact counts
//! check: binomial intervals | Clopper-Pearson by statsmodels and scipy; NIST 7.2.4.1 | 1e-10; 1e-5 as printed
//! check: generalised Pareto fit | `scipy.stats.genpareto` | shape and scale 1e-5, quantile 1e-4
//! check: Pareto upper bounds hold | 400 simulated samples | 350 to 398 of 400 at 95 %

use outside_truth::{assert_close, assert_relative, number, numbers, vector};
use ringdown::stats::normal::{anderson_darling, below, quantile};
use ringdown::stats::rate::Rate;
use ringdown::stats::tail::Pareto;
use ringdown::stats::tolerance::{free_confidence, free_count, free_rank, normal_factor};

fn whole(value: &serde_json::Value) -> u64 {
    value.as_u64().expect("a whole number")
}

/// scipy.stats.norm.ppf, carried in lognormal.json.
#[test]
fn normal_quantiles_equal_scipy_and_return_their_share() {
    for entry in vector("lognormal")["quantiles_mle"].as_array().expect("quantiles") {
        let share = number(&entry["p"]);
        assert_close(quantile(share), number(&entry["z"]), 1e-14 + 1e-13 * number(&entry["z"]).abs(), "z");
        assert_relative(below(quantile(share)), share, 1e-13, "share");
    }
}

/// Statistic as scipy.stats.anderson; correction and critical values after Stephens.
#[test]
fn anderson_darling_equals_scipy_and_its_p_value_meets_the_printed_critical_values() {
    let truth = vector("anderson_darling");
    for case in truth["cases"].as_array().expect("cases") {
        let test = anderson_darling(&numbers(&case["x"])).expect("enough values");
        assert_close(test.a2, number(&case["a2"]), 1e-9, "A2");
        assert_close(test.a2_star, number(&case["a2_star"]), 1e-9, "A2*");
        // The p-value's formula and the table are separate prints of one book: equal to about 5 % of the level.
        for (level, critical) in truth["critical_a2_star"].as_object().expect("critical values") {
            let share: f64 = level.trim_end_matches(" %").parse::<f64>().expect("percent") / 100.0;
            let critical = number(critical);
            if test.a2_star > critical {
                assert!(test.p < 1.05 * share, "A2* {} has p {}", test.a2_star, test.p);
            } else {
                assert!(test.p > 0.95 * share, "A2* {} has p {}", test.a2_star, test.p);
            }
        }
    }
}

/// ISO 16269-6 by the noncentral t law of scipy; printed factors to their three decimals.
#[test]
fn normal_tolerance_factors_equal_the_standard() {
    let truth = vector("tolerance");
    let factor = |case: &serde_json::Value, share: &str| {
        normal_factor(number(&case["n"]), number(&case[share]), number(&case["confidence"])).expect("factor")
    };
    for case in truth["k"].as_array().expect("k") {
        assert_relative(factor(case, "p"), number(&case["k"]), 1e-6, &case.to_string());
    }
    for case in truth["printed"].as_array().expect("printed") {
        assert_close(factor(case, "p"), number(&case["k"]), 0.0006, &case.to_string());
    }
    let nist = &truth["nist_handbook_7_2_6_3"]["exact_noncentral_t"];
    assert_relative(normal_factor(43.0, 0.90, 0.99).unwrap(), number(nist), 1e-6, "NIST 7.2.6.3");
    for case in vector("lognormal")["tolerance_factor_one_sided"].as_array().expect("factors") {
        assert_relative(factor(case, "coverage"), number(&case["k"]), 1e-6, &case.to_string());
    }
}

/// Large samples: k tends to z + u sqrt((1 + z^2 / 2) / n), the error of mean and deviation to first order.
#[test]
fn normal_tolerance_factors_of_large_samples_follow_their_expansion() {
    for (n, proportion, confidence) in [(1e5, 0.999, 0.95), (1e6, 0.99999, 0.99), (1e6, 0.99, 0.90)] {
        let (z, u) = (quantile(proportion), quantile(confidence));
        let expansion = z + u * ((1.0 + 0.5 * z * z) / n).sqrt();
        let second_order = 5.0 * (1.0 + z * u * u) / n;
        assert_close(normal_factor(n, proportion, confidence).unwrap(), expansion, second_order, "k");
    }
}

/// 59 for 95/95, 299 for 99/95 (Wilks 1941, ISO 16269-6), 2995 for 99.9/95.
#[test]
fn distribution_free_counts_equal_wilks() {
    for case in vector("lognormal")["nonparametric_min_n_for_upper_tolerance"].as_array().expect("counts") {
        let (exceeded, confidence) = (1.0 - number(&case["coverage"]), number(&case["confidence"]));
        let least = free_count(exceeded, confidence).expect("count");
        assert_eq!(least, whole(&case["n_min"]), "{case}");
        assert_eq!(free_rank(least as f64, exceeded, confidence), Some(1));
        assert_eq!(free_rank(least as f64 - 1.0, exceeded, confidence), None);
    }
}

/// The order statistic is the Clopper-Pearson interval turned round: `rank - 1` exceedances must leave an upper bound
/// within the rate, one more must not.
#[test]
fn distribution_free_ranks_agree_with_exact_binomial_bounds() {
    for (n, exceeded, confidence) in
        [(3000_u64, 1e-3, 0.95), (20_000, 1e-3, 0.95), (5000, 1e-2, 0.99), (500_000, 1e-3, 0.9)]
    {
        let rank = free_rank(n as f64, exceeded, confidence).expect("enough");
        assert!(free_confidence(n as f64, rank as f64, exceeded) >= confidence);
        assert!(Rate { hits: rank - 1, trials: n }.upper(confidence) <= exceeded * (1.0 + 1e-9));
        assert!(Rate { hits: rank, trials: n }.upper(confidence) > exceeded);
    }
}

/// statsmodels and scipy (Clopper-Pearson); NIST e-Handbook 7.2.4.1 to its print.
#[test]
fn binomial_intervals_equal_clopper_pearson() {
    let truth = vector("clopper_pearson");
    for case in truth["cases"].as_array().expect("cases") {
        let (rate, confidence) = (Rate { hits: whole(&case["k"]), trials: whole(&case["n"]) }, number(&case["conf"]));
        let expected = numbers(&case["clopper_pearson"]);
        let interval = rate.interval(confidence);
        assert_close(interval.low, expected[0], 1e-10, &case.to_string());
        assert_close(interval.high, expected[1], 1e-10, &case.to_string());
        assert_close(rate.upper(confidence), number(&case["one_sided_upper"]), 1e-10, &case.to_string());
    }
    let printed = numbers(&truth["worked_example"]["printed"]);
    let interval = Rate { hits: 4, trials: 20 }.interval(0.90);
    assert_close(interval.low, printed[0], 1e-5, "NIST low");
    assert_close(interval.high, printed[1], 1e-5, "NIST high");
}

/// scipy.stats.genpareto, refined; quantile of the fitted law.
#[test]
fn generalised_pareto_fits_equal_scipy() {
    for case in vector("gpd")["cases"].as_array().expect("cases") {
        let law = Pareto::fit(&numbers(&case["excesses"])).expect("fit");
        assert_close(law.shape, number(&case["shape"]), 1e-5, "shape");
        assert_close(law.scale, number(&case["scale"]), 1e-5, "scale");
        assert_relative(law.neg_log_likelihood, number(&case["neg_log_likelihood"]), 1e-7, "likelihood");
        assert_relative(law.quantile_above(1e-3), number(&case["q999"]), 1e-4, "quantile at 0.999");
        assert_close(law.above(law.quantile_above(1e-3)), 1e-3, 1e-12, "share above its own quantile");
    }
}

/// A profile-likelihood bound at 95 % must lie over the truth in about 95 of 100 samples: binomial slack at 400
/// samples (five standard deviations of 0.95: 5.4 %), less the 1 to 3 % that the likelihood's asymptotics cost at 150
/// excesses.
#[test]
fn pareto_upper_bounds_hold_as_often_as_stated() {
    let mut state = 0x1234_5678_9ABC_DEF1_u64;
    let mut uniform = || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        ((state >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
    };
    for shape in [-0.15, 0.0, 0.2] {
        let held = (0..400).filter(|_| {
            let law = |u: f64| if shape == 0.0 { -u.ln() } else { (u.powf(-shape) - 1.0) / shape };
            let excesses: Vec<f64> = (0..150).map(|_| law(uniform())).collect();
            Pareto::fit(&excesses).expect("fit").quantile_bound(0.01, 0.95, 1.0, None).upper >= law(0.01)
        });
        let held = held.count();
        assert!((350..=398).contains(&held), "shape {shape}: {held} of 400 bounds held");
    }
}
