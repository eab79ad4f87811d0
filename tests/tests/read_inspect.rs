//! What is told of each channel of each kind of file, and of a recorder's own marks.

use outside_truth::{assert_close, number, vector, vector_path};
use ringdown::card::{Card, Input, MarkLabel};
use ringdown::out::channels::{self, Channel};
use ringdown::out::section;
use ringdown::read::{self, Content, Told};
use serde_json::Value;
use std::fs;
use std::io::Cursor;

/// A card that has worked through one file.
fn card_of(name: &str, bytes: Vec<u8>) -> Card {
    let mut card = Card::default();
    card.add(Input::from_bytes(name, bytes), None).unwrap_or_else(|error| panic!("{error}"));
    while !card.step().progress.done {}
    card
}

fn bytes_of(case: &Value) -> Vec<u8> {
    let Some(file) = case["file"].as_str() else { return case["text"].as_str().expect("a text").into() };
    let demo = vector_path("../../demo-logs").join(file);
    let path = if demo.exists() { demo } else { vector_path(file) };
    fs::read(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// Samples exactly, the rest within the rounding of single precision and of a decimal text.
fn check(what: &str, told: &Channel, truth: &Value) {
    assert_eq!(Some(told.samples), truth["samples"].as_u64(), "{what}: samples");
    assert_eq!(Some(told.missing), truth["missing"].as_u64(), "{what}: missing");
    let rate_hz = number(&truth["rate_hz"]);
    assert_close(told.rate_hz.unwrap_or(f64::NAN), rate_hz, 1e-4 * rate_hz, &format!("{what}: rate"));
    for (word, value) in [("min", told.min), ("max", told.max), ("mean", told.mean)] {
        let expected = number(&truth[word]);
        assert_close(value.unwrap_or(f64::NAN), expected, 1e-6 * expected.abs().max(1.0), &format!("{what}: {word}"));
    }
    if let Some(name) = truth["name"].as_str() {
        assert_eq!(told.name, name, "{what}");
    }
    assert!(!told.reason.is_empty(), "{what}: a role without its reason");
}

/// Truth: libsndfile, numpy and Python's csv (`vectors/make_inspect.py`).
#[test]
fn rate_count_and_range_of_every_channel_are_those_of_other_readers() {
    let vector = vector("inspect");
    let cases = vector["cases"].as_array().expect("cases");
    for case in cases {
        let what = case["file"].as_str().unwrap_or("scope.csv");
        let name = what.rsplit('/').next().expect("a name");
        let card = card_of(name, bytes_of(case));
        let told = channels::of(&card, &card.files()[0]);
        let truth = case["channels"].as_array().expect("channels");
        assert_eq!(told.len(), truth.len(), "{what}: channels");
        told.iter()
            .zip(truth)
            .for_each(|(told, truth)| check(&format!("{what}, channel {}", told.channel), told, truth));
        in_section_2(what, &card, &told);
    }
    assert_eq!(cases.len(), 11);
}

/// Section 2 shows the same channels: name, samples, missing, in the order of the file.
fn in_section_2(what: &str, card: &Card, told: &[Channel]) {
    let view = section::view(card, 2).expect("section 2");
    let table = view.tables.iter().find(|table| table.id == "channels").expect("the table of channels");
    let place = |title: &str| table.columns.iter().position(|column| column == title).expect("a column");
    let (name, samples, missing) = (place("Name"), place("Samples"), place("Missing"));
    let shown: Vec<[String; 3]> = table
        .rows
        .iter()
        .map(|row| [name, samples, missing].map(|k| row.cells[k].text.replace('\u{202f}', "")))
        .collect();
    let expected: Vec<[String; 3]> =
        told.iter().map(|one| [one.name.clone(), one.samples.to_string(), one.missing.to_string()]).collect();
    assert_eq!(shown, expected, "{what}");
}

/// Laid out after EBU Tech 3285 and Microsoft's RIFF update (`vectors/make_inspect.py`): three marks, one with a length.
#[test]
fn a_recorders_marks_and_time_of_day_are_kept() {
    let bytes = fs::read(vector_path("sound/marked.wav")).expect("it is committed");
    let loaded = read::open("marked.wav", Box::new(Cursor::new(bytes.clone())), &Told::default());
    let Content::Recording(samples) = loaded.expect("it is read").value else { panic!("no recording") };
    assert_eq!(samples.time_reference, Some(18 * 3600 * 48_000 + 1234));
    let cues: Vec<(u64, u64, &str)> =
        samples.cues.iter().map(|cue| (cue.frame, cue.length, cue.label.as_str())).collect();
    assert_eq!(cues, [(480, 0, "safe"), (1200, 240, "knock"), (1920, 0, "coffee")]);
    let card = card_of("marked.wav", bytes);
    let marks: Vec<(f64, f64, MarkLabel)> =
        card.marks().iter().map(|mark| (mark.from_s, mark.to_s, mark.label)).collect();
    assert_eq!(marks, [(0.01, 0.025, MarkLabel::Safe), (0.025, 0.03, MarkLabel::Knock)]);
    assert!(card.files()[0].notes.iter().any(|note| note.contains("coffee")), "{:?}", card.files()[0].notes);
}
