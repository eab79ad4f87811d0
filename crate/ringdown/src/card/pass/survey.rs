//! The first pass over a recording: statistics and envelope of each channel, loudness of those that may be sensors, and the
//! crank angle. What needs no crank signal can be heard by another worker meanwhile.

use super::{Brought, Order, SLICE_FRAMES, Stand};
use crate::card::recording::{ChannelSurvey, Recording, Survey};
use crate::crank::blind::{Ears, Loudness};
use crate::crank::{Crank, Decoder, Lost, LostReason};
use crate::error::Error;
use crate::read::samples::{Planes, Samples};
use crate::read::sheet::Sheet;
use serde::{Deserialize, Serialize};

/// The first pass under way.
pub(in crate::card) struct Surveying {
    next: u64,
    frames: u64,
    planes: Planes,
    decoder: Option<Decoder>,
    /// What is wanted of the channels by themselves.
    sound: Sound,
    heard: Heard,
}

/// Who hears the channels by themselves.
enum Heard {
    Here(Box<Gauge>),
    Away(u32),
    Back(Surveyed),
}

/// What is wanted of channels by themselves.
#[derive(Clone, Serialize, Deserialize)]
pub(super) struct Sound {
    sample_rate_hz: f64,
    channels: u16,
    /// Channels (from 1) that may be sensors, in case the crank signal tells nothing.
    ears: Vec<u16>,
}

/// What was heard of channels by themselves.
#[derive(Serialize, Deserialize)]
pub(super) struct Surveyed {
    channels: Vec<ChannelSurvey>,
    loudness: Vec<(u16, Loudness)>,
    frames: u64,
}

/// Gathers what can be told of channels by themselves, slice after slice.
struct Gauge {
    next: u64,
    moments: Vec<Moments>,
    channels: Vec<ChannelSurvey>,
    ears: Option<Ears>,
}

/// Samples of the longest recording whose channels are heard elsewhere: what is heard of an hour is tens of megabytes, which
/// would be held on both sides for a moment.
const MOST_SAMPLES: u64 = 1 << 28;

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

impl Gauge {
    fn new(sound: &Sound) -> Self {
        let channels = usize::from(sound.channels);
        Self {
            next: 0,
            moments: vec![Moments::default(); channels],
            channels: vec![ChannelSurvey::default(); channels],
            ears: Ears::new(sound.sample_rate_hz, sound.ears.clone()),
        }
    }

    fn take(&mut self, planes: &Planes) {
        for ((plane, channel), moments) in planes.iter().zip(&mut self.channels).zip(&mut self.moments) {
            moments.add(plane);
            channel.envelope.push(plane);
        }
        if let Some(ears) = &mut self.ears {
            ears.push(planes);
        }
        self.next += planes.first().map_or(0, Vec::len) as u64;
    }

    fn finish(&mut self) -> Surveyed {
        for (channel, moments) in self.channels.iter_mut().zip(&self.moments) {
            (channel.mean, channel.rms, channel.kurtosis) = moments.summary();
            let [min, max] = channel.envelope.extremes();
            (channel.min, channel.max) = if min <= max { (min, max) } else { (0.0, 0.0) };
        }
        let loudness = self.ears.take().map(Ears::finish).unwrap_or_default();
        Surveyed { channels: std::mem::take(&mut self.channels), loudness, frames: self.next }
    }
}

impl Surveying {
    pub(super) fn new(recording: &Recording, sheet: Option<&Sheet>) -> Self {
        let wave = recording.samples.borrow();
        let decoder = sheet.and_then(|sheet| Decoder::new(sheet, wave.sample_rate_hz, wave.channels));
        let taken = decoder.as_ref().map(Decoder::channels).unwrap_or_default();
        let channels = wave.channels as u16;
        let ears = (1..=channels).filter(|channel| !taken.contains(channel)).collect();
        let sound = Sound { sample_rate_hz: wave.sample_rate_hz, channels, ears };
        let heard = Heard::Here(Box::new(Gauge::new(&sound)));
        Self { next: 0, frames: wave.frames, planes: Planes::new(), decoder, sound, heard }
    }

    pub(in crate::card) fn share(&self) -> f64 {
        self.next as f64 / (self.frames.max(1)) as f64
    }

    /// What another worker can hear, where that has not begun and something is left to do here meanwhile.
    pub(super) fn order(&mut self, number: u32) -> Option<Order> {
        let is_fresh = matches!(&self.heard, Heard::Here(gauge) if gauge.next == 0) && self.next < self.frames;
        let is_small = self.frames.saturating_mul(u64::from(self.sound.channels)) <= MOST_SAMPLES;
        if !is_fresh || !is_small || self.decoder.is_none() {
            return None;
        }
        self.heard = Heard::Away(number);
        Some(Order::Sound(self.sound.clone()))
    }

