//! Recordings: awkward WAV files against what scipy reads from them, and laws that hold for any bytes.
//!
//! check: samples of 44 awkward WAVs | `scipy.io.wavfile` 1.17.1 | exact

use outside_truth::{number, numbers, vector, vector_path};
use ringdown::read::samples::{Planes, Samples};
use ringdown::read::wave;
use serde_json::Value;
use std::io::Cursor;

fn open(bytes: Vec<u8>) -> Result<ringdown::error::Loaded<Samples>, ringdown::error::Error> {
    wave::open("x.wav", Box::new(Cursor::new(bytes)))
}

/// Full scale of scipy's unscaled samples.
fn as_full_scale(dtype: &str, value: f64) -> f64 {
    match dtype {
        "u1" => (value - 128.0) / 128.0,
        "i2" => value / 32_768.0,
        "i4" => value / 2_147_483_648.0,
        "i8" => value / 9_223_372_036_854_775_808.0,
        _ => value,
    }
}

fn frame(planes: &Planes, at: usize) -> Vec<f64> {
    planes.iter().map(|plane| f64::from(plane[at])).collect()
}

fn check_samples(case: &Value, wave: &mut Samples) {
    let name = case["file"].as_str().unwrap();
    let dtype = case["scipy_dtype"].as_str().unwrap();
    let mut planes = Planes::new();
    let count = wave.read(0, usize::MAX, &mut planes).unwrap();
    assert_eq!(count as f64, number(&case["frames"]), "{name}: frames read");
    let expected = |value: &Value| -> Vec<f64> {
        numbers(value).iter().map(|v| f64::from(as_full_scale(dtype, *v) as f32)).collect()
    };
    for (k, row) in case["first_frames"].as_array().unwrap().iter().enumerate() {
        assert_eq!(frame(&planes, k), expected(row), "{name}: frame {k}");
    }
    assert_eq!(frame(&planes, count - 1), expected(&case["last_frame"]), "{name}: last frame");
}

/// Truth: scipy.io.wavfile 1.17.1. What it refuses (fuzzing crashes, mu-law, contradicting headers) must be refused with
/// a reason here too.
#[test]
fn awkward_wavs_hold_what_scipy_reads() {
    let facts = vector("wav_facts");
    let cases = facts["cases"].as_array().unwrap();
    assert_eq!(cases.len(), 44);
    for case in cases {
        let name = case["file"].as_str().unwrap();
        let bytes = std::fs::read(vector_path(&format!("open-data/{name}"))).unwrap();
        match (open(bytes), case.get("scipy_error")) {
            (Err(error), Some(_)) => assert!(error.to_string().len() > 20, "{name}: {error}"),
            (Ok(loaded), None) => {
                let mut wave = loaded.value;
                assert_eq!(wave.sample_rate_hz, number(&case["rate_hz"]), "{name}: rate");
                assert_eq!(wave.channels as f64, number(&case["channels"]), "{name}: channels");
                assert_eq!(wave.frames as f64, number(&case["frames"]), "{name}: frames");
                check_samples(case, &mut wave);
            }
            (Ok(_), Some(reason)) => panic!("{name}: read, but scipy says {reason}"),
            (Err(error), None) => panic!("{error}"),
        }
    }
}
