//! Spectral kurtosis by frequency, provoked beside safe running.

use super::*;
use crate::card::bursts::BURSTS_ABOVE_HZ;
use crate::feature::grid::HIGHEST_HZ;
use crate::feature::sensor::Bursts;
use crate::out::words::say;

pub(super) fn kurtosis(card: &Card, channel: u16) -> Option<Figure> {
    let all = card.bursts();
    let sides = all.iter().find(|sides| sides.channel == channel)?;
    let most = sides.most()?;
    let widest = [&sides.safe, &sides.provoked].into_iter().flatten();
    let high_hz = widest.map(|of| of.bin_hz * (of.values.len() - 1) as f64).fold(0.0, f64::max).min(HIGHEST_HZ);
    let mut layers = mode_spans(card, high_hz / 1000.0);
    let mut shown = vec![0.0];
    let mut add = |of: &Option<Bursts>, ink: Ink, dash: Dash, label: &str| {
        let Some(of) = of else { return };
        // At half the sampling rate the transform is real, and noise reads 1.
        let bins = (BURSTS_ABOVE_HZ / of.bin_hz).ceil() as usize..of.values.len() - 1;
        let inside = bins.filter(|bin| *bin as f64 * of.bin_hz <= HIGHEST_HZ);
        let (x, y): (Vec<f64>, Vec<f64>) = inside.map(|bin| (bin as f64 * of.bin_hz / 1000.0, of.values[bin])).unzip();
        shown.extend(&y);
        layers.push(line(numbers(x), numbers(y), ink, dash, Some(text(label))));
    };
    add(&sides.safe, Ink::Quiet, Dash::Dashed, "chart.bursts.safe");
    add(&sides.provoked, Ink::Accent, Dash::Solid, "chart.bursts.provoked");
    let (low, high) = extent(shown)?;
    if most.more {
        for at in [most.low_hz, most.high_hz] {
            let (along, at) = (Along::X, at / 1000.0);
            layers.push(Layer::Rule { along, at, ink: Ink::Ink, dash: Dash::Dotted, label: None });
        }
    }
    Some(Figure {
        id: format!("kurtosis-{channel}"),
        summary: say("band.figure.kurtosis.summary", &[("n", channel.to_string())]),
        x: axis("chart.khz", Quantity::Frequency, 0.0, high_hz / 1000.0),
        y: axis("chart.kurtosis", Quantity::Other, low, high),
        layers,
    })
}
