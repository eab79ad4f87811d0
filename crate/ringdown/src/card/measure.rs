//! The passes over a recording, a slice at a time: survey (statistics, envelope, crank), levels, sensor figures.

use super::recording::{ChannelSurvey, Levels, Recording, Survey, sensor_of};
use super::search::{self, MOST_EVENTS};
use super::work::{SLICE_FRAMES, Working};
use super::{Card, Content, FileId, FileRole, RoleReason};
use crate::crank::blind::{Ears, Loudness};
use crate::crank::events::Event;
use crate::crank::track::Segment;
use crate::crank::{Crank, Decoder, Lost, LostReason};
use crate::feature::causal::CausalMeter;
use crate::feature::control::Control;
use crate::feature::grid::map::{Mapper, Maps};
use crate::feature::level::{Meter, REACH_S, Slice};
use crate::feature::sensor::{Combustion, Panel};
use crate::read::roles::Role;
use crate::read::samples::Planes;
use crate::read::sheet::Sheet;

/// The first pass.
pub(super) struct Surveying {
    next: u64,
    frames: u64,
    planes: Planes,
    moments: Vec<Moments>,
    channels: Vec<ChannelSurvey>,
    decoder: Option<Decoder>,
    /// Of the channels that may be sensors, in case the crank signal tells nothing.
    ears: Option<Ears>,
}

/// Running sums of powers; the mean is near zero against the spread, so plain sums lose nothing that matters.
#[derive(Clone, Copy, Default)]
struct Moments {
    count: f64,
    sums: [f64; 4],
}

/// Sums kept side by side: one alone would wait for each addition.
const LANES: usize = 4;

impl Moments {
    fn add(&mut self, samples: &[f32]) {
        let mut lanes = [[0.0; LANES]; 4];
        let mut take = |lane: usize, sample: f32| {
            let x = f64::from(sample);
            let square = x * x;
            lanes[0][lane] += x;
            lanes[1][lane] += square;
            lanes[2][lane] += square * x;
            lanes[3][lane] += square * square;
        };
        let (whole, rest) = samples.as_chunks::<LANES>();
        for chunk in whole {
            (0..LANES).for_each(|lane| take(lane, chunk[lane]));
        }
        rest.iter().enumerate().for_each(|(lane, sample)| take(lane, *sample));
        let sums = lanes.map(|lanes| lanes.iter().sum::<f64>());
        self.count += samples.len() as f64;
        for (total, part) in self.sums.iter_mut().zip(sums) {
            *total += part;
        }
    }

    /// Mean, rms about it, kurtosis.
    fn summary(&self) -> (f64, f64, f64) {
        if self.count == 0.0 {
            return (0.0, 0.0, 0.0);
        }
        let [m1, m2, m3, m4] = self.sums.map(|sum| sum / self.count);
        let variance = (m2 - m1 * m1).max(0.0);
        let fourth = m4 - 4.0 * m1 * m3 + 6.0 * m1 * m1 * m2 - 3.0 * m1.powi(4);
        (m1, variance.sqrt(), if variance > 0.0 { fourth / (variance * variance) } else { 0.0 })
    }
}

impl Surveying {
    fn new(recording: &Recording, sheet: Option<&Sheet>) -> Self {
        let wave = recording.samples.borrow();
        let decoder = sheet.and_then(|sheet| Decoder::new(sheet, wave.sample_rate_hz, wave.channels));
        let taken = decoder.as_ref().map(Decoder::channels).unwrap_or_default();
        let free = (1..=wave.channels as u16).filter(|channel| !taken.contains(channel));
        let ears = Ears::new(wave.sample_rate_hz, free.collect());
        Self {
            next: 0,
            frames: wave.frames,
            planes: Planes::new(),
            moments: vec![Moments::default(); wave.channels],
            channels: vec![ChannelSurvey::default(); wave.channels],
            decoder,
            ears,
        }
    }

    pub(super) fn share(&self) -> f64 {
        self.next as f64 / (self.frames.max(1)) as f64
    }

