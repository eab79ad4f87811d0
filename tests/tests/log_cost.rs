//! What the stated false-alarm rate costs in degrees at each speed of the table.
//!
//! check: degrees that false alarms cost at each speed | a control unit walked through combustion by combustion | 4 % and the last digit shown

#[path = "log_bench/engine.rs"]
#[allow(dead_code)]
mod engine;

use engine::{Dialect, Draw, Driver, Plan, write};
use ringdown::card::{Card, Input};
use ringdown::out::section;

const STEP_DEG: f64 = 1.5;
const BACK_DEG_PER_S: f64 = 2.0;
const RATE: f64 = 0.01;

/// Mean degrees out of one cylinder of a four-stroke: each combustion is a false alarm by chance, what is out is given
/// back evenly in between.
fn walked(rpm: f64) -> f64 {
    let mut draw = Draw(rpm as u64);
    let cycle_s = 120.0 / rpm;
    let (mut out, mut sum, mut seconds) = (0.0_f64, 0.0, 0.0);
    for _ in 0..3_000_000 {
        if draw.unit() < RATE {
            out += STEP_DEG;
        }
        let lasts_s = (out / BACK_DEG_PER_S).min(cycle_s);
        let left = out - BACK_DEG_PER_S * lasts_s;
        sum += 0.5 * (out + left) * lasts_s;
        seconds += cycle_s;
        out = left;
    }
    sum / seconds
}

#[test]
fn degrees_that_false_alarms_cost_are_those_of_a_control_unit_walked_through() {
    let plan = Plan {
        driver: Driver::Pulls,
        dialect: Dialect::PerSensor,
        rate_hz: 25.0,
        knock_share: 0.0,
        seconds: 240.0,
        seed: 3,
    };
    let sheet = format!(
        r#"{{"sheet":1,"cylinders":4,"strokes":4,"control":{{"retard_deg":{STEP_DEG},"recovery_deg_per_s":{BACK_DEG_PER_S}}}}}"#
    );
    let mut card = Card::default();
    card.set_sheet(sheet.as_bytes()).expect("a sheet");
    let mut choices = card.choices().clone();
    choices.false_alarm = RATE;
    card.choose(choices).expect("a rate");
    card.add(Input::from_bytes("run.csv", write(&plan).csv.into_bytes()), None).expect("a log");
    while !card.step().progress.done {}
    for number in [9, 11] {
        let view = section::view(&card, number).expect("a section");
        let table = view.tables.iter().find(|table| table.id == "cost").expect("what it costs is told");
        let cells = &table.rows[0].cells;
        let speeds = card.log_outcome().expect("limits").side.breakpoints.clone();
        assert!(speeds.len() > 4 && cells.len() == speeds.len() + 1, "{cells:?}");
        for (rpm, cell) in speeds.iter().zip(&cells[1..]) {
            let (shown, truth): (f64, f64) = (cell.text.parse().expect("degrees"), walked(*rpm));
            println!("{rpm} 1/min: {shown} shown, {truth:.3} walked");
            assert!((shown - truth).abs() <= 0.04 * truth + 0.006, "{rpm}: {shown} {truth}");
        }
        assert!(table.caption.contains("as typed in"), "{}", table.caption);
    }
}
