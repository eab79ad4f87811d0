//! Two other views of a spectrogram: above the background at like speed, and by engine order.

use super::spectrogram::{Region, colour_limits};
use super::*;
use crate::card::overview::Cells;
use crate::card::recording::Recording;
use crate::out::words::say;
use crate::stats::order::Arrange;

/// Cells of these views.
const SIZE: [usize; 2] = [OVERVIEW_COLUMNS, OVERVIEW_ROWS];
/// Segments where bursts matter, s.
const SHORT_S: f64 = 0.005;
/// Segments where orders matter, s: half an order apart at 1500 rpm.
const LONG_S: f64 = 0.08;
/// Columns nearest in speed that make up a background.
const LIKE_COLUMNS: usize = 31;
/// Orders shown: mechanical ones; higher ones run into each other.
const ORDERS: f64 = 40.0;
/// Least spread of the colours, dB.
const LEAST_DB: f64 = 6.0;

/// Each column less the median of the columns nearest in speed, so that only what is unusual lights up.
pub(super) fn above(card: &Card, id: FileId, channel: u16) -> Option<Figure> {
    let (file, recording) = card.recordings().find(|(file, _)| file.id == id)?;
    let mut cells = Cells::clone(&*card.overview(id, channel, &Region::default(), SIZE, SHORT_S)?);
    let speeds = speeds(recording, &cells);
    take_background_off(&mut cells, &speeds);
    let [_, high] = colour_limits(&cells.levels);
    let values = [("file", file.input.name.clone()), ("n", channel.to_string())];
    Some(Figure {
        id: format!("above-{id}-{channel}"),
        summary: say("band.figure.above.summary", &values),
        x: axis("chart.s", Quantity::Time, cells.time_s[0], cells.time_s[1]),
        y: axis("chart.khz", Quantity::Frequency, cells.hz[0] / 1000.0, cells.hz[1] / 1000.0),
        layers: vec![heat(&cells, cells.hz.map(|hz| hz / 1000.0), [0.0, high.max(LEAST_DB)], "chart.above")],
    })
}

/// Power over engine order: what turns with the crank stays at its height.
pub(super) fn orders(card: &Card, id: FileId, channel: u16) -> Option<Figure> {
    let (file, recording) = card.recordings().find(|(file, _)| file.id == id)?;
    let crank = recording.crank()?;
    let fastest = crank.events.iter().map(|event| f64::from(event.rpm)).max_by(f64::total_cmp)?;
    let region =
        Region { hz: Some([0.0, (ORDERS * fastest / 60.0).min(0.5 * recording.sample_rate_hz())]), time_s: None };
    let plain = card.overview(id, channel, &region, SIZE, LONG_S)?;
    let cells = by_order(&plain, &speeds(recording, &plain));
    let [low, high] = colour_limits(&cells.levels);
    let values = [("file", file.input.name.clone()), ("n", channel.to_string())];
    Some(Figure {
        id: format!("orders-{id}-{channel}"),
        summary: say("band.figure.orders.summary", &values),
        x: axis("chart.s", Quantity::Time, cells.time_s[0], cells.time_s[1]),
        y: axis("chart.order", Quantity::Other, 0.0, ORDERS),
        layers: vec![heat(&cells, [0.0, ORDERS], [low, high], "chart.dbfs")],
    })
}

fn heat(cells: &Cells, y: [f64; 2], colours: [f64; 2], label: &str) -> Layer {
    Layer::Heat {
        columns: cells.columns as u32,
        rows: cells.rows as u32,
        x0: cells.time_s[0],
        x1: cells.time_s[1],
        y0: y[0],
        y1: y[1],
        values: Numbers(cells.levels.clone()),
        low: colours[0],
        high: colours[1],
        label: text(label),
    }
}

/// Speed in the middle of each column, where known.
fn speeds(recording: &Recording, cells: &Cells) -> Vec<Option<f64>> {
    let [from_s, to_s] = cells.time_s;
    let middle = |column: usize| from_s + (to_s - from_s) * (column as f64 + 0.5) / cells.columns as f64;
    let track = recording.crank().map(|crank| &crank.track);
    (0..cells.columns).map(|column| track.and_then(|track| track.rpm_at(middle(column)))).collect()
}

/// Columns without a known speed stand together, as if at one speed of their own.
fn take_background_off(cells: &mut Cells, speeds: &[Option<f64>]) {
    let mut order: Vec<usize> = (0..cells.columns).collect();
    let speed = |column: usize| speeds.get(column).copied().flatten().unwrap_or(-1.0);
    order.arrange(|a, b| speed(*a).total_cmp(&speed(*b)));
    let plain = cells.levels.clone();
    let near = LIKE_COLUMNS.min(cells.columns);
    let mut sample = Vec::with_capacity(near);
    for (rank, column) in order.iter().enumerate() {
        let first = rank.saturating_sub(near / 2).min(cells.columns - near);
        for row in 0..cells.rows {
            sample.clear();
            let like = order[first..first + near].iter().map(|other| plain[other * cells.rows + row]);
            sample.extend(like.filter(|level| level.is_finite()));
            if !sample.is_empty() {
                let middle = sample.len() / 2;
                cells.levels[column * cells.rows + row] -= *sample.select_nth_unstable_by(middle, f32::total_cmp).1;
            }
        }
    }
}

/// Rows become even parts of [`ORDERS`]; NaN where speed is not known or the order lies beyond the spectrum.
fn by_order(plain: &Cells, speeds: &[Option<f64>]) -> Cells {
    let row_hz = (plain.hz[1] - plain.hz[0]) / plain.rows as f64;
    let level = |column: usize, row: usize| -> Option<f32> {
        let order = ORDERS * (row as f64 + 0.5) / plain.rows as f64;
        let hz = order * speeds.get(column).copied().flatten()? / 60.0 - plain.hz[0];
        let at = (hz >= 0.0).then_some((hz / row_hz) as usize).filter(|row| *row < plain.rows)?;
        plain.levels.get(column * plain.rows + at).copied()
    };
    let all = (0..plain.columns).flat_map(|column| (0..plain.rows).map(move |row| (column, row)));
    let levels = all.map(|(column, row)| level(column, row).unwrap_or(f32::NAN)).collect();
    Cells { levels, ..*plain }
}
