//! Edges of pulses far apart, drooped and clipped: what a half wave's neighbours say about its edges.
//!
//! check: rounded pulses with long quiet between, either way up, at any density of samples | closed form | 0.05 sample
//! check: steps behind a coupling capacitor, drooped back to rest | by symmetry half way | 0.05 sample
//! check: pulses clipped after the recorder's low-pass | where the whole ones are passed half way up | 0.15 sample, where the middle of what is left lies 0.25 off

use outside_truth::assert_close;
use ringdown::crank::edges::{EdgeFinder, RawEdge};
use std::f64::consts::{PI, TAU};

fn edges(signal: impl Iterator<Item = f64>, mut finder: EdgeFinder) -> Vec<RawEdge> {
    let samples: Vec<f32> = signal.map(|x| x as f32).collect();
    let mut edges = finder.push(&samples);
    edges.extend(finder.finish());
    edges
}

/// Pulses of a squared cosine, `width` samples at half height, one in `period`.
#[test]
fn edges_of_rounded_pulses_stand_at_half_height_however_long_the_quiet_between() {
    const LATE: f64 = 0.3;
    for (width, period, size) in [(16.0, 120.0, 1.0), (40.0, 300.0, -0.2), (60.0, 150.0, 30.0), (250.0, 2500.0, 1.0)] {
        let pulse = |t: f64| {
            let off = (t - LATE + 0.5 * period).rem_euclid(period) - 0.5 * period;
            if off.abs() < width { (0.5 * PI * off / width).cos().powi(2) } else { 0.0 }
        };
        for finder in [EdgeFinder::new(48_000.0), EdgeFinder::for_pulses(48_000.0)] {
            let got = edges((0..(80.0 * period) as usize).map(|i| size * pulse(i as f64)), finder);
            let settled: Vec<&RawEdge> = got.iter().skip(40).collect();
            assert!(settled.len() >= 116, "{width} {period}: {}", settled.len());
            for edge in &settled[..settled.len() - 2] {
                let early = if edge.rising == (size > 0.0) { -0.5 } else { 0.5 } * width;
                let off = (edge.at - LATE - early + 0.5 * period).rem_euclid(period) - 0.5 * period;
                assert_close(off, 0.0, 0.05, &format!("pulses of {width} in {period}"));
                // About its middle a squared cosine is a sine; the half wave is told from 35 % of it on to 35 % beyond its end.
                if edge.rising == (size < 0.0) {
                    assert_close(
                        f64::from(edge.half_mean),
                        2.0 * 0.35_f64.asin().cos() / PI,
                        0.03,
                        "mean of a half wave",
                    );
                }
                // pi / 4 of the height in half the width.
                assert_close(f64::from(edge.steep) * width, 0.5 * PI, 0.05, "steepness");
            }
        }
    }
}

/// A square behind a coupling capacitor falls back to rest by the time it steps again.
#[test]
fn edges_of_a_square_that_droops_to_rest_stand_at_its_steps() {
    for (half, decay) in [(200, 60.0), (400, 60.0), (90, 45.0), (1200, 300.0)] {
        let square = |i: usize| if (i / half).is_multiple_of(2) { -1.0 } else { 1.0 };
        let (mut before, mut out) = (0.0, 0.0);
        let mut coupled = |i: usize| {
            out = (out + square(i) - before) * (-1.0_f64 / decay).exp();
            before = square(i);
            out
        };
        let signal: Vec<f64> = (0..60 * half).map(&mut coupled).collect();
        let got = edges(signal.into_iter(), EdgeFinder::new(48_000.0));
        let settled: Vec<&RawEdge> = got.iter().skip(15).collect();
        assert!(settled.len() >= 42, "{half}: {}", settled.len());
        for edge in settled {
            let steps = (edge.at + 0.5) / half as f64;
            assert_close(steps, steps.round(), 0.05 / half as f64, &format!("half way up a step of {half}, {decay}"));
            assert_eq!(edge.rising, steps.round() as usize % 2 == 1, "{half}");
        }
    }
}

/// A step through a low-pass of nine tenths of half the rate: the sine integral, 0 to 1.
fn step(t: f64) -> f64 {
    let x = 0.9 * PI * t;
    let parts = 16 + (8.0 * x.abs()) as usize;
    // Simpson's rule.
    let h = x / (2 * parts) as f64;
    let sinc = |k: usize| if k == 0 { 1.0 } else { (k as f64 * h).sin() / (k as f64 * h) };
    let sum: f64 =
        (0..=2 * parts).map(|k| if k % (2 * parts) == 0 { 1.0 } else { 2.0 + 2.0 * (k % 2) as f64 } * sinc(k)).sum();
    0.5 + sum * h / 3.0 / PI
}

/// What a coupling capacitor leaves has no mean, so that the quiet tells how tall the pulses were.
#[test]
fn pulses_that_are_clipped_keep_their_edges() {
    for (width, period, clipped_at, way_up) in
        [(12.4, 80.3, 0.4, 1.0), (12.4, 80.3, 0.4, -1.0), (9.7, 61.1, 0.4, 1.0), (20.2, 120.7, 0.35, -1.0)]
    {
        let pulse = |t: f64| {
            let off = (t + 0.5 * period).rem_euclid(period) - 0.5 * period;
            step(off + 0.5 * width) - step(off - 0.5 * width) - width / period
        };
        let signal = |most: f64| (0..(120.0 * period) as usize).map(move |i| way_up * pulse(i as f64).min(most));
        let got = edges(signal(clipped_at), EdgeFinder::new(48_000.0));
        let settled: Vec<&RawEdge> = got.iter().skip(160).collect();
        assert!(settled.len() >= 70, "{width} {period}: {}", settled.len());
        for edge in &settled[..settled.len() - 4] {
            let early = if edge.rising == (way_up > 0.0) { -0.5 } else { 0.5 } * width;
            let off = (edge.at - early + 0.5 * period).rem_euclid(period) - 0.5 * period;
            assert_close(off, 0.0, 0.15, &format!("pulses of {width} in {period}, clipped at {clipped_at}"));
        }
    }
    assert_close(step(40.0), 1.0, 0.01, "the step's end");
    assert_close(step(0.1) - step(-0.1), 0.18, 0.001, "its rise");
    assert!((step(1.0 / 0.9) - (0.5 + 1.851_937 / PI)).abs() < 1e-6, "the sine integral of pi");
    assert!((step(TAU / 0.9 / PI) - (0.5 + 1.418_152 / PI)).abs() < 1e-6, "and of two pi");
}
