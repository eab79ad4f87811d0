//! The laws behind intervals and limits, near their ends and far out; what correlation, belief and weights do to them.
//!
//! check: normal, beta, binomial, chi-squared, t, Pareto laws near their ends | `scipy.stats`, `scipy.special` (`make_laws.py`) | 1e-12 to 1e-9 relative
//! check: Welch's interval of a difference | statsmodels `CompareMeans` | 1e-9 of its width
//! check: correlated values worth one; local lines' variance | Bartlett's closed form; shares point by point | 5 sigma of draws; 1e-12

use outside_truth::{assert_close, assert_relative, number, numbers, vector};
use ringdown::stats::bootstrap::{Estimate, difference, draws, estimate, t_quantile};
use ringdown::stats::moments::{standard_deviation, sum};
use ringdown::stats::normal::{above, anderson_darling, below, density, quantile};
use ringdown::stats::rate::Rate;
use ringdown::stats::robust::{Definition, quantile as sample_quantile};
use ringdown::stats::roc::Roc;
use ringdown::stats::serial::worth_one;
use ringdown::stats::smooth::{Sums, bisquare, tricube};
use ringdown::stats::special::{beta_quantile, beta_share, binomial_at_least, chi_squared_above};
use ringdown::stats::tail::{Belief, Pareto, same_shares};
use ringdown::stats::tolerance::{free_confidence, free_count, free_rank, normal_factor};
use serde_json::Value;

