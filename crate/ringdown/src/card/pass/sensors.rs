//! The pass for the figures of the sensors.

use super::SLICE_FRAMES;
use crate::card::FileRole;
use crate::card::recording::Recording;
use crate::crank::events::Event;
use crate::error::Error;
use crate::feature::sensor::{Combustion, Listened, Panel};
use crate::read::roles::Role;
use crate::read::samples::{Planes, Samples};
use crate::read::sheet::Sheet;
use serde::{Deserialize, Serialize};

/// Stretch over which speed counts as constant, s.
const STRETCH_S: f64 = 0.1;
/// The sound of a combustion, degrees after its TDC, as far as the next one leaves room.
const HEARD_DEG: [f64; 2] = [5.0, 65.0];
/// Where its later part begins: what closes or strikes at one place of it can't rule both.
const LATER_DEG: f64 = 20.0;
/// Share of the firing interval that is listened to.
const HEARD_SHARE: f64 = 0.75;

/// All that the sensors' figures hang on but the samples.
#[derive(Serialize, Deserialize)]
pub(super) struct Plan {
    frames: u64,
    channels: Vec<u16>,
    /// The crank wheel's channel, whose signal may leak into a sensor's.
    wheel: Option<u16>,
    stretches: Vec<Stretch>,
}

/// Over which speed counts as constant.
#[derive(Serialize, Deserialize)]
struct Stretch {
    /// Speed in its middle, 1/min.
    rpm: Option<f64>,
    /// Combustions whose TDC lies in it.
    due: Vec<Due>,
}

/// A combustion, in little memory: an hour has half a million.
#[derive(Clone, Copy, Serialize, Deserialize)]
struct Due {
    /// Samples from the start of the stretch to its sound.
    after: u32,
    /// Samples of it, as in [`Combustion`].
    length: u32,
    /// Of these, so many before its later part.
    later: u16,
    cylinder: u16,
}

impl Due {
    /// As it is in a stretch that begins at sample `start`.
    fn combustion(self, start: u64) -> Combustion {
        let Due { after, later, length, cylinder } = self;
        let from = start.saturating_add(u64::from(after));
        Combustion { from, later: u32::from(later), length, cylinder }
    }
}

/// The pass under way.
pub(in crate::card) struct Listening {
    plan: Plan,
    next: u64,
    /// First stretch not yet heard.
    stretch: usize,
    planes: Planes,
    panel: Panel,
}

/// Stretches of a slice, from its first frame on: the last may be short.
fn stretches(frames: usize, rate: f64) -> impl Iterator<Item = std::ops::Range<usize>> {
    let length = ((STRETCH_S * rate) as usize).max(1);
    (0..frames).step_by(length).map(move |from| from..(from + length).min(frames))
}

impl Plan {
    pub(super) fn of(recording: &Recording, sheet: Option<&Sheet>, role: FileRole) -> Self {
        let rate = recording.sample_rate_hz();
        let frames = recording.samples.borrow().frames;
        let track = recording.crank().map(|crank| &crank.track);
        let events = recording.crank().map_or(&[][..], |crank| &crank.events);
        let cylinders = sheet.and_then(|sheet| sheet.cylinders).unwrap_or(1).max(1);
        let interval_deg = sheet.map_or(720.0, Sheet::cycle_deg) / f64::from(cylinders);
        // An engine that is off stands throughout.
        let rpm_at = |t_s| match role {
            FileRole::EngineOff => Some(0.0),
            _ => track.and_then(|track| track.rpm_at(t_s)),
        };
        let mut all = Vec::new();
        let mut waiting = events.iter().peekable();
        for first in (0..frames).step_by(SLICE_FRAMES) {
            let count = (frames - first).min(SLICE_FRAMES as u64) as usize;
            for stretch in stretches(count, rate) {
                let rpm = rpm_at((first as f64 + 0.5 * (stretch.start + stretch.end) as f64) / rate);
                let end = first + stretch.end as u64;
                let mut due = Vec::new();
                while let Some(event) = waiting.next_if(|event| event.t_s * rate < end as f64) {
                    due.extend(due_of(event, first + stretch.start as u64, interval_deg, rate));
                }
                due.shrink_to_fit();
                all.push(Stretch { rpm, due });
            }
        }
        let wheel = (1..=recording.channels()).find(|channel| recording.role(*channel, sheet) == Role::Wheel);
        Self { frames, channels: recording.sensor_channels(sheet), wheel, stretches: all }
    }
}

impl Listening {
    pub(super) fn new(plan: Plan, sample_rate_hz: f64) -> Self {
        let panel = Panel::new(sample_rate_hz, plan.channels.len());
        Self { plan, next: 0, stretch: 0, planes: Planes::new(), panel }
    }

    pub(in crate::card) fn share(&self) -> f64 {
        self.next as f64 / self.plan.frames.max(1) as f64
    }

    /// One slice on; whether there was one.
    ///
    /// # Errors
    /// The file can't be read any more.
    pub(super) fn go_on(&mut self, samples: &mut Samples) -> Result<bool, Error> {
        let left = self.plan.frames.saturating_sub(self.next).min(SLICE_FRAMES as u64) as usize;
        let Plan { channels, wheel, .. } = &self.plan;
        let heard = |channel| channels.contains(&channel) || *wheel == Some(channel);
        let count = samples.read_channels(self.next, left, &mut self.planes, heard)?;
        self.listen(count, samples.sample_rate_hz);
        self.next += count as u64;
        Ok(count > 0)
    }

    /// Feeds the sensors' scans stretch by stretch, each with the speed at its middle.
    fn listen(&mut self, frames: usize, rate: f64) {
        for stretch in stretches(frames, rate) {
            let part = |channel: u16| {
                self.planes.get(usize::from(channel).wrapping_sub(1)).and_then(|plane| plane.get(stretch.clone()))
            };
            let sensors: Vec<&[f32]> = self.plan.channels.iter().map(|channel| part(*channel).unwrap_or(&[])).collect();
            let wheel = self.plan.wheel.and_then(part);
            let planned = self.plan.stretches.get(self.stretch);
            let start = self.next + stretch.start as u64;
            for due in planned.into_iter().flat_map(|planned| &planned.due) {
                self.panel.announce(due.combustion(start));
            }
            self.panel.push(&sensors, wheel, planned.and_then(|planned| planned.rpm));
            self.stretch += 1;
        }
    }

    /// The figures of each sensor, by channel.
    pub(super) fn finish(self) -> Vec<(u16, Listened)> {
        self.plan.channels.into_iter().zip(self.panel.finish()).collect()
    }
}

/// `start`: the first sample of the stretch it lies in. No later part begins after more than 65 535 samples: those of 15 degrees
/// at 60 rpm and 1.5 MHz.
fn due_of(event: &Event, start: u64, interval_deg: f64, rate: f64) -> Option<Due> {
    let cylinder = event.cylinder?;
    let deg_per_s = 6.0 * f64::from(event.rpm).max(60.0);
    let at = |deg: f64| ((event.t_s + deg / deg_per_s) * rate).max(0.0) as u64;
    let end_deg = HEARD_DEG[1].min(HEARD_DEG[0] + HEARD_SHARE * interval_deg);
    let from = at(HEARD_DEG[0]).max(start);
    let cut = |samples: u64| samples.min(u64::from(u32::MAX)) as u32;
    let length = cut(at(end_deg).saturating_sub(from));
    let later = at(LATER_DEG).saturating_sub(from).min(u64::from(u16::MAX)) as u16;
    Some(Due { after: cut(from - start), length, later, cylinder })
}
