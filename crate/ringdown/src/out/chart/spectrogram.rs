//! Spectrogram of one channel: dB re full scale, colour limits by percentiles so that no outlier can flatten it.

use super::*;
use crate::out::words::say;
use crate::signal::stft::{Hold, Spectrogram, View};
use crate::signal::taper::{Shape, Taper};

/// Part of the recording and of the spectrum; `None` = all of it.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Region {
    /// Seconds.
    pub time_s: Option<[f64; 2]>,
    /// Hz.
    pub hz: Option<[f64; 2]>,
}

/// Length of a segment, s: shorter than a ring lasts.
const SEGMENT_S: f64 = 0.005;
/// Segments a column at most: an overview of an hour then reads no more than one of a minute.
const MOST_PER_COLUMN: u64 = 12;
/// Share of the levels below and above the colour limits.
const CLIPPED_COLOURS: [f64; 2] = [0.05, 0.998];

/// Levels of a spectrogram, ready to draw or to be worked on.
pub(super) struct Cells {
    /// dB re a full-scale sine, column after column, lowest row first.
    pub levels: Vec<f32>,
    pub columns: usize,
    pub rows: usize,
    pub time_s: [f64; 2],
    pub hz: [f64; 2],
}

/// At most `columns` x `rows` cells, each the mean power of up to 12 segments of `segment_s` spread over it.
pub(super) fn cells(
    recording: &crate::card::recording::Recording,
    channel: u16,
    region: &Region,
    [columns, rows]: [usize; 2],
    segment_s: f64,
) -> Option<Cells> {
    let rate = recording.sample_rate_hz();
    let frames = recording.survey.as_ref().map_or(recording.samples.borrow().frames, |survey| survey.frames);
    let duration_s = frames as f64 / rate;
    let [from_s, to_s] = region.time_s.unwrap_or([0.0, duration_s]);
    let [low_hz, high_hz] = region.hz.unwrap_or([0.0, (0.5 * rate).min(25_000.0)]);
    let from = (from_s.clamp(0.0, duration_s) * rate) as u64;
    let to = (to_s.clamp(0.0, duration_s) * rate) as u64;
    let length = ((segment_s * rate) as usize).next_power_of_two().clamp(64, 1 << 14);
    let columns = columns.clamp(2, 2000);
    if to.checked_sub(from)? < length as u64 || high_hz <= low_hz {
        return None;
    }
    let view = View { from, to, low_hz, high_hz, columns, rows: rows.clamp(2, 1000), hold: Hold::Mean };
    let column = (to - from) / columns as u64;
    // Segments lie edge to edge while a column holds few of them, else spread over it.
    let hop = (column / MOST_PER_COLUMN).max(length as u64 / 2).max(1) as usize;
    let mut builder = Spectrogram::new(rate, &Taper::periodic(Shape::Hann, length), hop, view);
    let mut planes = Vec::new();
    let plane_of = usize::from(channel).checked_sub(1)?;
    let mut at = from;
    while at < to {
        // Far-apart segments are read one by one; near ones in one go.
        let (count, next) = if hop > 4 * length { (length, hop as u64) } else { (1 << 16, 1 << 16) };
        let got = recording.samples.borrow_mut().read(at, count.min((to - at) as usize), &mut planes).unwrap_or(0);
        if got == 0 {
            break;
        }
        builder.push(at, planes.get(plane_of)?);
        at += next;
    }
    let mut levels = Vec::new();
    builder.levels_db(&mut levels);
    Some(Cells {
        levels,
        columns: builder.columns(),
        rows: builder.rows(),
        time_s: [from as f64 / rate, to as f64 / rate],
        hz: builder.range_hz(),
    })
}

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
    let cells = cells(recording, channel, region, [columns, rows], SEGMENT_S)?;
    let Cells { levels, columns, rows, time_s: [from_s, to_s], hz: [bottom_hz, top_hz] } = cells;
    let [low_db, high_db] = colour_limits(&levels);
    let mut layers = vec![Layer::Heat {
        columns: columns as u32,
        rows: rows as u32,
        x0: from_s,
        x1: to_s,
        y0: bottom_hz / 1000.0,
        y1: top_hz / 1000.0,
        values: Numbers(levels),
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
