//! The passes over a recording, a slice at a time: survey (statistics, envelope, crank), levels, sensor figures.

use super::recording::{ChannelSurvey, Levels, Listened, Recording, Survey, sensor_of};
use super::work::{SLICE_FRAMES, Working};
use super::{Card, Content, FileId, FileRole, RoleReason};
use crate::crank::{Crank, Decoder, Lost, LostReason};
use crate::feature::level::{Meter, REACH_S, Slice};
use crate::feature::sensor::{SensorScan, gain_between};
use crate::read::samples::Planes;
use crate::read::sheet::Sheet;
use crate::signal::filter::{Pass, Running, butterworth};
use crate::units::decibels;

/// The first pass.
pub(super) struct Surveying {
    next: u64,
    frames: u64,
    planes: Planes,
    moments: Vec<Moments>,
    channels: Vec<ChannelSurvey>,
    decoder: Option<Decoder>,
}

/// Running sums of powers; the mean is near zero against the spread, so plain sums lose nothing that matters.
#[derive(Clone, Copy, Default)]
struct Moments {
    count: f64,
    sums: [f64; 4],
}

impl Moments {
    fn add(&mut self, samples: &[f32]) {
        let mut sums = [0.0; 4];
        for &sample in samples {
            let x = f64::from(sample);
            let square = x * x;
            sums[0] += x;
            sums[1] += square;
            sums[2] += square * x;
            sums[3] += square * square;
        }
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
        let fresh = ChannelSurvey { min: f32::INFINITY, max: f32::NEG_INFINITY, ..ChannelSurvey::default() };
        Self {
            next: 0,
            frames: wave.frames,
            planes: Planes::new(),
            moments: vec![Moments::default(); wave.channels],
            channels: vec![fresh; wave.channels],
            decoder,
        }
    }

    pub(super) fn share(&self) -> f64 {
        self.next as f64 / (self.frames.max(1)) as f64
    }

