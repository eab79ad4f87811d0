//! What a section of the page shows: the same for the page, print and plain text.

use serde::Serialize;

/// State of a section, told by a sign and a word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// Nothing to work on: `todo` says what to drop.
    Waiting,
    /// Being computed.
    Working,
    /// Holds.
    Holds,
    /// Something to check first.
    Look,
    /// Needs more data.
    NotEnough,
}

/// One section, ready to show.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SectionView {
    /// 1..=11.
    pub section: u8,
    /// State.
    pub state: State,
    /// One sentence.
    pub finding: String,
    /// Why: formula, source, what was left out.
    pub why: Vec<String>,
    /// The next physical acts.
    pub todo: Vec<String>,
    /// Cautions, where a result is acted on.
    pub cautions: Vec<String>,
    /// Tables.
    pub tables: Vec<Table>,
    /// Figures by id, with what is needed to lay them out before they are fetched.
    pub figures: Vec<FigureRef>,
}

/// A figure of a section.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FigureRef {
    /// Id to fetch it by.
    pub id: String,
    /// Caption, one short line.
    pub caption: String,
    /// Accessible summary.
    pub summary: String,
}

/// A table.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Table {
    /// Stable id, e.g. `limits`.
    pub id: String,
    /// Caption.
    pub caption: String,
    /// Column heads with units.
    pub columns: Vec<String>,
    /// Rows; the first cell of each is its head.
    pub rows: Vec<Row>,
}

/// A row.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Row {
    /// Cells.
    pub cells: Vec<Cell>,
    /// Emphasised (the chosen one).
    pub chosen: bool,
    /// Where it can be played: file id, channel (from 1), seconds from, seconds to.
    pub play: Option<Play>,
}

/// A stretch that can be listened to.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct Play {
    pub file: u32,
    pub channel: u16,
    pub from_s: f64,
    pub to_s: f64,
}

/// A cell: text as shown, and whether it asks for something ("+80 cycles").
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct Cell {
    pub text: String,
    pub need: bool,
}

impl From<String> for Cell {
    fn from(text: String) -> Self {
        Self { text, need: false }
    }
}
