//! Butterworth designs, causal and zero-phase outputs against scipy.signal; band banks against single filters.
//!
//! check: Butterworth designs, group delay | `scipy.signal.butter` | 1e-9
//! check: causal and zero-phase filtering | `scipy.signal.sosfilt`, `sosfiltfilt` | 1e-12 impulse response; see `signal_filter.rs`

use ringdown::signal::filter::{Abreast, BadDesign, Bank, MOST_ORDER, Pass, butterworth};
use ringdown::signal::filtfilt::{filtfilt, filtfilt_together};
use serde_json::Value;
use std::f64::consts::PI;

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().expect("list").iter().map(|x| x.as_f64().expect("number")).collect()
}

fn pass(kind: &str, edges: &Value) -> Pass {
    match kind {
        "lowpass" => Pass::Low { edge_hz: edges.as_f64().or(edges[0].as_f64()).unwrap() },
        "highpass" => Pass::High { edge_hz: edges.as_f64().or(edges[0].as_f64()).unwrap() },
        _ => Pass::Band { low_hz: edges[0].as_f64().unwrap(), high_hz: edges[1].as_f64().unwrap() },
    }
}

fn close(got: f64, expected: f64, tolerance: f64, what: &str) {
    assert!((got - expected).abs() <= tolerance, "{what}: {got}, expected {expected}");
}

#[test]
fn designs_have_the_response_of_scipy() {
    let vectors: Value = serde_json::from_str(include_str!("../vectors/butter_sos.json")).unwrap();
    for design in vectors["designs"].as_array().unwrap() {
        let kind = design["type"].as_str().unwrap();
        let order = design["order_N"].as_u64().unwrap() as usize;
        let filter =
            butterworth(order, pass(kind, &design["Wn_hz"]), design["fs_hz"].as_f64().unwrap()).expect("design");
        let expected = numbers(&design["H_re"]).into_iter().zip(numbers(&design["H_im"]));
        for (hz, (re, im)) in numbers(&design["freq_hz"]).into_iter().zip(expected) {
            let got = filter.response(hz);
            close((got.re - re).hypot(got.im - im), 0.0, 1e-9 * re.hypot(im).max(1e-3), &format!("{kind} {hz} Hz"));
        }
        let mut run = filter.start();
        for (n, expected) in numbers(&design["impulse_response_64"]).into_iter().enumerate() {
            close(run.step(if n == 0 { 1.0 } else { 0.0 }), expected, 1e-12, &format!("{kind} impulse {n}"));
        }
    }
}

#[test]
fn odd_orders_and_group_delay_are_those_of_scipy() {
    let vectors: Value = serde_json::from_str(include_str!("../vectors/signal.json")).unwrap();
    for case in vectors["delays"].as_array().unwrap() {
        let kind = case["kind"].as_str().unwrap();
        let order = case["order"].as_u64().unwrap() as usize;
        let filter = butterworth(order, pass(kind, &case["edges_hz"]), case["fs_hz"].as_f64().unwrap()).unwrap();
        for (hz, delay_s) in numbers(&case["at_hz"]).into_iter().zip(numbers(&case["delay_s"])) {
            close(filter.group_delay_s(hz), delay_s, 1e-9 * delay_s, &format!("{kind} {hz} Hz"));
        }
        let expected = numbers(&case["h_re"]).into_iter().zip(numbers(&case["h_im"]));
        for (hz, (re, im)) in numbers(&case["freq_hz"]).into_iter().zip(expected) {
            let got = filter.response(hz);
            close((got.re - re).hypot(got.im - im), 0.0, 1e-9, &format!("{kind} {hz} Hz"));
        }
    }
}

/// Half power at the edges is the definition of a Butterworth band.
#[test]
fn edges_are_at_half_power_for_every_order() {
    for order in 1..=6 {
        let filter = butterworth(order, Pass::Band { low_hz: 5300.0, high_hz: 6300.0 }, 48_000.0).unwrap();
        for hz in [5300.0, 6300.0] {
            close(filter.response(hz).norm_sqr(), 0.5, 1e-9, &format!("order {order}, {hz} Hz"));
        }
    }
}

#[test]
fn a_band_by_centre_and_q_has_that_width_and_centre() {
    let Pass::Band { low_hz, high_hz } = Pass::around(6500.0, 4.0) else { panic!("no band") };
    close(high_hz - low_hz, 6500.0 / 4.0, 1e-9, "width");
    close((high_hz * low_hz).sqrt(), 6500.0, 1e-9, "centre");
}

fn case_signal() -> Vec<f32> {
    let tone = |hz: f64, n: usize, phase: f64| (2.0 * PI * hz * n as f64 / 48_000.0 + phase).sin();
    (0..200).map(|n| (tone(6500.0, n, 0.0) + 0.5 * tone(1200.0, n, 0.3) + 0.1) as f32).collect()
}

