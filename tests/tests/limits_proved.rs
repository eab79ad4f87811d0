//! Proof of the limits: how much of the knock an engine makes they catch, and from which ignition angle on it knocks. A safe
//! run and a provoked one, each a recording with a log beside it; noise beside a wheel, each knock a burst at a known
//! combustion, so that truth is what was put in.
//!
//! check: the sweep from a log over a recording; recall only from labels | knocks put in, counted | between the last angle without and the first with knock; shares within 2 %

#[path = "crank_bench/engine.rs"]
#[allow(dead_code)]
mod engine;
#[path = "crank_bench/wav.rs"]
mod wav;

use engine::{Engine, Random, Speed, square, to_f32, wheel};
use outside_truth::assert_close;
use ringdown::card::{Card, Choices, FileId, FileRole, Input, Mark, MarkLabel};
use ringdown::out::{result, section};
use serde_json::{Value, json};
use std::fmt::Write;
use std::sync::OnceLock;
use wav::wav;

const RATE_HZ: f64 = 16_000.0;
const SECONDS: f64 = 60.0;
/// The first tooth after the gap, and how far it lies before cylinder 1's TDC, degrees.
const FIRST_TOOTH_DEG: f64 = 12.0;
const GAP_DEG_BTDC: f64 = 90.0;
/// Ignition angles driven in turns, 2 s each, and how many combustions knock at each.
const SWEEP: [(f64, f64); 6] = [(12.0, 0.0), (14.0, 0.0), (16.0, 0.0), (18.0, 0.0), (20.0, 0.05), (22.0, 0.2)];

fn sheet() -> Value {
    json!({"sheet": 1, "name": "four", "bore_mm": 86, "cylinders": 4, "strokes": 4, "firing_order": [1, 3, 4, 2],
        "sensors": [{"channel": 1, "cylinders": [1, 2, 3, 4]}],
        "crank": {"kind": "missing-tooth", "channel": 2, "teeth": 36, "missing": 1, "gap_deg_btdc": GAP_DEG_BTDC, "edge": "rising"}})
}

/// A recording, the log of its run, and the TDCs of the combustions that knock.
struct Run {
    wave: Vec<u8>,
    log: String,
    knocks_s: Vec<f64>,
}

impl Run {
    /// From one speed to another; ignition angle and share of knock at each time.
    fn of(from_rpm: f64, to_rpm: f64, seed: u64, at: impl Fn(f64) -> (f64, f64)) -> Run {
        let engine = Engine::new(Speed::Ramp(from_rpm, to_rpm, SECONDS), SECONDS, 31.0, 2.0, 0.01);
        let mut random = Random(seed);
        let count = (SECONDS * RATE_HZ) as usize;
        let mut noise: Vec<f32> = (0..count).map(|_| (0.01 * random.normal()) as f32).collect();
        let mut knocks_s = Vec::new();
        for tdc_s in engine.passages(FIRST_TOOTH_DEG + GAP_DEG_BTDC, 180.0) {
            if random.uniform() < at(tdc_s).1 {
                knocks_s.push(tdc_s);
                let [from, to] =
                    [12.0, 45.0].map(|deg| ((tdc_s + deg / engine.deg_per_s_at(tdc_s)) * RATE_HZ) as usize);
                noise.iter_mut().take(to).skip(from).for_each(|sample| *sample *= 6.0);
            }
        }
        let teeth = square(&wheel(&engine, 36, 1, FIRST_TOOTH_DEG, 5.0), count, RATE_HZ);
        let mut log = String::from("Time [s];RPM [1/min];Ignition Angle [deg BTDC]\n");
        for row in 0..1200 {
            let t_s = f64::from(row) * 0.05;
            let rpm = (from_rpm + (to_rpm - from_rpm) * t_s / SECONDS).round();
            writeln!(log, "{t_s:.2};{rpm};{:.0}", at(t_s).0).expect("a string takes all");
        }
        Run { wave: wav(&[noise, to_f32(&teeth, 0.5)], RATE_HZ as u32), log, knocks_s }
    }
}

fn in_turns(t_s: f64) -> (f64, f64) {
    SWEEP[(t_s / 2.0) as usize % SWEEP.len()]
}