/// Uniform over 0..1 (G. Marsaglia's xorshift64).
fn uniform(state: &mut u64) -> f64 {
    *state ^= *state << 13;
    *state ^= *state >> 7;
    *state ^= *state << 17;
    ((*state >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
}

fn normal(state: &mut u64) -> f64 {
    quantile(uniform(state))
}

/// Rows of numbers: arguments, then what scipy makes of them.
fn each_row(rows: &Value, mut check: impl FnMut(&[f64], &str)) {
    for row in rows.as_array().expect("rows") {
        check(&numbers(row), &row.to_string());
    }
}

#[test]
fn laws_equal_scipy_to_their_ends() {
    let truth = vector("laws");
    for case in truth["normal"].as_array().expect("cases") {
        let z = number(&case["z"]);
        let what = format!("normal law at {z}");
        // exp(-z^2 / 2) doubles the last digit's error z^2 / 2 times.
        let digits = 1e-14 * (1.0 + z * z);
        assert_relative(density(z), number(&case["density"]), digits, &what);
        assert_relative(above(z), number(&case["above"]), digits, &what);
        assert_relative(below(z), number(&case["below"]), digits, &what);
    }
    each_row(&truth["normal_quantile"], |row, what| assert_relative(quantile(row[0]), row[1], 1e-13, what));
    each_row(&truth["beta_share"], |row, what| {
        assert_relative(beta_share(row[0], row[1], row[2]), row[3], 1e-9, what);
    });
    each_row(&truth["beta_quantile"], |row, what| {
        assert_relative(beta_quantile(row[0], row[1], row[2]), row[3], 1e-9, what);
    });
    each_row(&truth["binomial_at_least"], |row, what| {
        assert_relative(binomial_at_least(row[0], row[1], row[2]), row[3], 1e-11, what);
    });
    each_row(&truth["chi_squared_above"], |row, what| {
        assert_relative(chi_squared_above(row[0], row[1]), row[2], 1e-11, what);
    });
    each_row(&truth["t_quantile"], |row, what| assert_relative(t_quantile(row[0], row[1]), row[2], 1e-9, what));
    for case in truth["same_shares"].as_array().expect("cases") {
        let mut pairs: Vec<(f64, f64)> = numbers(&case["seen"]).into_iter().zip(numbers(&case["expected"])).collect();
        assert_relative(same_shares(&pairs, 1.0), number(&case["p"]), 1e-11, "scipy.stats.chisquare");
        assert_eq!(same_shares(&pairs, 0.3), same_shares(&pairs, 1.0), "correlation never makes it stricter");
        pairs.push((4.0, 4.999));
        assert_relative(same_shares(&pairs, 1.0), number(&case["p"]), 1e-11, "a cell expecting under 5 has no say");
    }
    // Chi-squared with two degrees is exponential: exp(-x / 2); here (1 + 4) / 5 / 2.5, with one more cell 5 expected.
    let cells = [(6.0, 5.0), (3.0, 5.0), (5.0, 5.0)];
    assert_relative(same_shares(&cells, 2.5), (-0.5_f64 * 1.0 / 2.5).exp(), 1e-12, "inflated");
    assert_eq!(same_shares(&[(30.0, 5.0)], 1.0), 1.0, "one cell says nothing of shares");
}

/// What the definitions say where a formula ends.
#[test]
fn laws_end_where_their_definitions_end() {
    assert_eq!((quantile(0.0), quantile(1.0)), (f64::NEG_INFINITY, f64::INFINITY));
    assert!(quantile(-1e-9).is_nan() && quantile(1.0 + 1e-9).is_nan());
    assert_eq!((beta_share(2.0, 3.0, 0.0), beta_share(2.0, 3.0, -1.0)), (0.0, 0.0));
    assert_eq!((beta_share(2.0, 3.0, 1.0), beta_share(2.0, 3.0, 2.0)), (1.0, 1.0));
    assert_eq!(
        (chi_squared_above(0.0, 3.0), chi_squared_above(-1.0, 3.0), chi_squared_above(9.0, 0.0)),
        (1.0, 1.0, 1.0)
    );
    for share in [0.0, 1.0, -0.1, 1.1, f64::NAN] {
        assert_eq!(normal_factor(50.0, share, 0.9), None);
        assert_eq!(normal_factor(50.0, 0.9, share), None);
    }
    assert_eq!((normal_factor(1.9, 0.9, 0.9), normal_factor(f64::INFINITY, 0.9, 0.9)), (None, None));
    // Two values: S is half-normal, k the quantile of a noncentral t with one degree; 95/95: 26.26 (printed in every table).
    assert_close(normal_factor(2.0, 0.95, 0.95).unwrap(), 26.26, 0.006, "n = 2");
    assert_eq!((free_count(0.0, 0.9), free_count(0.5, 1.0), free_count(0.5, 0.0)), (None, None, None));
    // One half and one half again: a quarter is left; the count is exact where the formula is.
    assert_eq!((free_count(0.5, 0.75), free_count(0.5, 0.7501), free_count(0.5, 0.5)), (Some(2), Some(3), Some(1)));
    assert_eq!((free_rank(f64::NAN, 0.1, 0.9), free_rank(f64::INFINITY, 0.1, 0.9)), (None, None));
    // At least one of three halves: 7/8; at least two: 1/2.
    assert_close(free_confidence(3.0, 2.0, 0.5), 0.5, 1e-12, "two of three");
    assert_eq!(
        (free_rank(3.0, 0.5, 0.49), free_rank(3.0, 0.5, 0.51), free_rank(3.0, 0.5, 0.1)),
        (Some(2), Some(1), Some(3))
    );
}

/// scipy's logarithm of the normal law in the statistic's own formula: one value of 1900 lies 43 deviations out.
#[test]
fn anderson_darling_bears_a_value_far_out_and_refuses_what_it_cannot_judge() {
    let far = &vector("laws")["anderson_darling_far"];
    let values = numbers(&far["x"]);
    assert_relative(anderson_darling(&values).unwrap().a2, number(&far["a2"]), 1e-9, "A2");
    assert!(anderson_darling(&values[..7]).is_none() && anderson_darling(&values[..8]).is_some());
    assert!(anderson_darling(&[1.0; 20]).is_none());
    for nonsense in [f64::NAN, f64::INFINITY] {
        assert!(anderson_darling(&[&values[..20], &[nonsense]].concat()).is_none());
    }
    assert!(anderson_darling(&[&values[..20], &[1e300, -1e300]].concat()).is_none(), "its deviation is no number");
}

/// A p-value is uniform where the law holds: shares of 1500 samples, five standard deviations and 1 % for the fit.
#[test]
fn anderson_darling_p_is_uniform_for_normal_samples() {
    let mut state = 77;
    let p: Vec<f64> = (0..1500)
        .map(|_| anderson_darling(&(0..40).map(|_| normal(&mut state)).collect::<Vec<_>>()).expect("a sample").p)
        .collect();
    for share in [0.02, 0.1, 0.3, 0.5, 0.7, 0.85, 0.95, 0.98] {
        let below = p.iter().filter(|p| **p <= share).count() as f64 / 1500.0;
        assert_close(below, share, 5.0 * f64::sqrt(share * (1.0 - share) / 1500.0) + 0.01, "share of p-values");
    }
}

/// Neumaier's own example (1974): what a plain sum loses.
#[test]
fn a_sum_carries_what_rounding_loses() {
    assert_eq!(sum([1.0, 1e100, 1.0, -1e100]), 2.0);
    assert_eq!(sum([1e100, 1.0, -1e100, 1.0, 3.0]), 5.0);
}

/// 0, 1 and 1 have the variance 1/3, wherever they stand; at 2^52 their mean falls between two numbers.
#[test]
fn a_deviation_is_exact_where_the_mean_can_not_be_held() {
    for far in [0.0, 1e3, (1_u64 << 52) as f64, -((1_u64 << 52) as f64)] {
        let sd = standard_deviation(&[far, far + 1.0, far + 1.0]).expect("three values");
        assert_relative(sd * sd, 1.0 / 3.0, 1e-12, "variance");
    }
}

/// An excess next to nothing has a share above it that rounds to one; the law holds all the same.
#[test]
fn an_excess_next_to_nothing_refuses_no_law() {
    let exponential = |first: f64| -> Vec<f64> {
        let others = (1..300).map(|k| -(1.0 - (f64::from(k) + 0.5) / 300.0).ln());
        std::iter::once(first).chain(others).collect()
    };
    for first in [1e-3, 1e-12, 1e-18] {
        assert!(!Pareto::fit(&exponential(first)).expect("a fit").is_refused(39), "{first}");
    }
}

#[test]
fn rates_are_counted_and_never_over_all() {
    let rate = Rate::count([true, false, true, true]);
    assert_eq!((rate, rate.share()), (Rate { hits: 3, trials: 4 }, Some(0.75)));
    assert_eq!(Rate::count([]).share(), None);
    let none = Rate { hits: 0, trials: 0 }.interval(0.95);
    assert_eq!((none.low, none.high), (0.0, 1.0));
    // More hits than trials count as all; n of n: confidence^(1/n) by the binomial law itself.
    for hits in [5, 9] {
        let all = Rate { hits, trials: 5 };
        assert_eq!((all.share(), all.upper(0.95)), (Some(1.0), 1.0));
        assert_close(all.lower(0.95), 0.05_f64.powf(0.2), 1e-12, "all of five");
    }
    assert_close(Rate { hits: 0, trials: 5 }.upper(0.95), 1.0 - 0.05_f64.powf(0.2), 1e-12, "none of five");
    assert_close(Rate { hits: 0, trials: 5 }.lower(0.95), 0.0, 0.0, "none of five");
}

/// At a share of k / (n - 1) type 7 is the k-th value itself (Hyndman & Fan), however wild its neighbours.
#[test]
fn a_quantile_at_a_value_is_that_value() {
    for n in [2_usize, 3, 11, 50, 121] {
        for k in 0..n {
            for share in [k as f64 / (n - 1) as f64, k as f64 * (1.0 / (n - 1) as f64)] {
                let values: Vec<f64> = (0..n).map(|i| [-1e300, 0.5, 1e300][(i + 1).saturating_sub(k).min(2)]).collect();
                assert_eq!(sample_quantile(&values, share, Definition::Linear), Some(0.5), "{k} of {n}");
            }
        }
    }
    assert_eq!(sample_quantile(&[1.0, 2.0, f64::INFINITY], 0.9, Definition::Linear), Some(f64::INFINITY));
    assert_eq!(sample_quantile(&[1.0, f64::INFINITY, f64::INFINITY], 0.9, Definition::Linear), Some(f64::INFINITY));
    assert_eq!(sample_quantile(&[3.0, 4.0], -1.0, Definition::MedianUnbiased), Some(3.0));
    assert_eq!(sample_quantile(&[3.0, 4.0], 2.0, Definition::MedianUnbiased), Some(4.0));
}

#[test]
fn a_ground_between_classes_has_no_variance_and_a_class_of_one_no_interval() {
    // All positives below all negatives: none of three successes, whose upper bound is 1 - 0.025^(1/3).
    let wrong = Roc::new(&[5.0, 6.0, 7.0], &[0.0, 1.0, 2.0, f64::INFINITY]).unwrap();
    let interval = wrong.interval(0.95).unwrap();
    assert_eq!((wrong.auc, interval.low), (0.0, 0.0));
    assert_close(interval.high, 1.0 - 0.025_f64.powf(1.0 / 3.0), 1e-12, "high");
    assert_eq!(Roc::new(&[1.0], &[2.0, 3.0]).unwrap().interval(0.9), None);
    // Limits 9, 6, 5, 3, 1: false alarms 0, 1/2, 1/2, 1/2, 1; found 1/3, 1/3, 2/3, 1, 1.
    let roc = Roc::new(&[1.0, 6.0], &[3.0, 5.0, 9.0]).unwrap();
    let at = |share: f64| roc.at_false_alarm(share).map(|point| (point.limit, point.recall));
    assert_eq!((at(0.49), at(0.5), at(1.0)), (Some((9.0, 1.0 / 3.0)), Some((3.0, 1.0)), Some((1.0, 1.0))));
}

/// M. S. Bartlett: `(1 + r) / (1 - r)` for a first-order process; the spread is that of 20 000 draws.
#[test]
fn correlated_values_cost_what_bartlett_says() {
    let mut state = 5;
    let mut process = |r: f64, count: usize| -> Vec<f64> {
        let mut value = normal(&mut state);
        (0..count)
            .map(|_| {
                value = r * value + (1.0 - r * r).sqrt() * normal(&mut state);
                value
            })
            .collect()
    };
    for (r, apart) in [(0.3, 0.15), (0.5, 0.3), (0.8, 1.3)] {
        let expected = (1.0 + r) / (1.0 - r);
        assert_close(worth_one([process(r, 20_000)]), expected, apart, "one series");
        let parts: Vec<Vec<f64>> =
            (0..4).map(|k| process(r, 5000).iter().map(|v| v + 50.0 * f64::from(k)).collect()).collect();
        assert_close(worth_one(parts), expected, 1.4 * apart, "four series, each about a level of its own");
    }
    let drifting: Vec<f64> = process(0.0, 3000).iter().zip(0..).map(|(v, i)| v + f64::from(i) / 3000.0).collect();
    assert_close(worth_one([drifting]), 1.0, 0.15, "a slow drift");
    assert_close(worth_one([process(0.999, 200_000)]), 50.0, 0.0, "the most");
    assert_eq!(worth_one([vec![3.0; 100]]), 1.0, "all alike");
    // Ups and downs of ten: correlated, but 29 values are too few to say so.
    let square = |count: usize| vec![(0..count).map(|i| f64::from(i as u32 / 10 % 2)).collect::<Vec<f64>>()];
    assert_eq!(worth_one(square(29)), 1.0);
    assert!(worth_one(square(30)) > 3.0);
    // Lags that fall within chance (2 / sqrt(64) = 0.25) count for nothing: +1 and -1 in turn are correlated against.
    assert_eq!(worth_one([(0..64).map(|i| f64::from(i % 2)).collect()]), 1.0);
}

/// A line is linear in its values, so the share of a point is the line through a 1 there and 0 elsewhere.
#[test]
fn the_variance_and_leverage_of_a_line_are_those_of_its_shares() {
    let points = [(0.0, 1.0), (-1.0, 0.5), (2.5, 1.5), (4.0, 0.25), (7.0, 2.0)];
    let sums = |y: &dyn Fn(usize) -> f64| {
        let mut sums = Sums::default();
        points.iter().enumerate().for_each(|(i, (x, weight))| sums.add(*x, y(i), *weight));
        sums
    };
    for fit in [Sums::line, Sums::mean] {
        let shares: Vec<f64> = (0..5).map(|k| fit(&sums(&|i| f64::from(i == k))).unwrap().value).collect();
        let got = fit(&sums(&|i| points[i].0)).unwrap();
        assert_close(got.variance, shares.iter().map(|share| share * share).sum(), 1e-12, "variance");
        assert_close(got.leverage, shares[0], 1e-12, "leverage");
        assert_close(shares.iter().sum(), 1.0, 1e-12, "shares");
    }
    let line = sums(&|i| 3.0 - 0.5 * points[i].0).line().unwrap();
    assert_close(line.value, 3.0, 1e-12, "value");
    assert_close(line.slope, -0.5, 1e-12, "slope");
    let mut one_place = Sums::default();
    one_place.add(2.0, 5.0, 1.0);
    one_place.add(2.0, 8.0, 2.0);
    let flat = one_place.line().unwrap();
    assert_close(flat.value, 7.0, 1e-12, "the mean where all share one place");
    assert_eq!((flat.slope, one_place.mean()), (0.0, Some(flat)));
    assert_eq!((Sums::default().line(), Sums::default().mean()), (None, None));
    // Cleveland 1979: (1 - u^3)^3 and (1 - u^2)^2 within, nothing beyond; either side alike.
    for (u, cubes, squares) in [(0.0, 1.0, 1.0), (0.5, 0.669_921_875, 0.5625), (1.0, 0.0, 0.0), (1.5, 0.0, 0.0)] {
        assert_eq!((tricube(u), tricube(-u), bisquare(u), bisquare(-u)), (cubes, cubes, squares, squares));
    }
}

/// scipy.stats.genpareto: densities, shares and quantiles of given laws, none of them the best fit.
#[test]
fn pareto_laws_equal_scipy() {
    for case in vector("laws")["pareto"].as_array().expect("cases") {
        let (shape, excesses) = (number(&case["shape"]), numbers(&case["excesses"]));
        let law = Pareto::fit(&excesses).expect("a fit").with(shape, number(&case["scale"]));
        assert_eq!(law.count(), 60);
        assert_relative(law.neg_log_likelihood, number(&case["neg_log_likelihood"]), 1e-7, &shape.to_string());
        each_row(&case["above"], |row, what| assert_close(law.above(row[0]), row[1], 1e-7 * row[1], what));
        each_row(&case["quantile_above"], |row, what| {
            assert_close(law.quantile_above(row[0]), row[1], 2e-6 * row[1], what)
        });
    }
    let law = Pareto::fit(&[1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0]).expect("ten are enough");
    for scale in [0.0, -1.0, f64::NAN] {
        assert_eq!(law.with(0.1, scale).neg_log_likelihood, f64::INFINITY, "no law");
    }
    assert_eq!(law.with(-0.5, 1.0).neg_log_likelihood, f64::INFINITY, "ends before its data");
    for (values, count) in [(vec![1.0; 9], 9), (vec![0.0; 20], 20)] {
        assert!(Pareto::fit(&values).is_none(), "{count}");
    }
    for nonsense in [f64::NAN, f64::INFINITY, -1.0] {
        assert!(Pareto::fit(&[&numbers(&vector("laws")["pareto"][0]["excesses"])[..], &[nonsense]].concat()).is_none());
    }
}

/// A shape believed in without doubt leaves the scale alone to the data: for the exponential law `s ln(1 / p)` with
/// `n (ln(s / mean) + mean / s - 1)` of likelihood lost, half the squared normal quantile at the bound.
#[test]
fn a_pareto_bound_of_a_known_shape_is_that_of_the_exponential_law() {
    let mut state = 9;
    let excesses: Vec<f64> = (0..200).map(|_| -2.0 * uniform(&mut state).ln()).collect();
    let mean = excesses.iter().sum::<f64>() / 200.0;
    let law = Pareto::fit(&excesses).expect("a fit");
    let sure = Belief { centre: 0.0, sd: 1e-4, sd_above: 1e-4 };
    for (exceeded, confidence, independent) in [(0.01, 0.95, 1.0), (0.001, 0.99, 0.3), (0.1, 0.9, 1.0)] {
        let allowed = 0.5 * quantile(confidence).powi(2);
        let lost = |s: f64| 200.0 * independent * ((s / mean).ln() + mean / s - 1.0);
        let (mut low, mut high) = (mean, 10.0 * mean);
        while high - low > 1e-9 {
            let middle = 0.5 * (low + high);
            if lost(middle) > allowed { high = middle } else { low = middle }
        }
        let deep = -f64::ln(exceeded);
        let got = law.quantile_bound(exceeded, confidence, independent, Some(sure));
        assert_close(got.estimate, mean * deep, 2e-3 * mean * deep, "estimate");
        assert_close(got.upper, high * deep, 6e-3 * mean * deep, "upper");
        assert_close(got.shape, 0.0, 1e-3, "shape");
        assert_close(got.scale, mean, 4e-3 * mean, "scale");
    }
    // A belief in a heavier or a lighter tail moves the shape its way, the less the wider it is on that side.
    let shape_with = |centre, sd, sd_above| {
        law.quantile_bound(0.01, 0.95, 1.0, Some(Belief { centre, sd, sd_above })).shape - law.shape
    };
    let (heavy, heavy_wide) = (shape_with(0.4, 0.1, 1.0), shape_with(0.4, 1.0, 0.1));
    assert!(heavy > 3.0 * heavy_wide && heavy_wide >= -0.01, "{heavy} {heavy_wide}");
    let (light, light_wide) = (shape_with(-0.4, 1.0, 0.1), shape_with(-0.4, 0.1, 1.0));
    assert!(light < 3.0 * light_wide && light_wide <= 0.01, "{light} {light_wide}");
}

/// The same excesses four times over, a quarter of them independent, are the same knowledge.
#[test]
fn a_pareto_bound_counts_repeated_excesses_once() {
    let mut state = 31;
    for shape in [-0.2, 0.15] {
        let excesses: Vec<f64> = (0..120).map(|_| (uniform(&mut state).powf(-shape) - 1.0) / shape).collect();
        let once = Pareto::fit(&excesses).expect("a fit").quantile_bound(0.005, 0.95, 1.0, None);
        let often = Pareto::fit(&excesses.repeat(4)).expect("a fit").quantile_bound(0.005, 0.95, 0.25, None);
        assert_relative(often.estimate, once.estimate, 1e-3, "estimate");
        assert_close(often.upper, once.upper, 5e-3, "upper");
        assert!(once.upper > once.estimate * 1.02);
        // What the estimate stands for: its law's own quantile.
        let law = Pareto::fit(&excesses).expect("a fit").with(once.shape, once.scale);
        assert_relative(law.quantile_above(0.005), once.estimate, 1e-9, "the law at the estimate");
        assert_relative(
            once.estimate,
            Pareto::fit(&excesses).unwrap().quantile_above(0.005),
            5e-3,
            "maximum likelihood",
        );
    }
}

/// A unit of measure changes nothing: excesses a thousand times as large or small have a bound as much larger or smaller.
#[test]
fn a_pareto_bound_knows_no_unit() {
    let mut state = 57;
    let excesses: Vec<f64> = (0..80).map(|_| 1.7 * (uniform(&mut state).powf(-0.1) - 1.0) / 0.1).collect();
    let bound_in = |unit: f64| {
        let law = Pareto::fit(&excesses.iter().map(|x| x * unit).collect::<Vec<_>>()).expect("a fit");
        law.quantile_bound(0.05, 0.95, 0.8, None)
    };
    let one = bound_in(1.0);
    for unit in [1e-4, 1e3] {
        let got = bound_in(unit);
        assert_relative(got.estimate, one.estimate * unit, 2e-3, "estimate");
        assert_relative(got.upper, one.upper * unit, 2e-3, "upper");
        assert_close(got.shape, one.shape, 2e-3, "shape");
    }
}

/// One sample in `rounds + 1` of a true law is refused; a law with a gap in it nearly always.
#[test]
fn a_pareto_law_is_refused_as_often_as_stated() {
    let mut state = 101;
    let mut refused = |law: &dyn Fn(f64, f64) -> f64, count: usize| {
        let sample = |state: &mut u64| {
            (0..count)
                .map(|_| {
                    let kind = uniform(state);
                    law(kind, uniform(state))
                })
                .collect::<Vec<f64>>()
        };
        (0..60).filter(|_| Pareto::fit(&sample(&mut state)).expect("a fit").is_refused(9)).count()
    };
    // 6 of 60 expected, standard deviation 2.3.
    let right = refused(&|_, u| -u.ln(), 100);
    assert!((1..=17).contains(&right), "{right} of 60");
    assert!(refused(&|kind, u| if kind < 0.5 { 0.5 * u } else { 4.0 + u }, 100) > 57);
    assert!(refused(&|kind, u| if kind < 0.5 { 0.5 * u } else { 4.0 + u }, 900) == 60);
}

/// Drawn with replacement: each block once on average, its count of variance `1 - 1/n`, all counts together `n`.
#[test]
fn blocks_are_drawn_evenly() {
    let drawn: Vec<Vec<f64>> = draws(5, 3).take(4000).collect();
    for block in 0..5 {
        let counts = drawn.iter().map(|counts| counts[block]);
        let mean = counts.clone().sum::<f64>() / 4000.0;
        let variance = counts.map(|count| (count - mean).powi(2)).sum::<f64>() / 4000.0;
        assert_close(mean, 1.0, 5.0 * (0.8_f64 / 4000.0).sqrt(), "mean");
        assert_close(variance, 0.8, 0.1, "variance");
    }
    assert!(drawn.iter().all(|counts| counts.iter().sum::<f64>() == 5.0));
    // The sum of the counts' excesses has a known error: none; that of one block's count sqrt(0.8) * sqrt(5 / 4) = 1.
    let one = estimate(5, 8, |counts| Some(counts[0])).unwrap();
    assert_eq!((one.value, one.blocks), (1.0, 5));
    assert_close(one.error, 1.0, 0.25, "error");
    assert!(estimate(3, 8, |counts| Some(counts[0])).is_some() && estimate(2, 8, |counts| Some(counts[0])).is_none());
    let now_and_then = estimate(5, 8, |counts| if counts[0] > 2.0 { Some(f64::NAN) } else { Some(counts[0]) });
    assert!(now_and_then.unwrap().error.is_finite());
}

/// statsmodels CompareMeans, unequal variances (`compare.json`).
#[test]
fn differences_have_welchs_interval() {
    let truth = vector("compare");
    for case in truth["welch"].as_array().expect("cases") {
        let side = |key: &str| {
            let side = &case[key];
            let blocks = number(&side["blocks"]) as usize;
            Estimate { value: number(&side["value"]), error: number(&side["error"]), blocks }
        };
        let got = difference(&side("a"), &side("b"), number(&case["confidence"]));
        let [low, high] = ["low", "high"].map(|key| number(&case[key]));
        assert_close(got.low, low, 1e-9 * (high - low), "low");
        assert_close(got.high, high, 1e-9 * (high - low), "high");
    }
    let exact = |value| Estimate { value, error: 0.0, blocks: 4 };
    let got = difference(&exact(1.0), &exact(3.5), 0.95);
    assert_eq!((got.low, got.high), (2.5, 2.5));
}
