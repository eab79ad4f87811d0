//! Faults put into made recordings are found, and nothing is found in sound ones: whole files through the card, with and
//! without crank and sheet. The truth comes from a generator of its own (`trust_bench`).
//!
//! A few seeds by default; `RINGDOWN_LONG=1` runs 20 of each fault, 50 sound recordings, 50 tuned and 50 flat sensors.
//!
//! check: faults of sensors: clipped, unequal, hum, spikes, teeth leaking in, swapped, bridged, loaded | a generator of its own (`trust_bench`), with and without crank and sheet | 19 of 20 seeds each; nothing in 50 sound recordings: a few by default, all with `RINGDOWN_LONG=1` (`sensor_trust.rs`)
//! check: volts and g by the sheet's scale | arithmetic | 1 %

#[path = "trust_bench/engine.rs"]
mod engine;

use engine::{Fault, Made, Running, make};
use ringdown::card::{Card, Input};
use serde_json::{Value, json};

fn long() -> bool {
    std::env::var_os("RINGDOWN_LONG").is_some()
}

/// How many seeds: all of them, or the first few.
fn seeds(few: u64, all: u64) -> u64 {
    if long() { all } else { few }
}

/// The findings of each sensor channel, as the result gives them.
fn findings(made: &Made) -> Vec<Value> {
    let mut card = Card::default();
    if let Some(sheet) = &made.sheet {
        card.set_sheet(sheet.to_string().as_bytes()).expect("the sheet is sound");
    }
    card.add(Input::from_bytes("made.wav", made.wav.clone()), None).expect("the recording is sound");
    while !card.step().progress.done {}
    let reports = serde_json::to_value(card.sensor_reports()).expect("reports are JSON");
    reports.as_array().expect("a list").iter().map(|report| report["findings"].clone()).collect()
}

fn kinds(findings: &[Value]) -> Vec<(usize, String)> {
    let of = |(index, list): (usize, &Value)| {
        let list = list.as_array().cloned().unwrap_or_default();
        list.into_iter().map(move |one| (index + 1, one["kind"].as_str().unwrap_or_default().to_owned()))
    };
    findings.iter().enumerate().flat_map(of).collect()
}

/// Makes each seed's recording; returns how many had the fault's finding on the last sensor, and what else was found.
fn found(fault: Fault, kind: &str, few: u64, crank: impl Fn(u64) -> bool, sensors: impl Fn(u64) -> usize) {
    let count = seeds(few, 20);
    let (mut hits, mut strays) = (0, Vec::new());
    for seed in 0..count {
        let running = if matches!(fault, Fault::Hum(_)) { Running::Moving } else { Running::Any };
        let made = make(1000 + seed, sensors(seed), crank(seed), running, fault);
        let all = kinds(&findings(&made));
        let hit = all.iter().any(|(channel, found)| *channel == sensors(seed) && found == kind);
        if !hit {
            println!("{kind}: missed {seed}: {}: {all:?}", made.said);
        }
        hits += u64::from(hit);
        strays.extend(
            all.into_iter().filter(|(_, found)| found != kind && found != "unequal").map(|other| (seed, other)),
        );
    }
    println!("{kind}: {hits} of {count}, besides {strays:?}");
    assert!(hits >= count - count / 20, "{kind}: {hits} of {count}");
    assert!(strays.len() as u64 <= count / 20, "{kind}: besides {strays:?}");
}

#[test]
fn clipping_of_one_sample_in_two_thousand_is_found() {
    found(Fault::Clipped(5e-4), "clipped", 3, |seed| seed % 2 == 0, |seed| 1 + seed as usize % 2);
}

#[test]
fn a_gain_of_a_decibel_and_a_half_is_found() {
    found(Fault::Gain(1.5), "unequal", 3, |seed| seed % 2 == 0, |_| 2);
}

#[test]
fn hum_six_decibels_over_its_floor_is_found() {
    found(Fault::Hum(6.0), "hum", 3, |_| true, |seed| 1 + seed as usize % 2);
}

#[test]
fn two_spikes_a_second_are_found() {
    found(Fault::Spikes(2.0), "spikes", 3, |seed| seed % 2 == 0, |seed| 1 + seed as usize % 2);
}

#[test]
fn teeth_six_decibels_over_the_floor_are_found() {
    found(Fault::Pickup(6.0), "pickup", 3, |_| true, |seed| 1 + seed as usize % 2);
}

#[test]
fn swapped_sensors_are_found() {
    found(Fault::Swapped, "swapped", 3, |_| true, |_| 2);
}

