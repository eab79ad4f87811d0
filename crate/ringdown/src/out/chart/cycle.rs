//! The crank-angle map: degrees of the cycle against frequency, with the window and what strikes.

use super::spectrogram::colour_limits;
use super::*;
use crate::out::words::{number, say};

/// Least spread of the colours, dB.
const LEAST_DB: f64 = 6.0;

pub(super) fn cycle(card: &Card) -> Option<Figure> {
    let (_, map) = card.cycle_map()?;
    let window = card.window();
    let impacts = map.impacts();
    let [_, high] = colour_limits(&map.over_db);
    let [low_khz, high_khz] = map.hz.map(|hz| hz / 1000.0);
    let values = [
        ("deg", number(map.cycle_deg, 0)),
        ("n", number(map.cycles as f64, 0)),
        ("count", number(impacts.len() as f64, 0)),
    ];
    Some(Figure {
        id: "cycle".into(),
        summary: say("window.figure.cycle.summary", &values),
        x: axis("chart.deg", Quantity::Angle, 0.0, map.cycle_deg),
        y: axis("chart.khz", Quantity::Frequency, low_khz, high_khz),
        layers: vec![
            Layer::Heat {
                columns: map.steps as u32,
                rows: map.bins as u32,
                x0: 0.0,
                x1: map.cycle_deg,
                y0: low_khz,
                y1: high_khz,
                values: Numbers(map.over_db.clone()),
                low: 0.0,
                high: high.max(LEAST_DB),
                label: text("chart.above"),
            },
            Layer::Span { along: Along::X, from: window.low.max(0.0), to: window.high, ink: Ink::Accent, label: None },
            Layer::Points {
                x: numbers(impacts.iter().map(|impact| impact.deg_atdc)),
                y: numbers(impacts.iter().map(|impact| impact.hz / 1000.0)),
                ink: Ink::Ink,
                mark: Mark::Ring,
                size: 4.0,
                label: Some(text("chart.impact")),
            },
        ],
    })
}
