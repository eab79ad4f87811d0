//! Limit over floor of each group over speed.

use super::*;
use crate::out::section::group_name;
use crate::out::words::say;

/// Least share drawn.
const LEAST: f64 = 1e-5;

/// Share of safe events above each height over the floor, with the fitted law and the limit; the largest pool.
pub(super) fn tail(card: &Card) -> Option<Figure> {
    let limits = &card.outcome()?.side.limits;
    let pool = limits.pools.iter().max_by_key(|pool| pool.residuals)?;
    let shown = |points: &[crate::limit::limits::TailPoint]| {
        let seen = || points.iter().filter(|point| point.above >= LEAST && point.height > 0.0);
        (numbers(seen().map(|point| point.height)), numbers(seen().map(|point| point.above)))
    };
    let (x, y) = shown(&pool.observed);
    let high = x.0.iter().copied().fold(4.0, f32::max);
    let high = f64::from(high).max(pool.height.unwrap_or(0.0)) * 1.05;
    let mut layers = vec![Layer::Points { x, y, ink: Ink::Quiet, mark: Mark::Dot, size: 3.0, label: None }];
    let (x, y) = shown(&pool.fitted);
    if !x.0.is_empty() {
        layers.push(line(x, y, Ink::Ink, Dash::Solid, Some(text("chart.law"))));
    }
    let rate = limits.wanted.false_alarm;
    layers.push(Layer::Rule {
        along: Along::Y,
        at: rate,
        ink: Ink::Quiet,
        dash: Dash::Dotted,
        label: Some(crate::out::words::one_in(rate)),
    });
    if let Some(height) = pool.height {
        layers.push(Layer::Rule {
            along: Along::X,
            at: height,
            ink: Ink::Accent,
            dash: Dash::Dashed,
            label: Some(text("chart.tail.limit")),
        });
    }
    let ticks = [1e-5, 1e-4, 1e-3, 1e-2, 1e-1, 1.0]
        .map(|share| (share, if share < 1.0 { crate::out::words::one_in(share) } else { text("chart.all") }));
    Some(Figure {
        id: "tail".into(),
        summary: text("chart.tail.summary"),
        x: axis("chart.over.spreads", Quantity::Other, 0.0, high),
        y: Axis { scale: Scale::Log, ticks: ticks.to_vec(), ..axis("chart.share.above", Quantity::Share, LEAST, 1.0) },
        layers,
    })
}

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