fn runs() -> &'static [Run; 2] {
    static RUNS: OnceLock<[Run; 2]> = OnceLock::new();
    RUNS.get_or_init(|| [Run::of(1800.0, 4200.0, 3, |_| (12.0, 0.0)), Run::of(4200.0, 1800.0, 7, in_turns)])
}

/// The pair on a card, with or without logs; the provoked recording's number.
fn card(with_logs: bool) -> (Card, FileId) {
    let mut card = Card::default();
    card.set_sheet(sheet().to_string().as_bytes()).expect("a sheet");
    card.choose(Choices { false_alarm: 0.001, ..Choices::default() }).expect("in range");
    let mut last = 0;
    for (run, (name, role)) in runs().iter().zip([("safe", FileRole::Safe), ("provoked", FileRole::Knock)]) {
        last = card.add(Input::from_bytes(format!("{name}.wav"), run.wave.clone()), Some(role)).expect("a recording");
        if with_logs {
            card.add(Input::from_bytes(format!("{name}.csv"), run.log.clone().into_bytes()), None).expect("a log");
        }
    }
    work(&mut card);
    (card, last)
}

fn work(card: &mut Card) {
    while !card.step().progress.done {}
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("no number: {value}"))
}

/// Nobody marked an angle: those of the log are taken. Of each step driven the share over the limit is that of the knocks put
/// in, within its interval and what the limit misses or adds (2 %), and the border lies between the last angle without and the
/// first with knock. Marked angles go before the log's; a log of one angle is no sweep.
#[test]
fn a_log_laid_over_the_recording_gives_the_sweep_and_the_angle_at_which_knock_begins() {
    let (mut card, provoked) = card(true);
    assert!(card.log_beside(provoked).is_some(), "{:?}", card.overlays());
    let proof = result::result(&card)["proof"].take();
    assert_eq!(proof["swept_by_log"], true);
    let sweep = proof["sweep"].as_array().expect("a sweep").clone();
    let all: f64 = sweep.iter().map(|row| number(&row["cycles"])).sum();
    for (deg, share) in SWEEP {
        let row = sweep.iter().find(|row| number(&row["ignition_deg_btdc"]) == deg);
        let row = row.unwrap_or_else(|| panic!("{deg} is not in {sweep:?}"));
        assert!(number(&row["low"]) <= share + 0.02 && number(&row["high"]) >= share - 0.02, "{deg}: {row}");
    }
    let driven = |deg: f64| SWEEP.iter().any(|step| step.0 == deg);
    let off: f64 =
        sweep.iter().filter(|row| !driven(number(&row["ignition_deg_btdc"]))).map(|row| number(&row["cycles"])).sum();
    assert!(off < 0.03 * all, "{off} of {all} between the steps: {sweep:?}");
    let border = number(&proof["border_deg_btdc"]);
    println!("border {border:.2}, truth between 18 and 20");
    assert!((18.0..=20.0).contains(&border), "{border}");
    let said = serde_json::to_string(&section::view(&card, 9)).expect("a section is text");
    assert!(said.contains("log laid over the recording"), "{said}");
    let marked = Mark { ignition_deg_btdc: Some(17.0), ..Mark::plain("provoked.wav", 10.0, 20.0, MarkLabel::Knock) };
    card.set_marks(provoked, vec![marked]);
    work(&mut card);
    let proof = result::result(&card)["proof"].take();
    assert_eq!((&proof["swept_by_log"], &proof["sweep"][0]["ignition_deg_btdc"]), (&json!(false), &json!(17.0)));
    assert_eq!(proof["sweep"].as_array().map(Vec::len), Some(1));
}

/// Without a log and without marks nothing is known of ignition; a safe run alone, whose log holds one angle, is no sweep and
/// has no border.
#[test]
fn without_angles_or_with_one_there_is_no_sweep_and_no_border() {
    let (card, _) = card(false);
    let mut alone = Card::default();
    alone.set_sheet(sheet().to_string().as_bytes()).expect("a sheet");
    let [safe, _] = runs();
    alone.add(Input::from_bytes("safe.wav", safe.wave.clone()), Some(FileRole::Safe)).expect("a recording");
    alone.add(Input::from_bytes("safe.csv", safe.log.clone().into_bytes()), None).expect("a log");
    work(&mut alone);
    for card in [card, alone] {
        let proof = result::result(&card)["proof"].take();
        assert_eq!((&proof["sweep"], &proof["border_deg_btdc"]), (&json!([]), &Value::Null));
        assert_eq!(proof["swept_by_log"], false);
    }
}

