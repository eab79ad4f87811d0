//! Minimum and maximum of each channel over time, so that a one-sample spike survives any zoom; marks and events below.

use super::*;
use crate::card::MarkLabel;
use crate::card::recording::Recording;
use crate::out::words::{column_name, say};
use crate::read::log::{Column, Log};
use crate::read::roles::Role;
use crate::signal::envelope::{BLOCK, Columns, columns_of};

/// Lanes of a log at most.
const MOST_LANES: usize = 10;
/// Places of a first look.
const MOST_LOOKS: usize = 160;

/// Envelope of all channels of a file, stacked, over `range_s` (all of it where `None`) in `columns` columns.
pub fn envelope(card: &Card, id: FileId, range_s: Option<[f64; 2]>, columns: usize) -> Option<Figure> {
    if let Some((file, log)) = card.logs().find(|(file, _)| file.id == id) {
        return logged(&file.input.name, id, log, range_s, columns);
    }
    let (file, recording) = card.recordings().find(|(file, _)| file.id == id)?;
    let Some(survey) = recording.survey.as_ref() else {
        return glance(&file.input.name, id, recording, range_s, columns);
    };
    let rate = recording.sample_rate_hz();
    let duration_s = survey.frames as f64 / rate;
    let [from_s, to_s] = range_s.unwrap_or([0.0, duration_s]);
    let columns = columns.clamp(2, 4000);
    let (from, to) = ((from_s.max(0.0) * rate) as u64, (to_s.min(duration_s).max(0.0) * rate).ceil() as u64);
    if to <= from {
        return None;
    }
    let span_s = [from as f64 / rate, to as f64 / rate];
    let lanes = extents(recording, from, to, columns).into_iter().enumerate().zip(&survey.channels);
    let lanes = lanes.map(|((index, columns), channel)| {
        let sensor = recording.role(index as u16 + 1, card.sheet()) == Role::Sensor;
        Lane {
            columns,
            largest: channel.max.abs().max(channel.min.abs()),
            ink: if sensor { Ink::Ink } else { Ink::Quiet },
        }
    });
    let (mut layers, y) = stacked(&lanes.collect::<Vec<_>>(), span_s);
    for mark in card.marks().iter().filter(|mark| mark.file == file.input.name) {
        let key = match mark.label {
            MarkLabel::Safe => "mark.safe",
            MarkLabel::Knock => "mark.knock",
            MarkLabel::Exclude => "mark.exclude",
        };
        let ink = if mark.label == MarkLabel::Knock { Ink::Accent } else { Ink::Faint };
        layers
            .insert(0, Layer::Span { along: Along::X, from: mark.from_s, to: mark.to_s, ink, label: Some(text(key)) });
    }
    layers.extend(over_limit(card, id, recording));
    Some(Figure {
        id: format!("envelope-{id}"),
        summary: say("recordings.figure.summary", &[("file", file.input.name.clone())]),
        x: axis("chart.s", Quantity::Time, span_s[0], span_s[1]),
        y,
        layers,
    })
}

/// What one channel shows.
struct Lane {
    columns: Columns,
    /// What reaches the lane's edge.
    largest: f32,
    ink: Ink,
}

/// Channels one below the other over `span_s`, the first at the top, each filling its lane; and the axis that numbers them.
fn stacked(lanes: &[Lane], [from_s, to_s]: [f64; 2]) -> (Vec<Layer>, Axis) {
    let count = lanes.len();
    let place = |index: usize| (count - index) as f64;
    let layer = |(index, Lane { columns, largest, ink }): (usize, &Lane)| {
        let scale = 0.45 / f64::from(largest.max(1e-6));
        let y = |values: &[f32]| numbers(values.iter().map(|value| place(index) + f64::from(*value) * scale));
        let step_s = (to_s - from_s) / columns.min.len().max(1) as f64;
        let x = numbers((0..columns.min.len()).map(|column| from_s + (column as f64 + 0.5) * step_s));
        Layer::Between { x, low: y(&columns.min), high: y(&columns.max), ink: *ink, opacity: 0.8 }
    };
    let channel = |index: usize| say("chart.channel", &[("n", (index + 1).to_string())]);
    let ticks = (0..count).map(|index| (place(index), channel(index))).collect();
    let axis = Axis { ticks, ..axis("chart.channels", Quantity::Other, 0.2, count as f64 + 0.5) };
    (lanes.iter().enumerate().map(layer).collect(), axis)
}

