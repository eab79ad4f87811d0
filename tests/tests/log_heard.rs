//! What a log's level listens to, told by a recording of the same run: band, gain, lag and how it is sampled.
//!
//! Truth: an engine whose noise comes in three bands, each combustion's loudness in each of them drawn on its own; a control
//! unit that hears one of them through a filter of its own (a windowed sinc, convolved sample by sample), takes the mean
//! square in its window and logs it later. Nothing of this is Ringdown's.
//!
//! check: what a logged level listens to | an engine of three bands and a control unit that hears one, by convolution | band, gain, slope, lag within the stated intervals; shuffled, steady, short and two-band logs refused

#[path = "crank_bench/engine.rs"]
#[allow(dead_code)]
mod engine;
#[path = "crank_bench/wav.rs"]
mod wav;

use engine::{Engine, Random, Speed, square, to_f32, wheel};
use ringdown::card::heard::Heard;
use ringdown::card::{Card, FileRole, Input};
use ringdown::feature::heard::{Explained, Unheard};
use ringdown::out::{result, section};
use ringdown::stats::rate::Interval;
use std::f64::consts::PI;
use std::fmt::Write;
use wav::wav;

const RATE_HZ: f64 = 32_000.0;
const SECONDS: f64 = 40.0;
const OFFSET_S: f64 = 8.34;
/// The engine's bands, Hz.
const BANDS_HZ: [[f64; 2]; 3] = [[3000.0, 4500.0], [6000.0, 7500.0], [9000.0, 11_000.0]];
/// The control unit's window, degrees after firing TDC, which the user has typed in.
const WINDOW_DEG: [f64; 2] = [10.0, 60.0];

const SHEET: &str = r#"{"sheet": 1, "name": "four", "bore_mm": 86, "cylinders": 4, "strokes": 4, "firing_order": [1, 3, 4, 2],
    "sensors": [{"channel": 1, "cylinders": [1, 2, 3, 4]}],
    "crank": {"kind": "missing-tooth", "channel": 2, "teeth": 36, "missing": 1, "gap_deg_btdc": 90.0, "edge": "rising"}}"#;

/// A windowed sinc between two frequencies.
fn taps(band_hz: [f64; 2]) -> Vec<f64> {
    const REACH: i32 = 48;
    let low_pass = |hz: f64, k: i32| {
        let x = f64::from(k) * 2.0 * hz / RATE_HZ;
        2.0 * hz / RATE_HZ * if k == 0 { 1.0 } else { (PI * x).sin() / (PI * x) }
    };
    let tap = |k: i32| {
        let weight = 0.5 + 0.5 * (PI * f64::from(k) / f64::from(REACH + 1)).cos();
        weight * (low_pass(band_hz[1], k) - low_pass(band_hz[0], k))
    };
    (-REACH..=REACH).map(tap).collect()
}

fn filtered(signal: &[f64], taps: &[f64]) -> Vec<f64> {
    let reach = taps.len() / 2;
    let at = |i: usize| {
        let from = i.saturating_sub(reach);
        let part = &signal[from..(i + reach + 1).min(signal.len())];
        part.iter().zip(&taps[from + reach - i..]).map(|(x, tap)| x * tap).sum::<f64>()
    };
    (0..signal.len()).map(at).collect()
}

/// A run: what was recorded, when windows closed, and what the control unit read in a band, dB re full scale.
struct Run {
    wav: Vec<u8>,
    closed_s: Vec<f64>,
    read_db: Vec<Vec<f64>>,
}