    fn take(&mut self) {
        for ((plane, channel), moments) in self.planes.iter().zip(&mut self.channels).zip(&mut self.moments) {
            moments.add(plane);
            channel.envelope.push(plane);
        }
        if let Some(ears) = &mut self.ears {
            ears.push(&self.planes);
        }
        if let Some(decoder) = &mut self.decoder {
            let wanted = decoder.channels();
            let planes: Vec<&[f32]> = wanted
                .iter()
                .filter_map(|channel| self.planes.get(usize::from(*channel) - 1))
                .map(Vec::as_slice)
                .collect();
            if planes.len() == wanted.len() {
                decoder.push(&planes);
            }
        }
    }

    fn finish(mut self, sample_rate_hz: f64) -> (Survey, Vec<(u16, Loudness)>) {
        for (channel, moments) in self.channels.iter_mut().zip(&self.moments) {
            (channel.mean, channel.rms, channel.kurtosis) = moments.summary();
            let [min, max] = channel.envelope.extremes();
            (channel.min, channel.max) = if min <= max { (min, max) } else { (0.0, 0.0) };
        }
        let crank = self.decoder.map(Decoder::finish).map(|crank| whole(crank, self.next as f64 / sample_rate_hz));
        let heard = self.ears.map(Ears::finish).unwrap_or_default();
        (Survey { channels: self.channels, crank, frames: self.next }, heard)
    }
}

/// A track without a segment says for the whole file that the angle is not known.
fn whole(mut crank: Crank, duration_s: f64) -> Crank {
    if crank.track.segments.is_empty() && crank.lost.is_empty() {
        crank.lost.push(Lost { from_s: 0.0, to_s: duration_s, reason: LostReason::NoEdges });
    }
    crank
}

/// A walk over the events of a recording, a slice of samples at a time.
struct Walk {
    next_event: usize,
    events: usize,
    planes: Planes,
}

impl Walk {
    fn new(recording: &Recording) -> Self {
        let events = recording.crank().map_or(0, |crank| crank.events.len());
        Self { next_event: 0, events, planes: Planes::new() }
    }

    fn share(&self) -> f64 {
        self.next_event as f64 / self.events.max(1) as f64
    }
}

/// The pass that maps events over frequency and angle.
pub(super) struct Mapping {
    walk: Walk,
    mapper: Mapper,
    /// Share of the events mapped.
    kept: f64,
    out: Maps,
}

impl Mapping {
    fn new(recording: &Recording) -> Option<Self> {
        let walk = Walk::new(recording);
        let mapper = Mapper::new(recording.sample_rate_hz())?;
        let kept = MOST_EVENTS as f64 / walk.events.max(1) as f64;
        let mapped = (0..walk.events).filter(|index| search::kept(*index, kept)).count();
        let out = Maps::with_capacity(mapper.bins(), mapped);
        Some(Self { walk, mapper, kept, out })
    }

    pub(super) fn share(&self) -> f64 {
        self.walk.share()
    }
}

/// The pass that measures events.
pub(super) struct Levelling {
    walk: Walk,
    meter: Meter,
    own: Option<CausalMeter>,
    out: Levels,
}

impl Levelling {
    pub(super) fn share(&self) -> f64 {
        self.walk.share()
    }
}

/// The pass for sensor figures.
pub(super) struct Listening {
    next: u64,
    frames: u64,
    planes: Planes,
    channels: Vec<u16>,
    /// The crank wheel's channel, whose signal may leak into a sensor's.
    wheel: Option<u16>,
    /// Engine off: the speed is 0 throughout.
    at_rest: bool,
    /// First event not yet announced.
    next_event: usize,
    /// Firing interval, degrees.
    interval_deg: f64,
    panel: Panel,
}

impl Listening {
    fn new(recording: &Recording, sheet: Option<&Sheet>, role: FileRole) -> Self {
        let channels = recording.sensor_channels(sheet);
        let cylinders = sheet.and_then(|sheet| sheet.cylinders).unwrap_or(1).max(1);
        Self {
            next: 0,
            frames: recording.samples.borrow().frames,
            planes: Planes::new(),
            wheel: (1..=recording.channels()).find(|channel| recording.role(*channel, sheet) == Role::Wheel),
            at_rest: role == FileRole::EngineOff,
            next_event: 0,
            interval_deg: sheet.map_or(720.0, Sheet::cycle_deg) / f64::from(cylinders),
            panel: Panel::new(recording.sample_rate_hz(), channels.len()),
            channels,
        }
    }

