//! Limits as a table to type in or to import: delimiter, decimal mark and direction as asked for.

use super::measured;
use super::section::group_name;
use super::words::{say, text};
use crate::card::{Card, Feature, Group, Side};
use crate::feature::control::Control;
use crate::limit::limits::LimitAt;
use crate::limit::typed::shared;
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

/// All limits as CSV: per recording side one block in dB over floor, one in dB re full scale and, where the sheet scales the
/// sensors, one in mV; per log side one in the log's unit. Empty = not enough cycles. Numbers carry six decimals, so that nothing the data say is lost.
pub fn limits_csv(card: &Card, layout: Layout) -> String {
    let mut blocks = Vec::new();
    if let Some(outcome) = card.outcome() {
        let lines = lines(card, &outcome.side);
        let side = (outcome.side.breakpoints.as_slice(), lines.as_slice());
        blocks.push(block(side, &text("csv.over_floor"), layout, |_, limit, floor| Some(limit - floor?)));
        blocks
            .push(block(side, &say("csv.level", &[("unit", measured::unit(card))]), layout, |_, limit, _| Some(limit)));
        let scale = |line: &Line| scale(card, &outcome.side, line);
        if lines.iter().any(|line| scale(line).is_some()) {
            let in_mv = |line: &Line, limit: f64, _| Some(1000.0 * scale(line)?.rms_v(limit));
            blocks.push(block(side, &text("csv.volts"), layout, in_mv));
        }
    }
    if let Some(logs) = card.log_outcome() {
        let what = say("csv.log", &[("unit", logs.unit.clone().unwrap_or_else(|| text("unit.log")))]);
        let lines = lines(card, &logs.side);
        let side = (logs.side.breakpoints.as_slice(), lines.as_slice());
        blocks.push(block(side, &what, layout, |_, limit, _| Some(logs.logged(limit))));
    }
    let separator = if layout.delimiter == ',' { "\r\n" } else { "\n" };
    blocks.join(separator)
}

/// One row of the table to type in.
pub struct Line {
    /// Cylinder, sensor or column, with its load where that counts.
    pub name: String,
    /// Indices of the groups that share it.
    pub groups: Vec<u16>,
    /// One a breakpoint.
    pub cells: Vec<LimitAt>,
}

/// Rows of the table to type in, the same in section 8, on the hand-over sheet and as CSV: one a group, or, where the
/// control unit has one limit for each sensor, one that holds for all cylinders it hears, see [`shared`].
pub fn lines(card: &Card, side: &Side) -> Vec<Line> {
    let control = card.sheet().and_then(|sheet| sheet.control.as_ref()).map(Control::of).unwrap_or_default();
    let per_sensor = control.per_sensor && side.groups.iter().all(|group| group.sensor.is_some());
    let name = |group: &Group| {
        let of_sensor = || Group { cylinders: Vec::new(), column: None, ..group.clone() };
        if per_sensor { group_name(&of_sensor()) } else { group_name(group) }
    };
    let mut lines: Vec<Line> = Vec::new();
    for (group, index) in side.groups.iter().zip(0..) {
        let name = name(group);
        match lines.iter_mut().find(|line| per_sensor && line.name == name) {
            Some(line) => line.groups.push(index),
            None => lines.push(Line { name, groups: vec![index], cells: Vec::new() }),
        }
    }
    for line in &mut lines {
        let members = || line.groups.iter().filter_map(|group| side.table.get(usize::from(*group)));
        line.cells = match line.groups.as_slice() {
            [one] => side.table.get(usize::from(*one)).cloned().unwrap_or_default(),
            _ => (0..side.breakpoints.len()).map(|at| shared(members().filter_map(|cells| cells.get(at)))).collect(),
        };
    }
    lines
}

/// Names and cells of [`lines`].
pub fn rows(card: &Card, side: &Side) -> Vec<(String, Vec<LimitAt>)> {
    lines(card, side).into_iter().map(|line| (line.name, line.cells)).collect()
}

/// What a sensor's full scale is worth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Scale {
    /// Volts at full scale.
    pub volts: f64,
    /// Its sensitivity, where known.
    pub mv_per_g: Option<f64>,
}

impl Scale {
    /// Root mean square of a level, V.
    pub(super) fn rms_v(self, level_db: f64) -> f64 {
        self.volts * 10_f64.powf(level_db / 20.0)
    }
}

/// Scale of the sensor that a row is heard by; `None` where the sheet gives none, or a level is no voltage.
pub(super) fn scale(card: &Card, side: &Side, line: &Line) -> Option<Scale> {
    let group = side.groups.get(usize::from(*line.groups.first()?))?;
    let sensor = card.sheet()?.sensors.as_ref()?.iter().find(|sensor| Some(sensor.channel) == group.sensor)?;
    let mv_per_g = sensor.mv_per_g.filter(|mv| *mv > 0.0);
    let scale = Scale { volts: sensor.volts_full_scale?, mv_per_g };
    (card.choices().feature != Feature::Ratio).then_some(scale)
}

fn block(
    (breakpoints_rpm, lines): (&[f64], &[Line]),
    what: &str,
    layout: Layout,
    value: impl Fn(&Line, f64, Option<f64>) -> Option<f64>,
) -> String {
    let decimal = |number: f64| format!("{number:.6}").replace('.', &layout.decimal.to_string());
    let mut grid: Vec<Vec<String>> = vec![vec![say("csv.head", &[("what", what.to_owned())])]];
    grid[0].extend(breakpoints_rpm.iter().map(|rpm| rpm.to_string().replace('.', &layout.decimal.to_string())));
    for line in lines {
        let shown = line
            .cells
            .iter()
            .map(|cell| cell.limit.and_then(|limit| value(line, limit, cell.floor)).map_or_else(String::new, decimal));
        grid.push([neutral(&line.name)].into_iter().chain(shown).collect());
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
