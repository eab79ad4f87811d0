//! Chamber modes against zeros of J'm, Draper's formula, burned gas by Cantera and a fact of the trade.
//!
//! check: zeros of J'm | Abramowitz & Stegun table 9.5; `scipy.special.jnp_zeros` | 5.1e-6 as printed; 1e-12
//! check: mode frequencies, six engines | Draper, NACA Report 493 (1935) | 1e-12 relative
//! check: speed of sound of burned gas | Cantera 3.2, GRI-Mech 3.0, 24 mixtures | 3.7 %, the mixtures' own spread

use ringdown::feature::modes::{GAS_TEMPERATURE_K, mode_hz, modes, sound_speed_m_per_s};
use serde_json::Value;
use std::f64::consts::PI;

/// Draper writes (m, n) with n from 0; the vectors count zeros from 1, the trivial one of J'0 left out.
fn key(m: u32, n: u32) -> String {
    format!("m{m}_k{}", if m == 0 { n } else { n + 1 })
}

/// Abramowitz & Stegun (1964) table 9.5, through scipy.special.jnp_zeros.
#[test]
fn modes_are_the_first_six_zeros_in_ascending_order() {
    let vectors: Value = serde_json::from_str(include_str!("../vectors/jnp_zeros.json")).unwrap();
    let (bore_mm, temperature_k) = (86.0, 2000.0);
    for (mode, expected) in
        modes(bore_mm, [temperature_k; 2]).iter().zip(vectors["ascending_order"].as_array().unwrap())
    {
        let key = key(mode.m, mode.n);
        assert_eq!(key, expected.as_str().unwrap());
        let alpha = mode.hz * PI * bore_mm * 1e-3 / sound_speed_m_per_s(temperature_k);
        assert!((alpha - vectors["zeros"][&key]["alpha"].as_f64().unwrap()).abs() < 1e-12, "{key}: {alpha}");
        let printed = vectors["printed_abramowitz_stegun_table_9_5"][&key].as_f64().unwrap();
        assert!((alpha - printed).abs() < 5.1e-6, "{key}: {alpha}, printed {printed}");
    }
}

#[test]
fn drapers_formula_holds_for_six_engines() {
    let vectors: Value = serde_json::from_str(include_str!("../vectors/jnp_zeros.json")).unwrap();
    for case in vectors["draper_cases"].as_array().unwrap() {
        let number = |name: &str| case[name].as_f64().unwrap();
        for (key, hz) in case["f_hz"].as_object().unwrap() {
            let alpha = vectors["zeros"][key]["alpha"].as_f64().unwrap();
            let got = mode_hz(alpha, number("c_m_s"), number("bore_m") * 1e3);
            assert!((got / hz.as_f64().unwrap() - 1.0).abs() < 1e-12, "{key}");
        }
    }
}

/// Cantera 3.2 with GRI-Mech 3.0, frozen composition, 24 mixtures of methane and propane. The fixed pair must stay within
/// the spread of the mixtures themselves: R alone differs by 7.5 %, so the speed of sound by 3.7 %.
#[test]
fn fixed_gas_constants_stay_near_burned_gas() {
    let vectors: Value = serde_json::from_str(include_str!("../vectors/burned_gas.json")).unwrap();
    for case in vectors["cases"].as_array().unwrap() {
        let temperature_k = case["burned_k"].as_f64().unwrap();
        for (bore_mm, hz) in case["first_mode_hz"].as_object().unwrap() {
            let got = modes(bore_mm.parse().unwrap(), [temperature_k; 2])[0].hz;
            let ratio = got / hz.as_f64().unwrap();
            assert!((ratio - 1.0).abs() < 0.037, "bore {bore_mm} mm at {temperature_k} K: {ratio}");
        }
    }
}

/// Common practice, no source: engines of 87.5 mm bore are tuned to 6.7 kHz.
#[test]
fn what_the_trade_listens_to_lies_inside_the_first_modes_range() {
    let first = modes(87.5, GAS_TEMPERATURE_K)[0];
    assert!(first.hz_low < 6700.0 && 6700.0 < first.hz_high, "{first:?}");
}

#[test]
fn the_value_belongs_to_the_mean_temperature_and_the_order_of_the_range_does_not_matter() {
    let both = modes(94.0, [1500.0, 2800.0]);
    assert_eq!(both, modes(94.0, [2800.0, 1500.0]));
    for (mode, mean) in both.iter().zip(modes(94.0, [2150.0; 2])) {
        assert_eq!(mode.hz, mean.hz);
        assert!(mode.hz_low < mode.hz && mode.hz < mode.hz_high);
    }
}
