//! A control unit's own causal filter: its delay and the level it gives in the moved window, against scipy.
//!
//! check: delay of a control unit's band-pass | `1 / (pi * width)` of one pole pair; `scipy.signal.group_delay` | 1 %; 1e-9
//! check: level of a burst through it, in the moved window | `scipy.signal.sosfilt` | 1e-4 dB

use outside_truth::assert_close;
use ringdown::crank::Event;
use ringdown::crank::track::Segment;
use ringdown::feature::causal::CausalMeter;
use ringdown::feature::control::{Control, Settable};
use ringdown::feature::level::{LeftOut, Level, Slice};
use serde_json::{Value, json};
use std::f64::consts::TAU;

/// The signal of `vectors/make_control.py`.
fn burst(rate_hz: f64, tdc_s: f64, deg_per_s: f64) -> Vec<f32> {
    let sample = |n: u32| {
        let t_s = f64::from(n) / rate_hz;
        let on = (12.0..30.0).contains(&((t_s - tdc_s) * deg_per_s));
        let tone = |amplitude: f64, hz: f64| amplitude * (TAU * hz * t_s).sin();
        (if on { tone(0.1, 6400.0) } else { 0.0 } + tone(0.003, 7300.0)) as f32
    };
    (0..9600).map(sample).collect()
}

/// Delay to 1e-9 relative; level to 1e-4 dB, what single precision leaves of it.
#[test]
fn the_delay_and_the_level_through_a_causal_filter_are_those_of_scipy() {
    let vectors: Value = serde_json::from_str(include_str!("../vectors/control.json")).unwrap();
    let number = |value: &Value| value.as_f64().expect("a number");
    let (rate_hz, rpm, tdc_s) = (number(&vectors["rate_hz"]), number(&vectors["rpm"]), number(&vectors["tdc_s"]));
    let t_s: Vec<f64> = (0..=100).map(|knot| f64::from(knot) * 0.001).collect();
    let deg: Vec<f64> = t_s.iter().map(|t_s| 6.0 * rpm * t_s).collect();
    let segment = Segment { t_s, deg, turn_known: true, error_deg: 0.0, ..Segment::default() };
    let event = Event {
        t_s: tdc_s,
        deg: 6.0 * rpm * tdc_s,
        segment: 0,
        cylinder: Some(1),
        pair: None,
        sensor: None,
        rpm: rpm as f32,
        rpm_per_s: 0.0,
    };
    let samples = burst(rate_hz, tdc_s, 6.0 * rpm);
    let slice = Slice { samples: &samples, first: 0, clip: [-1.0, 1.0] };
    let clean = Level { energy_db: -30.0, peak_db: -25.0, reference_db: -50.0, left_out: None };
    for case in vectors["cases"].as_array().unwrap() {
        let map = json!({"filter": {"kind": "band-pass", "order": case["order"]}, "window_step_deg": 1});
        let control = Control::of(map.as_object().unwrap());
        let band = Settable { centre_hz: number(&case["centre_hz"]), q: number(&case["q"]) };
        let delay_s = control.delay_s(band).unwrap();
        assert_close(delay_s, number(&case["delay_s"]), 1e-9 * delay_s, "delay");
        let window = control.window_to_set([10.0, 40.0], delay_s, rpm);
        assert_eq!(window.to_vec(), case["window_deg"].as_array().unwrap().iter().map(number).collect::<Vec<_>>());
        let meter = CausalMeter::new(rate_hz, &control, band, [10.0, 40.0]).unwrap();
        let level = meter.measure(&slice, &segment, &event, &clean);
        assert_close(f64::from(level.energy_db), number(&case["energy_db"]), 1e-4, &case.to_string());
        let clipped = Level { left_out: Some(LeftOut::Clipped), ..clean };
        assert_eq!(meter.measure(&slice, &segment, &event, &clipped).left_out, Some(LeftOut::Clipped));
        let late = Event { deg: 3590.0, ..event };
        assert_eq!(meter.measure(&slice, &segment, &late, &clean).left_out, Some(LeftOut::Outside));
    }
}

/// A sampling rate too low for the band, or a band that is none, gives no meter.
#[test]
fn a_band_that_cannot_be_built_is_not_measured_through() {
    let control = Control::default();
    let meter = |rate_hz: f64, centre_hz: f64, q: f64| {
        CausalMeter::new(rate_hz, &control, Settable { centre_hz, q }, [10.0, 40.0]).is_some()
    };
    assert!(meter(48_000.0, 6400.0, 4.0));
    assert!(!meter(12_000.0, 6400.0, 4.0) && !meter(48_000.0, f64::NAN, 4.0) && !meter(48_000.0, 6400.0, 0.0));
}
