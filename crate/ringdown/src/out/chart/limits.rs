//! Limit over floor of each group over speed.

use super::*;
use crate::out::section::group_name;
use crate::out::words::say;

pub(super) fn limits(card: &Card) -> Option<Figure> {
    let side = &card.outcome()?.side;
    let margin = |cell: &crate::limit::limits::LimitAt| Some(cell.limit? - cell.floor?);
    let mut layers = Vec::new();
    for (index, (group, cells)) in side.groups.iter().zip(&side.table).enumerate() {
        let y: Vec<f64> = cells.iter().map(|cell| margin(cell).unwrap_or(f64::NAN)).collect();
        let x = || numbers(side.breakpoints.iter().copied());
        let ink = Ink::Set(index as u8);
        layers.push(line(x(), numbers(y.iter().copied()), ink, dash(index), Some(group_name(group))));
        layers.push(Layer::Points { x: x(), y: numbers(y), ink, mark: mark(index), size: 5.0, label: None });
    }
    let (_, high) = extent(side.table.iter().flatten().filter_map(margin))?;
    let (left, right) = extent(side.breakpoints.iter().copied())?;
    Some(Figure {
        id: "limits".into(),
        summary: say("chart.limits.summary", &[("n", side.groups.len().to_string())]),
        x: axis("chart.rpm", Quantity::Speed, left, right),
        y: axis("chart.overfloor", Quantity::Level, 0.0, high),
        layers,
    })
}
