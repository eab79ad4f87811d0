//! The whole chain on the demo: evenings two and three in full against the generator's truth, excerpts where only
//! sameness matters. Truth is what `synth` wrote beside the recordings before anything was measured.
//!
//! check: demo, evenings two and three: combustions found, cylinders | the generator's truth, 13 448 combustions | over 98 %, none wrong, none invented
//! check: demo: TDC, 95th percentile | the generator's truth | 0.1 degree
//! check: demo: level over floor, knock against quiet, band of the bore | the generator's truth; area counted by Mann and Whitney | AUC 0.97
//! check: demo: false alarms held out in safe running | binomial law at the stated 1 in 1000 | not more than chance allows at 2.5 %

use outside_truth::number;
use ringdown::card::{Card, Choices, FileRole, Input};
use ringdown::out::{result, section};
use ringdown::synth::{Demo, DemoFile, Evening};
use serde_json::{Value, json};
use std::sync::OnceLock;

/// The stated rate: one false alarm in a thousand, Ringdown's own choice.
const STATED: f64 = 1e-3;

fn add(card: &mut Card, file: &DemoFile) {
    let role = file.role.and_then(FileRole::of_word);
    card.add(Input::from_bytes(file.name.clone(), file.bytes.clone()), role).expect("the demo is read");
}

fn work(card: &mut Card) {
    while !card.step().progress.done {}
}

/// Recording, sheet and card of both evenings; logs and truth left out.
fn recordings(files: &[DemoFile]) -> Vec<DemoFile> {
    let wanted = |name: &str| !name.ends_with(".truth.json") && !name.ends_with(".csv");
    files.iter().filter(|file| wanted(&file.name)).cloned().collect()
}

struct Worked {
    result: Value,
    truths: Vec<(String, Value)>,
}

/// Both evenings in full, worked once for all tests.
fn evenings() -> &'static Worked {
    static WORKED: OnceLock<Worked> = OnceLock::new();
    WORKED.get_or_init(|| {
        let files: Vec<DemoFile> =
            [Evening::Two, Evening::Three].into_iter().flat_map(|evening| Demo::new(evening).finish()).collect();
        let mut card = Card::default();
        recordings(&files).iter().for_each(|file| add(&mut card, file));
        work(&mut card);
        let truths = files.iter().filter_map(|file| {
            let name = file.name.strip_suffix(".truth.json")?;
            Some((format!("{name}.wav"), serde_json::from_slice(&file.bytes).expect("truth is JSON")))
        });
        Worked { result: result::result(&card), truths: truths.collect() }
    })
}

fn excerpts() -> &'static [DemoFile] {
    static EXCERPTS: OnceLock<Vec<DemoFile>> = OnceLock::new();
    EXCERPTS.get_or_init(|| {
        let all = [Evening::Two, Evening::Three].into_iter().flat_map(|evening| Demo::excerpt(evening).finish());
        recordings(&all.collect::<Vec<_>>())
    })
}

fn worked_excerpts() -> Card {
    let mut card = Card::default();
    excerpts().iter().for_each(|file| add(&mut card, file));
    work(&mut card);
    card
}

fn array<'a>(value: &'a Value, key: &str) -> &'a [Value] {
    value[key].as_array().unwrap_or_else(|| panic!("{key} is no array"))
}

/// True and found event of each truth of one file, `None` where none was found nearby; and found ones without a truth,
/// between the first and the last true one: at the recording's ends the crank turns before and after what burned.
struct Matched<'a> {
    pairs: Vec<(&'a Value, Option<&'a Value>)>,
    invented: Vec<f64>,
}

/// Half the shortest firing interval of the demo is 2.3 ms: nearer than 2 ms is the same combustion.
const SAME_S: f64 = 2e-3;

fn matched<'a>(worked: &'a Worked, file: &str, truth: &'a Value) -> Matched<'a> {
    let found: Vec<&Value> = array(&worked.result, "events").iter().filter(|event| event["file"] == file).collect();
    let times: Vec<f64> = found.iter().map(|event| number(&event["t_s"])).collect();
    let mut taken = vec![false; found.len()];
    let pair = |event: &'a Value| {
        let t_s = number(&event["t_s"]);
        let at = times.partition_point(|time| *time < t_s - SAME_S);
        let near = times.get(at).is_some_and(|time| (time - t_s).abs() <= SAME_S) && !taken[at];
        if near {
            taken[at] = true;
        }
        (event, near.then(|| found[at]))
    };
    let pairs: Vec<_> = array(truth, "events").iter().map(pair).collect();
    let mut burning = array(truth, "events").iter().map(|event| number(&event["t_s"]));
    let (first, last) = (burning.clone().next().expect("events"), burning.next_back().expect("events"));
    let invented = times.iter().zip(&taken).filter(|(t_s, taken)| !**taken && first < **t_s && **t_s < last);
    let invented = invented.map(|(t_s, _)| *t_s).collect();
    Matched { pairs, invented }
}

