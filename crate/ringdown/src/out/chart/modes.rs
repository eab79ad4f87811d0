//! Modes as bars over their range on a frequency axis, with the sampling limit of each recording.

use super::*;
use crate::out::words::{number, say};

pub(super) fn modes(card: &Card) -> Option<Figure> {
    let modes = card.modes()?;
    let mut rates: Vec<f64> = card.recordings().map(|(_, recording)| recording.sample_rate_hz()).collect();
    rates.sort_by(f64::total_cmp);
    rates.dedup();
    let highest_khz = modes.iter().map(|mode| mode.hz_high / 1000.0).fold(0.0, f64::max);
    let count = modes.len() as f64;
    let mut layers: Vec<Layer> = Vec::new();
    for (index, mode) in modes.iter().enumerate() {
        let y = count - index as f64;
        let ink = if index == 0 { Ink::Accent } else { Ink::Quiet };
        layers.push(Layer::Box {
            x0: mode.hz_low / 1000.0,
            x1: mode.hz_high / 1000.0,
            y0: y - 0.3,
            y1: y + 0.3,
            ink,
            opacity: 0.45,
            label: None,
        });
        let x = numbers([mode.hz / 1000.0; 2]);
        layers.push(Layer::Line {
            x,
            y: numbers([y - 0.3, y + 0.3]),
            ink: Ink::Ink,
            dash: Dash::Solid,
            width: 2.0,
            label: None,
        });
    }
    for rate in rates.iter().filter(|rate| *rate / 2000.0 < 1.3 * highest_khz) {
        let label = say("chart.nyquist", &[("rate", number(rate / 1000.0, 1))]);
        layers.push(Layer::Rule {
            along: Along::X,
            at: rate / 2000.0,
            ink: Ink::Ink,
            dash: Dash::Dashed,
            label: Some(label),
        });
    }
    let high =
        rates.iter().map(|rate| rate / 2000.0).filter(|khz| *khz < 1.3 * highest_khz).fold(highest_khz, f64::max);
    let ticks =
        modes.iter().enumerate().map(|(index, mode)| (count - index as f64, format!("({}, {})", mode.m, mode.n)));
    Some(Figure {
        id: "modes".into(),
        summary: say(
            "chart.modes.summary",
            &[("low", number(modes[0].hz_low / 1000.0, 2)), ("high", number(modes[0].hz_high / 1000.0, 2))],
        ),
        x: axis("chart.khz", Quantity::Frequency, 0.0, 1.05 * high),
        y: Axis { ticks: ticks.collect(), ..axis("chart.mode", Quantity::Other, 0.5, count + 0.5) },
        layers,
    })
}