    fn take(&mut self) {
        for ((plane, channel), moments) in self.planes.iter().zip(&mut self.channels).zip(&mut self.moments) {
            moments.add(plane);
            channel.envelope.push(plane);
            for &sample in plane {
                channel.min = channel.min.min(sample);
                channel.max = channel.max.max(sample);
            }
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

    fn finish(mut self, sample_rate_hz: f64) -> Survey {
        for (channel, moments) in self.channels.iter_mut().zip(&self.moments) {
            (channel.mean, channel.rms, channel.kurtosis) = moments.summary();
            if channel.min > channel.max {
                (channel.min, channel.max) = (0.0, 0.0);
            }
        }
        let crank = self.decoder.map(Decoder::finish).map(|crank| whole(crank, self.next as f64 / sample_rate_hz));
        Survey { channels: self.channels, crank, frames: self.next }
    }
}

/// A track without a segment says for the whole file that the angle is not known.
fn whole(mut crank: Crank, duration_s: f64) -> Crank {
    if crank.track.segments.is_empty() && crank.lost.is_empty() {
        crank.lost.push(Lost { from_s: 0.0, to_s: duration_s, reason: LostReason::NoEdges });
    }
    crank
}

/// The pass that measures events.
pub(super) struct Levelling {
    next_event: usize,
    events: usize,
    planes: Planes,
    meter: Meter,
    out: Levels,
}

impl Levelling {
    pub(super) fn share(&self) -> f64 {
        self.next_event as f64 / self.events.max(1) as f64
    }
}

/// The pass for sensor figures.
pub(super) struct Listening {
    next: u64,
    frames: u64,
    planes: Planes,
    scans: Vec<Ear>,
}

/// One sensor channel being listened to.
struct Ear {
    channel: u16,
    scan: SensorScan,
    band: Option<Running>,
    /// Level of each chunk in [`GAIN_BAND_HZ`], dB.
    chunks_db: Vec<f64>,
}

/// Where gains are compared: above the orders, below what a 44.1 kHz recording rolls off.
const GAIN_BAND_HZ: [f64; 2] = [2000.0, 15_000.0];
/// Confidence of a gain's interval.
const GAIN_CONFIDENCE: f64 = 0.95;
/// Chunks remembered for gains: an hour in steps of 0.1 s.
const MOST_CHUNKS: usize = 36_000;

impl Ear {
    fn new(channel: u16, sample_rate_hz: f64) -> Self {
        let [low_hz, high_hz] = [GAIN_BAND_HZ[0], GAIN_BAND_HZ[1].min(0.45 * sample_rate_hz)];
        let band = butterworth(2, Pass::Band { low_hz, high_hz }, sample_rate_hz).ok().map(|filter| filter.start());
        Self { channel, scan: SensorScan::new(sample_rate_hz), band, chunks_db: Vec::new() }
    }

    fn push(&mut self, samples: &[f32], rpm: Option<f64>) {
        self.scan.push(samples, rpm);
        let Some(band) = self.band.as_mut().filter(|_| self.chunks_db.len() < MOST_CHUNKS) else { return };
        let square = |sample: &f32| band.step(f64::from(*sample)).powi(2);
        let sum: f64 = samples.iter().map(square).sum();
        self.chunks_db.push(decibels(sum / samples.len().max(1) as f64));
    }
}

impl Listening {
    pub(super) fn share(&self) -> f64 {
        self.next as f64 / self.frames.max(1) as f64
    }
}

/// Chunk of the sensor pass over which speed counts as constant, s.
const CHUNK_S: f64 = 0.1;

impl Card {
    fn recording_mut(&mut self, id: FileId) -> Option<(&mut Recording, Option<&Sheet>, &mut Vec<String>)> {
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
        recording.survey = Some(survey.finish(rate));
        self.changed.extend([1, 2, 3, 4, 5, 6, 7, 8, 9, 11]);
        self.forget_learnt();
    }

    pub(super) fn levels_slice(&mut self, id: FileId) {
        let window = self.window();
        let Some(rate) = self.recording_mut(id).map(|(recording, ..)| recording.sample_rate_hz()) else { return };
        let Some(band) = self.band(rate) else { return };
        let Some((recording, sheet, notes)) = self.recording_mut(id) else { return };
        let mut work = match recording.working.take() {
            Some(Working::Levels(work)) => work,
            _ => {
                let events = recording.crank().map_or(0, |crank| crank.events.len());
                let Some(meter) = Meter::new(rate, band.low, band.high, [window.low, window.high]) else { return };
                let out = Levels { levels: Vec::new(), profiles: Vec::new(), channels: Vec::new() };
                Box::new(Levelling { next_event: 0, events, planes: Planes::new(), meter, out })
            }
        };
        if work.next_event < work.events {
            level_events(recording, sheet, &mut work, notes);
            recording.working = Some(Working::Levels(work));
            return;
        }
        recording.levels = Some(work.out);
        self.guess_from_tail(id);
        self.forget_learnt();
        self.changed.extend(5..=9);
    }

    /// A recording whose role nobody gave and no name tells: its own events may.
    fn guess_from_tail(&mut self, id: FileId) {
        let share = self.knock_like_share(id);
        let Some(file) = self.files.iter_mut().find(|file| file.id == id) else { return };
        if matches!(file.role_reason, RoleReason::Nothing | RoleReason::Tail(_)) {
            (file.role, file.role_reason) = match share {
                Some(share) => (FileRole::Knock, RoleReason::Tail(share)),
                None => (FileRole::Safe, RoleReason::Nothing),
            };
        }
    }

    pub(super) fn sensors_slice(&mut self, id: FileId) {
        let Some((recording, sheet, notes)) = self.recording_mut(id) else { return };
        let mut work = match recording.working.take() {
            Some(Working::Sensors(work)) => work,
            _ => {
                let rate = recording.sample_rate_hz();
                let scans = recording.sensor_channels(sheet).into_iter().map(|channel| Ear::new(channel, rate));
                let frames = recording.samples.borrow().frames;
                Box::new(Listening { next: 0, frames, planes: Planes::new(), scans: scans.collect() })
            }
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
        let first_db = work.scans.first().map(|ear| ear.chunks_db.clone()).unwrap_or_default();
        let listened = work.scans.into_iter().enumerate().map(|(index, ear)| {
            let gain = if index > 0 { gain_between(&first_db, &ear.chunks_db, GAIN_CONFIDENCE) } else { None };
            (ear.channel, Listened { features: ear.scan.finish(), gain })
        });
        recording.sensors = Some(listened.collect());
        self.changed.extend([3, 5, 11]);
    }
}

/// Measures the events of the next slice; the slice reaches over both ends as far as a window may.
fn level_events(recording: &mut Recording, sheet: Option<&Sheet>, work: &mut Levelling, notes: &mut Vec<String>) {
    let available = recording.sensor_channels(sheet);
    let Some((crank, survey)) = recording.survey.as_ref().and_then(|survey| Some((survey.crank.as_ref()?, survey)))
    else {
        work.next_event = work.events;
        return;
    };
    let rate = recording.sample_rate_hz();
    let reach = (REACH_S * rate) as u64;
    let Some(first_event) = crank.events.get(work.next_event) else { return };
    let start = ((first_event.t_s * rate) as u64).saturating_sub(reach);
    let count = SLICE_FRAMES + 2 * reach as usize;
    let got = recording.samples.borrow_mut().read(start, count, &mut work.planes).unwrap_or_else(|error| {
        notes.push(error.to_string());
        0
    });
    let end = start + got as u64;
    let last_slice = end >= survey.frames;
    while let Some(event) = crank.events.get(work.next_event) {
        let at = (event.t_s * rate) as u64;
        if !last_slice && got > 0 && at + reach > end {
            break;
        }
        let heard: Vec<u16> = event.cylinder.into_iter().chain(event.pair.into_iter().flatten()).collect();
        let channel = sheet.and_then(|sheet| sensor_of(sheet, &available, &heard)).unwrap_or(0);
        let samples = work.planes.get(usize::from(channel).wrapping_sub(1)).map_or(&[][..], Vec::as_slice);
        let clip = survey.channels.get(usize::from(channel).wrapping_sub(1)).map_or([-1.0, 1.0], clip_ends);
        let slice = Slice { samples: if got > 0 { samples } else { &[] }, first: start, clip };
        let empty = crate::crank::track::Segment::default();
        let segment = crank.track.segments.get(event.segment as usize).unwrap_or(&empty);
        let (level, profile) = work.meter.measure(&slice, segment, event);
        work.out.levels.push(level);
        work.out.profiles.push(profile);
        work.out.channels.push(channel);
        work.next_event += 1;
    }
}

/// Where the converter ends: full scale. (A preamplifier that clips lower shows in the sensor figures.)
fn clip_ends(channel: &ChannelSurvey) -> [f32; 2] {
    const NEAR: f32 = 0.9995;
    let low = if channel.min <= -NEAR { -NEAR } else { f32::NEG_INFINITY };
    let high = if channel.max >= NEAR { NEAR } else { f32::INFINITY };
    [low, high]
}

/// Feeds the sensors' scans chunk by chunk, each with the speed at its middle.
fn listen(recording: &Recording, work: &mut Listening) {
    let rate = recording.sample_rate_hz();
    let track = recording.crank().map(|crank| &crank.track);
    let chunk = ((CHUNK_S * rate) as usize).max(1);
    for ear in &mut work.scans {
        let Some(plane) = work.planes.get(usize::from(ear.channel) - 1) else { continue };
        for (index, samples) in plane.chunks(chunk).enumerate() {
            let middle_s = (work.next as f64 + (index * chunk) as f64 + 0.5 * samples.len() as f64) / rate;
            ear.push(samples, track.and_then(|track| track.rpm_at(middle_s)));
        }
    }
}