#[test]
fn causal_and_zero_phase_outputs_are_those_of_scipy() {
    let vectors: Value = serde_json::from_str(include_str!("../vectors/butter_sos.json")).unwrap();
    let case = &vectors["filter_case"];
    let filter = butterworth(2, Pass::Band { low_hz: 5500.0, high_hz: 7500.0 }, 48_000.0).unwrap();
    let x = case_signal();
    let mut causal = vec![0.0; x.len()];
    let mut run = filter.start();
    for (x, out) in x.chunks(13).zip(causal.chunks_mut(13)) {
        run.run(x, out);
    }
    // single-precision samples: half a step at 1 is 6e-8
    for (n, expected) in numbers(&case["sosfilt"]).into_iter().enumerate() {
        close(f64::from(causal[n]), expected, 2e-7, &format!("causal {n}"));
    }
    for (n, expected) in numbers(&case["sosfiltfilt_default_padding"]).into_iter().enumerate() {
        close(filtfilt(&filter, &x)[n], expected, 2e-7, &format!("zero phase {n}"));
    }
}

#[test]
fn zero_phase_survives_slices_shorter_than_its_padding() {
    let filter = butterworth(4, Pass::Band { low_hz: 5500.0, high_hz: 7500.0 }, 48_000.0).unwrap();
    for len in 0..40 {
        let out = filtfilt(&filter, &case_signal()[..len]);
        assert_eq!(out.len(), len);
        assert!(out.iter().all(|x| x.abs() < 10.0), "length {len}");
    }
}

#[test]
fn zero_phase_low_pass_keeps_a_constant() {
    let filter = butterworth(3, Pass::Low { edge_hz: 1000.0 }, 48_000.0).unwrap();
    for x in filtfilt(&filter, &[0.75; 100]) {
        close(x, 0.75, 1e-9, "constant");
    }
}

#[test]
fn slices_filtered_together_and_channels_abreast_are_those_filtered_alone() {
    let filter = butterworth(4, Pass::Band { low_hz: 5200.0, high_hz: 6600.0 }, 48_000.0).unwrap();
    let x = case_signal();
    let slices = [&x[..], &x[100..137], &[], &x[7..8]];
    for (together, slice) in filtfilt_together(&filter, slices).iter().zip(slices) {
        let alone = filtfilt(&filter, slice);
        assert_eq!(together.len(), slice.len());
        together.iter().zip(&alone).for_each(|(a, b)| close(*a, *b, 1e-13, "together"));
    }
    let channels = [&x[..150], &x[20..170], &x[40..]];
    let mut alone = channels.map(|_| filter.start());
    let mut n = 0;
    Abreast::new(&filter).run(channels, |out| {
        for ((run, channel), out) in alone.iter_mut().zip(channels).zip(out) {
            close(out, run.step(f64::from(channel[n])), 1e-13, "abreast");
        }
        n += 1;
    });
    assert_eq!(n, 150);
}

#[test]
fn a_bank_gives_what_its_filters_give_alone() {
    let filters: Vec<_> = (0..6)
        .map(|lane| {
            let low_hz = 3000.0 + 1000.0 * lane as f64;
            butterworth(1 + lane % 3, Pass::Band { low_hz, high_hz: low_hz + 800.0 }, 48_000.0).unwrap()
        })
        .collect();
    let mut alone: Vec<_> = filters.iter().map(|filter| filter.start()).collect();
    let x = case_signal();
    let mut n = 0;
    let mut single = Vec::new();
    Bank::<f32, 8>::new(&filters).run(&x, |out| single.push(out));
    Bank::<f64, 6>::new(&filters).run(&x, |out| {
        for (lane, (run, out)) in alone.iter_mut().zip(out).enumerate() {
            let truth = run.step(f64::from(x[n]));
            close(out, truth, 1e-12, "lane");
            close(f64::from(single[n][lane]), truth, 1e-5, "lane in single precision");
        }
        assert_eq!(single[n][6..], [0.0; 2], "lanes without a filter");
        n += 1;
    });
    assert_eq!((n, single.len()), (x.len(), x.len()));
}

#[test]
fn impossible_designs_are_refused() {
    let band = |low_hz, high_hz| Pass::Band { low_hz, high_hz };
    for pass in [
        band(0.0, 1000.0),
        band(2000.0, 1000.0),
        band(1000.0, 1000.0),
        band(1000.0, 24_000.0),
        band(f64::NAN, 1000.0),
        Pass::Low { edge_hz: f64::INFINITY },
        Pass::High { edge_hz: -3.0 },
    ] {
        assert_eq!(butterworth(2, pass, 48_000.0), Err(BadDesign::Edges), "{pass:?}");
    }
    for order in [0, MOST_ORDER + 1] {
        assert_eq!(butterworth(order, band(1000.0, 2000.0), 48_000.0), Err(BadDesign::Order));
    }
    assert_eq!(butterworth(2, band(1000.0, 2000.0), f64::NAN), Err(BadDesign::Edges));
}

#[test]
fn a_bad_sample_does_not_poison_what_follows() {
    let filter = butterworth(2, Pass::Band { low_hz: 5500.0, high_hz: 7500.0 }, 48_000.0).unwrap();
    let mut x = case_signal();
    (x[50], x[51]) = (f32::NAN, f32::INFINITY);
    filter.start().run_in_place(&mut x);
    assert!(x.iter().all(|x| x.is_finite()));
    assert!(filtfilt(&filter, &x).iter().all(|x| x.is_finite()));
}
