//! The map of one event: short-time power over frequency and crank angle.

use super::{BIN_HZ, FIRST_BIN, FIRST_DEG_ATDC, ROWS, STEP_DEG, STEPS, after_last_bin};
use crate::crank::{Event, track::Segment};
use crate::feature::level::{LeftOut, SLOWEST_RPM, Slice, TRANSIENT_RPM_PER_S};
use crate::signal::extreme::lower;
use crate::signal::stft::Stft;
use crate::signal::taper::{Shape, Taper};
use serde::{Deserialize, Serialize};

/// Middles of the frames that make up the reference window, degrees after firing TDC.
const REFERENCE_DEG_ATDC: [f64; 4] = [-55.0, -45.0, -35.0, -25.0];
/// Angles whose times are looked up; between them time goes evenly.
const ANCHORS_DEG_ATDC: [f64; 6] = [-60.0, -15.0, 15.0, 45.0, 80.0, 122.0];

/// Maps of events, packed: [`ROWS`] x `bins` values each, row after row (reference first), the upper half of an f32 each
/// (8 bits of mantissa: within 0.02 dB).
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub struct Maps {
    /// Bins of a row, from [`FIRST_BIN`] on.
    pub bins: usize,
    /// Index of the event each map belongs to, rising.
    pub events: Vec<u32>,
    /// Channel (from 1) each was heard on.
    pub channels: Vec<u16>,
    /// The maps, one after the other.
    pub cells: Vec<u16>,
}

impl Maps {
    /// No map yet, room for those of `events`.
    pub fn with_capacity(bins: usize, events: usize) -> Self {
        Self {
            bins,
            events: Vec::with_capacity(events),
            channels: Vec::with_capacity(events),
            cells: Vec::with_capacity(events * ROWS * bins),
        }
    }

    /// Values of the map at a place of the list.
    pub fn of(&self, at: usize) -> Option<&[u16]> {
        let size = ROWS * self.bins;
        self.cells.get(at * size..(at + 1) * size)
    }
}

/// Power in a cell as stored.
pub fn pack(power: f32) -> u16 {
    // What is no number is none: a power of 0.
    let held = if power > 0.0 { lower(power, 1e30) } else { 0.0 };
    (held.to_bits().saturating_add(0x8000) >> 16) as u16
}

/// Power of a stored value.
#[inline]
pub fn unpack(word: u16) -> f32 {
    f32::from_bits(u32::from(word) << 16)
}

/// Makes maps of events of one channel: frames of 2 ms, Hann taper, one frame in the middle of each angle step. A frame
/// holds its power for 0.7 ms (half width), about as long as a filter 1.5 kHz wide does.
pub struct Mapper {
    stft: Stft,
    sample_rate_hz: f64,
    power: Vec<f32>,
    row: Vec<f32>,
    bins: usize,
}

impl Mapper {
    /// For a sampling rate; `None` where it carries not even the first bins.
    pub fn new(sample_rate_hz: f64) -> Option<Self> {
        let length = 2 * (sample_rate_hz / BIN_HZ / 2.0).round() as usize;
        let bins = after_last_bin(sample_rate_hz).checked_sub(FIRST_BIN).filter(|bins| *bins >= 4)?;
        let stft = Stft::new(&Taper::periodic(Shape::Hann, length));
        let power = vec![0.0; stft.bins()];
        Some(Self { stft, sample_rate_hz, power, row: vec![0.0; bins], bins })
    }

    /// Bins of a row.
    pub fn bins(&self) -> usize {
        self.bins
    }

    /// Appends the map of `event` to `out`.
    ///
    /// # Errors
    /// Why there is none, as for a level; then `out` is as it was.
    pub fn measure(
        &mut self,
        slice: &Slice,
        segment: &Segment,
        event: &Event,
        out: &mut Vec<u16>,
    ) -> Result<(), LeftOut> {
        if event.rpm < SLOWEST_RPM {
            return Err(LeftOut::TooSlow);
        }
        if event.rpm_per_s.abs() > TRANSIENT_RPM_PER_S {
            return Err(LeftOut::Transient);
        }
        let times = Times::of(slice, segment, event, self.sample_rate_hz).ok_or(LeftOut::Outside)?;
        let whole = self.stft.segment_len();
        let first = |deg: f64| (times.at(deg) - 0.5 * whole as f64).round();
        let (from, to) = (first(REFERENCE_DEG_ATDC[0]), first(step_middle(STEPS - 1)) + whole as f64);
        if from < 0.0 || to > slice.samples.len() as f64 {
            return Err(LeftOut::Outside);
        }
        let stretch = &slice.samples[from as usize..to as usize];
        if stretch.iter().any(|sample| !(*sample > slice.clip[0] && *sample < slice.clip[1])) {
            return Err(LeftOut::Clipped);
        }
        let frame = |deg: f64| &slice.samples[first(deg).max(from) as usize..][..whole];
        self.reference(REFERENCE_DEG_ATDC.map(frame));
        out.extend(self.row.iter().map(|power| pack(*power)));
        for step in 0..STEPS {
            self.stft.power(frame(step_middle(step)), &mut self.power);
            out.extend(self.power[FIRST_BIN..][..self.bins].iter().map(|power| pack(*power)));
        }
        Ok(())
    }

    fn reference(&mut self, frames: [&[f32]; 4]) {
        self.row.fill(0.0);
        for frame in frames {
            self.stft.power(frame, &mut self.power);
            for (sum, power) in self.row.iter_mut().zip(&self.power[FIRST_BIN..]) {
                *sum += 0.25 * power;
            }
        }
    }
}

fn step_middle(step: usize) -> f64 {
    FIRST_DEG_ATDC + STEP_DEG * (step as f64 + 0.5)
}

/// Sample position over crank angle of one event.
struct Times([f64; ANCHORS_DEG_ATDC.len()]);

impl Times {
    fn of(slice: &Slice, segment: &Segment, event: &Event, sample_rate_hz: f64) -> Option<Self> {
        let mut samples = [0.0; ANCHORS_DEG_ATDC.len()];
        for (at, deg) in samples.iter_mut().zip(ANCHORS_DEG_ATDC) {
            *at = segment.time_at(event.deg + deg)? * sample_rate_hz - slice.first as f64;
        }
        Some(Self(samples))
    }

    fn at(&self, deg: f64) -> f64 {
        let last = ANCHORS_DEG_ATDC.len() - 2;
        let piece = ANCHORS_DEG_ATDC.iter().rposition(|anchor| *anchor <= deg).unwrap_or(0).min(last);
        let (from, to) = (ANCHORS_DEG_ATDC[piece], ANCHORS_DEG_ATDC[piece + 1]);
        self.0[piece] + (deg - from) / (to - from) * (self.0[piece + 1] - self.0[piece])
    }
}
