//! What the card makes of a crank angle that is doubtful or missing.
//!
//! check: what ten degrees of offset do to floor and limits | the demo worked with the sheet's offset 10 degrees off either way | told within 0.1 and 0.2 dB
//! check: speed of the demo from its sensors alone | when each cylinder fired, as the generator writes it | 0.5 % for 95 % of the time over 1200 rpm

#[path = "crank_bench/engine.rs"]
#[allow(dead_code)]
mod engine;
#[path = "crank_bench/followed.rs"]
mod followed;
#[path = "crank_bench/rhythm.rs"]
mod rhythm;
#[path = "crank_bench/wav.rs"]
mod wav;

use engine::{Engine, Random, Speed};
use followed::Followed;
use outside_truth::number;
use rhythm::{RATE_HZ, sensor};
use ringdown::card::{Card, Choices, FileRole, Input};
use ringdown::crank::Source;
use ringdown::out::{result, section};
use ringdown::synth::{Demo, DemoFile, Evening};
use serde_json::Value;
use wav::wav;

/// How loud each cylinder of four is at the one sensor, in firing order.
const HEARD: [f64; 4] = [0.7, 0.925, 0.85, 0.775];

/// Rhythm in the sensors of an engine that stands (a fan, a pump) is no speed; who takes that back gets the speed back.
#[test]
fn an_engine_said_to_be_off_has_no_speed() {
    let engine = Engine::new(Speed::Ramp(2000.0, 4000.0, 6.0), 8.0, 31.0, 2.0, 0.01);
    let sound = sensor(&engine, &HEARD, &mut Random(5));
    let mut card = Card::default();
    let sheet = r#"{"sheet": 1, "name": "four", "bore_mm": 86, "cylinders": 4, "sensors": [{"channel": 1}]}"#;
    card.set_sheet(sheet.as_bytes()).expect("a sheet");
    let bytes = wav(&[sound], RATE_HZ as u32);
    let id = card.add(Input::from_bytes("run.wav", bytes), Some(FileRole::Safe)).expect("a recording");
    let mut events = |role: FileRole| {
        card.set_role(id, role);
        while !card.step().progress.done {}
        let (_, recording) = card.recordings().next().expect("one recording");
        let blind = recording.crank().filter(|crank| crank.source == Source::Blind);
        (blind.map_or(0, |crank| crank.events.len()), recording.levels.is_some())
    };
    let running = events(FileRole::Safe);
    assert!(running.0 > 300 && running.1, "{running:?}");
    assert_eq!(events(FileRole::EngineOff), (0, false));
    assert_eq!(events(FileRole::Listen), running);
}

/// The sheet without wheel and cam: both sensors are all there is. Truth is when each cylinder fired, written by the
/// generator; speed the mean from two firings before to two after.
#[test]
fn the_demo_is_followed_without_its_wheel() {
    let long = std::env::var_os("RINGDOWN_LONG").is_some();
    let demo = if long { Demo::new } else { Demo::excerpt };
    for evening in [Evening::One, Evening::Two, Evening::Three] {
        let files = demo(evening).finish();
        let file = |end: &str| -> &DemoFile {
            files.iter().find(|file| file.name.ends_with(end)).expect("a file of the demo")
        };
        let mut sheet: Value = serde_json::from_slice(&file(".sheet.json").bytes).expect("a sheet");
        for reference in ["crank", "cam"] {
            sheet.as_object_mut().expect("an object").remove(reference).expect("a reference");
        }
        let mut card = Card::default();
        card.set_sheet(sheet.to_string().as_bytes()).expect("a sheet without references");
        let sound = file(".wav");
        card.add(Input::from_bytes(sound.name.clone(), sound.bytes.clone()), Some(FileRole::Safe))
            .expect("a recording");
        while !card.step().progress.done {}
        let (_, recording) = card.recordings().next().expect("one recording");
        let crank = recording.crank().expect("searched");
        assert_eq!(crank.source, Source::Blind);
        let truth: Value = serde_json::from_slice(&file(".truth.json").bytes).expect("truth is JSON");
        let fired: Vec<f64> =
            truth["events"].as_array().expect("events").iter().map(|event| number(&event["t_s"])).collect();
        let mut followed = Followed::default();
        for around in fired.windows(5) {
            let rpm = 120.0 / (around[4] - around[0]);
            followed.add(around[3] - around[2], rpm, crank.track.rpm_at(around[2]));
        }
        followed.check(&sound.name);
    }
}