/// `own_db`: scatter of each band from combustion to combustion; `common_db`: of all of them together.
fn run(speed: Speed, own_db: f64, common_db: f64, seed: u64) -> Run {
    let engine = Engine::new(speed, SECONDS, 31.0, 2.0, 0.01);
    let mut random = Random(seed);
    let count = (SECONDS * RATE_HZ) as usize;
    // The first tooth after the gap rises at 12 degrees and lies 90 before a firing TDC; one fires every half turn.
    let tdc_deg: Vec<f64> =
        (0..).map(|k| 102.0 + 180.0 * f64::from(k)).take_while(|d| *d < engine.deg_at(SECONDS - 0.1)).collect();
    let edges: Vec<usize> = tdc_deg.iter().map(|deg| (engine.time_at(deg - 30.0) * RATE_HZ) as usize).collect();
    let common: Vec<f64> = edges.iter().map(|_| common_db * random.normal()).collect();
    let mut sensor: Vec<f64> = (0..count).map(|_| 3e-4 * random.normal()).collect();
    for band_hz in BANDS_HZ {
        let white: Vec<f64> = (0..count).map(|_| random.normal()).collect();
        let noise = filtered(&white, &taps(band_hz));
        let loud_db: Vec<f64> = common.iter().map(|db| db + own_db * random.normal()).collect();
        let mut k = 0;
        for (i, (out, noise)) in sensor.iter_mut().zip(noise).enumerate() {
            while k + 1 < edges.len() && edges[k + 1] <= i {
                k += 1;
            }
            // All bands grow with speed alike.
            let by_speed_db = 8.0 * (engine.deg_per_s_at(i as f64 / RATE_HZ) / 6.0 / 1000.0 - 3.0) / 2.0;
            *out += 0.02 * noise * 10f64.powf((loud_db[k] + by_speed_db) / 20.0);
        }
    }
    let read = |band_hz: &[f64; 2]| {
        let heard = filtered(&sensor, &taps(*band_hz));
        let of_window = |deg: &f64| {
            let [from, to] = WINDOW_DEG.map(|at| (engine.time_at(deg + at) * RATE_HZ) as usize);
            let window = &heard[from..to.min(heard.len())];
            10.0 * (window.iter().map(|y| y * y).sum::<f64>() / window.len() as f64).log10()
        };
        tdc_deg.iter().map(of_window).collect()
    };
    let read_db = BANDS_HZ.iter().map(read).collect();
    let closed_s = tdc_deg.iter().map(|deg| engine.time_at(deg + WINDOW_DEG[1])).collect();
    let teeth = square(&wheel(&engine, 36, 1, 12.0, 5.0), count, RATE_HZ);
    Run { wav: wav(&[to_f32(&sensor, 1.0), to_f32(&teeth, 0.5)], RATE_HZ as u32), closed_s, read_db }
}

/// How the control unit logs what it read.
#[derive(Clone, Copy)]
struct Logs {
    rate_hz: f64,
    held: bool,
    lag_s: f64,
    gain_db: f64,
    in_volts: bool,
}

fn rpm_at(t_s: f64) -> f64 {
    1500.0 + 3500.0 * (t_s / 30.0).clamp(0.0, 1.0)
}

/// The level of each row from 2 s on, dB; `None` before anything was read.
fn rows(run: &Run, read_db: &[f64], how: Logs) -> Vec<(f64, Option<f64>)> {
    let row = |k: usize| {
        let t_s = k as f64 / how.rate_hz - OFFSET_S;
        let passed = |t_s: f64| run.closed_s.partition_point(|closed_s| closed_s + how.lag_s <= t_s);
        let (before, end) = (passed(t_s - 1.0 / how.rate_hz), passed(t_s));
        let from = if how.held { before.min(end.saturating_sub(1)) } else { end.saturating_sub(1) };
        let level = read_db[from..end].iter().copied().max_by(f64::total_cmp);
        (t_s, level.map(|db| db + how.gain_db))
    };
    (0..((SECONDS + 18.0) * how.rate_hz) as usize).map(row).collect()
}

fn csv(rows: &[(f64, Option<f64>)], in_volts: bool) -> Vec<u8> {
    let mut text = format!("Time [s];RPM [1/min];Knock level [{}]\n", if in_volts { "V" } else { "dB" });
    for (t_s, level) in rows {
        let shown = level.map_or(String::new(), |db| {
            if in_volts { format!("{:.4}", 10f64.powf(db / 20.0)) } else { format!("{db:.1}") }
        });
        writeln!(text, "{:.3};{};{shown}", t_s + OFFSET_S, rpm_at(*t_s).round()).expect("a string takes all");
    }
    text.into_bytes()
}

fn card(wav: &[u8], csv: Vec<u8>) -> Card {
    let mut card = Card::default();
    card.set_sheet(SHEET.as_bytes()).expect("a sheet");
    let mut choices = card.choices().clone();
    choices.window = Some(WINDOW_DEG);
    card.choose(choices).expect("a window");
    card.add(Input::from_bytes("run.wav", wav.to_vec()), Some(FileRole::Safe)).expect("a recording");
    card.add(Input::from_bytes("run.csv", csv), None).expect("a log");
    while !card.step().progress.done {}
    card
}

fn only(card: &Card) -> &Heard {
    let [heard] = card.heard() else { panic!("one level column over one recording: {:?}", card.heard()) };
    heard
}

fn holds(within: Interval, truth: f64) -> bool {
    (within.low..=within.high).contains(&truth)
}

fn ramp() -> Speed {
    Speed::Ramp(1500.0, 5000.0, 30.0)
}

