//! Welch spectra, cross spectra, coherence and spectrograms against scipy.signal.
//!
//! check: Welch, cross spectra, coherence | `scipy.signal` | 1e-6 relative plus the rounding of single precision
//! check: spectrogram | `scipy.signal.spectrogram`, `stft` | 1e-6 relative plus the rounding of single precision; as decibels 0.01

use ringdown::signal::spectrum::{Cross, Detrend, TooShort, Welch, welch};
use ringdown::signal::stft::{Hold, Spectrogram, Stft, View};
use ringdown::signal::taper::{Shape, Taper};
use serde_json::Value;
use std::f64::consts::PI;

fn vectors(text: &str) -> Value {
    serde_json::from_str(text).expect("JSON")
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().expect("list").iter().map(|x| x.as_f64().expect("number")).collect()
}

fn singles(value: &Value) -> Vec<f32> {
    numbers(value).into_iter().map(|x| x as f32).collect()
}

/// Relative to 1e-6, the accuracy asked for; `noise` is what rounding the samples to single precision adds to a bin: its
/// amplitude, three standard deviations of it, adds to that of the bin.
fn check(got: &[f64], expected: &[f64], noise: f64, what: &str) {
    assert_eq!(got.len(), expected.len(), "{what}");
    for (k, (got, expected)) in got.iter().zip(expected).enumerate() {
        let allowed = 1e-6 * expected.abs() + 6.0 * (expected.abs() * noise).sqrt() + 9.0 * noise;
        assert!((got - expected).abs() <= allowed, "{what}, bin {k}: {got}, expected {expected}");
    }
}

#[test]
fn welch_is_that_of_scipy() {
    let vectors = vectors(include_str!("../vectors/welch_stft.json"));
    let x = singles(&vectors["x"]);
    // steps of 2^-23 between 1 and 2, spread over 500 Hz; the power spectrum's noise bandwidth is 1.5 bins of 7.8125 Hz
    let noise = 2.0_f64.powi(-46) / 12.0 / 500.0;
    for (detrend, key) in [(Detrend::Mean, "constant"), (Detrend::Nothing, "none")] {
        let mut spectrum = Welch::new(1000.0, Taper::periodic(Shape::Hann, 128), 64, detrend);
        spectrum.push(&x);
        assert_eq!(spectrum.segments(), 7);
        let expected = |scaling: &str| numbers(&vectors["welch"][format!("hann_128_50pct_{scaling}_detrend_{key}")]);
        check(&spectrum.density().unwrap(), &expected("density"), noise, key);
        check(&spectrum.power().unwrap(), &expected("spectrum"), noise * 11.72, key);
    }
}

#[test]
fn welch_of_odd_length_is_that_of_scipy() {
    let vectors = vectors(include_str!("../vectors/signal.json"));
    let taper = Taper::periodic(Shape::BlackmanHarris, 255);
    let got = welch(&singles(&vectors["x"]), 8000.0, &taper, 100).unwrap();
    check(&got, &numbers(&vectors["welch_odd"]), 0.0, "odd");
}

#[test]
fn welch_does_not_depend_on_the_slicing() {
    let vectors = vectors(include_str!("../vectors/signal.json"));
    let x = singles(&vectors["x"]);
    let whole = welch(&x, 8000.0, &Taper::periodic(Shape::Hann, 256), 100).unwrap();
    for size in [1, 7, 99, 256, 300, 2000] {
        let mut sliced = Welch::new(8000.0, Taper::periodic(Shape::Hann, 256), 100, Detrend::Nothing);
        x.chunks(size).for_each(|slice| sliced.push(slice));
        assert_eq!(sliced.density().unwrap(), whole, "slices of {size}");
    }
}

/// Parseval: with a rectangle the density sums to the mean square.
#[test]
fn welch_keeps_the_mean_square() {
    let vectors = vectors(include_str!("../vectors/welch_stft.json"));
    let x = singles(&vectors["x"]);
    let density = welch(&x, 1000.0, &Taper::periodic(Shape::Rectangle, 512), 512).unwrap();
    let sum = density.iter().sum::<f64>() * 1000.0 / 512.0;
    let expected = vectors["parseval"]["mean_square"].as_f64().unwrap();
    assert!((sum / expected - 1.0).abs() < 1e-6, "{sum}, expected {expected}");
}

