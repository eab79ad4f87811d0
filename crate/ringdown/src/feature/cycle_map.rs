//! Power over the whole cycle: what strikes when, and how high it rings.
//!
//! Angles count from the firing TDC of the cylinder whose sensor listens, so that its own valves and injector stand at their
//! places and those of its neighbours at theirs.

use crate::crank::Event;
use crate::crank::track::Segment;
use crate::signal::stft::Stft;
use crate::signal::taper::{Shape, Taper};
use crate::stats::order::Arrange;
use crate::units::decibels;

/// Width of an angle step, degrees.
pub const STEP_DEG: f64 = 5.0;
/// Length of a frame, s: an impact rings for about as long.
const FRAME_S: f64 = 1e-3;
/// Lowest frequency kept, Hz: below it the engine's own orders stand.
const LOWEST_HZ: f64 = 1500.0;
/// Highest frequency kept, Hz.
const HIGHEST_HZ: f64 = 25_000.0;
/// Steps to either side in which an impact is the loudest.
const REACH: usize = 3;
/// An impact stands out of the middle of its frequency by this much, dB.
const LEAST_DB: f64 = 3.0;
/// Most impacts told.
const MOST: usize = 10;

/// Mean power over crank angle and frequency.
#[derive(Debug, Clone)]
pub struct CycleMap {
    /// Cycles in the mean.
    pub cycles: usize,
    /// Slowest and fastest of them, 1/min.
    pub rpm: [f64; 2],
    /// Length of a cycle, degrees.
    pub cycle_deg: f64,
    /// Lower edge of the lowest and upper edge of the highest bin, Hz.
    pub hz: [f64; 2],
    /// Angle steps.
    pub steps: usize,
    /// Bins a step.
    pub bins: usize,
    /// Level over the middle of its bin over all angles, dB: step after step, lowest bin first.
    pub over_db: Vec<f32>,
}

/// What strikes once a cycle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Impact {
    /// Degrees after the firing TDC of the cylinder listened to, to one step.
    pub deg_atdc: f64,
    /// Where it stands out most, Hz.
    pub hz: f64,
    /// By how much, dB over the middle of that frequency.
    pub db: f64,
}

impl CycleMap {
    /// Impacts in the order of the cycle: the loudest within 15 degrees, at least 3 dB out of the middle of their frequency.
    pub fn impacts(&self) -> Vec<Impact> {
        let strongest = |step: usize| -> (usize, f32) {
            let row = self.over_db.get(step * self.bins..(step + 1) * self.bins).unwrap_or_default();
            row.iter().copied().enumerate().max_by(|a, b| a.1.total_cmp(&b.1)).unwrap_or((0, f32::NEG_INFINITY))
        };
        let rows: Vec<(usize, f32)> = (0..self.steps).map(strongest).collect();
        let loudest = |step: &usize| {
            let around = (1..=REACH).flat_map(|away| [step + away, step + self.steps - away]);
            rows.get(*step).is_some_and(|own| {
                f64::from(own.1) >= LEAST_DB
                    && around.filter_map(|other| rows.get(other % self.steps)).all(|other| other.1 < own.1)
            })
        };
        let bin_hz = (self.hz[1] - self.hz[0]) / self.bins.max(1) as f64;
        let impact = |step: usize| {
            let (bin, db) = strongest(step);
            Impact {
                deg_atdc: (step as f64 + 0.5) * STEP_DEG,
                hz: self.hz[0] + (bin as f64 + 0.5) * bin_hz,
                db: f64::from(db),
            }
        };
        let mut found: Vec<Impact> = (0..self.steps).filter(loudest).map(impact).collect();
        found.arrange(|a, b| b.db.total_cmp(&a.db));
        found.truncate(MOST);
        found.arrange(|a, b| a.deg_atdc.total_cmp(&b.deg_atdc));
        found
    }
}

/// Sums cycles.
pub struct CycleMapper {
    stft: Stft,
    sample_rate_hz: f64,
    cycle_deg: f64,
    power: Vec<f32>,
    sums: Vec<f64>,
    row: Vec<f64>,
    first_bin: usize,
    bins: usize,
    cycles: usize,
    rpm: [f64; 2],
}

