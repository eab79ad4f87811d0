//! Faults of a logged knock level, each written into logs of known truth, are found in the column that has them and
//! nowhere else; nothing is found in logs without one.
//!
//! Truth: an independent engine and its control unit (`log_bench`), six drivers, three dialects, 20 to 100 rows a second;
//! the fault is put into the last level column after the log was written. A fifth of the seeds by default, all with
//! `RINGDOWN_LONG=1`.
//!
//! check: faults of logged levels: stuck (all along, or on the way: held, zero, empty), saturated, follows speed, one bank louder, snapshots, slow | logs of known truth (`log_bench`), six drivers, three dialects | 19 of 20 seeds each, in no other column; none in sound logs

#[path = "log_bench/engine.rs"]
#[allow(dead_code)]
mod engine;

use engine::{DIALECTS, DRIVERS, Dialect, Draw, Plan, SPREAD_DB, write};
use ringdown::card::{Card, Input};

/// What is wrong with the column.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Fault {
    Nothing,
    /// Holds one value from a moment in the first third on.
    Stuck,
    /// The last third.
    Frozen,
    /// The second half.
    Zero,
    /// The same, without a number.
    Empty,
    /// Cut off at what 4 % of its values pass.
    Saturated,
    /// Tells the background of the speed, to a hundredth of its scatter.
    FollowsSpeed,
    /// Louder than the others, dB.
    Louder(f64),
    /// The momentary value of an oscillation instead of its peak.
    Snapshot,
}

fn seeds() -> u64 {
    if std::env::var_os("RINGDOWN_LONG").is_some() { 60 } else { 12 }
}

fn plan(seed: u64, dialect: Dialect, rate_hz: f64) -> Plan {
    let driver = DRIVERS[(seed / 3) as usize % DRIVERS.len()];
    Plan { driver, dialect, rate_hz, knock_share: [0.0, 0.004, 0.015][seed as usize % 3], seconds: 120.0, seed }
}

fn rate_hz(seed: u64) -> f64 {
    [20.0, 25.0, 50.0, 100.0][(seed / 2) as usize % 4]
}

/// The log with its last level column spoilt, and that column's number from 1.
fn spoilt(plan: &Plan, fault: Fault) -> (String, usize) {
    let csv = write(plan).csv;
    let (separator, heads, column) = match plan.dialect {
        Dialect::PerCylinder => (',', 1, 12),
        Dialect::PerSensor => (';', 2, 7),
        Dialect::Counts => (',', 1, 5),
    };
    let comma = plan.dialect == Dialect::PerSensor;
    let number = |text: &str| text.replace(',', ".").parse::<f64>().expect("a number");
    let rows: Vec<Vec<&str>> = csv.lines().skip(heads).map(|line| line.split(separator).collect()).collect();
    let cells = |at: usize| -> Vec<f64> {
        rows.iter().map(|row| if comma { number(row[at]) } else { row[at].parse().expect("a number") }).collect()
    };
    let (rpm, mut values) = (cells(1), cells(column));
    let mut draw = Draw(plan.seed ^ 0x5eed);
    let db = plan.dialect == Dialect::PerSensor;
    let louder = |value: f64, by_db: f64| if db { value + by_db } else { value * 10.0_f64.powf(by_db / 20.0) };
    match fault {
        Fault::Nothing => {}
        Fault::Stuck => {
            let from = values.len() / 10 + (draw.unit() * values.len() as f64 / 4.0) as usize;
            let held = values[from];
            values[from..].fill(held);
        }
        Fault::Frozen => {
            let from = values.len() * 2 / 3;
            let held = values[from];
            values[from..].fill(held);
        }
        Fault::Zero => {
            let half = values.len() / 2;
            values[half..].fill(0.0);
        }
        Fault::Empty => {
            let half = values.len() / 2;
            values[half..].fill(f64::NAN);
        }
        Fault::Saturated => {
            let mut rising = values.clone();
            rising.sort_by(f64::total_cmp);
            let top = rising[rising.len() * 24 / 25];
            values.iter_mut().for_each(|value| *value = value.min(top));
        }
        Fault::FollowsSpeed => {
            for (value, rpm) in values.iter_mut().zip(&rpm) {
                let level_db = -5.0 + 0.003 * rpm + 0.01 * SPREAD_DB * draw.normal();
                let full = if plan.dialect == Dialect::Counts { 120.0 } else { 0.3 };
                *value = if db { level_db } else { louder(full, level_db) };
            }
        }
        Fault::Louder(by_db) => values.iter_mut().for_each(|value| *value = louder(*value, by_db)),
        Fault::Snapshot => {
            for value in &mut values {
                let moment = (std::f64::consts::TAU * draw.unit()).cos().abs();
                *value = louder(*value, 20.0 * moment.max(1e-3).log10());
            }
        }
    }
    let mut out: String = csv.lines().take(heads).map(|line| format!("{line}\n")).collect();
    for (row, value) in rows.iter().zip(values) {
        let told = match plan.dialect {
            _ if value.is_nan() => String::new(),
            Dialect::PerCylinder => format!("{value:.4}"),
            Dialect::PerSensor => format!("{value:.2}").replace('.', ","),
            Dialect::Counts => format!("{value:.0}"),
        };
        let cells: Vec<&str> =
            row.iter().enumerate().map(|(at, cell)| if at == column { told.as_str() } else { cell }).collect();
        out += &cells.join(&separator.to_string());
        out.push('\n');
    }
    (out, column + 1)
}

