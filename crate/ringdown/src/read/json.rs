//! Versioned JSON: bounded in size and depth, fields taken one by one with their ranges.

use crate::error::{Error, Kind, Place};
use serde_json::{Map, Value};

/// Bytes of a sheet or card.
pub(super) const MOST_BYTES: u64 = 1 << 20;
const MOST_DEPTH: u64 = 32;
const CORRECT: &str = "correct it in a text editor or on the page, and drop the file again";

/// A range with its reason: `Span(20.0, 400.0, "mm, bores of piston engines")`.
#[derive(Clone, Copy)]
pub(super) struct Span(pub f64, pub f64, pub &'static str);

/// The top-level object, its version field `key` checked to be 1.
pub(super) fn versioned<'a>(name: &'a str, bytes: &[u8], key: &str) -> Result<Fields<'a>, Error> {
    let mut fields = Fields { name, path: String::new(), map: object(name, bytes)? };
    match fields.map.remove(key) {
        Some(Value::Number(version)) if version.as_f64() == Some(1.0) => Ok(fields),
        Some(other) => {
            let kind = Kind::Unsupported {
                found: format!("version {} of this {key}", short(&other)),
                remedy: "this program knows version 1: open it with a newer Ringdown, or save it again from this one",
            };
            Err(Error::new(name, Place::Field(key.to_owned()), kind))
        }
        None => Err(fields.wrong(key, "no version".into(), "\"sheet\": 1 for an engine sheet, \"card\": 1 for a card")),
    }
}

/// Parses `bytes` as one JSON object within the bounds of size and depth.
pub(super) fn object(name: &str, bytes: &[u8]) -> Result<Map<String, Value>, Error> {
    let too_large = |what, asked, allowed| Error::new(name, Place::File, Kind::TooLarge { what, asked, allowed });
    let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
    if bytes.len() as u64 > MOST_BYTES {
        return Err(too_large("bytes of JSON", bytes.len() as u64, MOST_BYTES));
    }
    if bytes.iter().all(u8::is_ascii_whitespace) {
        return Err(Error::new(name, Place::File, Kind::Empty));
    }
    let depth = depth(bytes);
    if depth > MOST_DEPTH {
        return Err(too_large("levels of nested JSON", depth, MOST_DEPTH));
    }
    match serde_json::from_slice(bytes) {
        Ok(Value::Object(map)) => Ok(map),
        Ok(other) => {
            let kind = Kind::Malformed { found: kind_of(&other), expected: "an object in braces", remedy: CORRECT };
            Err(Error::new(name, Place::File, kind))
        }
        Err(error) => Err(syntax(name, bytes, &error)),
    }
}

/// Deepest nesting of brackets outside strings; a scan, so that no parser recurses on hostile input.
fn depth(bytes: &[u8]) -> u64 {
    let (mut now, mut most, mut in_string, mut escaped) = (0u64, 0, false, false);
    for byte in bytes {
        match byte {
            _ if escaped => escaped = false,
            b'\\' if in_string => escaped = true,
            b'"' => in_string = !in_string,
            b'{' | b'[' if !in_string => now += 1,
            b'}' | b']' if !in_string => now = now.saturating_sub(1),
            _ => {}
        }
        most = most.max(now);
    }
    most
}

fn syntax(name: &str, bytes: &[u8], error: &serde_json::Error) -> Error {
    let line = error.line() as u64;
    let lines_before = bytes.split_inclusive(|b| *b == b'\n').take(error.line().saturating_sub(1));
    let byte = lines_before.map(|line| line.len() as u64).sum();
    let words = error.to_string();
    let found = words.split(" at line ").next().unwrap_or_default().to_owned();
    let kind = Kind::Malformed { found: format!("broken JSON ({found})"), expected: "valid JSON", remedy: CORRECT };
    Error::new(name, Place::Line { line, byte }, kind)
}

/// The fields of one object, taken out one by one; what is left is unknown.
pub(super) struct Fields<'a> {
    name: &'a str,
    path: String,
    map: Map<String, Value>,
}

impl<'a> Fields<'a> {
    /// A field's full name: `sensors[1].channel`.
    fn full(&self, key: &str) -> String {
        if self.path.is_empty() { key.to_owned() } else { format!("{}.{key}", self.path) }
    }

    /// An error: the field holds something of the wrong kind.
    pub(super) fn wrong(&self, key: &str, found: String, expected: &'static str) -> Error {
        let kind = Kind::Malformed { found, expected, remedy: CORRECT };
        Error::new(self.name, Place::Field(self.full(key)), kind)
    }

    /// An error: the value makes no sense.
    pub(super) fn silly(&self, key: &str, value: impl ToString, allowed: impl Into<String>) -> Error {
        let kind = Kind::OutOfRange { value: shortened(value.to_string()), allowed: allowed.into() };
        Error::new(self.name, Place::Field(self.full(key)), kind)
    }

    /// A note about a field.
    pub(super) fn note(&self, key: &str, what: &str) -> Error {
        let remedy = "check its spelling if it was meant for Ringdown";
        Error::new(self.name, Place::Field(self.full(key)), Kind::Noted { what: what.to_owned(), remedy })
    }

    /// Takes a field; `null` counts as missing.
    pub(super) fn take(&mut self, key: &str) -> Option<Value> {
        self.map.remove(key).filter(|value| !value.is_null())
    }

    /// A text.
    pub(super) fn text(&mut self, key: &str) -> Result<Option<String>, Error> {
        match self.take(key) {
            None => Ok(None),
            Some(Value::String(text)) => Ok(Some(text)),
            Some(other) => Err(self.wrong(key, kind_of(&other), "a text in quotes")),
        }
    }

