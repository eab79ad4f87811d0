//! Passes over the crank events: each measured where its sensor hears it, a portion of the events at a time.
//!
//! A portion holds all that its events' figures hang on, so that whoever measures it gets the same ones, bit by bit; and
//! where portions end hangs on the events alone.

use super::{Brought, Order, SLICE_FRAMES, Stand};
use crate::card::recording::{ChannelSurvey, Levels, Recording, sensor_of};
use crate::card::search;
use crate::crank::events::Event;
use crate::crank::track::Segment;
use crate::error::Error;
use crate::feature::causal::CausalMeter;
use crate::feature::control::{Control, Settable};
use crate::feature::grid::map::{Mapper, Maps};
use crate::feature::level::{Level, Meter, REACH_S, Slice};
use crate::read::samples::{Planes, Samples};
use crate::read::sheet::Sheet;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::ops::Range;

/// Events of a portion: some 40 ms of work.
const MOST_EVENTS: usize = 1024;
/// Longest portion, s: where events are rare, samples are many.
const LONGEST_S: f64 = 10.0;
/// Portions one worker begins after each other, before it leaves the next to another.
const BLOCK: usize = 16;
/// Who works.
const HERE: usize = 0;
const ELSEWHERE: usize = 1;
/// Crank angle kept on both sides of a portion's events, degrees: further than any window, delayed or not, reaches.
const MARGIN_DEG: f64 = 1440.0;
/// Knots kept beyond that: the curve between two hangs on two more on each side.
const MARGIN_KNOTS: usize = 4;

/// What is measured of each event.
#[derive(Clone, Serialize, Deserialize)]
pub(super) enum Wanted {
    /// Levels in a band and window, and through the control unit's own filter.
    Levels { band_hz: [f64; 2], window_deg_atdc: [f64; 2], own: Option<(Control, Settable)> },
    /// Maps of a share of the events.
    Maps { kept: f64 },
}

/// Events that follow each other, and all that their figures hang on but the samples.
#[derive(Serialize, Deserialize)]
pub(super) struct Portion {
    /// Number of the first event.
    first: usize,
    events: Vec<Event>,
    /// Channel (from 1) that hears each; 0: none does.
    channels: Vec<u16>,
    /// The parts of the track around them.
    segments: Vec<Segment>,
    /// Where each channel clips.
    clips: Vec<[f32; 2]>,
    /// Frames of the recording that could be read.
    frames: u64,
}

/// What was measured of a portion.
#[derive(Serialize, Deserialize)]
pub(super) enum Measured {
    Levels {
        levels: Vec<Level>,
        through_own: Vec<Level>,
        beside: Vec<[Level; 2]>,
        profiles: Vec<u8>,
        channels: Vec<u16>,
    },
    Maps(Maps),
}

/// An event as its sensor heard it.
struct Heard<'a> {
    slice: Slice<'a>,
    segment: &'a Segment,
    event: &'a Event,
    /// From 1; 0 where no sensor hears it.
    channel: u16,
}

/// Bounds of the portions of events in order of time.
fn portions(events: &[Event]) -> Vec<Range<usize>> {
    let mut all: Vec<Range<usize>> = Vec::new();
    let mut from_s = f64::NEG_INFINITY;
    for (index, event) in events.iter().enumerate() {
        match all.last_mut().filter(|last| last.len() < MOST_EVENTS && event.t_s - from_s < LONGEST_S) {
            Some(last) => last.end = index + 1,
            None => {
                all.push(index..index + 1);
                from_s = event.t_s;
            }
        }
    }
    all
}

/// The knots of a segment that angles within the margin of `from_deg..=to_deg` hang on.
fn part(segment: &Segment, from_deg: f64, to_deg: f64) -> Segment {
    let before = segment.deg.partition_point(|deg| *deg < from_deg - MARGIN_DEG).saturating_sub(MARGIN_KNOTS);
    let after = segment.deg.partition_point(|deg| *deg <= to_deg + MARGIN_DEG) + MARGIN_KNOTS;
    let of = |knots: &[f64]| knots.get(before..after.min(knots.len())).unwrap_or_default().to_vec();
    Segment { t_s: of(&segment.t_s), deg: of(&segment.deg), ..*segment }
}

