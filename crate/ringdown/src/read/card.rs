//! A saved job card: the user's choices without the data.

use super::json::{self, Fields, Span};
use super::sheet::Sheet;
use super::sheet_check;
use crate::error::{Error, Loaded};
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

/// A saved card, version 1. Every part may be missing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[allow(missing_docs)]
pub struct CardFile {
    pub card: u32,
    pub sheet: Option<Sheet>,
    /// The files it was made from, by content.
    pub files: Vec<CardInput>,
    pub marks: Vec<Mark>,
    /// Events judged by ear.
    pub labels: Vec<Label>,
    pub choices: Choices,
    /// Unknown fields, kept and reported.
    #[serde(flatten)]
    pub unknown: Map<String, Value>,
}

impl Default for CardFile {
    fn default() -> Self {
        let (files, marks, labels, choices) = (Vec::new(), Vec::new(), Vec::new(), Choices::default());
        Self { card: 1, sheet: None, files, marks, labels, choices, unknown: Map::new() }
    }
}

/// A file the card was made from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct CardInput {
    pub name: String,
    /// 64 lower-case hexadecimal digits, where known.
    pub sha256: Option<String>,
    pub bytes: Option<u64>,
    pub role: Option<FileRole>,
}

/// What a file is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum FileRole {
    Safe,
    Knock,
    Before,
    After,
    EngineOff,
    Listen,
}

impl FileRole {
    /// Every role, in the order of the card.
    pub const ALL: [FileRole; 6] =
        [FileRole::Safe, FileRole::Knock, FileRole::Before, FileRole::After, FileRole::EngineOff, FileRole::Listen];

    /// The word of the fixed shapes: `engine-off`.
    pub fn word(self) -> &'static str {
        match self {
            FileRole::Safe => "safe",
            FileRole::Knock => "knock",
            FileRole::Before => "before",
            FileRole::After => "after",
            FileRole::EngineOff => "engine-off",
            FileRole::Listen => "listen",
        }
    }

    /// The role of a word.
    pub fn of_word(word: &str) -> Option<FileRole> {
        Self::ALL.into_iter().find(|role| role.word() == word)
    }
}

/// A marked stretch of a file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Mark {
    pub file: String,
    pub from_s: f64,
    pub to_s: f64,
    pub label: MarkLabel,
    pub ignition_deg_btdc: Option<f64>,
    pub load: Option<f64>,
    pub fuel: Option<String>,
    pub coolant_c: Option<f64>,
}

impl Mark {
    /// A stretch with nothing but its label.
    pub fn plain(file: &str, from_s: f64, to_s: f64, label: MarkLabel) -> Mark {
        let (ignition_deg_btdc, load, fuel, coolant_c) = (None, None, None, None);
        Mark { file: file.to_owned(), from_s, to_s, label, ignition_deg_btdc, load, fuel, coolant_c }
    }
}

/// What a stretch is marked as.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum MarkLabel {
    Safe,
    Knock,
    Exclude,
}

/// One event judged by ear.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Label {
    pub file: String,
    pub t_s: f64,
    /// `None`: looked at and undecided.
    pub knock: Option<bool>,
}

/// A range of a log's column, in the column's unit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Filter {
    /// Name as the log writes it, without its unit.
    pub column: String,
    pub low: f64,
    pub high: f64,
}

/// What was chosen; a missing field is Ringdown's own choice.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[allow(missing_docs)]
pub struct Choices {
    /// Lower and upper edge, Hz.
    pub band: Option<[f64; 2]>,
    /// Start and end, degrees after firing TDC.
    pub window: Option<[f64; 2]>,
    /// `energy`, `peak` or `ratio`.
    pub feature: Option<String>,
    /// Share of events, 0..1.
    pub false_alarm: Option<f64>,
    /// Share, 0..1.
    pub confidence: Option<f64>,
    pub rule: Option<String>,
    /// What is done to the table: `as-learnt`, `rising`, `smoothed`.
    pub shape: Option<String>,
    /// Reasons for leaving cycles out that are waved through.
    pub use_anyway: Option<Vec<String>>,
    /// Speeds, 1/min, rising.
    pub breakpoints: Option<Vec<f64>>,
    /// Ranges of a log's columns; each `{column, low, high}`.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub filters: Vec<Filter>,
    pub sensors_changed: bool,
    pub match_temperature: bool,
    /// Channel roles set by hand, as the page keeps them.
    pub roles: Map<String, Value>,
    /// Unknown choices, kept and reported.
    #[serde(flatten)]
    pub unknown: Map<String, Value>,
}

