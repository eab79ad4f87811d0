//! Faults as the page shows them: one sentence from four texts.

use ringdown::error::{Error, Kind};
use serde::Serialize;
use wasm_bindgen::JsValue;

/// What is thrown: which file, where in it, what was found, what to do.
#[derive(Debug, Serialize)]
pub struct Fault {
    file: String,
    place: String,
    found: String,
    todo: String,
    /// What the user could say about the file to make it usable: `raw`, the form of samples without a header.
    asks: Option<&'static str>,
}

impl From<&Error> for Fault {
    fn from(error: &Error) -> Self {
        Self {
            file: error.file.clone(),
            place: error.place_in_words(),
            found: error.found(),
            todo: error.kind.remedy().to_string(),
            asks: asks(&error.kind),
        }
    }
}

/// Bytes of no known kind may be samples without a header; text and JSON are not.
fn asks(kind: &Kind) -> Option<&'static str> {
    matches!(kind, Kind::Bytes | Kind::NoFrame { .. }).then_some("raw")
}

/// A fault of the page itself rather than of a file.
pub fn of_page(found: impl ToString, todo: &str) -> JsValue {
    thrown(&Fault {
        file: String::new(),
        place: String::new(),
        found: found.to_string(),
        todo: todo.to_string(),
        asks: None,
    })
}

/// A fault as the object that JavaScript catches.
pub fn thrown(fault: &Fault) -> JsValue {
    serde_wasm_bindgen::to_value(fault).unwrap_or_else(|_| JsValue::from_str(&fault.found))
}
