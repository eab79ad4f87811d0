//! Centre, scale and quantiles against NIST's certified values and reference libraries.
//!
//! check: mean, deviation, lag 1 | NIST StRD, eight certified sets | 1e-14, 1e-13 (NumAcc3: 4e-10, NumAcc4 as far as doubles carry)
//! check: quantiles | `numpy.quantile`, Hyndman & Fan types 7 and 8 | 1e-12
//! check: median, MAD, IQR, Qn | scipy, `statsmodels.robust.scale`, Rousseeuw & Croux 1993 | 1e-12, 1e-9

use outside_truth::{assert_close, assert_relative, number, numbers, vector};
use ringdown::stats::moments::{lag_one, mean, standard_deviation};
use ringdown::stats::robust::{
    Definition, IQR_TO_SD, MAD_TO_SD, QN_TO_SD, interquartile_range, mad, median, qn, quantile, sorted,
};

/// The sets NumAcc2 to NumAcc4 by their published rule: a first value, then 500 pairs.
fn generated(base: f64) -> Vec<f64> {
    let pairs = (0..500).flat_map(|_| [base + 0.1, base + 0.3]);
    std::iter::once(base + 0.2).chain(pairs).collect()
}

/// NIST Statistical Reference Datasets, univariate: certified to 15 digits. The standard deviation of NumAcc3 and
/// NumAcc4 depends on digits that the data lose when stored as doubles; the vector file gives what any program can
/// reach there (3.5e-10, 5.6e-9).
#[test]
fn nist_certified_mean_deviation_and_lag_one_are_met() {
    let truth = vector("nist_strd");
    let sets = truth["univariate"].as_object().expect("univariate");
    let mut checked = 0;
    for (name, set) in sets {
        let data = match name.as_str() {
            "NumAcc2" => generated(1.0),
            "NumAcc3" => generated(1e6),
            "NumAcc4" => generated(1e7),
            _ if set["data"].is_array() => numbers(&set["data"]),
            _ => continue,
        };
        let certified = &set["certified"];
        let (sd_digits, lag_digits) = match name.as_str() {
            "NumAcc3" => (4e-10, 1e-9),
            "NumAcc4" => (6e-9, 2e-8),
            _ => (1e-13, 1e-13),
        };
        assert_relative(mean(&data).unwrap(), number(&certified["mean"]), 1e-14, name);
        assert_relative(standard_deviation(&data).unwrap(), number(&certified["sd"]), sd_digits, name);
        assert_close(lag_one(&data).unwrap(), number(&certified["lag1"]), lag_digits, name);
        checked += 1;
    }
    assert_eq!(checked, 8, "all sets but PiDigits, whose digits are not carried");
}

/// numpy.quantile, types 7 and 8 of Hyndman & Fan.
#[test]
fn quantiles_of_types_7_and_8_equal_numpy() {
    let truth = vector("quantiles");
    let shares = numbers(&truth["p"]);
    for (name, case) in truth["cases"].as_object().expect("cases") {
        let ascending = sorted(&numbers(&case["x"]));
        for (kind, definition) in [("7", Definition::Linear), ("8", Definition::MedianUnbiased)] {
            for (share, expected) in shares.iter().zip(numbers(&case["types"][kind])) {
                let what = format!("{name}, type {kind}, share {share}");
                assert_close(quantile(&ascending, *share, definition).unwrap(), expected, 1e-12, &what);
            }
        }
    }
}

#[test]
fn median_and_mad_equal_scipy() {
    let truth = vector("quantiles");
    for (name, expected) in truth["median_mad"].as_object().expect("median_mad") {
        let x = numbers(&truth["cases"][name]["x"]);
        assert_close(median(&x).unwrap(), number(&expected["median"]), 1e-12, name);
        assert_close(mad(&x).unwrap(), number(&expected["mad_raw"]), 1e-12, name);
        assert_close(MAD_TO_SD * mad(&x).unwrap(), number(&expected["mad_normal"]), 1e-12, name);
    }
}

/// statsmodels.robust.scale and scipy; Qn by its definition in Rousseeuw & Croux (1993).
#[test]
fn robust_scales_equal_statsmodels() {
    let truth = vector("robust_scale");
    assert_close(QN_TO_SD, number(&truth["consistency_factors"]["qn_exact"]), 1e-14, "Qn factor");
    for case in truth["cases"].as_array().expect("cases") {
        let name = case["name"].as_str().expect("name");
        let x = numbers(&case["x"]);
        assert_close(mean(&x).unwrap(), number(&case["mean"]), 1e-9, name);
        assert_close(standard_deviation(&x).unwrap(), number(&case["sd"]), 1e-9, name);
        assert_close(mad(&x).unwrap(), number(&case["mad_raw"]), 1e-9, name);
        assert_close(IQR_TO_SD * interquartile_range(&x).unwrap(), number(&case["iqr_normal"]), 1e-9, name);
        assert_close(qn(&x).unwrap(), number(&case["qn"]), 1e-9, name);
    }
}

#[test]
fn nothing_and_nonsense_have_no_scale() {
    assert_eq!(median(&[]), None);
    assert_eq!(mean(&[]), None);
    assert_eq!(standard_deviation(&[1.0]), None);
    assert_eq!(lag_one(&[2.0, 2.0, 2.0]), None);
    assert_eq!(qn(&[1.0, f64::NAN]), None);
    assert_eq!(quantile(&[1.0], f64::NAN, Definition::Linear), None);
}