/// A safe and a provoked recording, or stretches marked as knocking, are mixtures: the card speaks of the share over the limit,
/// which is that of the knocks put in, and of no recall. Labels for each event give one.
#[test]
fn recall_is_spoken_of_only_with_labels_for_each_event() {
    let (mut card, provoked) = card(false);
    let truth = &runs()[1].knocks_s;
    let events = card.recordings().find(|(file, _)| file.id == provoked).expect("one").1.crank().expect("a wheel");
    let times: Vec<f64> = events.events.iter().map(|event| event.t_s).collect();
    let mark = |from_s: f64, to_s: f64| Mark::plain("provoked.wav", from_s, to_s, MarkLabel::Knock);
    for marks in [vec![], vec![mark(0.0, 30.0)]] {
        card.set_marks(provoked, marks);
        work(&mut card);
        let proof = result::result(&card)["proof"].take();
        let nothing = ["labels", "recall", "recall_low", "auc", "auc_low"].map(|key| proof[key].is_null());
        assert_eq!(nothing, [true; 5], "{proof}");
        assert_close(number(&proof["over_limit_share"]), truth.len() as f64 / times.len() as f64, 0.005, "share");
        let by = proof["by"].as_array().expect("rows");
        assert!(!by.is_empty() && by.iter().all(|row| row["recall"].is_null() && row["knocks"] == 0));
    }
    // The ear hears every knock put in, and as many quiet combustions.
    let near = |t_s: f64| times.iter().copied().min_by(|a, b| (a - t_s).abs().total_cmp(&(b - t_s).abs()));
    let heard: Vec<f64> = truth.iter().filter_map(|t_s| near(*t_s)).collect();
    heard.iter().for_each(|t_s| card.label(provoked, *t_s, Some(true)));
    let quiet = times.iter().filter(|t_s| !heard.contains(t_s)).step_by(8).take(heard.len());
    quiet.for_each(|t_s| card.label(provoked, *t_s, Some(false)));
    work(&mut card);
    let proof = result::result(&card)["proof"].take();
    assert_eq!(proof["labels"], "ear");
    println!("{} knocks, recall {}, auc {}", heard.len(), proof["recall"], proof["auc"]);
    assert!(number(&proof["recall"]) > 0.95 && number(&proof["auc"]) > 0.99);
    assert!(
        number(&proof["auc_low"]) <= number(&proof["auc"]) && number(&proof["recall_low"]) <= number(&proof["recall"])
    );
    let by = proof["by"].as_array().expect("rows");
    let sum = |key: &str, of_speed: bool| -> f64 {
        by.iter().filter(|row| row["rpm"].is_number() == of_speed).map(|row| number(&row[key])).sum()
    };
    for key in ["knocks", "caught", "safe_cycles", "false_alarms"] {
        assert_eq!(sum(key, false), sum(key, true), "{key} of cylinders and of their speeds");
    }
    // The recording's end cuts the last combustion's window.
    assert!(heard.len() as f64 - sum("knocks", false) <= 1.0, "{} of {} judged", sum("knocks", false), heard.len());
    assert_close(
        1000.0 * sum("false_alarms", false) / sum("safe_cycles", false),
        number(&proof["false_per_1000"]),
        1e-9,
        "all",
    );
    for row in by.iter().filter(|row| row["false_per_1000"].is_number()) {
        assert!(number(&row["false_low"]) <= number(&row["false_per_1000"]), "{row}");
        assert!(number(&row["false_high"]) >= number(&row["false_per_1000"]), "{row}");
        // Clopper and Pearson 1934, no event in n trials: 1 - (0.025)^(1/n).
        if row["false_alarms"] == 0 {
            let bound = 1000.0 * (1.0 - 0.025_f64.powf(1.0 / number(&row["safe_cycles"])));
            assert_close(number(&row["false_high"]), bound, 1e-6 * bound, "none alarmed");
        }
    }
}