#[test]
fn band_gain_lag_and_sampling_of_a_logged_level_are_found_within_their_intervals() {
    let ways = [
        (0, Logs { rate_hz: 20.0, held: false, lag_s: 0.06, gain_db: 70.0, in_volts: false }),
        (1, Logs { rate_hz: 10.0, held: true, lag_s: 0.03, gain_db: 46.0, in_volts: true }),
        (2, Logs { rate_hz: 50.0, held: false, lag_s: 0.0, gain_db: 55.0, in_volts: false }),
    ];
    let run = run(ramp(), 3.0, 1.0, 5);
    for (band, how) in ways {
        let card = card(&run.wav, csv(&rows(&run, &run.read_db[band], how), how.in_volts));
        let found: Explained = only(&card).found.unwrap_or_else(|why| panic!("{band}: {why:?}"));
        println!("{band}: {found:?}");
        let [low_hz, high_hz] = BANDS_HZ[band];
        assert!(holds(found.edges_hz[0], low_hz) && holds(found.edges_hz[1], high_hz), "{band}: {found:?}");
        assert!(found.edges_hz.iter().all(|edge| edge.high - edge.low <= 2000.0), "{band}: tells nothing: {found:?}");
        assert!(holds(found.lag_s.within, how.lag_s), "{band}: {found:?}");
        assert!(found.lag_s.within.high - found.lag_s.within.low < 0.2, "{band}: tells nothing: {found:?}");
        assert!(holds(found.gain_db.within, how.gain_db), "{band}: {found:?}");
        assert!(found.gain_db.within.high - found.gain_db.within.low < 4.0, "{band}: tells nothing: {found:?}");
        assert!(holds(found.slope.within, 1.0), "{band}: {found:?}");
        assert!(found.correlation.value > 0.8 && found.beyond_speed.value > 0.6, "{band}: {found:?}");
        // At 50 Hz hardly more than one combustion falls between two rows: both ways show the same.
        assert!(how.rate_hz > 40.0 || found.held == how.held, "{band}: {found:?}");
        let told = serde_json::to_string(&section::view(&card, 7)).expect("a section is text");
        assert!(told.contains("listens to"), "{told}");
        let json = result::result(&card);
        assert!(json["heard"][0]["explained"]["gain_db"]["low"].is_number() && json["heard"][0]["why_not"].is_null());
    }
}

#[test]
fn logs_that_a_recording_does_not_explain_are_refused_with_the_reason() {
    let loud = run(ramp(), 3.0, 1.0, 6);
    let how = Logs { rate_hz: 20.0, held: false, lag_s: 0.05, gain_db: 60.0, in_volts: false };
    let good = rows(&loud, &loud.read_db[1], how);
    // Levels in another order: shuffled over all rows, or among neighbours in speed, which leaves their rise with it.
    let mut shuffled = good.clone();
    let mut random = Random(9);
    for k in (1..shuffled.len()).rev() {
        let other = (random.uniform() * (k + 1) as f64) as usize;
        (shuffled[k].1, shuffled[other].1) = (shuffled[other].1, shuffled[k].1);
    }
    let mut turned = good.clone();
    for part in turned.chunks_mut(9) {
        for k in (1..part.len()).rev() {
            let other = (random.uniform() * (k + 1) as f64) as usize;
            (part[k].1, part[other].1) = (part[other].1, part[k].1);
        }
    }
    let still: Vec<_> = good.iter().map(|(t_s, level)| (*t_s, level.map(|_| 31.0))).collect();
    let short: Vec<_> = good.iter().map(|(t_s, level)| (*t_s, level.filter(|_| *t_s < 12.0))).collect();
    let why = |rows: &[(f64, Option<f64>)]| only(&card(&loud.wav, csv(rows, false))).found;
    let right = why(&good);
    println!("{right:?}");
    assert!(right.is_ok(), "{right:?}");
    let whys = [why(&shuffled), why(&turned), why(&still), why(&short)];
    println!("{whys:?}");
    assert!(matches!(whys[0], Err(Unheard::Unrelated(_))), "{whys:?}");
    assert!(matches!(whys[1], Err(Unheard::OnlySpeed(_))), "{whys:?}");
    assert!(matches!(whys[2], Err(Unheard::Still)), "{whys:?}");
    assert!(matches!(whys[3], Err(Unheard::Short(..))), "{whys:?}");
    // A control unit that logs the mean of its lowest and its highest band: either explains it as well as the other.
    let both: Vec<f64> = loud.read_db[0].iter().zip(&loud.read_db[2]).map(|(a, b)| 0.5 * (a + b)).collect();
    let found = why(&rows(&loud, &both, how));
    println!("{found:?}");
    let Err(Unheard::TwoBands(one, other)) = found else { panic!("{found:?}") };
    let mut middles = [one, other].map(|band| 0.5 * (band.range_hz()[0] + band.range_hz()[1]));
    middles.sort_by(f64::total_cmp);
    assert!((3000.0..4500.0).contains(&middles[0]) && (9000.0..11_000.0).contains(&middles[1]), "{middles:?}");
}
