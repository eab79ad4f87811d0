//! Each cause of a loud log sample, and beside it its counter-example: as loud, much alike, and not that cause.
//!
//! Truth: what was written into the log. An engine of two sensors at 20 rows a second, slow changes of speed, levels
//! normal in dB over a floor that rises with speed.
//!
//! check: each cause of a loud sample, and its counter-example | what was written into the log (`log_causes.rs`) | 19 of 20 samples; sensors that rise together 6 of 10

#[path = "log_bench/engine.rs"]
#[allow(dead_code)]
mod engine;

use engine::Draw;
use ringdown::card::{Card, Input};
use ringdown::feature::cause::Cause;

const STEP_S: f64 = 0.05;
const ROWS: usize = 3600;
/// The moment everything happens at.
const AT: usize = 1800;

/// One row of the log.
struct Row {
    rpm: f64,
    throttle: f64,
    gear: u8,
    cut: u8,
    misfires: u32,
    gain: u8,
    /// On top of each sensor's background, dB.
    raised_db: [f64; 2],
    /// Scatter of what is raised, dB.
    scatter_db: f64,
}

/// Writes a log with `change` made to every row.
fn log(change: impl Fn(usize, &mut Row)) -> String {
    let mut draw = Draw(20_261_125);
    let mut csv = "Time [s],Engine Speed [rpm],Throttle [%],Gear,Ignition Cut,Misfire Count,Amplifier Gain,\
                   Knock Level Sensor 1 [dB],Knock Level Sensor 2 [dB]\n"
        .to_owned();
    for k in 0..ROWS {
        let t_s = k as f64 * STEP_S;
        let mut row = Row {
            rpm: 3500.0 + 1000.0 * (t_s / 12.0).sin(),
            throttle: 70.0 + 8.0 * (t_s / 9.0).sin(),
            gear: 3,
            cut: 0,
            misfires: 0,
            gain: 2,
            raised_db: [0.0; 2],
            scatter_db: 0.0,
        };
        change(k, &mut row);
        let floor_db = -38.0 + 0.003 * row.rpm;
        let mut level = |raised_db: f64| {
            let more_db = if raised_db > 0.0 { raised_db + row.scatter_db * draw.normal() } else { 0.0 };
            floor_db + more_db + 1.3 * draw.normal()
        };
        let levels = row.raised_db.map(&mut level);
        let Row { rpm, throttle, gear, cut, misfires, gain, .. } = row;
        csv += &format!(
            "{t_s:.2},{rpm:.0},{throttle:.1},{gear},{cut},{misfires},{gain},{:.2},{:.2}\n",
            levels[0], levels[1]
        );
    }
    csv
}

/// Causes of the samples over the limit in some rows, of both sensors.
fn causes(rows: std::ops::Range<usize>, change: impl Fn(usize, &mut Row)) -> Vec<Cause> {
    let mut card = Card::default();
    card.add(Input::from_bytes("run.csv", log(change).into_bytes()), None).expect("the log is read");
    while !card.step().progress.done {}
    let outcome = card.log_outcome().expect("a log with levels is learnt from");
    outcome.events.iter().filter(|event| rows.contains(&event.row)).map(|event| event.cause).collect()
}

/// Nearly all are `cause`, and there are at least so many.
fn check(what: &str, found: &[Cause], cause: Cause, least: usize) {
    let right = found.iter().filter(|one| **one == cause).count();
    assert!(found.len() >= least && right * 20 >= found.len() * 19, "{what}: {found:?}");
}

/// Nobody's foot moves, ignition is cut for two rows, speed falls to the next gear's.
fn shift(k: usize, row: &mut Row) {
    if k >= AT {
        row.gear = 4;
        row.rpm *= 1.0 - 0.045 * (k - AT).min(6) as f64;
    }
}

#[test]
fn a_gear_change_is_told_and_knock_on_one_sensor_beside_it_is_not_taken_for_it() {
    let noise = |k: usize, row: &mut Row| {
        shift(k, row);
        if (AT + 1..AT + 6).contains(&k) {
            row.raised_db = [9.0; 2];
        }
    };
    check("gear change", &causes(AT - 5..AT + 10, noise), Cause::GearChange, 8);
    let knock = |k: usize, row: &mut Row| {
        shift(k, row);
        if k == AT + 3 {
            row.raised_db = [12.0, 0.0];
        }
    };
    check("knock in a change", &causes(AT - 5..AT + 10, knock), Cause::Knock, 1);
    let noise_alone = |k: usize, row: &mut Row| {
        if (AT + 1..AT + 6).contains(&k) {
            row.raised_db = [9.0; 2];
        }
    };
    let found = causes(AT - 5..AT + 10, noise_alone);
    assert!(found.len() >= 8 && !found.contains(&Cause::GearChange), "no gear changed: {found:?}");
}

/// The throttle shuts within two rows, and speed falls.
fn lift(k: usize, row: &mut Row) {
    if (AT..AT + 40).contains(&k) {
        row.throttle = if k == AT { 40.0 } else { 2.0 };
        row.rpm -= 15.0 * (k - AT) as f64;
    }
}