#[test]
fn bridged_sensors_are_found() {
    found(Fault::Bridged, "bridged", 3, |seed| seed % 2 == 0, |_| 2);
}

#[test]
fn a_loaded_input_is_found_beside_a_sound_one() {
    found(Fault::Loaded, "loaded", 3, |seed| seed % 2 == 0, |_| 2);
}

/// Nothing but gains that chance made unequal may be said.
#[test]
fn sound_recordings_have_no_findings() {
    let count = seeds(6, 50);
    let mut said = Vec::new();
    for seed in 0..count {
        let made = make(seed, 1 + seed as usize % 2, seed % 3 > 0, Running::Any, Fault::Nothing);
        let all = kinds(&findings(&made));
        if !all.is_empty() {
            println!("sound {seed}: {}: {all:?}", made.said);
            said.push((seed, all));
        }
    }
    println!("sound: {} of {count} with a finding", said.len());
    assert!(said.is_empty(), "{said:?}");
}

#[test]
fn tuned_sensors_have_their_frequency_and_q() {
    let count = seeds(5, 50);
    for seed in 0..count {
        let share = |step: u64| (seed * step % 53) as f64 / 53.0;
        let (f0_hz, q) = (3000.0 * 5.0_f64.powf(share(19)), 5.0 * 6.0_f64.powf(share(31)));
        let made = make(5000 + seed, 1, seed % 2 == 0, Running::Any, Fault::Tuned { f0_hz, q });
        let all = findings(&made);
        let tuned = all[0].as_array().and_then(|list| list.iter().find(|one| one["kind"] == json!("sharply-tuned")));
        let tuned = tuned.unwrap_or_else(|| panic!("{seed}: {}, {f0_hz:.0} Hz, Q {q:.1}: {all:?}", made.said));
        let (f0_off, q_off) = (tuned["f0_hz"].as_f64().unwrap() / f0_hz - 1.0, tuned["q"].as_f64().unwrap() / q - 1.0);
        println!("tuned {seed}: {f0_hz:.0} Hz {f0_off:+.4}, Q {q:.1} {q_off:+.3}");
        assert!(f0_off.abs() < 0.01 && q_off.abs() < 0.15, "{seed}: {}: f0 {f0_off:+.4}, Q {q_off:+.3}", made.said);
    }
}

/// A sine of half the full scale: by arithmetic 0.5 / sqrt(2) of 5 V, and 1 g for each 20 mV of it.
#[test]
fn volts_and_g_stand_beside_decibels_where_the_sheet_gives_the_scale() {
    let count = 3 * 48_000_u32;
    let mut wav = b"RIFF\0\0\0\0WAVEfmt \x10\0\0\0\x01\0\x01\0".to_vec();
    wav.extend([48_000_u32.to_le_bytes(), 96_000_u32.to_le_bytes()].concat());
    wav.extend([2, 0, 16, 0]);
    wav.extend(b"data");
    wav.extend((2 * count).to_le_bytes());
    let sine = |at: u32| (16_384.0 * (std::f64::consts::TAU * 6000.0 * f64::from(at) / 48_000.0 + 0.3).sin()) as i16;
    wav.extend((0..count).flat_map(|at| sine(at).to_le_bytes()));
    let size = (wav.len() - 8) as u32;
    wav[4..8].copy_from_slice(&size.to_le_bytes());
    let scaled = |sensor: Value| {
        let mut card = Card::default();
        let sheet = json!({"sheet": 1, "bore_mm": 86, "sensors": [sensor]});
        card.set_sheet(sheet.to_string().as_bytes()).expect("the sheet is sound");
        card.add(Input::from_bytes("sine.wav", wav.clone()), None).expect("the recording is sound");
        while !card.step().progress.done {}
        serde_json::to_value(card.sensor_reports()).expect("reports are JSON")[0]["scaled"].clone()
    };
    let volts = 5.0 * 0.5 / 2.0_f64.sqrt();
    let both = scaled(json!({"channel": 1, "cylinders": [1], "volts_full_scale": 5.0, "mv_per_g": 20.0}));
    let near = |got: &Value, want: f64| (got.as_f64().expect("a number") / want - 1.0).abs() < 0.01;
    assert!(near(&both["level_v"], volts) && near(&both["level_g"], 1000.0 * volts / 20.0), "{both}");
    let one = scaled(json!({"channel": 1, "cylinders": [1], "volts_full_scale": 5.0}));
    assert!(near(&one["level_v"], volts) && one["level_g"].is_null(), "{one}");
    assert!(scaled(json!({"channel": 1, "cylinders": [1]})).is_null());
}