    pub(super) fn awaits(&self, number: u32) -> bool {
        matches!(self.heard, Heard::Away(away) if away == number)
    }

    /// What another worker heard; where it brought nothing, it is heard here, from the start.
    pub(super) fn take_back(&mut self, brought: Option<Brought>) {
        self.heard = match brought {
            Some(Brought::Sound(heard)) if heard.channels.len() == usize::from(self.sound.channels) => {
                Heard::Back(heard)
            }
            _ => Heard::Here(Box::new(Gauge::new(&self.sound))),
        };
    }

    /// One slice on; how it stands after it.
    ///
    /// # Errors
    /// The file can't be read any more: the survey ends there.
    pub(super) fn go_on(&mut self, wave: &mut Samples) -> Result<Stand, Error> {
        if self.next < self.frames {
            let elsewhere = !matches!(&self.heard, Heard::Here(gauge) if gauge.next == self.next);
            let counted = self.decoder.as_ref().map(Decoder::channels).unwrap_or_default();
            let wanted = |channel| !elsewhere || counted.contains(&channel);
            let read = wave.read_channels(self.next, SLICE_FRAMES, &mut self.planes, wanted);
            match read {
                Ok(count) if count > 0 => self.take(count),
                _ => self.frames = self.next,
            }
            return read.map(|_| Stand::Going);
        }
        let Self { heard, frames, planes, sound, .. } = self;
        match heard {
            Heard::Away(_) => Ok(Stand::Waiting),
            // It read another number of frames: the file changes.
            Heard::Back(back) if back.frames != *frames => {
                *heard = Heard::Here(Box::new(Gauge::new(sound)));
                Ok(Stand::Going)
            }
            Heard::Here(gauge) if gauge.next < *frames => {
                let left = (*frames - gauge.next).min(SLICE_FRAMES as u64) as usize;
                let read = wave.read(gauge.next, left, planes);
                match read {
                    Ok(count) if count > 0 => gauge.take(planes),
                    _ => *frames = gauge.next,
                }
                read.map(|_| Stand::Going)
            }
            _ => Ok(Stand::Done),
        }
    }

    fn take(&mut self, count: usize) {
        if let Heard::Here(gauge) = &mut self.heard
            && gauge.next == self.next
        {
            gauge.take(&self.planes);
        }
        self.next += count as u64;
        let Some(decoder) = &mut self.decoder else { return };
        let wanted = decoder.channels();
        let plane = |channel: &u16| self.planes.get(usize::from(*channel) - 1).map(Vec::as_slice);
        let planes: Vec<&[f32]> = wanted.iter().filter_map(plane).collect();
        if planes.len() == wanted.len() {
            decoder.push(&planes);
        }
    }

    /// The survey, and the loudness of the channels that may be sensors.
    pub(super) fn finish(self, sample_rate_hz: f64) -> (Survey, Vec<(u16, Loudness)>) {
        let Surveyed { channels, loudness, .. } = match self.heard {
            Heard::Here(mut gauge) => gauge.finish(),
            Heard::Back(heard) => heard,
            Heard::Away(_) => Gauge::new(&self.sound).finish(),
        };
        let crank = self.decoder.map(Decoder::finish).map(|crank| whole(crank, self.next as f64 / sample_rate_hz));
        (Survey { channels, crank, frames: self.next }, loudness)
    }
}

/// A track without a segment says for the whole file that the angle is not known.
fn whole(mut crank: Crank, duration_s: f64) -> Crank {
    if crank.track.segments.is_empty() && crank.lost.is_empty() {
        crank.lost.push(Lost { from_s: 0.0, to_s: duration_s, reason: LostReason::NoEdges });
    }
    crank
}

/// Hears channels of a recording by themselves.
pub(super) struct Hearing {
    gauge: Gauge,
    planes: Planes,
}

impl Hearing {
    pub(super) fn new(sound: &Sound) -> Self {
        Self { gauge: Gauge::new(sound), planes: Planes::new() }
    }

    /// One slice on; what was heard once all of it was.
    ///
    /// # Errors
    /// The file can't be read any more.
    pub(super) fn go_on(&mut self, samples: &mut Samples) -> Result<Option<Brought>, Error> {
        if samples.read(self.gauge.next, SLICE_FRAMES, &mut self.planes)? == 0 {
            return Ok(Some(Brought::Sound(self.gauge.finish())));
        }
        self.gauge.take(&self.planes);
        Ok(None)
    }
}