    /// One of several words; the index of the word.
    pub(super) fn word(&mut self, key: &str, words: &[&str]) -> Result<Option<usize>, Error> {
        let Some(text) = self.text(key)? else { return Ok(None) };
        let found = words.iter().position(|word| *word == text);
        found.map(Some).ok_or_else(|| self.silly(key, format!("{text:?}"), format!("the words {}", words.join(", "))))
    }

    /// A finite number within `span`.
    pub(super) fn number(&mut self, key: &str, span: Span) -> Result<Option<f64>, Error> {
        self.take(key).map(|value| self.check(key, &value, span)).transpose()
    }

    /// A whole number within `span`.
    pub(super) fn whole(&mut self, key: &str, span: Span) -> Result<Option<u16>, Error> {
        self.take(key).map(|value| self.check_whole(key, &value, span)).transpose()
    }

    /// Like [`Fields::whole`], but the object makes no sense without it.
    pub(super) fn needed(&mut self, key: &str, span: Span) -> Result<u16, Error> {
        self.whole(key, span)?.ok_or_else(|| self.wrong(key, "nothing".into(), "a whole number"))
    }

    /// A list of numbers within `span`.
    pub(super) fn numbers(&mut self, key: &str, span: Span) -> Result<Option<Vec<f64>>, Error> {
        let Some(list) = self.list(key)? else { return Ok(None) };
        list.iter().map(|value| self.check(key, value, span)).collect::<Result<_, _>>().map(Some)
    }

    /// A list of texts.
    pub(super) fn words(&mut self, key: &str) -> Result<Option<Vec<String>>, Error> {
        let Some(list) = self.list(key)? else { return Ok(None) };
        let word = |value: &Value| match value {
            Value::String(text) => Ok(text.clone()),
            other => Err(self.wrong(key, kind_of(other), "texts in quotes")),
        };
        list.iter().map(word).collect::<Result<_, _>>().map(Some)
    }

    /// A list of whole numbers within `span`.
    pub(super) fn wholes(&mut self, key: &str, span: Span) -> Result<Option<Vec<u16>>, Error> {
        let Some(list) = self.list(key)? else { return Ok(None) };
        list.iter().map(|value| self.check_whole(key, value, span)).collect::<Result<_, _>>().map(Some)
    }

    /// A list.
    pub(super) fn list(&mut self, key: &str) -> Result<Option<Vec<Value>>, Error> {
        match self.take(key) {
            None => Ok(None),
            Some(Value::Array(list)) => Ok(Some(list)),
            Some(other) => Err(self.wrong(key, kind_of(&other), "a list in square brackets")),
        }
    }

    /// A list of objects.
    pub(super) fn objects(&mut self, key: &str) -> Result<Option<Vec<Fields<'a>>>, Error> {
        let Some(list) = self.list(key)? else { return Ok(None) };
        let each = list.into_iter().enumerate();
        each.map(|(k, value)| self.inner(format!("{key}[{k}]"), value)).collect::<Result<_, _>>().map(Some)
    }

    /// An object.
    pub(super) fn object(&mut self, key: &str) -> Result<Option<Fields<'a>>, Error> {
        self.take(key).map(|value| self.inner(key.to_owned(), value)).transpose()
    }

    fn inner(&self, key: String, value: Value) -> Result<Fields<'a>, Error> {
        match value {
            Value::Object(map) => Ok(Fields { name: self.name, path: self.full(&key), map }),
            other => Err(self.wrong(&key, kind_of(&other), "an object in braces")),
        }
    }

    /// A value that must be a number within `span`.
    pub(super) fn check(&self, key: &str, value: &Value, span: Span) -> Result<f64, Error> {
        let Some(number) = value.as_f64() else { return Err(self.wrong(key, kind_of(value), "a number")) };
        let Span(low, high, why) = span;
        if number.is_finite() && (low..=high).contains(&number) {
            return Ok(number);
        }
        Err(self.silly(key, number, format!("{low} to {high} {why}")))
    }

    fn check_whole(&self, key: &str, value: &Value, span: Span) -> Result<u16, Error> {
        let number = self.check(key, value, span)?;
        if number.fract() == 0.0 && (0.0..=f64::from(u16::MAX)).contains(&number) {
            return Ok(number as u16);
        }
        Err(self.wrong(key, short(value), "a whole number"))
    }

    /// What was not taken, with a note for each.
    pub(super) fn rest(self, notes: &mut Vec<Error>) -> Map<String, Value> {
        for key in self.map.keys().take(20) {
            notes.push(self.note(key, "an unknown field was kept and not used"));
        }
        self.map
    }

    /// Everything, unchecked.
    pub(super) fn all(&self) -> &Map<String, Value> {
        &self.map
    }
}

/// "text \"abc\"", for a message.
pub(super) fn kind_of(value: &Value) -> String {
    match value {
        Value::Null => "null".into(),
        Value::Bool(_) => format!("the word {value}"),
        Value::Number(_) => format!("the number {value}"),
        Value::String(_) => format!("the text {}", short(value)),
        Value::Array(_) => "a list".into(),
        Value::Object(_) => "an object".into(),
    }
}

fn short(value: &Value) -> String {
    shortened(value.to_string())
}

/// The start of a long text: a hostile value must not fill the page with itself.
fn shortened(text: String) -> String {
    if text.chars().count() <= 40 { text } else { text.chars().take(39).chain(['…']).collect() }
}
