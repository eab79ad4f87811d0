//! The map of a whole cycle, from the recording that shows the engine's own noises best.

use super::{Card, File, FileId, FileRole, recording::Recording};
use crate::crank::Event;
use crate::feature::cycle_map::{CycleMap, CycleMapper};
use crate::read::samples::Planes;
use crate::stats::order::Arrange;

/// Most cycles read: more would not move the mean by a tenth of a decibel.
const MOST_CYCLES: usize = 300;
/// Fewest cycles worth a mean.
const FEWEST_CYCLES: usize = 30;
/// Longest cycle read, samples.
const LONGEST: usize = 1 << 17;

impl Card {
    /// The map of a whole cycle and the file it comes from; `None` while no recording has cylinders.
    pub fn cycle_map(&self) -> Option<(&File, &CycleMap)> {
        let (file, recording) = self.recordings().find(|(file, _)| Some(file.id) == self.cycle_source())?;
        Some((file, recording.cycle.as_ref()?))
    }

    /// Safe running first: knock is no part of the engine's own noises.
    fn cycle_source(&self) -> Option<FileId> {
        let known = |(_, recording): &(&File, &Recording)| {
            recording.crank().is_some_and(|crank| crank.events.iter().any(|event| event.cylinder.is_some()))
        };
        self.recordings().filter(known).min_by_key(|(file, _)| file.role != FileRole::Safe).map(|(file, _)| file.id)
    }

    /// Reads the cycles of the source, unless they are known.
    pub(super) fn map_cycle(&mut self) {
        let Some(id) = self.cycle_source() else { return };
        let cycle_deg = self.sheet().map_or(720.0, crate::read::sheet::Sheet::cycle_deg);
        let Some((recording, ..)) = self.recording_mut(id) else { return };
        if recording.cycle.is_none() {
            recording.cycle = mapped(recording, cycle_deg);
        }
    }
}

/// The slower half of the cycles, spread evenly: there an angle is the most samples.
fn mapped(recording: &Recording, cycle_deg: f64) -> Option<CycleMap> {
    let (crank, maps) = (recording.crank()?, recording.maps.as_ref()?);
    let event = |index: u32| crank.events.get(index as usize).filter(|event| event.cylinder.is_some());
    let heard = maps.events.iter().zip(&maps.channels);
    let mut heard: Vec<(&Event, u16)> = heard.filter_map(|(index, channel)| Some((event(*index)?, *channel))).collect();
    heard.arrange(|a, b| a.0.rpm.total_cmp(&b.0.rpm));
    heard.truncate(heard.len().div_ceil(2));
    let mut mapper = CycleMapper::new(recording.sample_rate_hz(), cycle_deg)?;
    let mut planes = Planes::new();
    for (event, channel) in heard.iter().step_by(heard.len().div_ceil(MOST_CYCLES).max(1)) {
        let Some(segment) = crank.track.segments.get(event.segment as usize) else { continue };
        let Some((first, count)) = mapper.wants(segment, event).filter(|(_, count)| *count <= LONGEST) else {
            continue;
        };
        if recording.samples.borrow_mut().read(first, count, &mut planes).is_err() {
            continue;
        }
        if let Some(plane) = planes.get(usize::from(*channel).wrapping_sub(1)) {
            mapper.add(segment, event, first, plane);
        }
    }
    mapper.finish(FEWEST_CYCLES)
}
