//! Real machines: autoignition ringing in a rapid compression machine, knock in a single-cylinder test engine.
//!
//! check: falling tone of real autoignition | open records of a rapid compression machine | pitch within 2 %
//! check: real knock of a test engine | published fits, areas, limits of 24 + 31 tests | 1e-4; area 0.03; limit 1e-6

use outside_truth::{assert_close, assert_relative, number, numbers, vector, vector_path};
use ringdown::signal::tone::{Tone, falling, follow};
use ringdown::stats::moments::{mean, standard_deviation};
use ringdown::stats::normal;
use ringdown::stats::roc::Roc;

/// The record, single precision (readers are checked elsewhere).
fn record(name: &str) -> (Vec<f32>, f64) {
    let bytes = std::fs::read(vector_path(&format!("open-data/rcm/{name}.wav"))).expect("the record");
    let at = bytes.windows(4).position(|four| four == b"data").expect("a data chunk") + 8;
    let word = |offset: usize| u32::from_le_bytes(bytes[offset..offset + 4].try_into().expect("four bytes"));
    let rate = f64::from(word(24));
    let sample = |four: &[u8]| f32::from_le_bytes(four.try_into().expect("four bytes"));
    let samples = bytes[at..].chunks_exact(4).map(sample).collect();
    (samples, rate)
}

fn track(name: &str) -> Vec<Tone> {
    let (samples, rate) = record(name);
    assert_eq!(rate, 100_000.0);
    follow(&samples, rate, 8000.0, 14_000.0)
}

#[test]
fn the_ringing_tone_of_autoignition_is_followed_within_2_percent() {
    let truth = &vector("open_derived")["rcm"]["records"]["igniting"]["ignition"];
    let sample = number(&truth["sample"]);
    let track = track("igniting");
    let points = truth["track_8_14_khz"].as_array().expect("points");
    for point in points {
        let t_s = (sample + 100.0 * number(&point["start_ms"])) / 100_000.0;
        let nearest = track.iter().min_by(|a, b| (a.t_s - t_s).abs().total_cmp(&(b.t_s - t_s).abs())).expect("frames");
        assert_relative(nearest.hz, number(&point["peak_hz"]), 0.02, "pitch");
    }
    assert!(points.len() == 6);
}

/// Both records hold the blow of the piston at the end of compression, louder than most of the ringing; one holds no
/// ignition. Times of both: `open_derived.json`.
#[test]
fn only_ignition_falls_in_pitch_and_the_blow_of_the_piston_is_not_taken_for_it() {
    let truth = &vector("open_derived")["rcm"]["records"];
    let at_s = |record: &str, what: &str| number(&truth[record][what]["sample"]) / 100_000.0;
    let falls = |record: &str| {
        let track = track(record);
        falling(&track).into_iter().map(|from| track[from].t_s).collect::<Vec<f64>>()
    };
    let found = falls("igniting");
    assert!(!found.is_empty(), "no falling tone");
    let ignition = at_s("igniting", "ignition");
    for t_s in found {
        assert!((t_s - ignition).abs() < 0.003, "{t_s} s against {ignition} s");
    }
    assert_eq!(falls("not-igniting"), Vec::<f64>::new());
}

/// Peak band-passed pressure of each cycle, bar, of the tests published cycle by cycle.
fn peaks(test: &str) -> Vec<f64> {
    numbers(&vector("cfr_knock_derived")["mapo_per_cycle"][test])
}

#[test]
fn published_log_normal_fits_and_limits_of_the_test_engine_are_reproduced() {
    let derived = vector("cfr_knock_derived");
    let tests = derived["mapo_per_cycle"].as_object().expect("tests");
    assert!(tests.len() >= 5);
    for name in tests.keys() {
        let logs: Vec<f64> = peaks(name).iter().map(|peak| peak.ln()).collect();
        let published = &derived["tests"][name];
        // Published to six digits of bar.
        assert_close(mean(&logs).expect("cycles"), number(&published["mu_log"]), 1e-4, name);
        assert_close(standard_deviation(&logs).expect("cycles"), number(&published["sd_log"]), 1e-4, name);
    }
}

/// Number of cycles of each test.
const CYCLES: f64 = 50.0;

/// Cycle by cycle only some tests are published, of all the centre and spread of the logarithms: the others stand as fifty
/// even quantiles of their law, which the tolerance of the published area (0.03) allows for.
#[test]
fn the_published_area_and_limit_of_knock_are_reproduced() {
    let derived = vector("cfr_knock_derived");
    for (fuel, knocking) in [("roc_C3H8", "C3H8_Test003"), ("roc_CH4", "CH4_Test006")] {
        let published = &derived[fuel];
        assert_eq!(published["pos"][0], knocking);
        let laws: Vec<(f64, f64)> = published["neg"]
            .as_array()
            .expect("names")
            .iter()
            .map(|name| &derived["tests"][name.as_str().expect("a name")])
            .map(|test| (number(&test["mu_log"]), number(&test["sd_log"])))
            .collect();
        let even = |law: &(f64, f64)| {
            let (centre, spread) = *law;
            (0..50).map(move |n| (centre + spread * normal::quantile((f64::from(n) + 0.5) / CYCLES)).exp())
        };
        let quiet: Vec<f64> = laws.iter().flat_map(even).collect();
        let knocks = peaks(knocking);
        let roc = Roc::new(&quiet, &knocks).expect("both classes");
        println!("{fuel}: area {:.4}, published {}", roc.auc, published["auc"]["mapo"]);
        assert_close(roc.auc, number(&published["auc"]["mapo"]), 0.03, "area");
        // Mean and variance of the pooled logarithms from those of the tests, then the 99 % point of their normal law.
        let centre = mean(&laws.iter().map(|law| law.0).collect::<Vec<_>>()).expect("tests");
        let squares = laws.iter().map(|(mu, sd)| (CYCLES - 1.0) * sd * sd + CYCLES * (mu - centre).powi(2));
        let spread = (squares.sum::<f64>() / (CYCLES * laws.len() as f64 - 1.0)).sqrt();
        let limit = (centre + normal::quantile(0.99) * spread).exp();
        assert_relative(limit, number(&published["lognormal_99pct_threshold_bar"]), 1e-6, "limit");
        let caught = knocks.iter().filter(|peak| **peak > limit).count() as f64 / CYCLES;
        assert_close(caught, number(&published["recall"]), 1e-9, "recall");
    }
}