impl CycleMapper {
    /// For a sampling rate and cycles of 720 or, two-stroke, 360 degrees; `None` where the rate carries too few bins.
    pub fn new(sample_rate_hz: f64, cycle_deg: f64) -> Option<Self> {
        let length = 2 * (sample_rate_hz * FRAME_S / 2.0).round() as usize;
        let bin_hz = sample_rate_hz / length.max(1) as f64;
        let first_bin = (LOWEST_HZ / bin_hz).ceil().max(1.0) as usize;
        let after = ((0.45 * sample_rate_hz).min(HIGHEST_HZ) / bin_hz) as usize;
        let bins = after.checked_sub(first_bin).filter(|bins| *bins >= 4)?;
        let steps = (cycle_deg / STEP_DEG).round() as usize;
        let stft = Stft::new(&Taper::periodic(Shape::Hann, length));
        Some(Self {
            power: vec![0.0; stft.bins()],
            stft,
            sample_rate_hz,
            cycle_deg,
            sums: vec![0.0; steps * bins],
            row: vec![0.0; steps * bins],
            first_bin,
            bins,
            cycles: 0,
            rpm: [f64::INFINITY, f64::NEG_INFINITY],
        })
    }

    /// First sample and number of samples that the cycle after an event takes; `None` where it isn't whole.
    pub fn wants(&self, segment: &Segment, event: &Event) -> Option<(u64, usize)> {
        let half = 0.5 * self.stft.segment_len() as f64 + 1.0;
        let sample = |deg: f64| Some(segment.time_at(event.deg + deg)? * self.sample_rate_hz);
        let (from, to) = (sample(0.0)? - half, sample(self.cycle_deg)? + half);
        (from >= 0.0 && to > from).then_some((from as u64, (to - from) as usize + 1))
    }

    /// Adds the cycle after an event, whose samples start at `first`; says whether it was whole and held numbers only.
    pub fn add(&mut self, segment: &Segment, event: &Event, first: u64, samples: &[f32]) -> bool {
        let whole = self.stft.segment_len();
        let times = segment.times();
        for (step, row) in self.row.chunks_exact_mut(self.bins).enumerate() {
            let middle = times.time_at(event.deg + (step as f64 + 0.5) * STEP_DEG);
            let from = middle.map(|t_s| t_s * self.sample_rate_hz - 0.5 * whole as f64 - first as f64);
            let Some(frame) =
                from.filter(|from| *from >= 0.0).and_then(|from| samples.get(from as usize..)?.get(..whole))
            else {
                return false;
            };
            self.stft.power(frame, &mut self.power);
            for (into, power) in row.iter_mut().zip(self.power.iter().skip(self.first_bin)) {
                *into = f64::from(*power);
            }
        }
        if self.row.iter().any(|power| !power.is_finite()) {
            return false;
        }
        self.sums.iter_mut().zip(&self.row).for_each(|(sum, power)| *sum += power);
        self.cycles += 1;
        self.rpm = [self.rpm[0].min(f64::from(event.rpm)), self.rpm[1].max(f64::from(event.rpm))];
        true
    }

    /// The mean; `None` with fewer than `fewest` cycles.
    pub fn finish(self, fewest: usize) -> Option<CycleMap> {
        if self.cycles < fewest.max(1) {
            return None;
        }
        let bin_hz = self.sample_rate_hz / self.stft.segment_len() as f64;
        let steps = self.sums.len() / self.bins;
        let mut over_db: Vec<f32> =
            self.sums.iter().map(|sum| decibels((sum / self.cycles as f64).max(1e-30)) as f32).collect();
        for bin in 0..self.bins {
            let mut levels: Vec<f32> = over_db.iter().skip(bin).step_by(self.bins).copied().collect();
            let middle = *levels.select_nth_unstable_by(steps / 2, f32::total_cmp).1;
            over_db.iter_mut().skip(bin).step_by(self.bins).for_each(|level| *level -= middle);
        }
        let edge = |bin: usize| (bin as f64 - 0.5) * bin_hz;
        Some(CycleMap {
            cycles: self.cycles,
            rpm: self.rpm,
            cycle_deg: self.cycle_deg,
            hz: [edge(self.first_bin), edge(self.first_bin + self.bins)],
            steps,
            bins: self.bins,
            over_db,
        })
    }
}
