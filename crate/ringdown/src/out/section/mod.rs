//! One file a section of the card: finding, why, to do, tables and the figures it offers.

mod band;
mod compare;
mod control;
mod engine;
mod floor;
mod handover;
mod heard;
mod impacts;
mod limits;
mod logs;
mod proof;
mod recordings;
mod searched;
mod sensors;
mod speed;
mod window;

pub(crate) use compare::{floor as compared_floor, groups_of_one_mount};
pub use handover::summary_text;
pub(crate) use limits::{acts, per_minute};
pub(crate) use logs::column_per_minute;
pub use recordings::{ChannelRow, FileRow, file_rows};
pub(crate) use speed::lost_key;

use super::view::{Cell, FigureRef, Row, SectionView, State, Table};
use super::words::{db, list, number, text};
use crate::card::{Card, Group};

/// The view of a section, 1..=11; `None` for any other number.
pub fn view(card: &Card, section: u8) -> Option<SectionView> {
    Some(match section {
        1 => engine::view(card),
        2 => recordings::view(card),
        3 => sensors::view(card),
        4 => speed::view(card),
        5 => band::view(card),
        6 => window::view(card),
        7 => floor::view(card),
        8 => limits::view(card),
        9 => proof::view(card),
        10 => compare::view(card),
        11 => handover::view(card),
        _ => return None,
    })
}

/// One of the four answers at the top of the card.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Verdict {
    /// The question.
    pub question: String,
    /// State of the section that answers it.
    pub state: State,
    /// The answer, in plain words.
    pub sentence: String,
}

/// The four answers: trust, where, what number, how proven.
pub fn verdict(card: &Card) -> Vec<Verdict> {
    let answer = |question: &str, (state, sentence)| Verdict { question: text(question), state, sentence };
    vec![
        answer("verdict.trust", sensors::verdict(card)),
        answer("verdict.where", band::verdict(card)),
        answer("verdict.number", limits::verdict(card)),
        answer("verdict.proof", proof::verdict(card)),
    ]
}

/// Name of the job for the head of the page.
pub fn title(card: &Card) -> String {
    let named = card.sheet().and_then(|sheet| sheet.name.clone()).filter(|name| !name.trim().is_empty());
    named.unwrap_or_else(|| text("title.unnamed"))
}

fn blank(section: u8, state: State, finding: String) -> SectionView {
    SectionView {
        section,
        state,
        finding,
        why: Vec::new(),
        todo: Vec::new(),
        cautions: Vec::new(),
        tables: Vec::new(),
        figures: Vec::new(),
    }
}

fn waiting(section: u8, finding: &str, todo: &str) -> SectionView {
    SectionView { todo: vec![text(todo)], ..blank(section, State::Waiting, text(finding)) }
}

fn row(cells: impl IntoIterator<Item = String>) -> Row {
    Row { cells: cells.into_iter().map(Cell::from).collect(), chosen: false, play: None }
}

fn table(id: &str, caption: String, columns: impl IntoIterator<Item = String>, rows: Vec<Row>) -> Table {
    Table { id: id.into(), caption, columns: columns.into_iter().collect(), rows }
}

fn figure(id: impl Into<String>, caption: &str, summary: String) -> FigureRef {
    FigureRef { id: id.into(), caption: text(caption), summary }
}

/// "cylinder 3", "cylinders 1 or 4", "sensor 2", or the log's column.
pub(crate) fn group_name(group: &Group) -> String {
    match group.load {
        Some(load) => {
            let load = super::words::number(load, if load.fract() == 0.0 { 0 } else { 2 });
            super::words::say("group.load", &[("who", without_load(group)), ("load", load)])
        }
        None => without_load(group),
    }
}

fn without_load(group: &Group) -> String {
    match (group.cylinders.as_slice(), group.sensor, &group.column) {
        ([one], _, _) => super::words::say("group.cylinder", &[("n", one.to_string())]),
        ([one, two], _, _) => super::words::say("group.pair", &[("a", one.to_string()), ("b", two.to_string())]),
        (_, Some(sensor), _) => super::words::say("group.sensor", &[("n", sensor.to_string())]),
        (_, _, Some(column)) => super::words::column_name(column),
        _ => text("group.all"),
    }
}

/// For the middle of a sentence.
fn lower_first(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| first.to_lowercase().collect::<String>() + chars.as_str())
}

fn speed_head(rpm: f64) -> String {
    number(rpm, 0)
}

fn db_or_dash(value: Option<f64>) -> String {
    value.map_or_else(|| "–".into(), db)
}

fn names(items: impl IntoIterator<Item = String>) -> String {
    list(&items.into_iter().collect::<Vec<_>>())
}