/// A first look before the file has been read, in [`MOST_LOOKS`] places at most.
fn glance(name: &str, id: FileId, recording: &Recording, range_s: Option<[f64; 2]>, columns: usize) -> Option<Figure> {
    let rate = recording.sample_rate_hz();
    let duration_s = recording.duration_s();
    let [from_s, to_s] = range_s.unwrap_or([0.0, duration_s]);
    let (from, to) = ((from_s.max(0.0) * rate) as u64, (to_s.min(duration_s).max(0.0) * rate).ceil() as u64);
    let lanes = recording.glance([from, to], columns.clamp(2, MOST_LOOKS))?;
    let span_s = [from as f64 / rate, to as f64 / rate];
    let lanes = lanes.iter().map(|columns| {
        let largest = columns.min.iter().chain(&columns.max).fold(0.0_f32, |most, value| most.max(value.abs()));
        Lane { columns: columns.clone(), largest, ink: Ink::Quiet }
    });
    let (layers, y) = stacked(&lanes.collect::<Vec<_>>(), span_s);
    Some(Figure {
        id: format!("glance-{id}"),
        summary: say("recordings.figure.glance", &[("file", name.into())]),
        x: axis("chart.s", Quantity::Time, span_s[0], span_s[1]),
        y,
        layers,
    })
}

/// The columns of a log that tell how the engine ran, stacked like channels.
fn logged(name: &str, id: FileId, log: &Log, range_s: Option<[f64; 2]>, columns: usize) -> Option<Figure> {
    let told = |column: &&Column| {
        let role = column.role;
        matches!(role, Role::Speed | Role::Load | Role::Throttle | Role::Ignition | Role::Correction | Role::Level)
    };
    let shown: Vec<&Column> = log.columns.iter().filter(told).take(MOST_LANES).collect();
    let [from_s, to_s] = range_s.unwrap_or([*log.t_s.first()?, *log.t_s.last()?]);
    let first = log.t_s.partition_point(|t_s| *t_s < from_s);
    let last = log.t_s.partition_point(|t_s| *t_s <= to_s);
    if shown.is_empty() || last <= first + 1 {
        return None;
    }
    let width = (last - first).div_ceil(columns.clamp(2, 4000)).max(1);
    let mut layers = Vec::new();
    let mut ticks = Vec::new();
    for (index, column) in shown.iter().enumerate() {
        let lane = (shown.len() - index) as f64;
        let (low, high) = extent([column.figures.low, column.figures.high]).unwrap_or((0.0, 1.0));
        let y = |value: f64| lane - 0.42 + 0.84 * (value - low) / (high - low);
        let seen = |from: usize| column.values.extremes(from, (from + width).min(last));
        let seen: Vec<[f64; 2]> = (first..last).step_by(width).map(seen).collect();
        let x = numbers(log.t_s[first..last].chunks(width).map(|part| part[part.len() / 2]));
        let [least, most] = [0, 1].map(|end| numbers(seen.iter().map(|both| y(both[end]))));
        if width == 1 {
            layers.push(line(x, most, Ink::Ink, Dash::Solid, None));
        } else {
            layers.push(Layer::Between { x, low: least, high: most, ink: Ink::Ink, opacity: 0.9 });
        }
        ticks.push((lane, column_name(&column.name).chars().take(18).collect()));
    }
    Some(Figure {
        id: format!("envelope-{id}"),
        summary: say("recordings.figure.summary", &[("file", name.into())]),
        x: axis("chart.s", Quantity::Time, from_s, to_s),
        y: Axis { ticks, ..axis("chart.value", Quantity::Other, 0.2, shown.len() as f64 + 0.5) },
        layers,
    })
}

