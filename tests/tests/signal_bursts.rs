//! Which frequencies come in bursts, and levels in thirds of an octave, as the card tells them of whole recordings.
//!
//! check: which frequencies come in bursts, safe beside provoked running | rings put in at known frequencies, noise, clicks | ring inside the range told; nothing told of louder noise or of clicks in both, 20 seeds
//! check: levels in thirds of an octave | a sine and white noise, closed form with the edges of IEC 61260-1 | 0.1 and 0.4 dB

use outside_truth::assert_close;
use ringdown::card::{Card, FileRole, Input};
use ringdown::feature::sensor::SensorScan;
use ringdown::out::{chart, result, section};
use serde_json::Value;
use std::f64::consts::TAU;

const RATE: f64 = 48_000.0;

/// Noise of a normal law: twelve even ones (central limit), by a generator of its own.
struct Noise(u64);

impl Noise {
    fn even(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.even()).sum::<f64>() - 6.0
    }
}

/// Twenty seconds at 50 firings a second: noise of `gain`, a click at 11 kHz each firing, and a ring at 6.5 kHz (1.5 ms)
/// after one firing in twenty, `ring` times as high as the noise.
fn run(noise: &mut Noise, gain: f64, ring: f64) -> Vec<f32> {
    let mut samples: Vec<f64> = (0..20 * RATE as usize).map(|_| 0.02 * gain * noise.normal()).collect();
    for firing in 0..20 * 50 {
        let at = firing * (RATE as usize / 50) + (200.0 * noise.even()) as usize;
        let knocks = noise.even() < 0.05;
        for (step, sample) in samples.iter_mut().skip(at).take(480).enumerate() {
            let t = step as f64 / RATE;
            *sample += 0.02 * gain * 4.0 * (-t / 0.0003).exp() * (TAU * 11_000.0 * t).sin();
            if knocks {
                *sample += 0.02 * gain * ring * (-t / 0.0015).exp() * (TAU * 6500.0 * t).sin();
            }
        }
    }
    samples.into_iter().map(|sample| sample as f32).collect()
}

/// A mono WAV of single-precision words.
fn wave(samples: &[f32]) -> Vec<u8> {
    let length = samples.len() as u32 * 4;
    let mut out = b"RIFF".to_vec();
    out.extend((36 + length).to_le_bytes());
    out.extend(b"WAVEfmt \x10\0\0\0\x03\0\x01\0");
    out.extend((RATE as u32).to_le_bytes());
    out.extend((RATE as u32 * 4).to_le_bytes());
    out.extend(b"\x04\0\x20\0data");
    out.extend(length.to_le_bytes());
    out.extend(samples.iter().flat_map(|sample| sample.to_le_bytes()));
    out
}

