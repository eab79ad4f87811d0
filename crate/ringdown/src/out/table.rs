//! Limits as a table to type in or to import: delimiter, decimal mark and direction as asked for.

use super::section::group_name;
use crate::card::{Card, Side};
use serde::{Deserialize, Serialize};

/// Layout of the exported table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Layout {
    /// Between cells.
    pub delimiter: char,
    /// Before decimals; a comma needs another delimiter.
    pub decimal: char,
    /// Speeds run down the rows, or along the columns.
    pub speed_in: SpeedIn,
}

/// Where the speeds run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum SpeedIn {
    Rows,
    Columns,
}

impl Default for Layout {
    fn default() -> Self {
        Self { delimiter: ',', decimal: '.', speed_in: SpeedIn::Columns }
    }
}

/// All limits as CSV: per recording side one block in dB over floor and one in dB re full scale, per log side one in the
/// log's unit. Empty = not enough cycles. Numbers carry six decimals, so that nothing the data say is lost.
pub fn limits_csv(card: &Card, layout: Layout) -> String {
    let mut blocks = Vec::new();
    if let Some(outcome) = card.outcome() {
        blocks.push(block(&outcome.side, "limit over floor, dB", layout, |limit, floor| Some(limit - floor?)));
        blocks.push(block(&outcome.side, "limit, dB re full scale", layout, |limit, _| Some(limit)));
    }
    if let Some(logs) = card.log_outcome() {
        let what = format!("limit, {}", logs.unit.as_deref().unwrap_or("log unit"));
        blocks.push(block(&logs.side, &what, layout, |limit, _| Some(logs.logged(limit))));
    }
    let separator = if layout.delimiter == ',' { "\r\n" } else { "\n" };
    blocks.join(separator)
}

fn block(side: &Side, what: &str, layout: Layout, value: impl Fn(f64, Option<f64>) -> Option<f64>) -> String {
    let decimal = |number: f64| format!("{number:.6}").replace('.', &layout.decimal.to_string());
    let mut grid: Vec<Vec<String>> = vec![vec![format!("{what} \\ rpm")]];
    grid[0].extend(side.breakpoints.iter().map(|rpm| rpm.to_string().replace('.', &layout.decimal.to_string())));
    for (group, cells) in side.groups.iter().zip(&side.table) {
        let mut line = vec![neutral(&group_name(group))];
        let shown = cells
            .iter()
            .map(|cell| cell.limit.and_then(|limit| value(limit, cell.floor)).map_or_else(String::new, decimal));
        line.extend(shown);
        grid.push(line);
    }
    if layout.speed_in == SpeedIn::Rows {
        grid = (0..grid[0].len()).map(|column| grid.iter().map(|line| line[column].clone()).collect()).collect();
    }
    let mut writer =
        csv::WriterBuilder::new().delimiter(u8::try_from(layout.delimiter).unwrap_or(b',')).from_writer(Vec::new());
    for line in &grid {
        // Writing to memory can't fail.
        let _ = writer.write_record(line);
    }
    String::from_utf8(writer.into_inner().unwrap_or_default()).unwrap_or_default()
}

/// Text from a file that a spreadsheet would run as a formula gets a quote before it (OWASP, CSV injection).
pub fn neutral(text: &str) -> String {
    let risky = text.starts_with(['=', '+', '-', '@', '\t', '\r']);
    if risky { format!("'{text}") } else { text.into() }
}