/// Findings of each level column: its number and the kind.
fn findings(csv: &str) -> Vec<(u64, String)> {
    let mut card = Card::default();
    card.add(Input::from_bytes("run.csv", csv.as_bytes().to_vec()), None).expect("the log is read");
    while !card.step().progress.done {}
    let reports = serde_json::to_value(card.sensor_reports()).expect("reports are JSON");
    let of = |report: &serde_json::Value| -> Vec<(u64, String)> {
        let column = report["column"].as_u64().expect("a column");
        let kinds = report["findings"].as_array().expect("a list").iter();
        kinds.map(|one| (column, one["kind"].as_str().expect("a kind").to_owned())).collect()
    };
    reports.as_array().expect("a list").iter().flat_map(of).collect()
}

/// The fault's finding, and it alone, in 19 of 20 logs.
fn check(fault: Fault, kind: &str, dialects: &[Dialect], slow: bool) {
    let (mut hits, mut strays) = (0, Vec::new());
    for seed in 0..seeds() {
        let dialect = dialects[seed as usize % dialects.len()];
        let rate_hz = if slow { [2.0, 5.0, 8.0][seed as usize % 3] } else { rate_hz(seed) };
        let plan = plan(seed, dialect, rate_hz);
        let (csv, column) = spoilt(&plan, fault);
        let all = findings(&csv);
        // A slow log is slow in every column.
        let right = |(at, found): &(u64, String)| found == kind && (slow || *at == column as u64);
        let hit = all.iter().any(right);
        if !hit {
            println!("{kind}: missed {seed}: {:?} {dialect:?} {rate_hz} Hz: {all:?}", plan.driver);
        }
        hits += u64::from(hit);
        strays.extend(all.iter().filter(|one| !right(one)).map(|one| (seed, one.clone())));
    }
    println!("{kind}: {hits} of {}, besides {strays:?}", seeds());
    assert!(hits >= seeds() - seeds() / 20, "{kind}: {hits} of {}", seeds());
    assert!(strays.len() as u64 <= seeds() / 20, "{kind}: besides {strays:?}");
}

#[test]
fn a_level_that_holds_one_value_is_stuck() {
    check(Fault::Stuck, "stuck", &DIALECTS, false);
}

#[test]
fn a_level_that_stands_still_or_is_missing_on_the_way_is_told() {
    check(Fault::Frozen, "stuck", &DIALECTS, false);
    check(Fault::Zero, "stuck", &DIALECTS, false);
    check(Fault::Empty, "stuck", &DIALECTS, false);
}

#[test]
fn a_level_cut_off_at_its_top_is_saturated() {
    check(Fault::Saturated, "saturated", &DIALECTS, false);
}

#[test]
fn a_level_that_tells_speed_alone_follows_speed() {
    check(Fault::FollowsSpeed, "follows-speed", &DIALECTS, false);
}

#[test]
fn a_bank_five_decibels_louder_is_told() {
    check(Fault::Louder(5.0), "imbalanced", &[Dialect::PerSensor], false);
}

#[test]
fn momentary_values_are_told_from_held_peaks() {
    check(Fault::Snapshot, "snapshot", &DIALECTS, false);
}

#[test]
fn fewer_than_ten_rows_a_second_are_slow() {
    check(Fault::Nothing, "slow", &DIALECTS, true);
}

#[test]
fn logs_without_a_fault_have_no_finding() {
    let mut said = Vec::new();
    for seed in 0..3 * seeds() {
        let plan = plan(1000 + seed, DIALECTS[seed as usize % 3], rate_hz(seed));
        let all = findings(&spoilt(&plan, Fault::Nothing).0);
        if !all.is_empty() {
            println!("sound {seed}: {:?} {:?} {} Hz: {all:?}", plan.driver, plan.dialect, plan.rate_hz);
            said.push((seed, all));
        }
    }
    assert!(said.is_empty(), "{said:?}");
}