fn card(files: &[(&str, &[f32], FileRole)]) -> Card {
    let mut card = Card::default();
    card.set_sheet(br#"{"sheet":1,"sensors":[{"channel":1}]}"#).expect("a sheet");
    for (name, samples, role) in files {
        card.add(Input::from_bytes(*name, wave(samples)), Some(*role)).expect("a recording");
    }
    while !card.step().progress.done {}
    card
}

/// The one channel's figures.
fn most(card: &Card) -> Value {
    let result = result::result(card);
    assert_eq!(result["bursts"].as_array().map(Vec::len), Some(1), "{}", result["bursts"]);
    result["bursts"][0]["most"].clone()
}

fn says(card: &Card, part: &str) -> bool {
    section::view(card, 5).expect("a section").why.iter().any(|line| line.contains(part))
}

#[test]
fn rings_are_told_with_their_frequency_and_neither_louder_noise_nor_clicks_in_both_are() {
    let seeds = if std::env::var_os("RINGDOWN_LONG").is_some() { 20 } else { 3 };
    for seed in 0..seeds {
        let mut noise = Noise(seed);
        let safe = run(&mut noise, 1.0, 0.0);
        let (louder, knocking) = (run(&mut noise, 1.7, 0.0), run(&mut noise, 1.2, 4.0));
        let found = card(&[("safe.wav", &safe, FileRole::Safe), ("hot.wav", &knocking, FileRole::Knock)]);
        let told = most(&found);
        println!("{seed}: {told}");
        let [low, high] = ["low_hz", "high_hz"].map(|key| told[key].as_f64().expect("Hz"));
        assert!(told["more"] == true && low < 6500.0 && 6500.0 < high && high < 8500.0, "{seed}: {told}");
        assert!(says(&found, "furthest out of safe running"), "{seed}");
        let alike = card(&[("safe.wav", &safe, FileRole::Safe), ("hot.wav", &louder, FileRole::Knock)]);
        assert!(most(&alike)["more"] == false && says(&alike, "finds no frequency"), "{seed}: {}", most(&alike));
        // Of one kind alone the clicks are what is most impulsive, and nobody says that they knock.
        let alone = card(&[("safe.wav", &safe, FileRole::Safe)]);
        let told = most(&alone);
        let [low, high] = ["low_hz", "high_hz"].map(|key| told[key].as_f64().expect("Hz"));
        assert!(low < 11_000.0 && 11_000.0 < high && told["more"] == false && told["safe"].is_null(), "{told}");
        assert!(says(&alone, "side by side"));
        let figure = chart::figure(&found, "kurtosis-1").expect("a figure");
        assert_eq!(figure.layers.len(), 4, "two lines and the range told");
    }
}

/// Ten times louder (20 dB) from 1000 to 6000 rpm: taken together its level varies so much that even noise passes for bursts.
#[test]
fn noise_that_rises_with_speed_is_even_at_every_speed() {
    let mut noise = Noise(5);
    let mut scan = SensorScan::new(RATE);
    for step in 0..600 {
        let share = f64::from(step) / 600.0;
        let gain = 0.01 * 10.0_f64.powf(share);
        let slice: Vec<f32> = (0..4800).map(|_| (gain * noise.normal()) as f32).collect();
        scan.push(&slice, Some(1000.0 + 5000.0 * share));
    }
    let bursts = scan.finish().bursts.expect("a minute");
    let inside = &bursts.values[5..bursts.values.len() - 5];
    let largest = inside.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    // In closed form 2 (<P^2> / <P>^2 - 1): 0.14 for a class of 1000 rpm (4 dB), 2.4 for all speeds as one.
    assert!(largest < 0.5, "{largest}");
    assert!(inside.iter().all(|value| *value > -0.3));
}

#[test]
fn thirds_hold_the_power_between_their_edges() {
    let mut noise = Noise(9);
    let mut scan = SensorScan::new(RATE);
    for slice in 0..200 {
        let sample = |n: i32| 0.1 * (TAU * 2000.0 * f64::from(slice * 4800 + n) / RATE).sin() + 0.01 * noise.normal();
        let samples: Vec<f32> = (0..4800).map(sample).map(|sample| sample as f32).collect();
        scan.push(&samples, Some(3000.0));
    }
    let features = scan.finish();
    let thirds = &features.spectra.by_speed[0].thirds;
    let level = |hz: f64| {
        let near = |a: f64, b: f64| (a / b).ln().abs();
        thirds.iter().min_by(|a, b| near(a.hz, hz).total_cmp(&near(b.hz, hz))).expect("thirds").db
    };
    assert_close(level(2000.0), 10.0 * (0.1_f64 * 0.1 / 2.0).log10(), 0.1, "the sine alone is 0.005 in mean square");
    for k in [6, 7, 8, 9, 10, 11, 12] {
        // Edges of IEC 61260-1, base ten: 1000 * 10^((k -+ 0.5) / 10); variance 1e-4 spread over half the sampling rate.
        let [low, high] = [-0.5, 0.5].map(|half| 1000.0 * 10.0_f64.powf((f64::from(k) + half) / 10.0));
        let truth = 10.0 * (1e-4 * (high - low) / (0.5 * RATE)).log10();
        assert_close(level((low * high).sqrt()), truth, 0.4, &format!("third {k}"));
    }
    assert!(thirds.iter().all(|third| third.hz < 22_000.0), "none reaches beyond half the sampling rate");
}
