//! Proof against labels: worked examples whose counts and intervals are published or can be checked by hand.

use outside_truth::assert_close;
use ringdown::card::{Card, Choices, FileRole, Input};
use ringdown::limit::proof::{Judged, coverage, needed_in_all, proof};
use ringdown::out::section;
use ringdown::stats::rate::Rate;
use ringdown::synth::{Demo, Evening};

fn judged(over_limit_db: f64, label: Option<bool>) -> Judged {
    Judged { group: 0, rpm: 3000.0, over_limit_db, label, ignition_deg_btdc: None }
}

/// NIST/SEMATECH e-Handbook 7.2.4.1 (from memory, agrees with the beta quantiles): 4 of 20 at 90 % is 0.07135 to
/// 0.40103.
#[test]
fn recall_and_false_alarms_carry_exact_intervals() {
    let knock = (0..20).map(|i| judged(if i < 4 { 2.0 } else { -1.0 }, Some(true)));
    let quiet = (0..30).map(|i| judged(if i < 3 { 1.0 } else { -4.0 }, Some(false)));
    let unlabelled = (0..50).map(|_| judged(-2.0, None));
    let broken = [judged(f64::NAN, Some(true)), judged(f64::INFINITY, Some(false))];
    let all: Vec<Judged> = knock.chain(quiet).chain(unlabelled).chain(broken).collect();
    let proof = proof(&all, &[2000.0, 3100.0, f64::NAN], 0.90);
    let recall = proof.recall.unwrap();
    assert_eq!(recall.rate, Rate { hits: 4, trials: 20 });
    assert_close(recall.interval.low, 0.07135, 1e-5, "low");
    assert_close(recall.interval.high, 0.40103, 1e-5, "high");
    assert_eq!(proof.false_alarm.unwrap().rate, Rate { hits: 3, trials: 30 });
    assert_eq!(proof.over_limit.unwrap().rate, Rate { hits: 7, trials: 100 });
    assert_eq!(proof.cells.len(), 1);
    assert_eq!(proof.cells[0].rpm, 3100.0);
    assert_eq!(proof.cells[0].recall.unwrap().rate, recall.rate);
    // Pairs: 4 knocks at 2 beat all 30; 16 at -1 beat the 27 at -4 and lose to the 3 at 1.
    assert_close(proof.separation.unwrap().roc.auc, (4.0 * 30.0 + 16.0 * 27.0) / 600.0, 1e-12, "area");
    assert!(proof.sweep.is_empty() && proof.border_deg_btdc.is_none());
}

/// Shares 0, 0, 0, 3 % at 10, 12, 14, 16 degrees: 1 % is passed a third of the way from 14 to 16.
#[test]
fn the_border_of_knock_lies_where_the_rising_share_passes_one_per_cent() {
    let step = |deg: f64, knocking: usize| {
        (0..100).map(move |i| Judged {
            ignition_deg_btdc: Some(deg),
            ..judged(if i < knocking { 1.0 } else { -1.0 }, None)
        })
    };
    let all: Vec<Judged> = step(10.0, 0).chain(step(12.0, 0)).chain(step(14.0, 0)).chain(step(16.0, 3)).collect();
    let proof = proof(&all, &[], 0.95);
    assert_close(proof.border_deg_btdc.unwrap(), 14.0 + 2.0 / 3.0, 1e-9, "border");
    assert_eq!(proof.sweep.len(), 4);
    assert!(proof.recall.is_none() && proof.separation.is_none() && proof.cells.is_empty());
}

#[test]
fn coverage_counts_every_cycle_in_its_nearest_cell() {
    let observed = [(1510.0, Some(0.2)), (1740.0, Some(0.9)), (2600.0, None), (f64::NAN, Some(0.5))];
    let cells = coverage(&observed, &[1500.0, 2000.0], &[0.25, 1.0], 100);
    let counts: Vec<u64> = cells.iter().map(|c| c.cycles).collect();
    assert_eq!(counts, [1, 0, 1, 0]);
    assert!(cells.iter().all(|c| c.needed == 25));
    let by_speed: Vec<u64> = coverage(&observed, &[1500.0, 2000.0], &[], 100).iter().map(|c| c.cycles).collect();
    assert_eq!(by_speed, [2, 1]);
    assert_eq!(needed_in_all(1e-3, 0.95), 2995);
}

/// What was judged otherwise by ear than by the limit is listed by name, and its row plays just that combustion.
#[test]
fn missed_and_false_cycles_are_listed_and_each_row_plays_its_own() {
    let mut card = Card::default();
    for file in [Evening::Two, Evening::Three].into_iter().flat_map(|evening| Demo::excerpt(evening).finish()) {
        let recording = file.name.ends_with(".wav");
        if recording || (file.name.ends_with(".json") && card.sheet().is_none() && file.name.contains("sheet")) {
            card.add(Input::from_bytes(file.name, file.bytes), file.role.and_then(FileRole::of_word))
                .expect("the demo");
        }
    }
    card.choose(Choices { false_alarm: 0.01, ..Choices::default() }).expect("in range");
    while !card.step().progress.done {}
    let provoked = card.files().iter().find(|file| file.role == FileRole::Knock).expect("evening three").id;
    let judged = card.outcome().and_then(|outcome| outcome.of(provoked)).expect("judged").to_vec();
    let times: Vec<f64> = card
        .recordings()
        .find(|(file, _)| file.id == provoked)
        .and_then(|(_, recording)| recording.crank())
        .map(|crank| crank.events.iter().map(|event| event.t_s).collect())
        .expect("crank");
    let first = |over: bool| judged.iter().position(|event| event.used && event.knock() == Some(over)).expect("one");
    let (loud, quiet) = (first(true), first(false));
    card.label(provoked, times[loud], Some(false));
    card.label(provoked, times[quiet], Some(true));
    while !card.step().progress.done {}
    let view = section::view(&card, 9).expect("proof");
    let rows = view.tables.into_iter().find(|table| table.id == "events").expect("events").rows;
    for (place, index, over) in [(0, quiet, false), (1, loud, true)] {
        let play = rows[place].play.as_ref().expect("to be played");
        assert_eq!(play.file, provoked);
        assert!(play.from_s < times[index] && times[index] < play.to_s && play.to_s - play.from_s < 1.0, "{play:?}");
        assert_eq!(rows[place].cells[3].text.starts_with('+'), over, "{:?}", rows[place]);
    }
    assert_ne!(rows[0].cells[4].text, rows[1].cells[4].text);
    let proof = card.proof().expect("labels");
    assert_eq!(proof.caught, Some(Rate { hits: 0, trials: 1 }));
    assert_eq!(proof.false_labelled, Some(Rate { hits: 1, trials: 1 }));
}