fn quantile(mut values: Vec<f64>, share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    values[((values.len() - 1) as f64 * share).round() as usize]
}

#[test]
fn over_98_of_100_combustions_are_found_each_with_its_cylinder_and_its_tdc() {
    let worked = evenings();
    assert_eq!(worked.truths.len(), 2);
    for (file, truth) in &worked.truths {
        let matched = matched(worked, file, truth);
        let found: Vec<(&Value, &Value)> =
            matched.pairs.iter().filter_map(|(event, found)| Some((*event, (*found)?))).collect();
        let share = found.len() as f64 / matched.pairs.len() as f64;
        assert!(share > 0.98, "{file}: {share} found");
        assert!(matched.invented.is_empty(), "{file}: events where nothing burned: {:?}", matched.invented);
        let wrong = found.iter().filter(|(event, found)| event["cylinder"] != found["cylinder"]).count();
        assert_eq!(wrong, 0, "{file}: wrong cylinders");
        let off_deg = |(event, found): &(&Value, &Value)| {
            (number(&event["t_s"]) - number(&found["t_s"])).abs() * 6.0 * number(&event["rpm"])
        };
        let off_deg = quantile(found.iter().map(off_deg).collect(), 0.95);
        assert!(off_deg < 0.1, "{file}: TDC off by {off_deg} degrees");
        println!("{file}: {share:.4} found, TDC within {off_deg:.4} degrees");
    }
}

/// Area under the ROC as Mann and Whitney (Ann. Math. Stat. 18 (1947) 50) count it: pairs in the right order.
fn area(quiet: &[f64], knocking: &[f64]) -> f64 {
    let wins = knocking.iter().map(|k| {
        quiet
            .iter()
            .map(|q| {
                if k > q {
                    1.0
                } else if k == q {
                    0.5
                } else {
                    0.0
                }
            })
            .sum::<f64>()
    });
    wins.sum::<f64>() / (quiet.len() * knocking.len()) as f64
}

/// The demo's `README.md` names 0.99 for an independent script with true TDCs and another band and window.
#[test]
fn level_over_floor_tells_knock_from_quiet_in_the_band_found() {
    let worked = evenings();
    assert_eq!(worked.result["band"]["chosen_by"], "search");
    let (file, truth) = &worked.truths[1];
    let (mut quiet, mut knocking) = (Vec::new(), Vec::new());
    for (event, found) in matched(worked, file, truth).pairs {
        let Some(found) = found.filter(|found| found["used"] == true) else { continue };
        let over_db = number(&found["level_db"]) - number(&found["floor_db"]);
        if over_db.is_finite() {
            if event["knock"] == true { &mut knocking } else { &mut quiet }.push(over_db);
        }
    }
    assert!(quiet.len() > 5000 && knocking.len() > 250, "{} quiet, {} knocking", quiet.len(), knocking.len());
    let auc = area(&quiet, &knocking);
    println!("AUC {auc:.4} from {} quiet and {} knocking events", quiet.len(), knocking.len());
    assert!(auc >= 0.97, "{auc}");
}

/// Probability of `hits` or more among `trials` at `rate`, by the binomial sum.
fn at_least(hits: u64, trials: u64, rate: f64) -> f64 {
    let mut term = (trials as f64 * (-rate).ln_1p()).exp();
    let mut below = 0.0;
    for k in 0..hits {
        below += term;
        term *= (trials - k) as f64 / (k + 1) as f64 * rate / (1.0 - rate);
    }
    1.0 - below
}

