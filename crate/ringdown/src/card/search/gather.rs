//! The events of all recordings that are compared, and the pass that maps them.

use super::{Key, MOST_EVENTS};
use crate::card::learn::{group_of, may_knock};
use crate::card::recording::Recording;
use crate::card::{Card, File, FileId, Group, MarkLabel, SAME_EVENT_S};
use crate::feature::grid::map::{Maps, unpack};
use crate::feature::grid::separate::{Case, Separator};
use crate::feature::grid::{Band, FIRST_BIN, Span};
use crate::limit::floor::Observation;

/// A search under way.
pub(in crate::card) struct Searching {
    pub(super) key: Key,
    pub(super) separator: Separator,
    pub(super) groups: Vec<Group>,
    pub(super) seen: Vec<Seen>,
    pub(super) bins: usize,
}

/// One event compared.
#[derive(Debug, Clone, Copy)]
pub(super) struct Seen {
    pub file: FileId,
    /// Place in the recording's list of maps.
    pub at: usize,
    pub group: u16,
    pub rpm: f32,
    t_s: f64,
    pub provoked: bool,
    pub label: Option<bool>,
}

/// Whether an event is kept when only `share` of them can be: drawn by its number, so that every speed and cylinder
/// keeps its part. (Finaliser of the splitmix64 generator, from memory.)
pub(in crate::card) fn kept(number: usize, share: f64) -> bool {
    let mut x = (number as u64).wrapping_add(0x9e37_79b9_7f4a_7c15);
    x = (x ^ (x >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    x = (x ^ (x >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((x ^ (x >> 31)) as f64) < share * u64::MAX as f64
}

impl Searching {
    pub(super) fn new(card: &Card, key: Key) -> Option<Self> {
        let mut groups = Vec::new();
        let (seen, bins) = card.seen(&mut groups);
        let recordings: Vec<(FileId, &Maps)> =
            card.recordings().filter_map(|(file, recording)| Some((file.id, recording.maps.as_ref()?))).collect();
        let case = |seen: &Seen| {
            let maps = recordings.iter().find(|(id, _)| *id == seen.file)?.1;
            let Seen { group, rpm, t_s, provoked, label, .. } = *seen;
            Some(Case {
                group,
                rpm,
                t_s,
                provoked,
                knock: label == Some(true),
                map: maps.of(seen.at)?,
                bins: maps.bins,
            })
        };
        let cases: Vec<Case> = seen.iter().filter_map(case).collect();
        let separator = Separator::new(&cases, groups.len(), bins, key.measure, key.false_alarm)?;
        Some(Self { key, separator, groups, seen, bins })
    }
}

impl Card {
    /// Events to compare, at most [`MOST_EVENTS`], and the bins all their maps hold.
    fn seen(&self, groups: &mut Vec<Group>) -> (Vec<Seen>, usize) {
        let all: Vec<(&File, &Recording)> = self.recordings().filter(|(_, r)| r.maps.is_some()).collect();
        let pooled = self.pooled(&all);
        let total: usize = pooled.iter().filter_map(|(_, r)| r.maps.as_ref()).map(|maps| maps.events.len()).sum();
        let share = MOST_EVENTS as f64 / total.max(1) as f64;
        let (mut seen, mut bins, mut offset_s, mut number) = (Vec::new(), usize::MAX, 0.0, 0);
        for (file, recording) in pooled {
            let (Some(crank), Some(maps)) = (recording.crank(), &recording.maps) else { continue };
            bins = bins.min(maps.bins);
            for (at, (&index, channel)) in maps.events.iter().zip(&maps.channels).enumerate() {
                number += 1;
                let Some(event) = crank.events.get(index as usize).filter(|_| kept(number, share)) else { continue };
                let provoked = match self.mark_at(&file.input.name, event.t_s) {
                    Some(MarkLabel::Exclude) => continue,
                    Some(MarkLabel::Knock) => true,
                    Some(MarkLabel::Safe) => false,
                    None => may_knock(file.role),
                };
                let group = group_of(groups, event, *channel, self.load_at(file, event.t_s));
                let label = self.label_of(&file.input.name, event.t_s);
                let t_s = event.t_s + offset_s;
                seen.push(Seen { file: file.id, at, group, rpm: event.rpm, t_s, provoked, label });
            }
            offset_s += recording.duration_s() + 60.0;
        }
        (seen, if bins == usize::MAX { 0 } else { bins })
    }

    /// What the ear said of the event at a time.
    fn label_of(&self, file: &str, t_s: f64) -> Option<bool> {
        let same = |label: &&crate::card::EarLabel| label.file == file && (label.t_s - t_s).abs() <= SAME_EVENT_S;
        self.labels.iter().find(same).map(|label| label.knock)
    }

    /// Levels of a recording's mapped events in the band of the bore (without one from 4 to 12 kHz) and the window of
    /// common practice, to guess what the recording is.
    pub(in crate::card) fn mapped_levels(&self, recording: &Recording, groups: &mut Vec<Group>) -> Vec<Observation> {
        let (Some(crank), Some(maps)) = (recording.crank(), &recording.maps) else { return Vec::new() };
        let [low_hz, high_hz] = self.modes().map_or([4000.0, 12_000.0], |modes| [modes[0].hz_low, modes[0].hz_high]);
        let band = Band::nearest(low_hz, high_hz, FIRST_BIN + maps.bins);
        let [start, end] = crate::card::choices::DEFAULT_WINDOW_DEG_ATDC;
        let span = Span::nearest(start, end);
        let power = |map: &[u16]| -> f32 {
            let rows = span.first + 1..span.first + span.steps + 1;
            let row = |row: usize| &map[row * maps.bins + band.first - FIRST_BIN..][..band.bins];
            rows.flat_map(row).map(|word| unpack(*word)).sum()
        };
        let one = |at: usize| {
            let event = crank.events.get(*maps.events.get(at)? as usize)?;
            let group = group_of(groups, event, *maps.channels.get(at)?, None);
            let level = crate::units::decibels(f64::from(power(maps.of(at)?))) as f32;
            Some(Observation { group, rpm: event.rpm, level, t_s: event.t_s })
        };
        (0..maps.events.len()).filter_map(one).collect()
    }
}
