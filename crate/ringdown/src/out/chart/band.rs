//! Mean spectrum of the cycles over the limit and of their quiet neighbours.

use super::*;
use crate::out::words::say;

pub(super) fn band(card: &Card) -> Option<Figure> {
    let evidence = card.evidence().filter(|evidence| !evidence.loud_db.is_empty())?;
    let khz = |bin: usize| bin as f64 * evidence.bin_hz / 1000.0;
    let bins = evidence.loud_db.len();
    let high_khz = khz(bins - 1).min(25.0);
    let x = || numbers((1..bins).map(khz));
    let shown = |levels: &[f32]| Numbers(levels.iter().skip(1).copied().collect());
    let visible = |levels: &[f32]| -> Vec<f64> {
        levels
            .iter()
            .enumerate()
            .filter(|(bin, _)| *bin > 0 && khz(*bin) >= 1.0 && khz(*bin) <= high_khz)
            .map(|(_, level)| f64::from(*level))
            .collect()
    };
    let (low, high) = extent(visible(&evidence.loud_db).into_iter().chain(visible(&evidence.quiet_db)))?;
    let mut layers = mode_spans(card, high_khz);
    layers.push(line(x(), shown(&evidence.quiet_db), Ink::Quiet, Dash::Solid, Some(text("chart.quiet"))));
    layers.push(line(x(), shown(&evidence.loud_db), Ink::Accent, Dash::Solid, Some(text("chart.loud"))));
    if let Some(band) = card.band(f64::INFINITY) {
        for at in [band.low, band.high] {
            layers.push(Layer::Rule {
                along: Along::X,
                at: at / 1000.0,
                ink: Ink::Ink,
                dash: Dash::Dashed,
                label: None,
            });
        }
    }
    Some(Figure {
        id: "band".into(),
        summary: say("chart.band.summary", &[("n", evidence.pairs.to_string())]),
        x: axis("chart.khz", Quantity::Frequency, 0.0, high_khz),
        y: axis("chart.dbfs", Quantity::Level, low, high),
        layers,
    })
}
