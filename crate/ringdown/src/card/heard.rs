//! What each level column of a log listens to, told by the recording of the same run that lies beside it.

use super::align::Alignment;
use super::recording::Recording;
use super::{Card, FileId};
use crate::feature::grid::map::unpack;
use crate::feature::grid::{Band, FIRST_BIN, Span};
use crate::feature::heard::{Combustions, Explained, Of, Samples, Unheard, explain};
use crate::feature::logged::{self, LevelColumn};
use crate::read::log;

/// A level column and the recording it was laid beside.
#[derive(Debug, Clone, PartialEq)]
pub struct Heard {
    /// The log.
    pub log: FileId,
    /// The recording.
    pub recording: FileId,
    /// Number and name of the column.
    pub column: usize,
    /// Its name.
    pub name: String,
    /// Unit of its level.
    pub unit: Option<String>,
    /// What it listens to, or why that can't be told.
    pub found: Result<Explained, Unheard>,
}

/// Columns explained at most: as many cylinders as an engine has.
const MOST_COLUMNS: usize = 16;
/// Power of a full-scale sine is 1 in its own bin, a quarter in each neighbour, for a mean square of a half: what bins sum
/// to over their mean square (Hann taper; noise gives the same).
const OVER_MEAN_SQUARE: f32 = 3.0;

impl Card {
    /// Explains the next level column of a log that lies over a recording; `false` when there is none left.
    pub(super) fn explain_next(&mut self) -> bool {
        let mut left = self.heard.len();
        let mut next = None;
        for (file, recording) in self.recordings() {
            let is_mapped = recording.maps.as_ref().is_some_and(|maps| !maps.events.is_empty());
            let Some((log_id, alignment)) = self.log_beside(file.id).filter(|_| is_mapped) else { continue };
            let Some((_, log)) = self.logs().find(|(log_file, _)| log_file.id == log_id) else { continue };
            let levels = logged::levels(log);
            let here = levels.len().min(MOST_COLUMNS);
            if left >= here {
                left -= here;
                continue;
            }
            let (Some(level), Some(combustions)) = (levels.get(left), self.combustions(recording, &alignment)) else {
                continue;
            };
            let samples = samples(level, &log.t_s, &combustions);
            let found = explain(&combustions, &samples, &candidates(level, &combustions));
            let (name, unit) = (level.name.clone(), level.unit.clone());
            let column = level.column.column;
            next = Some(Heard { log: log_id, recording: file.id, column, name, unit, found });
            break;
        }
        let is_more = next.is_some();
        self.heard.extend(next);
        is_more
    }

    /// What the level columns listen to, as far as it is worked out.
    pub fn heard(&self) -> &[Heard] {
        &self.heard
    }

    /// The mapped combustions of a recording on the clock of a log, the energy of each in every band.
    fn combustions(&self, recording: &Recording, alignment: &Alignment) -> Option<Combustions> {
        let (maps, crank) = (recording.maps.as_ref()?, recording.crank()?);
        let window = self.window();
        let span = Span::nearest(window.low, window.high);
        let bands = bands(maps.bins);
        let mut out = Combustions {
            t_s: Vec::new(),
            rpm: Vec::new(),
            channel: Vec::new(),
            cylinder: Vec::new(),
            level_db: vec![Vec::new(); bands.len()],
            bands,
        };
        let mut below = vec![0.0_f32; maps.bins + 1];
        for (at, (index, channel)) in maps.events.iter().zip(&maps.channels).enumerate() {
            let (Some(event), Some(map)) = (crank.events.get(*index as usize), maps.of(at)) else { continue };
            let closes_s = event.t_s + window.high / (6.0 * f64::from(event.rpm));
            let log_s = alignment.log_s(closes_s);
            if !log_s.is_finite() || out.t_s.last().is_some_and(|last| log_s < *last) {
                continue;
            }
            // Power below each bin, so that a band is one difference.
            let rows = || map.chunks_exact(maps.bins).skip(1 + span.first).take(span.steps);
            let steps = rows().count().max(1) as f32;
            let mut sum = 0.0;
            for (bin, below) in below.iter_mut().skip(1).enumerate() {
                sum += rows().filter_map(|row| row.get(bin)).map(|word| unpack(*word)).sum::<f32>();
                *below = sum;
            }
            for (band, levels) in out.bands.iter().zip(&mut out.level_db) {
                let first = band.first - FIRST_BIN.min(band.first);
                let ends = below.get(first + band.bins).zip(below.get(first));
                let power = ends.map_or(0.0, |(to, from)| (to - from) / steps / OVER_MEAN_SQUARE);
                levels.push(10.0 * power.max(1e-20).log10());
            }
            out.t_s.push(log_s);
            out.rpm.push(f64::from(event.rpm));
            out.channel.push(*channel);
            out.cylinder.push(event.cylinder);
        }
        (!out.t_s.is_empty()).then_some(out)
    }
}

/// Bands tried: these widths, in bins, at every bin.
const WIDTHS: [usize; 9] = [1, 2, 3, 4, 5, 6, 8, 10, 12];

fn bands(bins: usize) -> Vec<Band> {
    let of_width =
        |width: usize| (0..(bins + 1).saturating_sub(width)).map(move |k| Band { first: FIRST_BIN + k, bins: width });
    WIDTHS.into_iter().flat_map(of_width).collect()
}

/// The samples of a column while the recording ran.
fn samples(level: &LevelColumn, t_s: &[f64], combustions: &Combustions) -> Samples {
    let (first_s, last_s) = combustions.t_s.first().zip(combustions.t_s.last()).map_or((0.0, 0.0), |(a, b)| (*a, *b));
    let mut out = Samples { t_s: Vec::new(), before_s: Vec::new(), level_db: Vec::new() };
    let mut before_s = None;
    for (row, at_s) in t_s.iter().enumerate() {
        let Some(level_db) = level.at(row) else { continue };
        if let Some(before_s) = before_s.replace(*at_s).filter(|_| *at_s >= first_s && *at_s <= last_s) {
            out.t_s.push(*at_s);
            out.before_s.push(before_s);
            out.level_db.push(level_db);
        }
    }
    out
}

/// A cylinder's column speaks of that cylinder; any other of all combustions or of those on one channel.
fn candidates(level: &LevelColumn, combustions: &Combustions) -> Vec<Of> {
    if let Some(log::Of::Cylinder(cylinder)) = level.of
        && combustions.cylinder.contains(&Some(cylinder))
    {
        return vec![Of::Cylinder(cylinder)];
    }
    let mut channels = combustions.channel.clone();
    channels.sort_unstable();
    channels.dedup();
    let each = channels.iter().map(|channel| Of::Channel(*channel)).filter(|_| channels.len() > 1);
    std::iter::once(Of::All).chain(each).collect()
}