    pub(super) fn share(&self) -> f64 {
        self.next as f64 / self.frames.max(1) as f64
    }
}

/// Chunk of the sensor pass over which speed counts as constant, s.
const CHUNK_S: f64 = 0.1;

impl Card {
    pub(super) fn recording_mut(&mut self, id: FileId) -> Option<(&mut Recording, Option<&Sheet>, &mut Vec<String>)> {
        let file = self.files.iter_mut().find(|file| file.id == id)?;
        match &mut file.content {
            Content::Recording(recording) => Some((recording, self.sheet.as_ref(), &mut file.notes)),
            _ => None,
        }
    }

    pub(super) fn survey_slice(&mut self, id: FileId) {
        let Some((recording, sheet, notes)) = self.recording_mut(id) else { return };
        let mut survey = match recording.working.take() {
            Some(Working::Survey(survey)) => survey,
            _ => Box::new(Surveying::new(recording, sheet)),
        };
        let mut wave = recording.samples.borrow_mut();
        let count = wave.read(survey.next, SLICE_FRAMES, &mut survey.planes).unwrap_or_else(|error| {
            notes.push(error.to_string());
            0
        });
        if count > 0 {
            survey.take();
            survey.next += count as u64;
            drop(wave);
            recording.working = Some(Working::Survey(survey));
            return;
        }
        wave.frames = wave.frames.min(survey.next);
        let rate = wave.sample_rate_hz;
        drop(wave);
        let (mut survey, heard) = survey.finish(rate);
        if let (Some(crank), Some(sheet)) = (&mut survey.crank, sheet) {
            let sensors = (1..=recording.channels()).filter(|c| recording.role(*c, Some(sheet)) == Role::Sensor);
            let sensors: Vec<u16> = sensors.collect();
            let voices = heard.iter().filter(|(channel, _)| sensors.contains(channel));
            crank.listen(sheet, &voices.map(|(channel, voice)| (*channel, voice)).collect::<Vec<_>>());
        }
        recording.heard = survey.crank.as_ref().is_none_or(|crank| crank.track.segments.is_empty()).then_some(heard);
        recording.survey = Some(survey);
        self.changed.extend([1, 2, 3, 4, 5, 6, 7, 8, 9, 11]);
        self.forget_learnt();
    }

    pub(super) fn maps_slice(&mut self, id: FileId) {
        let Some((recording, sheet, notes)) = self.recording_mut(id) else { return };
        let work = match recording.working.take() {
            Some(Working::Maps(work)) => Some(work),
            _ => Mapping::new(recording).map(Box::new),
        };
        let Some(mut work) = work else {
            recording.maps = Some(Maps::default());
            return;
        };
        if work.walk.next_event < work.walk.events {
            let Mapping { walk, mapper, kept, out } = work.as_mut();
            walk_events(recording, sheet, walk, notes, |first, all| {
                for (heard, index) in all.iter().zip(first..).filter(|(_, index)| search::kept(*index, *kept)) {
                    if mapper.measure(&heard.slice, heard.segment, heard.event, &mut out.cells).is_ok() {
                        out.events.push(index as u32);
                        out.channels.push(heard.channel);
                    }
                }
            });
            recording.working = Some(Working::Maps(work));
            return;
        }
        recording.maps = Some(work.out);
        self.guess_from_tail(id);
        self.changed.extend([2, 5]);
    }