#[test]
fn welch_says_how_many_samples_are_missing() {
    let got = welch(&[0.0; 100], 1000.0, &Taper::periodic(Shape::Hann, 128), 64);
    assert_eq!(got, Err(TooShort { needed: 128, present: 100 }));
}

#[test]
fn coherence_and_cross_spectrum_are_those_of_scipy() {
    let vectors = vectors(include_str!("../vectors/signal.json"));
    let (x, y) = (singles(&vectors["x"]), singles(&vectors["y"]));
    let mut cross = Cross::new(8000.0, Taper::periodic(Shape::Hann, 256), 128, Detrend::Mean);
    for (x, y) in x.chunks(77).zip(y.chunks(77)) {
        cross.push(x, y);
    }
    check(&cross.coherence().unwrap(), &numbers(&vectors["coherence"]), 0.0, "coherence");
    let density = cross.density().unwrap();
    let most = density.iter().fold(0.0_f64, |most, x| most.max(x.norm()));
    let expected = numbers(&vectors["csd_re"]).into_iter().zip(numbers(&vectors["csd_im"]));
    for (got, (re, im)) in density.iter().zip(expected) {
        assert!((got.re - re).hypot(got.im - im) < 1e-9 * most, "{got}, expected {re} {im}");
    }
}

#[test]
fn silent_channels_have_no_coherence() {
    let mut cross = Cross::new(8000.0, Taper::periodic(Shape::Hann, 64), 32, Detrend::Mean);
    cross.push(&[0.0; 640], &[0.0; 640]);
    assert!(cross.coherence().unwrap().iter().all(|c| *c == 0.0));
}

/// scipy's spectrum-scaled spectrogram of a sine of amplitude 1 reads 1/2, ours 1 (0 dB); bin 0 is 1 in both.
#[test]
fn spectrogram_is_that_of_scipy_scaled_to_a_full_scale_sine() {
    let vectors = vectors(include_str!("../vectors/welch_stft.json"));
    let x = singles(&vectors["x"]);
    let mut stft = Stft::new(&Taper::periodic(Shape::Hann, 128));
    let mut out = vec![0.0; 13 * stft.bins()];
    assert_eq!(stft.levels_db(&x, 32, &mut out), 13);
    for (segment, key) in [(0, "col0"), (5, "col5")] {
        let expected = numbers(&vectors["spectrogram_spectrum"][key]);
        for (bin, expected) in expected.iter().enumerate() {
            let sides = if bin == 0 || bin == 64 { 1.0 } else { 2.0 };
            let expected = 10.0 * (sides * expected).log10();
            let got = f64::from(out[segment * stft.bins() + bin]);
            assert!((got - expected).abs() < 0.01, "{key}, bin {bin}: {got}, expected {expected}");
        }
    }
}

/// The same before it becomes decibels, against `spectrogram` and `stft`: |Z| of a sine of amplitude 1 is 1/2 there.
#[test]
fn short_time_power_is_that_of_scipy_to_a_millionth() {
    let vectors = vectors(include_str!("../vectors/welch_stft.json"));
    let x = singles(&vectors["x"]);
    let mut stft = Stft::new(&Taper::periodic(Shape::Hann, 128));
    let sides = |bin: usize| if bin == 0 || bin == 64 { 1.0 } else { 2.0 };
    let squared = |z: f64| z * z;
    let power = |key: &str| numbers(&vectors["spectrogram_spectrum"][key]);
    let z = numbers(&vectors["stft_spectrum"]["col0_abs"]);
    let columns = [
        (0, power("col0").iter().enumerate().map(|(bin, power)| sides(bin) * power).collect()),
        (5, power("col5").iter().enumerate().map(|(bin, power)| sides(bin) * power).collect()),
        (0, z.iter().enumerate().map(|(bin, z)| squared(sides(bin) * z)).collect::<Vec<f64>>()),
    ];
    for (column, expected) in columns {
        let mut got = vec![0.0; stft.bins()];
        stft.power(&x[32 * column..][..128], &mut got);
        let got: Vec<f64> = got.into_iter().map(f64::from).collect();
        // single precision: half a step of 2^-23 in each sample and each stage of the transform, re the loudest bin
        let loudest = expected.iter().copied().fold(0.0, f64::max);
        check(&got, &expected, loudest * 2.0_f64.powi(-48), "short-time power");
    }
}

