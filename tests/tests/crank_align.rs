//! A recording and a log of one run: laid over each other by their speeds, so that what the log says reaches each combustion.
//!
//! check: a log laid over a recording | a run of known speed, its log on a clock of its own | offset 20 ms, load 0.2, every combustion's load breakpoint | like pulls told apart by both ends; two places that fit, another run: said

#[path = "crank_bench/engine.rs"]
#[allow(dead_code)]
mod engine;
#[path = "crank_bench/wav.rs"]
mod wav;

use engine::{Engine, Random, Speed, square, to_f32, wheel};
use ringdown::card::align::{Apart, align};
use ringdown::card::{Card, FileId, FileRole, Input};
use ringdown::crank::Track;
use ringdown::crank::track::Segment;
use ringdown::out::section;
use std::fmt::Write;
use wav::wav;

const RATE_HZ: f64 = 16_000.0;
const SECONDS: f64 = 40.0;
/// The log's clock where the recording begins, and seconds it gains a second.
const OFFSET_S: f64 = 8.34;
const DRIFT: f64 = 200e-6;
const BREAKPOINTS: [f64; 4] = [30.0, 55.0, 80.0, 105.0];

const SHEET: &str = r#"{"sheet": 1, "name": "four", "bore_mm": 86, "cylinders": 4, "strokes": 4, "firing_order": [1, 3, 4, 2],
    "sensors": [{"channel": 1, "cylinders": [1, 2, 3, 4]}],
    "crank": {"kind": "missing-tooth", "channel": 2, "teeth": 36, "missing": 1, "gap_deg_btdc": 90.0, "edge": "rising"},
    "control": {"load": [30, 55, 80, 105]}}"#;

/// Load at a time of the recording.
fn load_at(t_s: f64) -> f64 {
    20.0 + 2.1 * t_s.clamp(0.0, SECONDS)
}

/// Noise on the first channel, a wheel on the second.
fn recording(speed: Speed) -> Vec<u8> {
    let engine = Engine::new(speed, SECONDS, 31.0, 2.0, 0.01);
    let mut random = Random(11);
    let count = (SECONDS * RATE_HZ) as usize;
    let noise = (0..count).map(|_| (0.05 * random.normal()) as f32).collect();
    let teeth = square(&wheel(&engine, 36, 1, 12.0, 5.0), count, RATE_HZ);
    wav(&[noise, to_f32(&teeth, 0.5)], RATE_HZ as u32)
}

/// Twenty rows a second from before the recording to after its end, speed in whole revolutions.
fn log(rpm: impl Fn(f64) -> f64) -> Vec<u8> {
    let mut text = String::from("Time [s];RPM [1/min];Load [%];Ignition [deg];Coolant [C]\n");
    for row in 0..1200 {
        let log_s = f64::from(row) * 0.05;
        let t_s = (log_s - OFFSET_S) / (1.0 + DRIFT);
        let (rpm, load) = (rpm(t_s).round(), load_at(t_s));
        writeln!(text, "{log_s:.2};{rpm};{load:.2};{:.1};88", 30.0 - 0.2 * load).expect("a string takes all");
    }
    text.into_bytes()
}

/// A card with both, worked to its end, and the recording's number.
fn card(recording: Vec<u8>, log: Vec<u8>) -> (Card, FileId) {
    let mut card = Card::default();
    card.set_sheet(SHEET.as_bytes()).expect("a sheet");
    let id = card.add(Input::from_bytes("run.wav", recording), Some(FileRole::Safe)).expect("a recording");
    card.add(Input::from_bytes("run.csv", log), None).expect("a log");
    while !card.step().progress.done {}
    (card, id)
}

fn ramp(t_s: f64) -> f64 {
    1500.0 + 3500.0 * (t_s / 30.0).clamp(0.0, 1.0)
}

/// All that section 4 says, its table included.
fn said(card: &Card) -> String {
    serde_json::to_string(&section::view(card, 4)).expect("a section is text")
}

#[test]
fn load_and_ignition_of_the_log_reach_each_combustion_of_the_recording() {
    let (card, id) = card(recording(Speed::Ramp(1500.0, 5000.0, 30.0)), log(ramp));
    let (_, alignment) = card.log_beside(id).expect("one run");
    for t_s in [1.0, 20.0, 39.0] {
        let off_s = alignment.log_s(t_s) - (OFFSET_S + t_s * (1.0 + DRIFT));
        println!("at {t_s} s: {:.2} ms off, {alignment:?}", 1e3 * off_s);
        assert!(off_s.abs() < 0.02, "{off_s} at {t_s}");
        let context = card.context(id, t_s);
        assert!((context.load.expect("logged") - load_at(t_s)).abs() < 0.2);
        assert!((context.ignition_deg_btdc.expect("logged") - (30.0 - 0.2 * load_at(t_s))).abs() < 0.1);
        assert!((context.coolant_c.expect("logged") - 88.0).abs() < 1e-9);
        assert_eq!(context.correction_deg, None, "no such column");
    }
    assert_eq!(card.context(id, 60.0).load, None, "the log has ended");
    let outcome = card.outcome().expect("safe running");
    let (_, run) = card.recordings().next().expect("one recording");
    let events = &run.crank().expect("a wheel").events;
    let judged = outcome.of(id).expect("judged");
    assert!(events.len() > 3500 && judged.len() == events.len());
    let off = events.iter().zip(judged).filter(|(event, judged)| {
        let apart = |breakpoint: f64| (breakpoint - load_at(event.t_s)).abs();
        let nearest = BREAKPOINTS.into_iter().min_by(|a, b| apart(*a).total_cmp(&apart(*b)));
        outcome.side.groups[usize::from(judged.group)].load != nearest
    });
    // Only combustions within 0.2 of the middle between two breakpoints may fall to the other side: 0.1 s of 40.
    assert!(off.count() < 60);
    assert!(said(&card).contains("offset"), "{}", said(&card));
}