    pub(super) fn levels_slice(&mut self, id: FileId) {
        let window = self.window();
        let Some(rate) = self.recording_mut(id).map(|(recording, ..)| recording.sample_rate_hz()) else { return };
        let Some(band) = self.band(rate) else { return };
        let Some((recording, sheet, notes)) = self.recording_mut(id) else { return };
        let mut work = match recording.working.take() {
            Some(Working::Levels(work)) => work,
            _ => {
                let Some(meter) = Meter::new(rate, band.low, band.high, [window.low, window.high]) else { return };
                let control = sheet.and_then(|sheet| sheet.control.as_ref()).map(Control::of);
                let own = control.and_then(|control| {
                    let own_band = control.nearest_band(band.low, band.high);
                    Some((own_band, CausalMeter::new(rate, &control, own_band, [window.low, window.high])?))
                });
                let (own_band, own) = own.unzip();
                let walk = Walk::new(recording);
                let events = walk.events;
                let out = Levels {
                    band_hz: [band.low, band.high],
                    window_deg_atdc: [window.low, window.high],
                    levels: Vec::with_capacity(events),
                    own_band,
                    through_own: Vec::with_capacity(if own.is_some() { events } else { 0 }),
                    beside: Vec::with_capacity(events),
                    profiles: Vec::with_capacity(events),
                    channels: Vec::with_capacity(events),
                };
                Box::new(Levelling { walk, meter, own, out })
            }
        };
        if work.walk.next_event < work.walk.events {
            let Levelling { walk, meter, own, out } = work.as_mut();
            walk_events(recording, sheet, walk, notes, |_, all| {
                let events: Vec<_> = all.iter().map(|heard| (heard.slice, heard.segment, heard.event)).collect();
                for (heard, measured) in all.iter().zip(meter.measure(&events)) {
                    if let Some(own) = own {
                        let level = own.measure(&heard.slice, heard.segment, heard.event, &measured.level);
                        out.through_own.push(level);
                    }
                    out.levels.push(measured.level);
                    out.beside.push(measured.beside);
                    out.profiles.push(measured.profile);
                    out.channels.push(heard.channel);
                }
            });
            recording.working = Some(Working::Levels(work));
            return;
        }
        recording.levels = Some(work.out);
        self.forget_learnt();
        self.changed.extend(5..=9);
    }

    /// A recording whose role nobody gave and no name tells: its own events may.
    fn guess_from_tail(&mut self, id: FileId) {
        let share = self.knock_like_share(id);
        let Some(file) = self.files.iter_mut().find(|file| file.id == id) else { return };
        if super::work::is_guessed_by_tail(file) {
            (file.role, file.role_reason) = match share {
                Some(share) => (FileRole::Knock, RoleReason::Tail(share)),
                None => (FileRole::Safe, RoleReason::Nothing),
            };
        }
    }

    pub(super) fn sensors_slice(&mut self, id: FileId) {
        let Some(role) = self.file(id).map(|file| file.role) else { return };
        let Some((recording, sheet, notes)) = self.recording_mut(id) else { return };
        let mut work = match recording.working.take() {
            Some(Working::Sensors(work)) => work,
            _ => Box::new(Listening::new(recording, sheet, role)),
        };
        let read = recording.samples.borrow_mut().read(work.next, SLICE_FRAMES, &mut work.planes);
        let count = read.unwrap_or_else(|error| {
            notes.push(error.to_string());
            0
        });
        if count > 0 {
            listen(recording, &mut work);
            work.next += count as u64;
            recording.working = Some(Working::Sensors(work));
            return;
        }
        recording.sensors = Some(work.channels.into_iter().zip(work.panel.finish()).collect());
        self.forget_reports();
        self.changed.extend([3, 5, 11]);
    }
}

/// An event as its sensor heard it.
struct Heard<'a> {
    slice: Slice<'a>,
    segment: &'a Segment,
    event: &'a Event,
    /// From 1; 0 where no sensor hears it.
    channel: u16,
}