/// Limits promise a rate at most the stated one: more alarms than chance allows at that rate break the promise.
#[test]
fn false_alarms_held_out_are_within_what_the_stated_rate_allows() {
    let proof = &evenings().result["proof"];
    let [false_per_1000, low, high] = ["false_per_1000", "false_low", "false_high"].map(|key| number(&proof[key]));
    assert!(low <= false_per_1000 && false_per_1000 <= high, "{low} {false_per_1000} {high}");
    assert!(low <= 1000.0 * STATED, "at least {low} in 1000 held out");
    let held_out = held_out_row();
    let chance = at_least(held_out.0, held_out.1, STATED);
    println!("held out: {} in {}, {false_per_1000} in 1000 ({low} to {high})", held_out.0, held_out.1);
    assert!(held_out.1 > 3000, "only {} judged", held_out.1);
    assert!(chance >= 0.025, "{held_out:?}: chance {chance}");
}

/// Alarms and events held out, from the share and its count in section 9's sentence of the proof.
fn held_out_row() -> (u64, u64) {
    let sentence = array(&evenings().result, "findings")[8]["sentence"].as_str().expect("a sentence").to_owned();
    let (_, counts) = sentence.rsplit_once("false alarms in safe running: ").expect("held-out counts");
    let (hits, trials) = counts.split_once(" in ").expect("hits in trials");
    let digits = |text: &str| text.chars().filter(char::is_ascii_digit).collect::<String>().parse().expect("a count");
    (digits(hits), digits(trials))
}

/// No floor is louder at a lower speed by more than its own bumps: from the slow end to the fast it rises by some 12 dB in
/// the demo's README; here it must rise by 6 for each cylinder.
#[test]
fn the_floor_rises_with_speed_for_every_cylinder() {
    for cylinder in 1..=4 {
        let cells = array(&evenings().result, "floor").iter().filter(|cell| cell["cylinder"] == cylinder);
        let levels: Vec<(f64, f64)> = cells.map(|cell| (number(&cell["rpm"]), number(&cell["level"]))).collect();
        assert!(levels.len() >= 8, "cylinder {cylinder}: {levels:?}");
        let (first, last) = (levels[0], levels[levels.len() - 1]);
        assert!(first.0 < last.0 && last.1 - first.1 > 6.0, "cylinder {cylinder}: {first:?} to {last:?}");
        let falls = levels.windows(2).filter(|two| two[1].1 < two[0].1 - 1.0).count();
        assert_eq!(falls, 0, "cylinder {cylinder}: {levels:?}");
    }
}

/// What a field may hold: n number, s text, b truth value, a list, o object; `?` or null.
const SHAPES: [(&str, &[(&str, &str)]); 12] = [
    (
        "files",
        &[
            ("name", "s"),
            ("sha256", "s"),
            ("bytes", "n"),
            ("kind", "s"),
            ("role", "s?"),
            ("duration_s", "n?"),
            ("channels", "a"),
        ],
    ),
    (
        "files.channels",
        &[
            ("channel", "n"),
            ("name", "s"),
            ("unit", "s?"),
            ("role", "s"),
            ("rate_hz", "n?"),
            ("samples", "n"),
            ("missing", "n"),
            ("min", "n?"),
            ("max", "n?"),
            ("mean", "n?"),
        ],
    ),
    ("modes", &[("m", "n"), ("n", "n"), ("hz", "n"), ("hz_low", "n"), ("hz_high", "n")]),
    (
        "sensors",
        &[
            ("channel", "n?"),
            ("file", "s"),
            ("cylinders", "a?"),
            ("noise_floor_db", "n?"),
            ("gain_db", "n?"),
            ("findings", "a"),
        ],
    ),
    ("speed", &[("file", "s"), ("t_s", "n"), ("rpm", "n"), ("confidence", "n?"), ("source", "s")]),
    ("lost", &[("file", "s"), ("from_s", "n"), ("to_s", "n"), ("reason", "s")]),
    (
        "events",
        &[
            ("file", "s"),
            ("t_s", "n"),
            ("cylinder", "n?"),
            ("sensor", "n?"),
            ("rpm", "n"),
            ("level_db", "n?"),
            ("floor_db", "n?"),
            ("limit_db", "n?"),
            ("knock", "b?"),
            ("used", "b"),
            ("label", "b?"),
        ],
    ),
    ("windows", &[("rpm_low", "n?"), ("rpm_high", "n?"), ("start_deg_atdc", "n"), ("end_deg_atdc", "n")]),
    ("floor", &[("cylinder", "n?"), ("rpm", "n"), ("load", "n?"), ("level", "n"), ("spread", "n"), ("cycles", "n")]),
    (
        "limits",
        &[
            ("cylinder", "n?"),
            ("rpm", "n"),
            ("load", "n?"),
            ("floor", "n?"),
            ("limit", "n?"),
            ("unit", "s"),
            ("cycles", "n"),
            ("more_needed", "n"),
            ("per_minute", "n?"),
        ],
    ),
    ("coverage", &[("rpm", "n"), ("load", "n?"), ("cycles", "n"), ("needed", "n")]),
    ("findings", &[("section", "n"), ("state", "s"), ("sentence", "s"), ("todo", "a")]),
];

