//! Limits as a table to type in or to import: delimiter, decimal mark and direction as asked for.

use super::section::group_name;
use super::words::{say, text};
use crate::card::{Card, Group, Side};
use crate::feature::control::Control;
use crate::limit::limits::LimitAt;
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
        blocks.push(block(card, &outcome.side, &text("csv.over_floor"), layout, |limit, floor| Some(limit - floor?)));
        blocks.push(block(card, &outcome.side, &text("csv.level"), layout, |limit, _| Some(limit)));
    }
    if let Some(logs) = card.log_outcome() {
        let what = say("csv.log", &[("unit", logs.unit.clone().unwrap_or_else(|| text("unit.log")))]);
        blocks.push(block(card, &logs.side, &what, layout, |limit, _| Some(logs.logged(limit))));
    }
    let separator = if layout.delimiter == ',' { "\r\n" } else { "\n" };
    blocks.join(separator)
}

/// Rows of the table to type in, the same in section 8, on the hand-over sheet and as CSV: one a group, or, where the
/// control unit has one limit for each sensor, the highest of the cylinders it hears.
pub fn rows(card: &Card, side: &Side) -> Vec<(String, Vec<LimitAt>)> {
    let own = || side.groups.iter().map(group_name).zip(side.table.iter().cloned()).collect();
    let control = card.sheet().and_then(|sheet| sheet.control.as_ref()).map(Control::of).unwrap_or_default();
    let sensors: Option<Vec<u16>> = side.groups.iter().map(|group| group.sensor).collect();
    let (true, Some(heard_by)) = (control.per_sensor, sensors) else { return own() };
    let of_sensor = |(group, sensor): (&Group, &u16)| {
        group_name(&Group { cylinders: Vec::new(), sensor: Some(*sensor), column: None, load: group.load })
    };
    let names: Vec<String> = side.groups.iter().zip(&heard_by).map(of_sensor).collect();
    let mut distinct: Vec<&String> = Vec::new();
    for name in &names {
        if !distinct.contains(&name) {
            distinct.push(name);
        }
    }
    let row = |name: &String| {
        let members = || names.iter().zip(&side.table).filter(|(own, _)| *own == name).map(|(_, cells)| cells);
        let cell = |column: usize| highest(members().filter_map(|cells| cells.get(column)));
        (name.clone(), (0..side.breakpoints.len()).map(cell).collect())
    };
    distinct.into_iter().map(row).collect()
}

/// One cell for several cylinders: the highest level and the greatest height over the floor among them; empty where one of
/// them is.
fn highest<'a>(cells: impl Iterator<Item = &'a LimitAt> + Clone) -> LimitAt {
    let most = |pick: fn(&LimitAt) -> Option<f64>| {
        let all: Option<Vec<f64>> = cells.clone().map(pick).collect();
        all.and_then(|values| values.into_iter().max_by(f64::total_cmp))
    };
    let limit = most(|cell| cell.limit);
    let margin = most(|cell| Some(cell.limit? - cell.floor?));
    LimitAt {
        floor: limit.zip(margin).map(|(limit, margin)| limit - margin).or_else(|| most(|cell| cell.floor)),
        limit,
        cycles: cells.clone().map(|cell| cell.cycles).sum(),
        more_needed: cells.clone().map(|cell| cell.more_needed).max().unwrap_or(0),
    }
}

fn block(
    card: &Card,
    side: &Side,
    what: &str,
    layout: Layout,
    value: impl Fn(f64, Option<f64>) -> Option<f64>,
) -> String {
    let decimal = |number: f64| format!("{number:.6}").replace('.', &layout.decimal.to_string());
    let mut grid: Vec<Vec<String>> = vec![vec![say("csv.head", &[("what", what.to_owned())])]];
    grid[0].extend(side.breakpoints.iter().map(|rpm| rpm.to_string().replace('.', &layout.decimal.to_string())));
    for (name, cells) in rows(card, side) {
        let mut line = vec![neutral(&name)];
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
