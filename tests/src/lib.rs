//! Helpers shared by the checks: reading a committed vector, comparing within a stated tolerance.

use std::path::PathBuf;

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
    assert!(apart <= tolerance, "{what}: {actual} is {apart:e} from {expected}, allowed {tolerance:e}");
}

/// Fails unless `|actual - expected| <= tolerance * |expected|`; NaN always fails.
#[track_caller]
pub fn assert_relative(actual: f64, expected: f64, tolerance: f64, what: &str) {
    assert_close(actual, expected, tolerance * expected.abs(), what);
}