impl Portion {
    fn of(recording: &Recording, sheet: Option<&Sheet>, range: Range<usize>) -> Option<Self> {
        let survey = recording.survey.as_ref()?;
        let crank = survey.crank.as_ref()?;
        let mut events = crank.events.get(range.clone())?.to_vec();
        let available = recording.sensor_channels(sheet);
        let channel = |event: &Event| {
            let heard: Vec<u16> = event.cylinder.into_iter().chain(event.pair.into_iter().flatten()).collect();
            let listed = || sheet.and_then(|sheet| sensor_of(sheet, &available, &heard));
            event.sensor.or_else(listed).unwrap_or(0)
        };
        let channels = events.iter().map(channel).collect();
        let mut segments = Vec::new();
        for same in events.chunk_by_mut(|a, b| a.segment == b.segment) {
            let (Some(first), Some(last)) = (same.first(), same.last()) else { continue };
            let own = crank.track.segments.get(first.segment as usize);
            segments.push(own.map(|own| part(own, first.deg, last.deg)).unwrap_or_default());
            same.iter_mut().for_each(|event| event.segment = segments.len() as u32 - 1);
        }
        let clips = survey.channels.iter().map(clip_ends).collect();
        Some(Self { first: range.start, events, channels, segments, clips, frames: survey.frames })
    }

    /// What is wanted of each event.
    ///
    /// # Errors
    /// The file can't be read any more; then events whose samples are missing lie outside, in `measured`.
    pub(super) fn measure(&self, wanted: &Wanted, samples: &mut Samples) -> (Measured, Result<(), Error>) {
        let rate = samples.sample_rate_hz;
        match wanted {
            Wanted::Maps { kept } => {
                let Some(mut mapper) = Mapper::new(rate) else { return (Measured::Maps(Maps::default()), Ok(())) };
                let mapped = (self.first..self.first + self.events.len()).filter(|index| search::kept(*index, *kept));
                let mut out = Maps::with_capacity(mapper.bins(), mapped.count());
                let read = self.walk(samples, |first, all| {
                    for (heard, index) in all.iter().zip(first..).filter(|(_, index)| search::kept(*index, *kept)) {
                        if mapper.measure(&heard.slice, heard.segment, heard.event, &mut out.cells).is_ok() {
                            out.events.push(index as u32);
                            out.channels.push(heard.channel);
                        }
                    }
                });
                (Measured::Maps(out), read)
            }
            Wanted::Levels { band_hz: [low_hz, high_hz], window_deg_atdc, own } => {
                let meter = Meter::new(rate, *low_hz, *high_hz, *window_deg_atdc);
                let own =
                    own.as_ref().and_then(|(control, band)| CausalMeter::new(rate, control, *band, *window_deg_atdc));
                let (mut levels, mut through_own, mut beside, mut profiles) = (vec![], vec![], vec![], vec![]);
                let read = self.walk(samples, |_, all| {
                    let events: Vec<_> = all.iter().map(|heard| (heard.slice, heard.segment, heard.event)).collect();
                    let measured = meter.as_ref().map(|meter| meter.measure(&events)).unwrap_or_default();
                    for (heard, measured) in all.iter().zip(measured) {
                        if let Some(own) = &own {
                            through_own.push(own.measure(&heard.slice, heard.segment, heard.event, &measured.level));
                        }
                        levels.push(measured.level);
                        beside.push(measured.beside);
                        profiles.extend(measured.profile);
                    }
                });
                (Measured::Levels { levels, through_own, beside, profiles, channels: self.channels.clone() }, read)
            }
        }
    }

