//! Spectrograms of a recording at the size of a picture. Several figures are made of the same ones, and each is asked for
//! whenever something else in its section changes: the last few are kept.

use super::recording::Recording;
use super::{Card, FileId};
use crate::read::samples::Planes;
use crate::signal::stft::{Hold, Spectrogram, View};
use crate::signal::taper::{Shape, Taper};
use std::collections::VecDeque;
use std::rc::Rc;

/// Part of the recording and of the spectrum; `None` = all of it.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Region {
    /// Seconds.
    pub time_s: Option<[f64; 2]>,
    /// Hz.
    pub hz: Option<[f64; 2]>,
}

/// Levels of a spectrogram, ready to draw or to be worked on.
#[derive(Debug, Clone)]
pub struct Cells {
    /// dB re a full-scale sine, column after column, lowest row first.
    pub levels: Vec<f32>,
    /// Columns (time).
    pub columns: usize,
    /// Rows (frequency).
    pub rows: usize,
    /// Begin of the first column and end of the last, s.
    pub time_s: [f64; 2],
    /// Lower edge of the lowest row and upper edge of the highest, Hz.
    pub hz: [f64; 2],
}

/// Segments a column at most: an overview of an hour then costs no more than one of a minute.
const MOST_PER_COLUMN: u64 = 12;
/// Places of a column that are looked at where reading all of it would take longer. Each read costs by itself, so some of
/// the column's segments lie side by side.
const LOOKS: u64 = 4;
/// Spectrograms kept, half a megabyte each.
const MOST_KEPT: usize = 12;

/// What a spectrogram depends on. A file's number is never used twice, and its samples never change.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Key {
    file: FileId,
    view: View,
    segment: usize,
}

/// The last spectrograms made.
#[derive(Default)]
pub(super) struct Overviews {
    kept: VecDeque<(Key, u16, Rc<Cells>)>,
}

impl Overviews {
    fn find(&self, key: &Key, channel: u16) -> Option<Rc<Cells>> {
        let held = self.kept.iter().find(|(of, on, _)| of == key && *on == channel);
        held.map(|(_, _, cells)| Rc::clone(cells))
    }

    fn keep(&mut self, key: Key, channel: u16, cells: Rc<Cells>) {
        self.kept.truncate(MOST_KEPT - 1);
        self.kept.push_front((key, channel, cells));
    }
}

impl Card {
    /// Spectrogram of one channel with at most `columns` x `rows` cells, each the mean power of up to 12 segments of
    /// `segment_s` spread over it. `None` for a region too short or empty.
    pub fn overview(
        &self,
        id: FileId,
        channel: u16,
        region: &Region,
        [columns, rows]: [usize; 2],
        segment_s: f64,
    ) -> Option<Rc<Cells>> {
        let (_, recording) = self.recordings().find(|(file, _)| file.id == id)?;
        let rate = recording.sample_rate_hz();
        let frames = recording.survey.as_ref().map_or(recording.samples.borrow().frames, |survey| survey.frames);
        let duration_s = frames as f64 / rate;
        let [from_s, to_s] = region.time_s.unwrap_or([0.0, duration_s]);
        let [low_hz, high_hz] = region.hz.unwrap_or([0.0, (0.5 * rate).min(25_000.0)]);
        let [from, to] = [from_s, to_s].map(|t_s| (t_s.clamp(0.0, duration_s) * rate) as u64);
        let segment = ((segment_s * rate) as usize).next_power_of_two().clamp(64, 1 << 14);
        if to.checked_sub(from)? < segment as u64 || high_hz <= low_hz {
            return None;
        }
        let [columns, rows] = [columns.clamp(2, 2000), rows.clamp(2, 1000)];
        let view = View { from, to, low_hz, high_hz, columns, rows, hold: Hold::Mean };
        let key = Key { file: id, view, segment };
        if let Some(held) = self.overviews.borrow().find(&key, channel) {
            return Some(held);
        }
        // What is read for one sensor holds the others too, and they will be asked for next.
        let mut channels = if region.time_s.is_none() { recording.sensor_channels(self.sheet()) } else { Vec::new() };
        channels.retain(|other| *other != channel);
        channels.push(channel);
        let all = built(recording, &channels, &key)?;
        let mut overviews = self.overviews.borrow_mut();
        for (channel, cells) in channels.iter().zip(&all) {
            overviews.keep(key, *channel, Rc::clone(cells));
        }
        all.last().cloned()
    }
}

/// The spectrograms of several channels, read once.
fn built(recording: &Recording, channels: &[u16], key: &Key) -> Option<Vec<Rc<Cells>>> {
    let Key { view, segment, .. } = *key;
    let rate = recording.sample_rate_hz();
    let width = view.samples() / view.columns as u64;
    let half = (segment as u64 / 2).max(1);
    // So many segments side by side, overlapping by half.
    let look = segment as u64 + (MOST_PER_COLUMN / LOOKS - 1) * half;
    let is_scattered = width > 4 * LOOKS * look;
    let hop = if is_scattered { half } else { (width / MOST_PER_COLUMN).max(half) };
    let taper = Taper::periodic(Shape::Hann, segment);
    let mut builders: Vec<_> = channels.iter().map(|_| Spectrogram::new(rate, &taper, hop as usize, view)).collect();
    let mut planes = Planes::new();
    let mut take = |at: u64, count: u64| -> Option<usize> {
        let got = recording.samples.borrow_mut().read(at, count as usize, &mut planes).unwrap_or(0);
        for (builder, channel) in builders.iter_mut().zip(channels) {
            builder.push(at, planes.get(usize::from(*channel).checked_sub(1)?)?);
        }
        Some(got)
    };
    if is_scattered {
        let part = width / LOOKS;
        for number in 0..view.columns as u64 * LOOKS {
            let (column, place) = (number / LOOKS, number % LOOKS);
            let start = view.from + view.samples() * column / view.columns as u64;
            take(start + place * part + (part - look) / 2, look)?;
        }
    } else {
        let mut at = view.from;
        while at < view.to && take(at, (view.to - at).min(1 << 16))? > 0 {
            at += 1 << 16;
        }
    }
    let time_s = [view.from as f64 / rate, view.to as f64 / rate];
    let cells = |builder: &Spectrogram| {
        let mut levels = Vec::new();
        builder.levels_db(&mut levels);
        Rc::new(Cells { levels, columns: builder.columns(), rows: builder.rows(), time_s, hz: builder.range_hz() })
    };
    Some(builders.iter().map(cells).collect())
}