/// Hands out the events of the next slice with the number of the first; the slice reaches over both ends as far as a window may.
fn walk_events(
    recording: &Recording,
    sheet: Option<&Sheet>,
    walk: &mut Walk,
    notes: &mut Vec<String>,
    take: impl FnOnce(usize, &[Heard]),
) {
    let available = recording.sensor_channels(sheet);
    let Some((crank, survey)) = recording.survey.as_ref().and_then(|survey| Some((survey.crank.as_ref()?, survey)))
    else {
        walk.next_event = walk.events;
        return;
    };
    let rate = recording.sample_rate_hz();
    let reach = (REACH_S * rate) as u64;
    let Some(first_event) = crank.events.get(walk.next_event) else { return };
    let start = ((first_event.t_s * rate) as u64).saturating_sub(reach);
    let count = SLICE_FRAMES + 2 * reach as usize;
    let got = recording.samples.borrow_mut().read(start, count, &mut walk.planes).unwrap_or_else(|error| {
        notes.push(error.to_string());
        0
    });
    let end = start + got as u64;
    let last_slice = end >= survey.frames;
    let empty = Segment::default();
    let first = walk.next_event;
    let mut all = Vec::new();
    while let Some(event) = crank.events.get(walk.next_event) {
        let at = (event.t_s * rate) as u64;
        if !last_slice && got > 0 && at + reach > end {
            break;
        }
        let heard: Vec<u16> = event.cylinder.into_iter().chain(event.pair.into_iter().flatten()).collect();
        let listed = || sheet.and_then(|sheet| sensor_of(sheet, &available, &heard));
        let channel = event.sensor.or_else(listed).unwrap_or(0);
        let samples = walk.planes.get(usize::from(channel).wrapping_sub(1)).map_or(&[][..], Vec::as_slice);
        let clip = survey.channels.get(usize::from(channel).wrapping_sub(1)).map_or([-1.0, 1.0], clip_ends);
        let slice = Slice { samples: if got > 0 { samples } else { &[] }, first: start, clip };
        let segment = crank.track.segments.get(event.segment as usize).unwrap_or(&empty);
        all.push(Heard { slice, segment, event, channel });
        walk.next_event += 1;
    }
    take(first, &all);
}

/// Where the converter ends: full scale. (A preamplifier that clips lower shows in the sensor figures.)
fn clip_ends(channel: &ChannelSurvey) -> [f32; 2] {
    const NEAR: f32 = 0.9995;
    let low = if channel.min <= -NEAR { -NEAR } else { f32::NEG_INFINITY };
    let high = if channel.max >= NEAR { NEAR } else { f32::INFINITY };
    [low, high]
}

/// The sound of a combustion, degrees after its TDC, as far as the next one leaves room.
const HEARD_DEG: [f64; 2] = [5.0, 65.0];
/// Where its later part begins: what closes or strikes at one place of it can't rule both.
const LATER_DEG: f64 = 20.0;
/// Share of the firing interval that is listened to.
const HEARD_SHARE: f64 = 0.75;

/// Feeds the sensors' scans chunk by chunk, each with the speed at its middle.
fn listen(recording: &Recording, work: &mut Listening) {
    let rate = recording.sample_rate_hz();
    let track = recording.crank().map(|crank| &crank.track);
    let chunk = ((CHUNK_S * rate) as usize).max(1);
    let frames = work.planes.first().map_or(0, Vec::len);
    for from in (0..frames).step_by(chunk) {
        let to = (from + chunk).min(frames);
        let part =
            |channel: u16| work.planes.get(usize::from(channel).wrapping_sub(1)).and_then(|plane| plane.get(from..to));
        let sensors: Vec<&[f32]> = work.channels.iter().map(|channel| part(*channel).unwrap_or(&[])).collect();
        let wheel = work.wheel.and_then(part);
        let middle_s = (work.next as f64 + 0.5 * (from + to) as f64) / rate;
        let rpm = if work.at_rest { Some(0.0) } else { track.and_then(|track| track.rpm_at(middle_s)) };
        let end = work.next + to as u64;
        let events = recording.crank().map_or(&[][..], |crank| &crank.events);
        while let Some(event) = events.get(work.next_event).filter(|event| event.t_s * rate < end as f64) {
            if let Some(combustion) = combustion(event, work.interval_deg, rate) {
                work.panel.announce(combustion);
            }
            work.next_event += 1;
        }
        work.panel.push(&sensors, wheel, rpm);
    }
}

fn combustion(event: &Event, interval_deg: f64, rate: f64) -> Option<Combustion> {
    let cylinder = event.cylinder?;
    let deg_per_s = 6.0 * f64::from(event.rpm).max(60.0);
    let at = |deg: f64| ((event.t_s + deg / deg_per_s) * rate).max(0.0) as u64;
    let end_deg = HEARD_DEG[1].min(HEARD_DEG[0] + HEARD_SHARE * interval_deg);
    Some(Combustion { from: at(HEARD_DEG[0]), later: at(LATER_DEG), to: at(end_deg), cylinder })
}