fn fits(value: Option<&Value>, shape: &str) -> bool {
    match (value, shape.as_bytes()[0]) {
        (Some(Value::Null), _) => shape.ends_with('?'),
        (Some(Value::Number(_)), b'n') | (Some(Value::String(_)), b's') | (Some(Value::Bool(_)), b'b') => true,
        (Some(Value::Array(_)), b'a') | (Some(Value::Object(_)), b'o') => true,
        _ => false,
    }
}

fn check_fields(what: &str, row: &Value, fields: &[(&str, &str)]) {
    for (field, shape) in fields {
        assert!(fits(row.get(*field), shape), "{what}.{field}: {:?} is no {shape}", row.get(*field));
    }
}

#[test]
fn the_result_has_the_fixed_shapes_fields() {
    let result = &evenings().result;
    assert_eq!(result["result"], 1);
    for (path, fields) in SHAPES {
        let rows: Vec<&Value> = match path.split_once('.') {
            Some((outer, inner)) => array(result, outer).iter().flat_map(|row| array(row, inner)).collect(),
            None => array(result, path).iter().collect(),
        };
        assert!(!rows.is_empty(), "{path} is empty");
        rows.iter().for_each(|row| check_fields(path, row, fields));
    }
    check_fields("band", &result["band"], &[("low_hz", "n"), ("high_hz", "n"), ("chosen_by", "s")]);
    check_fields("window", &result["window"], &[("start_deg_atdc", "n"), ("end_deg_atdc", "n"), ("chosen_by", "s")]);
    let numbers = [
        "auc",
        "auc_low",
        "auc_high",
        "recall",
        "recall_low",
        "recall_high",
        "false_per_1000",
        "false_low",
        "false_high",
        "over_limit_share",
    ];
    check_fields("proof", &result["proof"], &numbers.map(|field| (field, "n")));
    check_fields("proof", &result["proof"], &[("labels", "s?"), ("by", "a"), ("sweep", "a")]);
    let sweep = [("ignition_deg_btdc", "n"), ("share", "n"), ("low", "n"), ("high", "n")];
    array(&result["proof"], "sweep").iter().for_each(|row| check_fields("sweep", row, &sweep));
    let sections: Vec<u64> =
        array(result, "findings").iter().filter_map(|finding| finding["section"].as_u64()).collect();
    assert_eq!(sections, (1..=11).collect::<Vec<u64>>());
    let states = ["waiting", "working", "holds", "look", "not-enough"];
    let state = |finding: &Value| states.contains(&finding["state"].as_str().unwrap_or("-"));
    assert!(array(result, "findings").iter().all(state));
}

/// A number JSON can't hold would be written as null or as a bare word: the text read back must be the value itself, and a used
/// event must have its level.
#[test]
fn no_number_is_lost_on_the_way_to_json() {
    let result = &evenings().result;
    let text = serde_json::to_string(result).expect("JSON");
    assert_eq!(&serde_json::from_str::<Value>(&text).expect("JSON"), result);
    let used = array(result, "events").iter().filter(|event| event["used"] == true);
    assert!(used.clone().count() > 10_000);
    assert!(used.clone().all(|event| event["level_db"].is_number()));
    let speeds = array(result, "speed").iter();
    assert!(speeds.clone().all(|speed| (100.0..10_000.0).contains(&number(&speed["rpm"]))));
    for event in array(result, "events").iter().filter(|event| event["knock"].is_boolean()) {
        let over = number(&event["level_db"]) > number(&event["limit_db"]);
        assert_eq!(event["knock"], over, "{event}");
    }
}

/// At least 20 values a second wherever the speed is known: 57 s and 57 s.
#[test]
fn speed_is_given_twenty_times_a_second() {
    let worked = evenings();
    for (file, _) in &worked.truths {
        let of_file = |row: &&Value| row["file"] == *file.as_str();
        let times: Vec<f64> =
            array(&worked.result, "speed").iter().filter(of_file).map(|row| number(&row["t_s"])).collect();
        assert!(times.len() > 20 * 55, "{file}: {}", times.len());
        assert!(times.windows(2).all(|two| two[1] > two[0] && two[1] - two[0] < 0.0501), "{file}");
    }
}

