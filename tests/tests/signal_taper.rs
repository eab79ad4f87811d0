//! Tapers against F. J. Harris, Proc. IEEE 66 (1978) 51-83, table 1, and scipy.signal.get_window.
//!
//! check: taper constants and weights | `scipy.signal.get_window`; Harris 1978 table 1 (from memory) | 1e-9, 1e-12; as printed

use ringdown::signal::taper::{Shape, Taper};
use serde_json::Value;

const NAMES: [(&str, Shape); 6] = [
    ("boxcar", Shape::Rectangle),
    ("hann", Shape::Hann),
    ("hamming", Shape::Hamming),
    ("blackman", Shape::Blackman),
    ("blackmanharris", Shape::BlackmanHarris),
    ("flattop", Shape::FlatTop),
];

fn vectors() -> Value {
    serde_json::from_str(include_str!("../vectors/windows.json")).expect("JSON")
}

fn close(got: f64, expected: f64, tolerance: f64, what: &str) {
    assert!((got - expected).abs() <= tolerance, "{what}: {got}, expected {expected} within {tolerance}");
}

#[test]
fn constants_are_those_of_scipy() {
    let vectors = vectors();
    for (name, shape) in NAMES {
        let expected = &vectors["windows"][name]["periodic_N1024"];
        let taper = Taper::periodic(shape, 1024);
        close(taper.coherent_gain(), expected["coherent_gain"].as_f64().unwrap(), 1e-9, name);
        close(taper.noise_bandwidth_bins(), expected["enbw_bins"].as_f64().unwrap(), 1e-9, name);
        close(taper.scalloping_db(), expected["scalloping_loss_db"].as_f64().unwrap(), 1e-9, name);
    }
}

#[test]
fn weights_are_those_of_scipy() {
    let vectors = vectors();
    for (name, shape) in NAMES {
        for (key, taper) in
            [("periodic_N8_coeffs", Taper::periodic(shape, 8)), ("symmetric_N8_coeffs", Taper::symmetric(shape, 8))]
        {
            let expected = vectors["windows"][name][key].as_array().unwrap();
            assert_eq!(taper.len(), expected.len());
            for (weight, expected) in taper.weights().iter().zip(expected) {
                close(*weight, expected.as_f64().unwrap(), 1e-12, &format!("{name} {key}"));
            }
        }
    }
}

/// Two decimals as printed (held from memory). The four-term row is printed for rounded coefficients; Hamming's scalloping
/// is printed as 1.78, while 0.54 and 0.46 give 1.75.
#[test]
fn tapers_have_the_gain_and_bandwidth_that_harris_prints() {
    let vectors = vectors();
    let table = &vectors["harris1978_table1_as_printed[cg,enbw,scallop_db,highest_sidelobe_db]"];
    for (name, shape) in NAMES.iter().filter(|(name, _)| *name != "flattop") {
        let row: Vec<f64> = table[name].as_array().unwrap().iter().map(|x| x.as_f64().unwrap()).collect();
        let taper = Taper::periodic(*shape, 4096);
        close(taper.coherent_gain(), row[0], 0.006, name);
        close(taper.noise_bandwidth_bins(), row[1], 0.006, name);
        close(taper.scalloping_db(), row[2], if *name == "hamming" { 0.04 } else { 0.01 }, name);
    }
}

#[test]
fn a_taper_of_one_sample_is_one() {
    for (_, shape) in NAMES {
        assert_eq!(Taper::periodic(shape, 1).weights(), [1.0]);
        assert_eq!(Taper::symmetric(shape, 0).weights(), [1.0]);
    }
}
