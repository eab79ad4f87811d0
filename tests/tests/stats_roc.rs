//! ROC, its area and the error of the area against scikit-learn and the published formulas; local lines and rising
//! curves against R and scipy.
//!
//! check: ROC, AUC, DeLong, Hanley & McNeil | scikit-learn; the published formulas | 1e-12; interval 1e-9
//! check: isotonic fit, local lines | scikit-learn; R `lowess` | 1e-12; 1e-6

use outside_truth::{assert_close, number, numbers, vector};
use ringdown::stats::isotonic;
use ringdown::stats::robust::{median, sorted};
use ringdown::stats::roc::Roc;
use ringdown::stats::smooth::{Sums, bisquare, tricube};

fn split(scores: &[f64], labels: &[f64]) -> (Vec<f64>, Vec<f64>) {
    let of = |wanted: f64| scores.iter().zip(labels).filter(|(_, l)| **l == wanted).map(|(s, _)| *s).collect();
    (of(0.0), of(1.0))
}

/// scikit-learn roc_auc_score; Mann-Whitney; Hanley & McNeil 1982; DeLong 1988.
#[test]
fn area_ties_and_errors_equal_scikit_learn() {
    for case in vector("roc_auc")["cases"].as_array().expect("cases") {
        let (negatives, positives) = split(&numbers(&case["scores"]), &numbers(&case["labels"]));
        let roc = Roc::new(&negatives, &positives).expect("both classes");
        let what = case["scores"].to_string();
        assert_close(roc.auc, number(&case["auc"]), 1e-12, &what);
        assert_close(roc.hanley_mcneil_error(), number(&case["hanley_mcneil_se"]), 1e-12, &what);
        if !case["delong_var"].is_null() {
            assert_close(roc.variance.unwrap(), number(&case["delong_var"]), 1e-12, &what);
        }
        let youden = roc.points.iter().map(|p| p.recall - p.false_alarm).fold(0.0, f64::max);
        assert_close(youden, number(&case["youden_max"]), 1e-12, &what);
        // scikit-learn drops corners on a straight line; each that it keeps must be ours.
        for (false_alarm, recall) in numbers(&case["fpr"]).into_iter().zip(numbers(&case["tpr"])) {
            let near = |p: &ringdown::stats::roc::Point| {
                (p.false_alarm - false_alarm).abs() < 1e-12 && (p.recall - recall).abs() < 1e-12
            };
            assert!(roc.points.iter().any(near), "corner ({false_alarm}, {recall}) of {what}");
        }
    }
}

/// DeLong, DeLong, Clarke-Pearson 1988, written out in the script; bootstrap within 12 % there.
#[test]
fn delong_variance_and_interval_equal_the_formula() {
    for case in vector("delong")["cases"].as_array().expect("cases") {
        let roc = Roc::new(&numbers(&case["background"]), &numbers(&case["knock"])).expect("both classes");
        assert_close(roc.auc, number(&case["auc"]), 1e-12, "area");
        assert_close(roc.variance.unwrap(), number(&case["variance"]), 1e-12, "variance");
        if roc.variance.unwrap() > 0.0 {
            let interval = roc.interval(0.95).unwrap();
            assert_close(interval.low, number(&case["low95"]).max(0.0), 1e-9, "low");
            assert_close(interval.high, number(&case["high95"]).min(1.0), 1e-9, "high");
        }
    }
}

#[test]
fn perfect_separation_is_not_certainty() {
    let roc = Roc::new(&[0.0, 1.0, 2.0], &[5.0, 6.0, 7.0, 8.0]).unwrap();
    assert_eq!(roc.auc, 1.0);
    let interval = roc.interval(0.95).unwrap();
    // Clopper-Pearson, 3 of 3: 0.025^(1/3).
    assert_close(interval.low, 0.025_f64.powf(1.0 / 3.0), 1e-12, "low");
    assert_eq!(interval.high, 1.0);
    assert_eq!(roc.at_false_alarm(0.0).map(|p| p.recall), Some(1.0));
    assert!(Roc::new(&[], &[1.0]).is_none());
    assert!(Roc::new(&[f64::NAN], &[1.0]).is_none());
}

/// scikit-learn IsotonicRegression = scipy.optimize.isotonic_regression.
#[test]
fn rising_fits_equal_scikit_learn() {
    for case in vector("isotonic")["cases"].as_array().expect("cases") {
        let values = numbers(&case["y"]);
        let weights = if case["w"].is_null() { vec![1.0; values.len()] } else { numbers(&case["w"]) };
        for (ours, expected) in isotonic::rising(&values, &weights).iter().zip(numbers(&case["increasing"])) {
            assert_close(*ours, expected, 1e-12, &case["y"].to_string());
        }
    }
}

/// R's lowess() put together from our local line, tricube and bisquare weights: bandwidth = distance to the k-th
/// nearest point, bisquare at six median absolute residuals (Cleveland 1979).
#[test]
fn local_lines_and_weights_rebuild_the_lowess_of_r() {
    for case in vector("lowess_r")["cases"].as_array().expect("cases") {
        let (x, y) = (numbers(&case["x"]), numbers(&case["y"]));
        let nearest = (number(&case["f"]) * x.len() as f64 + 1e-7) as usize;
        let mut robust = vec![1.0; x.len()];
        let mut fitted = vec![0.0; x.len()];
        for _ in 0..=case["iter"].as_u64().expect("iterations") {
            for (at, value) in x.iter().zip(&mut fitted) {
                let distances: Vec<f64> = x.iter().map(|other| (other - at).abs()).collect();
                let bandwidth = sorted(&distances)[nearest - 1];
                let mut sums = Sums::default();
                for ((other, y), weight) in x.iter().zip(&y).zip(&robust) {
                    sums.add(other - at, *y, weight * tricube((other - at) / bandwidth));
                }
                *value = sums.line().expect("points in reach").value;
            }
            let apart: Vec<f64> = y.iter().zip(&fitted).map(|(y, fit)| (y - fit).abs()).collect();
            let cut = 6.0 * median(&apart).unwrap();
            robust = apart.iter().map(|a| bisquare(a / cut)).collect();
        }
        for (ours, expected) in fitted.iter().zip(numbers(&case["r_lowess"])) {
            assert_close(*ours, expected, 1e-6, case["name"].as_str().expect("name"));
        }
    }
}

/// Binned sums moved to a new origin give the line, its variance and leverage of the points themselves.
#[test]
fn moved_sums_equal_sums_of_moved_points() {
    let points = [(1.0, 2.0, 0.5), (2.5, 1.0, 1.0), (4.0, 5.0, 2.0), (7.0, 3.5, 0.25)];
    let (mut bin, mut direct) = (Sums::default(), Sums::default());
    for (x, y, weight) in points {
        bin.add(x, y, weight);
        direct.add(x - 3.0, y, 0.7 * weight);
    }
    let mut moved = Sums::default();
    moved.add_moved(&bin, -3.0, 0.7);
    let (a, b) = (moved.line().unwrap(), direct.line().unwrap());
    for (ours, expected) in [(a.value, b.value), (a.slope, b.slope), (a.variance, b.variance), (a.leverage, b.leverage)]
    {
        assert_close(ours, expected, 1e-12, "line");
    }
}