fn sine(amplitude: f64, hz: f64, rate_hz: f64, len: usize) -> Vec<f32> {
    (0..len).map(|n| (amplitude * (2.0 * PI * hz * n as f64 / rate_hz).sin()) as f32).collect()
}

#[test]
fn full_scale_sine_reads_0_db_in_its_bin() {
    for shape in [Shape::Rectangle, Shape::Hann, Shape::FlatTop] {
        let mut stft = Stft::new(&Taper::periodic(shape, 512));
        let mut out = vec![0.0; stft.bins()];
        assert_eq!(stft.levels_db(&sine(1.0, 6000.0, 48000.0, 512), 512, &mut out), 1);
        assert!(out[64].abs() < 1e-4, "{shape:?}: {}", out[64]);
    }
}

#[test]
fn a_picture_shows_the_tone_in_its_row_and_the_burst_in_its_column() {
    let rate_hz = 48000.0;
    let mut x = vec![0.0; 480_000];
    x[240_000..242_400].copy_from_slice(&sine(0.1, 6000.0, rate_hz, 2400));
    let taper = Taper::periodic(Shape::Hann, 512);
    for hold in [Hold::Mean, Hold::Peak] {
        let view = View { from: 0, to: 480_000, low_hz: 2000.0, high_hz: 15_000.0, columns: 50, rows: 40, hold };
        let mut picture = Spectrogram::new(rate_hz, &taper, view.hop(512), view);
        let mut at = 0;
        for slice in x.chunks(1001) {
            picture.push(at, slice);
            at += slice.len() as u64;
        }
        let (mut levels, rows) = (Vec::new(), picture.rows());
        picture.levels_db(&mut levels);
        assert_eq!((picture.columns(), rows, levels.len()), (50, 40, 2000));
        let loudest = (0..levels.len()).max_by(|a, b| levels[*a].total_cmp(&levels[*b])).unwrap();
        let edges = picture.row_edges_hz();
        assert_eq!(loudest / rows, 25, "240 000 of 480 000 samples in 50 columns");
        assert!(edges[loudest % rows] <= 6000.0 && edges[loudest % rows + 1] >= 6000.0);
        if hold == Hold::Peak {
            assert!((levels[loudest] + 20.0).abs() < 0.01, "amplitude 0.1 is -20 dB: {}", levels[loudest]);
        }
        assert!(levels.iter().all(|level| level.is_finite()));
    }
}

#[test]
fn columns_without_samples_are_missing_not_silent() {
    let view = View { from: 0, to: 10_000, low_hz: 0.0, high_hz: 24_000.0, columns: 10, rows: 8, hold: Hold::Mean };
    let mut picture = Spectrogram::new(48_000.0, &Taper::periodic(Shape::Hann, 256), 128, view);
    picture.push(0, &[0.1; 3000]);
    picture.push(7000, &[0.1; 3000]);
    let mut levels = Vec::new();
    picture.levels_db(&mut levels);
    let missing: Vec<bool> = levels.chunks(picture.rows()).map(|column| column.iter().all(|x| x.is_nan())).collect();
    assert_eq!(missing, [false, false, false, true, true, true, true, false, false, false]);
}

#[test]
fn absurd_views_are_survived() {
    for (from, to, low_hz, high_hz, columns, rows) in [
        (5, 5, 0.0, 0.0, 0, 0),
        (9, 3, 5e9, -1.0, usize::MAX, usize::MAX),
        (0, u64::MAX, f64::NAN, f64::INFINITY, 3, 3),
    ] {
        let view = View { from, to, low_hz, high_hz, columns, rows, hold: Hold::Mean };
        let mut picture = Spectrogram::new(48_000.0, &Taper::periodic(Shape::Hann, 64), view.hop(64), view);
        picture.push(0, &[f32::NAN; 1000]);
        let mut levels = Vec::new();
        picture.levels_db(&mut levels);
        assert_eq!(levels.len(), picture.columns() * picture.rows());
        assert!(!levels.is_empty());
    }
}