    /// Hands out the events slice by slice, with the number of the first; a slice reaches over both ends as far as a window may.
    fn walk(&self, samples: &mut Samples, mut take: impl FnMut(usize, &[Heard])) -> Result<(), Error> {
        let rate = samples.sample_rate_hz;
        let reach = (REACH_S * rate) as u64;
        let empty = Segment::default();
        let heard = |channel| self.channels.contains(&channel);
        let mut planes = Planes::new();
        let mut ended = Ok(());
        let mut next = 0;
        while let Some(first_event) = self.events.get(next) {
            let start = ((first_event.t_s * rate) as u64).saturating_sub(reach);
            let count = self.frames.saturating_sub(start).min(SLICE_FRAMES as u64 + 2 * reach) as usize;
            let got = samples.read_channels(start, count, &mut planes, heard).unwrap_or_else(|error| {
                ended = Err(error);
                0
            });
            let end = start + got as u64;
            let last_slice = end >= self.frames;
            let first = next;
            let mut all = Vec::new();
            while let Some(event) = self.events.get(next) {
                let at = (event.t_s * rate) as u64;
                if next > first && !last_slice && got > 0 && at + reach > end {
                    break;
                }
                let channel = self.channels.get(next).copied().unwrap_or(0);
                let place = usize::from(channel).wrapping_sub(1);
                let plane = planes.get(place).map_or(&[][..], Vec::as_slice);
                let clip = self.clips.get(place).copied().unwrap_or([-1.0, 1.0]);
                let slice = Slice { samples: if got > 0 { plane } else { &[] }, first: start, clip };
                let segment = self.segments.get(event.segment as usize).unwrap_or(&empty);
                all.push(Heard { slice, segment, event, channel });
                next += 1;
            }
            take(self.first + first, &all);
        }
        ended
    }
}

/// A pass over all events of a recording under way.
pub(in crate::card) struct EventPass {
    wanted: Wanted,
    portions: Vec<Range<usize>>,
    /// Whether somebody has begun each.
    begun: Vec<bool>,
    /// The last begun here, and elsewhere.
    last: [Option<usize>; 2],
    /// Errands and the portions they are for.
    away: Vec<(u32, usize)>,
    /// Measured, but one before it is not.
    early: BTreeMap<usize, Measured>,
    /// Portions in `out`.
    joined: usize,
    /// The file could not be read, which is said once.
    is_broken: bool,
    out: Out,
}

/// What a pass over the events ends with.
pub(super) enum Out {
    Levels(Levels),
    Maps(Maps),
}

impl EventPass {
    /// A pass for levels.
    pub(super) fn levels(
        recording: &Recording,
        sheet: Option<&Sheet>,
        band_hz: [f64; 2],
        window_deg_atdc: [f64; 2],
    ) -> Option<Self> {
        let rate = recording.sample_rate_hz();
        Meter::new(rate, band_hz[0], band_hz[1], window_deg_atdc)?;
        let control = sheet.and_then(|sheet| sheet.control.as_ref()).map(Control::of);
        let own = control.and_then(|control| {
            let band = control.nearest_band(band_hz[0], band_hz[1]);
            CausalMeter::new(rate, &control, band, window_deg_atdc)?;
            Some((control, band))
        });
        let events = recording.crank().map_or(0, |crank| crank.events.len());
        let out = Levels {
            band_hz,
            window_deg_atdc,
            levels: Vec::with_capacity(events),
            own_band: own.as_ref().map(|(_, band)| *band),
            through_own: Vec::with_capacity(if own.is_some() { events } else { 0 }),
            beside: Vec::with_capacity(events),
            profiles: Vec::with_capacity(events),
            channels: Vec::with_capacity(events),
        };
        Some(Self::new(recording, Wanted::Levels { band_hz, window_deg_atdc, own }, Out::Levels(out)))
    }

    /// A pass for maps.
    pub(super) fn maps(recording: &Recording) -> Option<Self> {
        let bins = Mapper::new(recording.sample_rate_hz())?.bins();
        let events = recording.crank().map_or(0, |crank| crank.events.len());
        let kept = search::MOST_EVENTS as f64 / events.max(1) as f64;
        let mapped = (0..events).filter(|index| search::kept(*index, kept)).count();
        Some(Self::new(recording, Wanted::Maps { kept }, Out::Maps(Maps::with_capacity(bins, mapped))))
    }

    fn new(recording: &Recording, wanted: Wanted, out: Out) -> Self {
        let portions = recording.crank().map_or_else(Vec::new, |crank| portions(&crank.events));
        let begun = vec![false; portions.len()];
        Self {
            wanted,
            portions,
            begun,
            last: [None; 2],
            away: vec![],
            early: BTreeMap::new(),
            joined: 0,
            is_broken: false,
            out,
        }
    }

    pub(in crate::card) fn share(&self) -> f64 {
        self.joined as f64 / self.portions.len().max(1) as f64
    }