/// Share over the limit rises with advance, as the truth's share of knocking cycles does.
#[test]
fn the_sweep_rises_where_the_engine_knocks_more() {
    let sweep = array(&evenings().result["proof"], "sweep");
    let share = |deg: f64| {
        let row = sweep.iter().find(|row| number(&row["ignition_deg_btdc"]) == deg);
        number(&row.unwrap_or_else(|| panic!("{deg} is not in {sweep:?}"))["share"])
    };
    assert!(share(20.0) < 0.01 && share(22.0) < 0.01, "no knock there: {sweep:?}");
    assert!(share(26.0) < share(28.0) && share(28.0) < share(30.0), "{sweep:?}");
    assert!((0.10..0.23).contains(&share(30.0)), "21.7 % knock there, and only knock counts: {}", share(30.0));
}

fn limits(card: &Card) -> Value {
    result::result(card)["limits"].clone()
}

#[test]
fn a_saved_card_gives_the_same_limits_again() {
    let mut card = worked_excerpts();
    let choices =
        Choices { band: Some([4800.0, 6400.0]), false_alarm: 0.002, confidence: 0.9, ..card.choices().clone() };
    card.choose(choices).expect("choices in range");
    work(&mut card);
    let saved = serde_json::to_vec(&result::card(&card)).expect("JSON");
    let mut again = Card::default();
    again.add(Input::from_bytes("saved.card.json", saved.clone()), None).expect("the card is read");
    // No roles are given here: the card must bring them.
    for file in excerpts().iter().filter(|file| file.name.ends_with(".wav")) {
        again.add(Input::from_bytes(file.name.clone(), file.bytes.clone()), None).expect("the demo is read");
    }
    work(&mut again);
    assert_eq!(limits(&again), limits(&card));
    assert_eq!(result::result(&again)["proof"], result::result(&card)["proof"]);
    assert_eq!(serde_json::to_vec(&result::card(&again)).expect("JSON"), saved);
}

/// Files come one by one while the work is under way and the page looks at every section: nothing may differ.
#[test]
fn how_the_work_is_split_makes_no_difference() {
    let whole = result::result(&worked_excerpts());
    for steps_between in [1, 5, 23] {
        let mut card = Card::default();
        for file in excerpts() {
            add(&mut card, file);
            for _ in 0..steps_between {
                card.step();
            }
            (1..=11).for_each(|number| assert!(section::view(&card, number).is_some()));
        }
        work(&mut card);
        assert_eq!(result::result(&card), whole, "{steps_between} steps between files");
    }
}

#[test]
fn undoing_a_choice_gives_the_same_result_again() {
    let mut card = worked_excerpts();
    let (before, own) = (result::result(&card), card.choices().clone());
    let others = [
        Choices { band: Some([9000.0, 11_000.0]), ..own.clone() },
        Choices { window: Some([20.0, 50.0]), ..own.clone() },
        Choices { false_alarm: 0.01, ..own.clone() },
        Choices { breakpoints: Some(vec![2500.0, 4250.0]), ..own.clone() },
    ];
    for other in others {
        card.choose(other.clone()).expect("choices in range");
        work(&mut card);
        assert_ne!(result::result(&card)["limits"], before["limits"], "{other:?} changes nothing");
        card.choose(own.clone()).expect("own choices");
        work(&mut card);
        assert_eq!(result::result(&card), before, "after {other:?}");
    }
    let id = card.recordings().nth(1).map(|(file, _)| file.id).expect("two recordings");
    card.set_role(id, FileRole::Listen);
    work(&mut card);
    assert_ne!(result::result(&card)["proof"], before["proof"]);
    card.set_role(id, FileRole::Knock);
    work(&mut card);
    assert_eq!(result::result(&card), before);
}

#[test]
fn a_label_taken_back_leaves_no_trace() {
    let mut card = worked_excerpts();
    let before = result::card(&card);
    let recording = card.recordings().nth(1).expect("two recordings");
    let (id, t_s) = (recording.0.id, recording.1.crank().expect("a crank").events[40].t_s);
    let labels = |card: &Card| card.labels().len();
    let count = labels(&card);
    card.label(id, t_s, Some(true));
    assert_eq!(labels(&card), count + 1, "the event had no label yet");
    card.label(id, t_s, None);
    work(&mut card);
    assert_eq!(result::card(&card), before);
    assert_ne!(before["labels"], json!([]));
}
