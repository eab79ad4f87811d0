//! Spectra of a sensor at several speeds, and its strongest frequency against speed.

use super::*;
use crate::card::recording::Listened;
use crate::feature::sensor::Speed;
use crate::out::words::{number, say};

/// Speeds drawn at most: lines must stay apart.
const MOST_SPEEDS: usize = 4;

fn listened(card: &Card, id: FileId, channel: u16) -> Option<&Listened> {
    let (_, recording) = card.recordings().find(|(file, _)| file.id == id)?;
    recording.sensors.as_ref()?.iter().find(|(known, _)| *known == channel).map(|(_, listened)| listened)
}

pub(super) fn spectra(card: &Card, id: FileId, channel: u16) -> Option<Figure> {
    let spectra = &listened(card, id, channel)?.features.spectra;
    let step_khz = spectra.step_hz / 1000.0;
    let bins = spectra.by_speed.iter().map(|spectrum| spectrum.levels_db.len()).max()?;
    let high_khz = (bins as f64 * step_khz).min(25.0);
    let keep = spectra.by_speed.len().div_ceil(MOST_SPEEDS).max(1);
    let shown: Vec<_> = spectra.by_speed.iter().rev().step_by(keep).collect();
    let mut layers = mode_spans(card, high_khz);
    for (index, spectrum) in shown.iter().enumerate() {
        let label = match spectrum.speed {
            Speed::Rest => text("chart.rest"),
            Speed::About { rpm_low, rpm_high } => say("chart.atrpm", &[("rpm", number(0.5 * (rpm_low + rpm_high), 0))]),
            Speed::Unknown => text("chart.anyspeed"),
        };
        let ink = if index == 0 {
            Ink::Ink
        } else if index == 1 {
            Ink::Quiet
        } else {
            Ink::Faint
        };
        let x = numbers((0..spectrum.levels_db.len()).map(|bin| (bin as f64 + 0.5) * step_khz));
        layers.push(Layer::Line {
            x,
            y: Numbers(spectrum.levels_db.clone()),
            ink,
            dash: Dash::Solid,
            width: 1.2,
            label: Some(label),
        });
    }
    let levels = shown.iter().flat_map(|spectrum| spectrum.levels_db.iter().skip(1).map(|level| f64::from(*level)));
    let (low, high) = extent(levels)?;
    let values = [("file", file_name(card, id)), ("n", channel.to_string())];
    Some(Figure {
        id: format!("sensor-{id}-{channel}"),
        summary: say("sensors.figure.spectra.summary", &values),
        x: axis("chart.khz", Quantity::Frequency, 0.0, high_khz),
        y: axis("chart.density", Quantity::Level, low, high),
        layers,
    })
}

pub(super) fn ridge(card: &Card, id: FileId, channel: u16) -> Option<Figure> {
    let listened = listened(card, id, channel)?;
    let peaks = &listened.features.spectra.peaks;
    let (low, high) = extent(peaks.iter().map(|peak| peak.rpm))?;
    let high_khz = peaks.iter().map(|peak| peak.hz / 1000.0).fold(10.0, f64::max) * 1.05;
    let mut layers = mode_spans(card, high_khz);
    if let Some(resonance) = &listened.features.resonance {
        let label = say("chart.tuned", &[("f0", number(resonance.f0_hz / 1000.0, 2)), ("q", number(resonance.q, 0))]);
        layers.push(Layer::Rule {
            along: Along::X,
            at: resonance.f0_hz / 1000.0,
            ink: Ink::Accent,
            dash: Dash::Dashed,
            label: Some(label),
        });
    }
    layers.push(Layer::Points {
        x: numbers(peaks.iter().map(|peak| peak.hz / 1000.0)),
        y: numbers(peaks.iter().map(|peak| peak.rpm)),
        ink: Ink::Ink,
        mark: Mark::Dot,
        size: 5.0,
        label: None,
    });
    let values = [("file", file_name(card, id)), ("n", channel.to_string())];
    Some(Figure {
        id: format!("ridge-{id}-{channel}"),
        summary: say("sensors.figure.ridge.summary", &values),
        x: axis("chart.khz", Quantity::Frequency, 0.0, high_khz),
        y: axis("chart.rpm", Quantity::Speed, low.max(0.0), high),
        layers,
    })
}