    /// Begins the next portion: of the same block, else the first of a block nobody has begun, else the last left, from the
    /// other end than whoever works there. A file is read faster in one go than here and there.
    fn begin_next(&mut self, who: usize) -> Option<usize> {
        let free = |index: &usize| self.begun.get(*index) == Some(&false);
        let next = self.last[who].map(|last| last + 1).filter(|next| next % BLOCK > 0 && free(next));
        let all = 0..self.begun.len();
        let fresh = || all.clone().step_by(BLOCK).find(free);
        let index = next.or_else(fresh).or_else(|| all.clone().rev().find(free))?;
        self.begun[index] = true;
        self.last[who] = Some(index);
        Some(index)
    }

    fn portion(&self, index: usize, recording: &Recording, sheet: Option<&Sheet>) -> Option<Portion> {
        Portion::of(recording, sheet, self.portions.get(index)?.clone())
    }

    /// The next portion here; how it stands after it.
    ///
    /// # Errors
    /// The file can't be read any more; its events lie outside, and the pass goes on.
    pub(super) fn go_on(&mut self, recording: &Recording, sheet: Option<&Sheet>) -> Result<Stand, Error> {
        let Some(index) = self.begin_next(HERE) else {
            return Ok(if self.away.is_empty() { Stand::Done } else { Stand::Waiting });
        };
        let Some(portion) = self.portion(index, recording, sheet) else { return Ok(Stand::Done) };
        let (measured, read) = portion.measure(&self.wanted, &mut recording.samples.borrow_mut());
        self.join(index, measured);
        match read {
            Err(error) if !std::mem::replace(&mut self.is_broken, true) => Err(error),
            _ => Ok(Stand::Going),
        }
    }

    /// A portion for another worker, while one is left for this one.
    pub(super) fn order(&mut self, number: u32, recording: &Recording, sheet: Option<&Sheet>) -> Option<Order> {
        if self.begun.iter().filter(|begun| !**begun).count() < 2 {
            return None;
        }
        let index = self.begin_next(ELSEWHERE)?;
        let portion = self.portion(index, recording, sheet)?;
        self.away.push((number, index));
        Some(Order::Portion(self.wanted.clone(), Box::new(portion)))
    }

    pub(super) fn awaits(&self, number: u32) -> bool {
        self.away.iter().any(|(away, _)| *away == number)
    }

    /// What another worker measured; where it brought nothing, it is measured here.
    pub(super) fn take_back(&mut self, number: u32, brought: Option<Brought>) {
        let Some(place) = self.away.iter().position(|(away, _)| *away == number) else { return };
        let (_, index) = self.away.swap_remove(place);
        match brought {
            Some(Brought::Events(measured)) if self.fits(index, &measured) => self.join(index, measured),
            _ => self.begun[index] = false,
        }
    }

    fn fits(&self, index: usize, measured: &Measured) -> bool {
        match (&self.out, measured) {
            (Out::Levels(_), Measured::Levels { levels, .. }) => {
                self.portions.get(index).is_some_and(|portion| portion.len() == levels.len())
            }
            (Out::Maps(out), Measured::Maps(maps)) => out.bins == maps.bins,
            _ => false,
        }
    }

    /// Appends a portion, and what has waited for it.
    fn join(&mut self, index: usize, measured: Measured) {
        self.early.insert(index, measured);
        while let Some(next) = self.early.remove(&self.joined) {
            self.out.append(next);
            self.joined += 1;
        }
    }

    pub(super) fn finish(self) -> Out {
        self.out
    }
}

impl Out {
    fn append(&mut self, measured: Measured) {
        match (self, measured) {
            (Out::Levels(out), Measured::Levels { levels, through_own, beside, profiles, channels }) => {
                out.levels.extend(levels);
                out.through_own.extend(through_own);
                out.beside.extend(beside);
                out.profiles.extend_from_slice(profiles.as_chunks().0);
                out.channels.extend(channels);
            }
            (Out::Maps(out), Measured::Maps(maps)) => {
                out.events.extend(maps.events);
                out.channels.extend(maps.channels);
                out.cells.extend(maps.cells);
            }
            _ => {}
        }
    }
}

/// Where the converter ends: full scale. (A preamplifier that clips lower shows in the sensor figures.)
fn clip_ends(channel: &ChannelSurvey) -> [f32; 2] {
    const NEAR: f32 = 0.9995;
    let low = if channel.min <= -NEAR { -NEAR } else { f32::NEG_INFINITY };
    let high = if channel.max >= NEAR { NEAR } else { f32::INFINITY };
    [low, high]
}
