//! The search map: middle of the band against its width, coloured by how much it finds.

use super::*;
use crate::card::search::Mapped;
use crate::feature::grid::BIN_HZ;
use crate::out::words::{khz, say};

pub(super) fn search(card: &Card) -> Option<Figure> {
    let search = card.search().filter(|search| !search.map.is_empty())?;
    let best = search.best.as_ref()?;
    let centre = |mapped: &Mapped| 0.5 * (mapped.low_hz + mapped.high_hz);
    let (low_hz, high_hz) = extent_of(search.map.iter().map(centre))?;
    let columns = ((high_hz - low_hz) / (0.5 * BIN_HZ)).round() as usize + 1;
    let widths = search.map.iter().map(|mapped| mapped.high_hz - mapped.low_hz);
    let (narrow_hz, wide_hz) = extent_of(widths)?;
    let rows = ((wide_hz - narrow_hz) / BIN_HZ).round() as usize + 1;
    let mut values = Vec::with_capacity(columns * rows);
    for column in 0..columns {
        let at_hz = low_hz + 0.5 * BIN_HZ * column as f64;
        values.extend((0..rows).map(|row| nearest(&search.map, at_hz, narrow_hz + BIN_HZ * row as f64)));
    }
    let most = values.iter().copied().filter(|value| value.is_finite()).fold(1.0_f32, f32::max);
    let ends = |low_hz: f64, high_hz: f64, step_hz: f64| {
        [low_hz - 0.5 * step_hz, high_hz + 0.5 * step_hz].map(|hz| hz / 1000.0)
    };
    let ([x0, x1], [y0, y1]) = (ends(low_hz, high_hz, 0.5 * BIN_HZ), ends(narrow_hz, wide_hz, BIN_HZ));
    let [best_low, best_high] = best.band_hz();
    let mark = |hz: f64| Numbers(vec![(hz / 1000.0) as f32]);
    Some(Figure {
        id: "search".into(),
        summary: say("chart.map.summary", &[("low", khz(best_low)), ("high", khz(best_high))]),
        x: axis("chart.centre", Quantity::Frequency, x0, x1),
        y: axis("chart.width", Quantity::Frequency, y0, y1),
        layers: vec![
            Layer::Heat {
                columns: columns as u32,
                rows: rows as u32,
                x0,
                x1,
                y0,
                y1,
                values: Numbers(values),
                low: 0.0,
                high: f64::from(most),
                label: text("chart.map.share"),
            },
            Layer::Points {
                x: mark(0.5 * (best_low + best_high)),
                y: mark(best_high - best_low),
                ink: Ink::Ink,
                mark: Mark::Ring,
                size: 6.0,
                label: Some(text("chart.best")),
            },
        ],
    })
}

/// Share (percent) in the band tried that lies nearest, width before middle; NaN where none is within half the width.
fn nearest(map: &[Mapped], centre_hz: f64, width_hz: f64) -> f32 {
    let apart = |mapped: &Mapped| {
        let width = (mapped.high_hz - mapped.low_hz - width_hz).abs();
        (width, (0.5 * (mapped.low_hz + mapped.high_hz) - centre_hz).abs())
    };
    let order = |a: &(f64, f64), b: &(f64, f64)| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1));
    let found = map.iter().min_by(|a, b| order(&apart(a), &apart(b)));
    found.filter(|mapped| apart(mapped).1 <= 0.5 * width_hz).map_or(f32::NAN, |mapped| 100.0 * mapped.share as f32)
}

fn extent_of(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    let (low, high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
    (low < high).then_some((low, high))
}
