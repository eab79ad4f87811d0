//! One figure a file: from results to a [`Figure`], numbers ready to draw.

mod above;
mod band;
mod bursts;
mod compare;
mod coverage;
mod cycle;
mod envelope;
mod floor;
mod limits;
mod modes;
mod orders;
mod profile;
mod proof;
mod search;
mod sensors;
mod spectrogram;
mod speed;

pub use envelope::envelope;
pub use spectrogram::spectrogram;

use super::figure::{Along, Axis, Dash, Figure, Ink, Layer, Mark, Numbers, Quantity, Scale};
use super::words::text;
use crate::card::{Card, FileId};

/// Columns of an overview before any zoom.
pub const OVERVIEW_COLUMNS: usize = 600;
/// Rows of an overview spectrogram.
pub const OVERVIEW_ROWS: usize = 160;

/// The figure a section offers under `id`; `None` for an unknown one, or while its data are not there.
pub fn figure(card: &Card, id: &str) -> Option<Figure> {
    let mut parts = id.split('-');
    let kind = parts.next()?;
    let numbers: Vec<u32> = parts.clone().filter_map(|part| part.parse().ok()).collect();
    match (kind, numbers.as_slice()) {
        ("modes", _) => modes::modes(card),
        ("envelope", [file]) => envelope(card, *file, None, OVERVIEW_COLUMNS),
        ("speed", [file]) => speed::speed(card, *file),
        ("sensor", [file, channel]) => sensors::spectra(card, *file, *channel as u16),
        ("ridge", [file, channel]) => sensors::ridge(card, *file, *channel as u16),
        ("spectrogram", [file, channel]) => {
            spectrogram(card, *file, *channel as u16, &spectrogram::Region::default(), OVERVIEW_COLUMNS, OVERVIEW_ROWS)
        }
        ("above", [file, channel]) => above::above(card, *file, *channel as u16),
        ("orderlines", [file, channel]) => orders::spectrum(card, *file, *channel as u16),
        ("orders", [file, channel]) => above::orders(card, *file, *channel as u16),
        ("band", _) => band::band(card),
        ("kurtosis", [channel]) => bursts::kurtosis(card, *channel as u16),
        ("octaves", [file, channel]) => sensors::octaves(card, *file, *channel as u16),
        ("search", _) => search::search(card),
        ("cycle", _) => cycle::cycle(card),
        ("profile", _) => profile::profile(card),
        ("floor", _) if id == "floor-log" => floor::floor_log(card),
        ("floor", _) => floor::floor(card),
        ("limits", _) => limits::limits(card),
        ("coverage", _) => coverage::coverage(card),
        ("tail", _) => limits::tail(card),
        ("compare", _) => compare::compare(card),
        ("roc", _) => proof::roc(card),
        ("sweep", _) => proof::sweep(card),
        _ => None,
    }
}

/// What a spectrogram shows.
pub use spectrogram::Region;

fn axis(label: &str, quantity: Quantity, low: f64, high: f64) -> Axis {
    let (low, high) = if high > low { (low, high) } else { (low - 0.5, low + 0.5) };
    Axis { label: text(label), quantity, low, high, scale: Scale::Linear, ticks: Vec::new() }
}

fn numbers(values: impl IntoIterator<Item = f64>) -> Numbers {
    Numbers(values.into_iter().map(|value| value as f32).collect())
}

fn line(x: Numbers, y: Numbers, ink: Ink, dash: Dash, label: Option<String>) -> Layer {
    Layer::Line { x, y, ink, dash, width: 1.5, label }
}

/// Lowest and highest finite value, widened by 5 %; `None` without any.
fn extent(values: impl IntoIterator<Item = f64>) -> Option<(f64, f64)> {
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for value in values.into_iter().filter(|value| value.is_finite()) {
        low = low.min(value);
        high = high.max(value);
    }
    let margin = 0.05 * (high - low).max(1e-9);
    (low <= high).then_some((low - margin, high + margin))
}

/// Mode ranges as lightly shaded strips on a frequency axis in kHz, those within `high_khz`.
fn mode_spans(card: &Card, high_khz: f64) -> Vec<Layer> {
    let within = |mode: &crate::feature::modes::Mode| mode.hz_low / 1000.0 < high_khz;
    let span = |mode: crate::feature::modes::Mode| Layer::Span {
        along: Along::X,
        from: mode.hz_low / 1000.0,
        to: (mode.hz_high / 1000.0).min(high_khz),
        ink: Ink::Accent,
        label: Some(format!("{},{}", mode.m, mode.n)),
    };
    // Further modes overlap: shading all of them would shade everything.
    card.modes().into_iter().flatten().filter(within).take(3).map(span).collect()
}

/// Dash that tells groups apart where colour does not.
fn dash(index: usize) -> Dash {
    [Dash::Solid, Dash::Dashed, Dash::Dotted][index % 3]
}

fn mark(index: usize) -> Mark {
    [Mark::Dot, Mark::Ring, Mark::Cross, Mark::Triangle][index % 4]
}

fn file_name(card: &Card, id: FileId) -> String {
    card.file(id).map_or_else(String::new, |file| file.input.name.clone())
}
