//! Spectra of a sensor at several speeds, and its strongest frequency against speed.

use super::*;
use crate::card::recording::Listened;
use crate::feature::sensor::{Spectra, Speed, SpeedSpectrum, Third};
use crate::out::words::{number, say};
use crate::signal::octave::OCTAVE;

/// Speeds drawn at most: lines must stay apart.
const MOST_SPEEDS: usize = 4;
/// Middles of the octaves, nominal, kHz: the ticks.
const OCTAVES_KHZ: [f64; 8] = [0.125, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0];

fn listened(card: &Card, id: FileId, channel: u16) -> Option<&Listened> {
    let (_, recording) = card.recordings().find(|(file, _)| file.id == id)?;
    recording.sensors.as_ref()?.iter().find(|(known, _)| *known == channel).map(|(_, listened)| listened)
}

pub(super) fn spectra(card: &Card, id: FileId, channel: u16) -> Option<Figure> {
    let spectra = &listened(card, id, channel)?.features.spectra;
    let step_khz = spectra.step_hz / 1000.0;
    let bins = spectra.by_speed.iter().map(|spectrum| spectrum.levels_db.len()).max()?;
    let high_khz = (bins as f64 * step_khz).min(25.0);
    let shown = some_speeds(spectra);
    let mut layers = mode_spans(card, high_khz);
    for (index, spectrum) in shown.iter().enumerate() {
        let x = numbers((0..spectrum.levels_db.len()).map(|bin| (bin as f64 + 0.5) * step_khz));
        layers.push(of_speed(index, spectrum.speed, x, Numbers(spectrum.levels_db.clone()), Dash::Solid));
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

/// Levels in thirds of an octave at the same speeds, as steps from edge to edge.
pub(super) fn octaves(card: &Card, id: FileId, channel: u16) -> Option<Figure> {
    let spectra = &listened(card, id, channel)?.features.spectra;
    let shown = some_speeds(spectra);
    let edges = |third: &Third| [1.0, -1.0].map(|side| third.hz / OCTAVE.powf(side / 6.0) / 1000.0);
    let all = || shown.iter().flat_map(|spectrum| &spectrum.thirds);
    let high_khz = all().map(|third| edges(third)[1]).fold(0.0, f64::max);
    let low_khz = all().map(|third| edges(third)[0]).fold(high_khz, f64::min);
    let mut layers = mode_spans(card, high_khz);
    for (index, spectrum) in shown.iter().enumerate() {
        let x = numbers(spectrum.thirds.iter().flat_map(edges));
        let y = numbers(spectrum.thirds.iter().flat_map(|third| [third.db; 2]));
        layers.push(of_speed(index, spectrum.speed, x, y, dash(index)));
    }
    let (low, high) = extent(all().map(|third| third.db))?;
    let values = [("file", file_name(card, id)), ("n", channel.to_string())];
    let ticks = OCTAVES_KHZ.into_iter().filter(|khz| (low_khz..=high_khz).contains(khz));
    Some(Figure {
        id: format!("octaves-{id}-{channel}"),
        summary: say("band.figure.octaves.summary", &values),
        x: Axis {
            scale: Scale::Log,
            ticks: ticks.map(|khz| (khz, number(khz, if khz < 1.0 { 3 } else { 0 }))).collect(),
            ..axis("chart.khz", Quantity::Frequency, low_khz, high_khz)
        },
        y: axis("chart.dbfs", Quantity::Level, low, high),
        layers,
    })
}

/// Some speeds evenly, the fastest first.
fn some_speeds(spectra: &Spectra) -> Vec<&SpeedSpectrum> {
    let keep = spectra.by_speed.len().div_ceil(MOST_SPEEDS).max(1);
    spectra.by_speed.iter().rev().step_by(keep).collect()
}

/// The line of the `index`th speed drawn.
fn of_speed(index: usize, speed: Speed, x: Numbers, y: Numbers, dash: Dash) -> Layer {
    let label = match speed {
        Speed::Rest => text("chart.rest"),
        Speed::About { rpm_low, rpm_high } => say("chart.atrpm", &[("rpm", number(0.5 * (rpm_low + rpm_high), 0))]),
        Speed::Unknown => text("chart.anyspeed"),
    };
    let ink = [Ink::Ink, Ink::Quiet, Ink::Faint][index.min(2)];
    Layer::Line { x, y, ink, dash, width: 1.2, label: Some(label) }
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
