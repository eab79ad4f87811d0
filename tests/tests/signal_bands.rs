//! Spectral kurtosis against scipy's transform, fractional-octave bands against the standard's formulas.
//!
//! check: spectral kurtosis | Antoni 2006 over `scipy.signal.stft` | 1e-5 (single precision)
//! check: octave, third, sixth octave bands | formulas of IEC 61260-1:2014 | 1e-12; nominal thirds (ISO 266, from memory) 1.1 %

use outside_truth::{assert_relative, number, numbers, vector};
use ringdown::signal::kurtosis::SpectralKurtosis;
use ringdown::signal::octave::{band_powers, octave_bands};
use ringdown::signal::spectrum::welch;
use ringdown::signal::taper::{Shape, Taper};
use std::f64::consts::TAU;

/// The closed form that the vector states: a steady sine, twelve dying rings, a weak tone that rises.
fn bursts() -> Vec<f32> {
    let ring = |t: f64, k: i32| {
        let u = t - (0.01 + 0.0331 * f64::from(k));
        if u >= 0.0 { (-u / 0.0008).exp() * (TAU * 6300.0 * u).sin() } else { 0.0 }
    };
    let sample = |i: i32| {
        let t = f64::from(i) / 20_000.0;
        let rings: f64 = (0..12).map(|k| ring(t, k)).sum();
        0.3 * (TAU * 1000.0 * t).sin() + rings + 0.01 * (TAU * 4321.0 * t * (1.0 + 3.0 * t)).sin()
    };
    (0..8192).map(|i| sample(i) as f32).collect()
}

fn kurtosis_of(samples: &[f32], slice: usize) -> Vec<f64> {
    let mut kurtosis = SpectralKurtosis::new(20_000.0, Taper::periodic(Shape::Hann, 128), 64);
    samples.chunks(slice).for_each(|part| kurtosis.push(part));
    kurtosis.values()
}

#[test]
fn spectral_kurtosis_is_antonis_estimator() {
    let expected = numbers(&vector("spectral_kurtosis")["kurtosis"]);
    let got = kurtosis_of(&bursts(), 8192);
    // The vector's samples are doubles, ours singles: every bin of this signal lies far enough above that rounding for
    // six digits, those with a kurtosis near zero to as much in the whole.
    assert_eq!(got.len(), expected.len());
    for (bin, (got, expected)) in got.iter().zip(&expected).enumerate() {
        assert!((got - expected).abs() <= 1e-5 * (expected.abs() + 2.0), "bin {bin}: {got}, expected {expected}");
    }
    assert_eq!(got, kurtosis_of(&bursts(), 77), "slices of another size give another result");
}

#[test]
fn the_ringing_bands_stand_out_and_a_steady_sine_reads_minus_one() {
    let kurtosis = kurtosis_of(&bursts(), 8192);
    let at = |hz: f64| kurtosis[(hz / 156.25_f64).round() as usize];
    assert!(at(6300.0) > 2.0, "{}", at(6300.0));
    assert!((at(1000.0) + 1.0).abs() < 0.01, "{}", at(1000.0));
}

#[test]
fn band_edges_are_those_of_iec_61260() {
    let vector = vector("iec61260_bands");
    for (fraction, key, low_hz, high_hz) in
        [(1, "octave", 15.0, 20_000.0), (3, "third_octave", 950.0, 20_500.0), (6, "sixth_octave", 4000.0, 20_000.0)]
    {
        let expected = vector[key].as_array().expect("bands");
        let bands = octave_bands(fraction, low_hz, high_hz);
        assert_eq!(bands.len(), expected.len(), "{key}");
        for (band, expected) in bands.iter().zip(expected) {
            assert_eq!(f64::from(band.x), number(&expected["x"]), "{key}");
            assert_relative(band.middle_hz, number(&expected["fm"]), 1e-12, key);
            assert_relative(band.low_hz, number(&expected["f1"]), 1e-12, key);
            assert_relative(band.high_hz, number(&expected["f2"]), 1e-12, key);
        }
    }
    // Preferred numbers of ISO 266 (from memory) name the exact middles within 1 %.
    let thirds = octave_bands(3, 950.0, 20_500.0);
    for (band, nominal) in thirds.iter().zip(numbers(&vector["nominal_hz_third_octave_iso266"])) {
        assert_relative(band.middle_hz, nominal, 0.011, "third octave");
    }
}

#[test]
fn bands_side_by_side_hold_all_of_the_power_and_a_tone_lies_in_one() {
    let rate = 48_000.0;
    let tone: Vec<f32> = (0..48_000).map(|n| (TAU * 6300.0 * f64::from(n) / rate).sin() as f32).collect();
    let density = welch(&tone, rate, &Taper::periodic(Shape::Hann, 1024), 512).expect("long enough");
    let powers = band_powers(&density, rate / 1024.0, &octave_bands(3, 1000.0, 20_000.0));
    let total: f64 = powers.iter().flatten().sum();
    assert_relative(total, 0.5, 1e-4, "mean square of a sine of amplitude 1");
    let loudest = powers.iter().flatten().copied().fold(0.0, f64::max);
    assert!(loudest > 0.999 * total, "{loudest} of {total}");
    let beyond = band_powers(&density, rate / 1024.0, &octave_bands(3, 30_000.0, 40_000.0));
    assert!(beyond.iter().all(Option::is_none), "{beyond:?}");
}

#[test]
fn nonsense_ranges_give_no_bands() {
    for (low_hz, high_hz) in [(0.0, 100.0), (f64::NAN, 100.0), (200.0, 100.0), (1.0, f64::INFINITY)] {
        assert!(octave_bands(3, low_hz, high_hz).is_empty(), "{low_hz} {high_hz}");
    }
}