const MOST_FILES: usize = 1000;
const MOST_MARKS: usize = 100_000;
const SECONDS: Span = Span(0.0, 1e7, "seconds from the file's start");

impl CardFile {
    /// Parses and checks a card. Unknown fields are kept and noted.
    ///
    /// # Errors
    /// As [`Sheet::parse`].
    pub fn parse(name: &str, json: &[u8]) -> Result<Loaded<CardFile>, Error> {
        let mut fields = json::versioned(name, json, "card")?;
        let mut notes = Vec::new();
        let sheet = fields.object("sheet")?.map(|inner| nested_sheet(inner, &mut notes)).transpose()?;
        let card = CardFile {
            card: 1,
            sheet,
            files: each(&mut fields, "files", MOST_FILES, input)?,
            marks: each(&mut fields, "marks", MOST_MARKS, mark)?,
            labels: each(&mut fields, "labels", MOST_MARKS, label)?,
            choices: fields.object("choices")?.map(|c| choices(c, &mut notes)).transpose()?.unwrap_or_default(),
            unknown: fields.rest(&mut notes),
        };
        Ok(Loaded { value: card, notes })
    }
}

fn nested_sheet(mut inner: Fields, notes: &mut Vec<Error>) -> Result<Sheet, Error> {
    inner.whole("sheet", Span(1.0, 1.0, "(this program knows version 1)"))?;
    let loaded = sheet_check::sheet(inner)?;
    notes.extend(loaded.notes);
    Ok(loaded.value)
}

fn each<T>(
    fields: &mut Fields,
    key: &str,
    most: usize,
    one: impl Fn(&mut Fields) -> Result<T, Error>,
) -> Result<Vec<T>, Error> {
    let list = fields.objects(key)?.unwrap_or_default();
    if list.len() > most {
        return Err(fields.silly(key, format!("{} entries", list.len()), format!("at most {most} entries")));
    }
    list.into_iter().map(|mut inner| one(&mut inner)).collect()
}

fn needed<T>(fields: &Fields, key: &str, value: Option<T>, expected: &'static str) -> Result<T, Error> {
    value.ok_or_else(|| fields.wrong(key, "nothing".into(), expected))
}

fn input(inner: &mut Fields) -> Result<CardInput, Error> {
    let name = inner.text("name")?;
    let sha256 = inner.text("sha256")?.map(|digest| digest.to_lowercase());
    let is_digest = |text: &String| text.len() == 64 && text.bytes().all(|b| b.is_ascii_hexdigit());
    if let Some(digest) = sha256.as_ref().filter(|digest| !is_digest(digest)) {
        return Err(inner.silly("sha256", format!("{} characters", digest.chars().count()), "64 hexadecimal digits"));
    }
    let words = FileRole::ALL.map(FileRole::word);
    Ok(CardInput {
        name: needed(inner, "name", name, "the file's name")?,
        sha256,
        bytes: inner.number("bytes", Span(0.0, 1e15, "bytes"))?.map(|bytes| bytes as u64),
        role: inner.word("role", &words)?.and_then(|k| FileRole::ALL.get(k).copied()),
    })
}

