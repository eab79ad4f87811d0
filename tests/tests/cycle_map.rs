//! The map of a whole cycle: a blow put at an angle is found there and at its pitch, noise alone has none, and what the
//! sheet gives the timing of is named.

use ringdown::card::{Card, FileRole, Input};
use ringdown::crank::Event;
use ringdown::crank::track::Segment;
use ringdown::feature::cycle_map::{CycleMap, CycleMapper};
use ringdown::out::{chart, section};
use ringdown::synth::{Demo, DemoFile, Evening};
use serde_json::Value;

const RATE_HZ: f64 = 48_000.0;

/// Noise, even between -1 and 1 (xorshift, from memory).
fn noise(count: usize, mut state: u64) -> Vec<f32> {
    let mut next = || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 40) as f32 / (1u64 << 23) as f32 - 1.0
    };
    (0..count).map(|_| next()).collect()
}

/// Sixty cycles at one speed: noise, and a ring of 9 kHz that starts at an angle of every cycle, where one is given.
fn mapped(rpm: f64, blow_deg: Option<f64>, seed: u64) -> CycleMap {
    let cycle_s = 120.0 / rpm;
    let seconds = 62.0 * cycle_s;
    let mut samples = noise((seconds * RATE_HZ) as usize, seed);
    for start_s in (0..61).filter_map(|cycle| Some((f64::from(cycle) + blow_deg? / 720.0) * cycle_s)) {
        for (at, sample) in samples.iter_mut().enumerate().skip((start_s * RATE_HZ) as usize + 1).take(200) {
            let t_s = at as f64 / RATE_HZ - start_s;
            *sample += (2.0 * (-t_s / 5e-4).exp() * (std::f64::consts::TAU * 9000.0 * t_s).sin()) as f32;
        }
    }
    let knots = [0.0, 0.25, 0.5, 0.75, 1.0];
    let segment = Segment {
        t_s: knots.map(|share| share * seconds).to_vec(),
        deg: knots.map(|share| share * 62.0 * 720.0).to_vec(),
        turn_known: true,
        error_deg: 0.0,
        ..Segment::default()
    };
    let mut mapper = CycleMapper::new(RATE_HZ, 720.0).expect("bins enough");
    for cycle in 1..61 {
        let (t_s, deg) = (f64::from(cycle) * cycle_s, 720.0 * f64::from(cycle));
        let (cylinder, rpm) = (Some(1), rpm as f32);
        let event = Event { t_s, deg, segment: 0, cylinder, pair: None, sensor: None, rpm, rpm_per_s: 0.0 };
        let (first, count) = mapper.wants(&segment, &event).expect("a whole cycle");
        assert!(mapper.add(&segment, &event, first, &samples[first as usize..][..count]), "cycle {cycle}");
    }
    mapper.finish(30).expect("cycles enough")
}

#[test]
fn a_blow_at_205_degrees_is_found_there_at_its_pitch() {
    for rpm in [1000.0, 2000.0, 3000.0] {
        let found = mapped(rpm, Some(205.0), 7).impacts();
        println!("{rpm}: {found:?}");
        assert_eq!(found.len(), 1, "{rpm}: {found:?}");
        assert!((found[0].deg_atdc - 205.0).abs() <= 10.0 && (found[0].hz - 9000.0).abs() <= 1000.0, "{found:?}");
    }
}

#[test]
fn noise_alone_has_no_impact() {
    for seed in 1..9 {
        assert_eq!(mapped(2000.0, None, seed).impacts(), []);
    }
}

fn evening_two() -> Vec<DemoFile> {
    Demo::excerpt(Evening::Two).finish()
}

fn worked(files: &[DemoFile], sheet: &[u8]) -> Card {
    let wav = files.iter().find(|file| file.name.ends_with(".wav")).expect("a recording");
    let mut card = Card::default();
    card.set_sheet(sheet).expect("the sheet is sound");
    card.add(Input::from_bytes("two.wav", wav.bytes.clone()), Some(FileRole::Safe)).expect("the demo is read");
    while !card.step().progress.done {}
    card
}

fn sheet(files: &[DemoFile]) -> Value {
    let sheet = files.iter().find(|file| file.name.ends_with(".sheet.json")).expect("a sheet");
    serde_json::from_slice(&sheet.bytes).expect("JSON")
}

/// Angles and words of section 6's table of impacts.
fn told(card: &Card) -> Vec<(f64, String)> {
    let view = section::view(card, 6).expect("section 6");
    let table = view.tables.iter().find(|table| table.id == "impacts").expect("the table of impacts");
    table.rows.iter().map(|row| (row.cells[0].text.parse().expect("degrees"), row.cells[3].text.clone())).collect()
}

/// The demo's valves and injector strike where its sheet says (`synth::impacts`), and half a turn on for every further
/// cylinder that the sensor hears: the truth is the generator's. Of two within 15 degrees the louder hides the other.
#[test]
fn parts_are_named_only_where_the_sheet_gives_their_timing() {
    let files = evening_two();
    let mut sheet = sheet(&files);
    let card = worked(&files, sheet.to_string().as_bytes());
    let named = told(&card);
    println!("{named:?}");
    for (strikes_deg, part) in [(435.0, "injector"), (595.0, "intake valve closing")] {
        let found: Vec<f64> = named.iter().filter(|(_, what)| what.contains(part)).map(|(deg, _)| *deg).collect();
        let off = |deg: f64| ((deg - strikes_deg + 90.0).rem_euclid(180.0) - 90.0).abs();
        assert!(!found.is_empty() && found.iter().all(|deg| off(*deg) <= 10.0), "{part}: {named:?}");
    }
    let figure = chart::figure(&card, "cycle").expect("the crank-angle map");
    assert_eq!((figure.x.low, figure.x.high), (0.0, 720.0));

    sheet["events_deg_atdc"] = Value::Null;
    let plain = told(&worked(&files, sheet.to_string().as_bytes()));
    assert_eq!(plain.len(), named.len());
    assert!(plain.iter().all(|(_, what)| !what.contains("valve") && !what.contains("injector")), "{plain:?}");
    assert!(plain.iter().any(|(_, what)| what == "impact"), "{plain:?}");
}