#[test]
fn two_places_that_fit_and_another_run_are_said_and_nothing_reaches_a_combustion() {
    let swing = |t_s: f64| 2600.0 + 900.0 * (std::f64::consts::TAU * t_s / 9.0).sin();
    let other = |t_s: f64| 900.0 + 300.0 * (std::f64::consts::TAU * t_s / 7.0).sin();
    for (rpm, key) in [(&swing as &dyn Fn(f64) -> f64, "more than one place"), (&other, "no recording here")] {
        let (card, id) = card(recording(Speed::Swing(2600.0, 900.0, 9.0)), log(rpm));
        assert!(card.log_beside(id).is_none(), "{key}");
        assert_eq!(card.context(id, 20.0).load, None, "{key}");
        assert!(card.outcome().is_some_and(|outcome| outcome.side.groups.iter().all(|group| group.load.is_none())));
        assert!(said(&card).contains(key), "{}", said(&card));
    }
}

/// Speed of a drive with pulls of unlike heights, 1/min.
fn drive(t_s: f64) -> f64 {
    3000.0 + 900.0 * (0.31 * t_s).sin() + 700.0 * (0.173 * t_s + 1.0).sin() + 300.0 * (0.71 * t_s).sin()
}

fn recorded(seconds: f64, rpm: impl Fn(f64) -> f64) -> Track {
    let (mut t_s, mut deg) = (vec![0.0], vec![0.0]);
    while t_s[t_s.len() - 1] < seconds {
        let t = t_s[t_s.len() - 1];
        deg.push(deg[deg.len() - 1] + 6.0 * rpm(t + 0.005) * 0.01);
        t_s.push(t + 0.01);
    }
    Track { segments: vec![Segment { t_s, deg, turn_known: true, error_deg: 0.1, ..Segment::default() }] }
}

#[test]
fn offset_and_drift_of_ten_minutes_are_found_within_twenty_milliseconds() {
    let (offset_s, drift) = (40.18, 200e-6);
    let log_t_s: Vec<f64> = (0..14_000).map(|row| f64::from(row) * 0.05).collect();
    // Whole revolutions, as logs have them.
    let log_rpm: Vec<f64> = log_t_s.iter().map(|t| drive((t - offset_s) / (1.0 + drift)).round()).collect();
    let found = align(&recorded(600.0, drive), &log_t_s, &log_rpm).expect("the same run");
    assert!(found.drift_known);
    for t_s in [0.0, 300.0, 600.0] {
        let truth = offset_s + t_s * (1.0 + drift);
        assert!((found.log_s(t_s) - truth).abs() < 0.02, "{found:?} at {t_s}");
    }
}

#[test]
fn another_run_and_a_run_that_repeats_are_not_laid_over() {
    let log_t_s: Vec<f64> = (0..4000).map(|row| f64::from(row) * 0.05).collect();
    let other: Vec<f64> = log_t_s.iter().map(|t| 2000.0 + 5.0 * t + 900.0 * (0.5 * t).sin().abs()).collect();
    assert_eq!(align(&recorded(120.0, drive), &log_t_s, &other), Err(Apart::NoOverlap));
    let twice = |t: f64| 2500.0 + 800.0 * (std::f64::consts::TAU * t / 25.0).sin();
    let rpm: Vec<f64> = log_t_s.iter().map(|t| twice(*t)).collect();
    assert_eq!(align(&recorded(60.0, twice), &log_t_s, &rpm), Err(Apart::Ambiguous));
    // A run of three blips a few seconds apart, and a steady speed.
    let blips = |t: f64| 1500.0 + 2500.0 * (std::f64::consts::TAU * t / 3.0).sin().max(0.0);
    let rpm_of_blips: Vec<f64> = log_t_s.iter().map(|t| blips(*t)).collect();
    assert_eq!(align(&recorded(30.0, blips), &log_t_s, &rpm_of_blips), Err(Apart::Ambiguous));
    assert_eq!(align(&recorded(60.0, |_| 2500.0), &log_t_s, &[2500.0; 4000]), Err(Apart::Ambiguous));
    assert_eq!(align(&Track::default(), &log_t_s, &rpm), Err(Apart::NoSpeed));
}

/// Idle, eight pulls that look all alike, idle.
fn pulls(t_s: f64) -> f64 {
    let pull = ((t_s - 6.0) / 12.0).clamp(0.0, 8.0);
    900.0 + if pull < 8.0 { 4600.0 * pull.fract().min(5.0 * (1.0 - pull.fract())) } else { 0.0 }
}

/// One pull later is nearly as good a place, but there idle lies beside a pull.
#[test]
fn pulls_that_look_alike_are_told_apart_by_what_lies_before_and_after_them() {
    let log_t_s: Vec<f64> = (0..2600).map(|row| f64::from(row) * 0.05).collect();
    let at = |offset_s: f64| log_t_s.iter().map(|t| pulls(t - offset_s).round()).collect::<Vec<f64>>();
    let found = align(&recorded(108.0, pulls), &log_t_s, &at(7.3)).expect("both ends tell the place");
    assert!((found.offset_s - 7.3).abs() < 0.02, "{found:?}");
    // Begun and ended between pulls, any of them may be the first.
    let endless = |t: f64| pulls(6.0 + t.rem_euclid(96.0));
    let log_rpm: Vec<f64> = log_t_s.iter().map(|t| endless(t - 7.3).round()).collect();
    assert_eq!(align(&recorded(60.0, endless), &log_t_s, &log_rpm), Err(Apart::Ambiguous));
}
