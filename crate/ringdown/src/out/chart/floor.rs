//! Each event as a point over speed, with floor and limit of each group.

use super::*;
use crate::card::{FileRole, LogOutcome, Side};
use crate::out::measured;
use crate::out::section::group_name;
use crate::out::words::say;

/// Points drawn at most; more would be one grey patch.
const MOST_POINTS: usize = 12_000;
const STEP_RPM: f64 = 50.0;

pub(super) fn floor(card: &Card) -> Option<Figure> {
    let outcome = card.outcome()?;
    let mut layers = points(&outcome.side, |level| level);
    let mut loud = (Vec::new(), Vec::new());
    for (file, recording) in card.recordings().filter(|(file, _)| file.role == FileRole::Knock) {
        let (Some(judged), Some(crank)) = (outcome.of(file.id), recording.crank()) else { continue };
        for (event, judgement) in crank.events.iter().zip(judged).filter(|(_, judged)| judged.knock() == Some(true)) {
            loud.0.push(event.rpm);
            loud.1.push(judgement.level_db);
        }
    }
    layers.push(Layer::Points {
        x: Numbers(loud.0),
        y: Numbers(loud.1),
        ink: Ink::Accent,
        mark: Mark::Ring,
        size: 5.0,
        label: Some(text("chart.over")),
    });
    layers.extend(curves(&outcome.side, |level| level));
    let figure = assemble(
        "floor",
        "chart.level",
        layers,
        say("chart.floor.summary", &[("n", outcome.side.learnt_from.len().to_string())]),
    )?;
    Some(Figure { y: Axis { label: measured::unit(card), ..figure.y }, ..figure })
}

pub(super) fn floor_log(card: &Card) -> Option<Figure> {
    let logs = card.log_outcome()?;
    let shown = |level: f64| logs.logged(level);
    let mut layers = points(&logs.side, shown);
    layers.push(loud_samples(card, logs));
    layers.extend(curves(&logs.side, shown));
    let mut figure = assemble(
        "floor-log",
        "chart.level",
        layers,
        say("chart.floor.summary", &[("n", logs.side.learnt_from.len().to_string())]),
    )?;
    if let Some(unit) = &logs.unit {
        figure.y.label = say("chart.level.unit", &[("unit", unit.clone())]);
    }
    Some(figure)
}

fn loud_samples(card: &Card, logs: &LogOutcome) -> Layer {
    let speed = |event: &crate::card::LogEvent| {
        let (_, log) = card.logs().find(|(file, _)| file.id == event.file)?;
        log.first(crate::read::roles::Role::Speed)?.values.get(event.row)
    };
    let x = numbers(logs.events.iter().map(|event| speed(event).unwrap_or(f64::NAN)));
    let y = numbers(logs.events.iter().map(|event| event.level));
    Layer::Points { x, y, ink: Ink::Accent, mark: Mark::Ring, size: 5.0, label: Some(text("chart.over")) }
}

fn points(side: &Side, shown: impl Fn(f64) -> f64) -> Vec<Layer> {
    let step = side.learnt_from.len().div_ceil(MOST_POINTS).max(1);
    let some = || side.learnt_from.iter().step_by(step);
    let x = numbers(some().map(|observation| f64::from(observation.rpm)));
    let y = numbers(some().map(|observation| shown(f64::from(observation.level))));
    vec![Layer::Points { x, y, ink: Ink::Faint, mark: Mark::Dot, size: 1.5, label: None }]
}

/// Floor (solid) and limit (dashed) of each group every 50 rpm.
fn curves(side: &Side, shown: impl Fn(f64) -> f64) -> Vec<Layer> {
    let range = extent(side.learnt_from.iter().map(|observation| f64::from(observation.rpm)));
    let Some((low, high)) = range else { return Vec::new() };
    let speeds: Vec<f64> =
        (0..=((high - low) / STEP_RPM) as usize).map(|index| low + index as f64 * STEP_RPM).collect();
    let mut layers = Vec::new();
    for (index, group) in side.groups.iter().enumerate() {
        let cells: Vec<_> = speeds.iter().map(|rpm| side.limits.at(&side.floor, index as u16, *rpm)).collect();
        let x = || numbers(speeds.iter().copied());
        let of = |value: Option<f64>| value.map_or(f64::NAN, &shown);
        let floors = numbers(cells.iter().map(|cell| of(cell.floor)));
        let limits = numbers(cells.iter().map(|cell| of(cell.limit)));
        layers.push(line(x(), floors, Ink::Set(index as u8), Dash::Solid, Some(group_name(group))));
        layers.push(line(x(), limits, Ink::Set(index as u8), Dash::Dashed, None));
    }
    layers
}

fn assemble(id: &str, y_label: &str, layers: Vec<Layer>, summary: String) -> Option<Figure> {
    let all = |pick: fn(&Layer) -> Option<&Numbers>| {
        extent(layers.iter().filter_map(pick).flat_map(|numbers| numbers.0.iter().map(|value| f64::from(*value))))
    };
    let (left, right) = all(|layer| match layer {
        Layer::Points { x, .. } | Layer::Line { x, .. } => Some(x),
        _ => None,
    })?;
    let (low, high) = all(|layer| match layer {
        Layer::Points { y, .. } | Layer::Line { y, .. } => Some(y),
        _ => None,
    })?;
    Some(Figure {
        id: id.into(),
        summary,
        x: axis("chart.rpm", Quantity::Speed, left.max(0.0), right),
        y: axis(y_label, Quantity::Level, low, high),
        layers,
    })
}