#[test]
fn a_lift_is_told_and_knock_before_it_is_not_taken_for_it() {
    let noise = |k: usize, row: &mut Row| {
        lift(k, row);
        if (AT + 1..AT + 6).contains(&k) {
            row.raised_db = [9.0; 2];
        }
    };
    check("lift", &causes(AT - 5..AT + 12, noise), Cause::Lift, 8);
    let knock = |k: usize, row: &mut Row| {
        lift(k, row);
        if k == AT - 1 {
            row.raised_db = [0.0, 12.0];
        }
    };
    check("knock before a lift", &causes(AT - 5..AT + 12, knock), Cause::Knock, 1);
    // With the throttle shut nothing knocks, however lonely the sample.
    let shut = |k: usize, row: &mut Row| {
        lift(k, row);
        if k == AT + 4 {
            row.raised_db = [0.0, 12.0];
        }
    };
    check("one sensor after a lift", &causes(AT - 5..AT + 12, shut), Cause::Lift, 1);
}

#[test]
fn a_cut_is_told_and_the_same_noise_without_it_is_not() {
    let noise = |cut: bool| {
        move |k: usize, row: &mut Row| {
            if (AT..AT + 5).contains(&k) {
                row.raised_db = [9.0; 2];
                row.cut = u8::from(cut);
            }
            // Elsewhere there is a cut in either log, so that the column tells.
            row.cut |= u8::from(k == 400);
        }
    };
    check("cut", &causes(AT - 3..AT + 8, noise(true)), Cause::Cut, 8);
    let found = causes(AT - 3..AT + 8, noise(false));
    assert!(found.len() >= 8 && !found.contains(&Cause::Cut), "nothing was cut: {found:?}");
    let knock = |k: usize, row: &mut Row| {
        row.cut = u8::from((AT..AT + 2).contains(&k));
        if k == AT + 3 {
            row.raised_db = [12.0, 0.0];
        }
    };
    check("knock after a cut", &causes(AT - 3..AT + 8, knock), Cause::Knock, 1);
}

#[test]
fn a_misfire_is_told_by_the_counter_and_not_without_it() {
    let loud = |counted: bool| {
        move |k: usize, row: &mut Row| {
            if k == AT {
                row.raised_db = [12.0, 0.0];
            }
            row.misfires = u32::from(k > 600) + u32::from(counted && k > AT + 2);
        }
    };
    check("misfire", &causes(AT - 3..AT + 3, loud(true)), Cause::Misfire, 1);
    check("no misfire then", &causes(AT - 3..AT + 3, loud(false)), Cause::Knock, 1);
}

/// Stands for two seconds, is cranked for one, then idles unevenly.
fn start(k: usize, row: &mut Row) {
    if k < 800 {
        row.throttle = 3.0;
        row.rpm = match k {
            0..40 => 0.0,
            40..60 => 210.0,
            _ => 940.0 + 60.0 * (k as f64 / 7.0).sin(),
        };
    }
}

#[test]
fn a_start_is_told_and_a_loud_sample_at_idle_is_not_one() {
    let noise = |k: usize, row: &mut Row| {
        start(k, row);
        if (60..75).contains(&k) {
            row.raised_db = [10.0; 2];
        }
    };
    check("start", &causes(55..100, noise), Cause::Start, 10);
    let idle = |k: usize, row: &mut Row| {
        start(k, row);
        if k == 500 {
            row.raised_db = [12.0, 0.0];
        }
    };
    let found = causes(495..505, idle);
    assert!(!found.is_empty() && !found.contains(&Cause::Start), "the engine ran for long: {found:?}");
}

#[test]
fn a_switched_amplifier_is_told_and_a_spell_of_knock_is_not_one() {
    let step = |k: usize, row: &mut Row| {
        if (AT..AT + 60).contains(&k) {
            row.raised_db = [12.0, 0.0];
        }
    };
    check("gain step", &causes(AT..AT + 60, step), Cause::GainStep, 40);
    let knock = |k: usize, row: &mut Row| {
        if (AT..AT + 60).contains(&k) && k.is_multiple_of(4) {
            (row.raised_db, row.scatter_db) = ([11.0, 0.0], 3.0);
        }
    };
    check("knock for three seconds", &causes(AT..AT + 60, knock), Cause::Knock, 10);
    let setting = |moves: bool| {
        move |k: usize, row: &mut Row| {
            row.gain = if k > 600 && (k < AT || !moves) { 3 } else { 2 };
            if k == AT {
                row.raised_db = [12.0, 0.0];
            }
        }
    };
    check("logged gain moves", &causes(AT - 3..AT + 3, setting(true)), Cause::GainStep, 1);
    check("logged gain stays", &causes(AT - 3..AT + 3, setting(false)), Cause::Knock, 1);
}

#[test]
fn sensors_that_rise_together_are_told_and_sensors_that_take_turns_are_not() {
    let both = |k: usize, row: &mut Row| {
        if (AT..AT + 6).contains(&k) {
            row.raised_db = [10.0; 2];
        }
    };
    let found = causes(AT..AT + 6, both);
    let right = found.iter().filter(|cause| **cause == Cause::BothSensorsStep).count();
    // Levels scatter, so that not every pair of a moment is alike within 3 dB.
    assert!(found.len() >= 10 && right * 10 >= found.len() * 6, "both rise: {found:?}");
    let turns = |k: usize, row: &mut Row| {
        if (AT..AT + 6).contains(&k) {
            row.raised_db = if k.is_multiple_of(2) { [10.0, 0.0] } else { [0.0, 10.0] };
        }
    };
    check("taking turns", &causes(AT..AT + 6, turns), Cause::Knock, 5);
}
