//! Spectrogram of one channel: dB re full scale, colour limits by percentiles so that no outlier can flatten it.

use super::*;
pub use crate::card::overview::Region;
use crate::out::words::say;

/// Length of a segment, s: shorter than a ring lasts.
const SEGMENT_S: f64 = 0.005;
/// Share of the levels below and above the colour limits.
const CLIPPED_COLOURS: [f64; 2] = [0.05, 0.998];

/// Spectrogram with at most `columns` x `rows` cells.
pub fn spectrogram(
    card: &Card,
    id: FileId,
    channel: u16,
    region: &Region,
    columns: usize,
    rows: usize,
) -> Option<Figure> {
    let (file, recording) = card.recordings().find(|(file, _)| file.id == id)?;
    let rate = recording.sample_rate_hz();
    let cells = card.overview(id, channel, region, [columns, rows], SEGMENT_S)?;
    let ([from_s, to_s], [bottom_hz, top_hz]) = (cells.time_s, cells.hz);
    let [low_db, high_db] = colour_limits(&cells.levels);
    let mut layers = vec![Layer::Heat {
        columns: cells.columns as u32,
        rows: cells.rows as u32,
        x0: from_s,
        x1: to_s,
        y0: bottom_hz / 1000.0,
        y1: top_hz / 1000.0,
        values: Numbers(cells.levels.clone()),
        low: low_db,
        high: high_db,
        label: text("chart.dbfs"),
    }];
    if let Some(band) = card.band(rate) {
        for (at, label) in [(band.low, None), (band.high, Some(text("chart.band")))] {
            layers.push(Layer::Rule { along: Along::Y, at: at / 1000.0, ink: Ink::Accent, dash: Dash::Dashed, label });
        }
    }
    let values = [("file", file.input.name.clone()), ("n", channel.to_string())];
    Some(Figure {
        id: format!("spectrogram-{id}-{channel}"),
        summary: say("band.figure.spectrogram.summary", &values),
        x: axis("chart.s", Quantity::Time, from_s, to_s),
        y: axis("chart.khz", Quantity::Frequency, bottom_hz / 1000.0, top_hz / 1000.0),
        layers,
    })
}

/// The 5th and 99.8th percentile of the levels, at least 10 dB apart, from an even sample of them.
pub(super) fn colour_limits(levels: &[f32]) -> [f64; 2] {
    let step = (levels.len() / 20_000).max(1);
    let mut sample: Vec<f32> = levels.iter().copied().step_by(step).filter(|level| level.is_finite()).collect();
    sample.sort_by(f32::total_cmp);
    let at = |share: f64| {
        sample.get(((sample.len() as f64 - 1.0).max(0.0) * share) as usize).map_or(-60.0, |level| f64::from(*level))
    };
    let [low, high] = CLIPPED_COLOURS.map(at);
    [low, high.max(low + 10.0)]
}
