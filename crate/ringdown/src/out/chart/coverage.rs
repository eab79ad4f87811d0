//! Cycles held against cycles needed, over speed, and load where the table has loads.

use super::*;
use crate::card::Side;
use crate::limit::limits::LimitAt;
use crate::out::section::group_name;
use crate::out::words::{number, say};

pub(super) fn coverage(card: &Card) -> Option<Figure> {
    let side = card.outcome().map(|outcome| &outcome.side).or(card.log_outcome().map(|logs| &logs.side))?;
    let rows = rows(side);
    let columns = side.breakpoints.len();
    let percent = |(_, groups): &(String, Vec<usize>), column: usize| {
        let cells = groups.iter().filter_map(|group| side.table.get(*group)?.get(column));
        cells.map(share).min_by(f64::total_cmp).map_or(f32::NAN, |share| 100.0 * share as f32)
    };
    let values = (0..columns).flat_map(|column| rows.iter().map(move |row| percent(row, column))).collect();
    let middle = |(index, label): (usize, String)| (index as f64 + 0.5, label);
    let speeds = side.breakpoints.iter().map(|rpm| number(*rpm, 0)).enumerate().map(middle).collect();
    let names = rows.iter().map(|(name, _)| name.clone()).enumerate().map(middle).collect();
    let full = side.table.iter().flatten().filter(|cell| cell.more_needed == 0).count();
    let counted = [("full", full.to_string()), ("all", side.table.iter().flatten().count().to_string())];
    let (x1, y1) = (columns as f64, rows.len() as f64);
    Some(Figure {
        id: "coverage".into(),
        summary: say("chart.coverage.summary", &counted),
        x: Axis { ticks: speeds, ..axis("chart.rpm", Quantity::Other, 0.0, x1) },
        y: Axis { ticks: names, ..axis("chart.coverage.rows", Quantity::Other, 0.0, y1) },
        layers: vec![Layer::Heat {
            columns: columns as u32,
            rows: rows.len() as u32,
            x0: 0.0,
            x1,
            y0: 0.0,
            y1,
            values: Numbers(values),
            low: 0.0,
            high: 100.0,
            label: text("chart.coverage.share"),
        }],
    })
}

/// Share of the cycles needed that are held; all of them where the cell has a limit.
fn share(cell: &LimitAt) -> f64 {
    let more = f64::from(cell.more_needed);
    if more > 0.0 { cell.cycles / (cell.cycles + more) } else { 1.0 }
}

/// A row for each load, which holds its cylinder with the fewest cycles; for each cylinder or sensor where loads aren't
/// told apart. Names, and the groups of each.
fn rows(side: &Side) -> Vec<(String, Vec<usize>)> {
    let mut loads: Vec<f64> = side.groups.iter().filter_map(|group| group.load).collect();
    loads.sort_by(f64::total_cmp);
    loads.dedup();
    if loads.len() < 2 {
        return side.groups.iter().enumerate().map(|(index, group)| (group_name(group), vec![index])).collect();
    }
    let of = |load: f64| (0..side.groups.len()).filter(|index| side.groups[*index].load == Some(load)).collect();
    loads.into_iter().map(|load| (say("chart.coverage.load", &[("load", number(load, 0))]), of(load))).collect()
}
