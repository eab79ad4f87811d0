//! Helpers shared by the checks: reading a committed vector, comparing within a stated tolerance.

pub mod breaking;

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Mutex;

use serde_json::Value;

/// Path of a committed vector file, e.g. `open-data/rcm/igniting.wav`.
pub fn vector_path(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("vectors").join(name)
}

/// The JSON vector `vectors/<name>.json`.
///
/// # Panics
/// When the file is not there or is no JSON: a check without its truth must fail.
pub fn vector(name: &str) -> Value {
    let path = vector_path(&format!("{name}.json"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    serde_json::from_str(&text).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// The number under a JSON value, which may be written as text; NaN for `null`.
pub fn number(value: &Value) -> f64 {
    match value {
        Value::String(text) => text.parse().unwrap_or_else(|_| panic!("{text} is no number")),
        Value::Null => f64::NAN,
        other => other.as_f64().unwrap_or_else(|| panic!("{other} is no number")),
    }
}

/// The numbers of a JSON array.
pub fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap_or_else(|| panic!("{value} is no array")).iter().map(number).collect()
}

/// Fails unless `|actual - expected| <= tolerance`; NaN always fails.
#[track_caller]
pub fn assert_close(actual: f64, expected: f64, tolerance: f64, what: &str) {
    let apart = (actual - expected).abs();
    if tolerance > 0.0 && apart <= tolerance {
        keep_worst(std::panic::Location::caller().file(), apart / tolerance);
    }
    assert!(apart <= tolerance, "{what}: {actual} is {apart:e} from {expected}, allowed {tolerance:e}");
}

/// Fails unless `|actual - expected| <= tolerance * |expected|`; NaN always fails.
#[track_caller]
pub fn assert_relative(actual: f64, expected: f64, tolerance: f64, what: &str) {
    assert_close(actual, expected, tolerance * expected.abs(), what);
}

/// The bytes of base 64 (RFC 4648 section 4).
pub fn from_base64(text: &str) -> Vec<u8> {
    let digit = |b: u8| match b {
        b'A'..=b'Z' => u32::from(b - b'A'),
        b'a'..=b'z' => u32::from(b - b'a') + 26,
        b'0'..=b'9' => u32::from(b - b'0') + 52,
        b'+' => 62,
        _ => 63,
    };
    let mut bytes = Vec::new();
    for group in text.trim_end_matches('=').as_bytes().chunks(4) {
        let word = group.iter().fold(0, |word, b| word << 6 | digit(*b)) << (6 * (4 - group.len()));
        bytes.extend(word.to_be_bytes().iter().skip(1).take(group.len() * 3 / 4));
    }
    bytes
}

/// Keeps what a check achieved, for the table in DEVELOPERS.md (`cargo xtask checks`): `of` is the check's name as its row
/// has it. Where nothing can be written the table keeps its last figure; no check depends on it.
pub fn achieved(of: &str, figure: &str) {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("..").join("target").join("achieved");
    let name: String = of.chars().filter(|c| c.is_alphanumeric()).take(60).collect();
    let _ = std::fs::create_dir_all(&folder)
        .and_then(|()| std::fs::write(folder.join(format!("{name}.txt")), format!("{of}\n{figure}\n")));
}

/// Largest share of its tolerance that a comparison has used, by test file; kept whenever it grows by a hundredth.
fn keep_worst(file: &str, share: f64) {
    static WORST: Mutex<BTreeMap<String, f64>> = Mutex::new(BTreeMap::new());
    let stem =
        std::path::Path::new(file).file_stem().map_or_else(String::new, |stem| stem.to_string_lossy().into_owned());
    let Ok(mut worst) = WORST.lock() else { return };
    let known = worst.entry(stem.clone()).or_insert(-1.0);
    if share > *known + 0.01 {
        *known = share;
        achieved(&stem, &format!("within {:.0} % of what is allowed", (100.0 * share).ceil()));
    }
}