fn mark(inner: &mut Fields) -> Result<Mark, Error> {
    let (file, from_s, to_s) = (inner.text("file")?, inner.number("from_s", SECONDS)?, inner.number("to_s", SECONDS)?);
    let from_s = needed(inner, "from_s", from_s, "a time in seconds")?;
    let to_s = needed(inner, "to_s", to_s, "a time in seconds")?;
    if to_s < from_s {
        return Err(inner.silly("to_s", to_s, format!("the time from {from_s} s on")));
    }
    let label = match inner.word("label", &["safe", "knock", "exclude"])? {
        Some(0) => MarkLabel::Safe,
        Some(1) => MarkLabel::Knock,
        Some(_) => MarkLabel::Exclude,
        None => return Err(inner.wrong("label", "nothing".into(), "safe, knock or exclude")),
    };
    Ok(Mark {
        file: needed(inner, "file", file, "the file's name")?,
        from_s,
        to_s,
        label,
        ignition_deg_btdc: inner.number("ignition_deg_btdc", Span(-90.0, 90.0, "degrees before TDC"))?,
        load: inner.number("load", Span(-1e6, 1e6, ""))?,
        fuel: inner.text("fuel")?,
        coolant_c: inner.number("coolant_c", Span(-60.0, 200.0, "degrees Celsius"))?,
    })
}

fn label(inner: &mut Fields) -> Result<Label, Error> {
    let (file, t_s) = (inner.text("file")?, inner.number("t_s", SECONDS)?);
    let knock = match inner.take("knock") {
        None => None,
        Some(Value::Bool(knock)) => Some(knock),
        Some(other) => return Err(inner.wrong("knock", json::kind_of(&other), "true, false or null")),
    };
    Ok(Label {
        file: needed(inner, "file", file, "the file's name")?,
        t_s: needed(inner, "t_s", t_s, "a time in seconds")?,
        knock,
    })
}

fn choices(mut inner: Fields, notes: &mut Vec<Error>) -> Result<Choices, Error> {
    let features = ["energy", "peak", "ratio"];
    let feature = inner.word("feature", &features)?;
    Ok(Choices {
        band: pair(&mut inner, "band", Span(0.0, 1e6, "Hz"))?,
        window: pair(&mut inner, "window", Span(-720.0, 720.0, "degrees after firing TDC"))?,
        feature: feature.and_then(|k| features.get(k)).map(|word| (*word).to_owned()),
        false_alarm: inner.number("false_alarm", Span(1e-9, 0.5, "(share of events)"))?,
        confidence: inner.number("confidence", Span(0.5, 0.999_999, "(share)"))?,
        rule: inner.text("rule")?,
        shape: inner.text("shape")?,
        use_anyway: inner.words("use_anyway")?,
        breakpoints: breakpoints(&mut inner)?,
        filters: filters(&mut inner)?,
        sensors_changed: flag(&mut inner, "sensors_changed")?,
        match_temperature: flag(&mut inner, "match_temperature")?,
        roles: inner.object("roles")?.map(|roles| roles.all().clone()).unwrap_or_default(),
        unknown: inner.rest(notes),
    })
}

fn flag(inner: &mut Fields, key: &str) -> Result<bool, Error> {
    match inner.take(key) {
        None => Ok(false),
        Some(Value::Bool(yes)) => Ok(yes),
        Some(other) => Err(inner.wrong(key, json::kind_of(&other), "true or false")),
    }
}

fn filters(inner: &mut Fields) -> Result<Vec<Filter>, Error> {
    let Some(value) = inner.take("filters") else { return Ok(Vec::new()) };
    let kind = json::kind_of(&value);
    serde_json::from_value(value).map_err(|_| inner.wrong("filters", kind, "a list of {column, low, high}"))
}

fn pair(inner: &mut Fields, key: &str, span: Span) -> Result<Option<[f64; 2]>, Error> {
    match inner.numbers(key, span)?.as_deref() {
        None => Ok(None),
        Some([low, high]) if low < high => Ok(Some([*low, *high])),
        Some(other) => Err(inner.silly(key, format!("{other:?}"), "two numbers, the lower first")),
    }
}

fn breakpoints(inner: &mut Fields) -> Result<Option<Vec<f64>>, Error> {
    let speeds = inner.numbers("breakpoints", Span(1.0, 30_000.0, "1/min"))?;
    let rising = |list: &Vec<f64>| list.iter().zip(list.iter().skip(1)).all(|(a, b)| a < b);
    match speeds {
        Some(list) if list.len() > 100 || !rising(&list) => {
            Err(inner.silly("breakpoints", format!("{} speeds", list.len()), "at most 100 rising speeds"))
        }
        speeds => Ok(speeds.filter(|list| !list.is_empty())),
    }
}