/// The demo's second evening with a gap of the sheet, in a band and a window that the user chose.
fn demo(gap_deg_btdc: Option<f64>, window: [f64; 2]) -> Card {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../demo-logs");
    let read = |name: &str| std::fs::read(folder.join(name)).expect("the demo is there");
    let mut sheet: serde_json::Value =
        serde_json::from_slice(&read("alder-valley.sheet.json")).expect("the demo's sheet is JSON");
    sheet["crank"]["gap_deg_btdc"] = gap_deg_btdc.into();
    let mut card = Card::default();
    let choices = Choices {
        band: Some([5500.0, 7000.0]),
        window: Some(window),
        breakpoints: Some((4..=11).map(|step| 500.0 * f64::from(step)).collect()),
        false_alarm: 0.01,
        ..Choices::default()
    };
    card.choose(choices).expect("they are in range");
    let name = "evening-two-excerpt.wav";
    card.add(Input::from_bytes("engine.sheet.json", sheet.to_string().into_bytes()), None).expect("a sheet");
    card.add(Input::from_bytes(name, read(name)), Some(FileRole::Safe)).expect("a recording");
    while !card.step().progress.done {}
    card
}

/// Largest differences of floors and limits, cell by cell, dB.
fn apart(a: &Card, b: &Card) -> [f64; 2] {
    let cells = |card: &Card| -> Vec<[Option<f64>; 2]> {
        let table = &card.outcome().expect("learnt").side.table;
        table.iter().flatten().map(|cell| [cell.floor, cell.limit]).collect()
    };
    let (a, b) = (cells(a), cells(b));
    [0, 1].map(|k| a.iter().zip(&b).filter_map(|(a, b)| Some((a[k]? - b[k]?).abs())).fold(0.0, f64::max))
}

#[test]
fn the_card_tells_what_ten_degrees_of_offset_do_to_floor_and_limits() {
    for window in [[10.0, 60.0], [20.0, 45.0]] {
        let right = demo(Some(84.0), window);
        let wrong = [74.0, 94.0].map(|gap| apart(&right, &demo(Some(gap), window)));
        let [floor_db, limit_db] = [0, 1].map(|k| f64::max(wrong[0][k], wrong[1][k]));
        let moves = right.outcome().and_then(|outcome| outcome.moves).expect("angle and floor are known");
        println!("{window:?}: floor {floor_db:.2} limit {limit_db:.2}, told {moves:?}");
        assert!((moves.floor_db - floor_db).abs() < 0.1, "{moves:?}, really {floor_db}");
        assert!((moves.limit_db - limit_db).abs() < 0.2, "{moves:?}, really {limit_db}");
        let why = section::view(&right, 8).expect("section 8").why.join(" ");
        assert!(why.contains(&format!("{:.1} dB", moves.floor_db)), "{why}");
    }
}

#[test]
fn no_window_is_handed_over_that_counts_from_a_stand_in() {
    let card = demo(None, [10.0, 60.0]);
    let result = result::result(&card);
    assert!(result["window"]["start_deg_atdc"].is_null() && result["windows"].as_array().is_some_and(Vec::is_empty));
    let handed = section::view(&card, 11).expect("section 11");
    let settings = handed.tables.iter().flat_map(|table| &table.rows).map(|row| &row.cells);
    let windows = settings.filter(|cells| cells[0].text.to_lowercase().contains("window"));
    windows.for_each(|cells| assert_eq!(cells[1].text, "–"));
    assert!(section::view(&card, 6).expect("section 6").finding.contains("only heard"));
}