/// From the pyramid, or from the samples themselves where the zoom is finer than its blocks.
fn extents(recording: &Recording, from: u64, to: u64, columns: usize) -> Vec<Columns> {
    let survey = recording.survey.iter().flat_map(|survey| &survey.channels);
    if (to - from) / columns as u64 >= BLOCK as u64 {
        return survey.map(|channel| channel.envelope.query(from, to, columns)).collect();
    }
    let mut planes = Vec::new();
    match recording.samples.borrow_mut().read(from, (to - from) as usize, &mut planes) {
        Ok(_) => planes.iter().map(|plane| columns_of(plane, columns)).collect(),
        Err(_) => survey.map(|channel| channel.envelope.query(from, to, columns)).collect(),
    }
}

/// A mark under the lanes for each event over its limit.
fn over_limit(card: &Card, id: FileId, recording: &Recording) -> Option<Layer> {
    let judged = card.outcome()?.of(id)?;
    let events = &recording.crank()?.events;
    let times = events.iter().zip(judged).filter(|(_, event)| event.knock() == Some(true)).map(|(event, _)| event.t_s);
    let x = numbers(times);
    let y = numbers(x.0.iter().map(|_| 0.32));
    Some(Layer::Points { x, y, ink: Ink::Accent, mark: Mark::Triangle, size: 5.0, label: None })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::card::Input;

    /// Two channels, 16 bits, 48 kHz (RIFF/WAVE, Microsoft and IBM 1991): a square wave of 0.25, and one of 0.5 from the
    /// middle on.
    fn two_squares(frames: usize) -> Vec<u8> {
        let data = (frames * 4) as u32;
        let mut bytes = Vec::new();
        bytes.extend(b"RIFF");
        bytes.extend((36 + data).to_le_bytes());
        bytes.extend(b"WAVEfmt \x10\0\0\0\x01\0\x02\0");
        bytes.extend(48_000_u32.to_le_bytes());
        bytes.extend(192_000_u32.to_le_bytes());
        bytes.extend(b"\x04\0\x10\0data");
        bytes.extend(data.to_le_bytes());
        for frame in 0..frames {
            let sign = if frame % 2 == 0 { 1 } else { -1 };
            let second = if frame * 2 < frames { 0 } else { sign * 16_384 };
            bytes.extend((sign * 8_192_i16).to_le_bytes());
            bytes.extend(second.to_le_bytes());
        }
        bytes
    }

    #[test]
    fn a_file_not_yet_read_is_seen_at_once_and_the_whole_of_it_later() {
        let mut card = Card::default();
        let id = card.add(Input::from_bytes("squares.wav", two_squares(480_000)), None).unwrap();
        let first = envelope(&card, id, None, 900).unwrap();
        assert_eq!(first.id, format!("glance-{id}"));
        let [Layer::Between { low, high, .. }, Layer::Between { high: second, .. }] = first.layers.as_slice() else {
            panic!("{:?}", first.layers)
        };
        // A lane is 0.45 high to either side at the channel's own largest sample.
        assert!(low.0.iter().all(|value| (value - 1.55).abs() < 1e-4), "{low:?}");
        assert!(high.0.iter().all(|value| (value - 2.45).abs() < 1e-4), "{high:?}");
        let half = second.0.len() / 2;
        assert!(second.0[..half].iter().all(|value| (value - 1.0).abs() < 1e-4));
        assert!(second.0[half..].iter().all(|value| (value - 1.45).abs() < 1e-4));
        while !card.step().progress.done {}
        assert_eq!(envelope(&card, id, None, 900).unwrap().id, format!("envelope-{id}"));
    }
}
