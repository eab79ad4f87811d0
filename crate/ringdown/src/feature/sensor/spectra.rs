//! Mean spectra of a sensor at rest and by engine speed, its noise floor, and where its spectrum peaks at each speed.

use super::shape::Third;
use crate::signal::level::{quick_db, quick_db_in_place};
use crate::signal::octave::{OctaveBand, band_powers, octave_bands};
use crate::signal::segments::Segments;
use crate::signal::stft::Stft;
use crate::signal::taper::{Shape, Taper};
use crate::units::decibels;
use serde::{Deserialize, Serialize};

/// Which engine speed a spectrum belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Speed {
    /// Under 400 rpm: at rest or being cranked.
    Rest,
    /// About this speed.
    About {
        /// Lowest, 1/min.
        rpm_low: f64,
        /// Highest, 1/min; infinite speeds are in the last one.
        rpm_high: f64,
    },
    /// Speed not known: all of it together.
    Unknown,
}

/// The mean spectrum at one speed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SpeedSpectrum {
    /// Which.
    pub speed: Speed,
    /// Segments it is the mean of, half overlapping.
    pub segments: u64,
    /// Power spectral density, dB re full scale squared per Hz; value `k` covers `k * step_hz .. (k + 1) * step_hz`.
    pub levels_db: Vec<f32>,
    /// Level of each third of an octave (IEC 61260-1), dB re full scale; those that reach beyond half the sampling rate are
    /// left out.
    pub thirds: Vec<Third>,
}

/// Where the spectrum peaks at one speed, above 1 kHz.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Peak {
    /// Engine speed, 1/min, middle of a class 250 wide.
    pub rpm: f64,
    /// Frequency of the largest density, Hz.
    pub hz: f64,
    /// Over the median density above 1 kHz, dB.
    pub prominence_db: f64,
}

/// All spectra of a channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Spectra {
    /// Width of a value of the spectra, Hz.
    pub step_hz: f64,
    /// Rest first, then by speed, last those of unknown speed; empty ones are left out.
    pub by_speed: Vec<SpeedSpectrum>,
    /// Peaks by speed; a resonance stays at one frequency, an order moves with speed.
    pub peaks: Vec<Peak>,
}

/// An engine that turns by itself turns faster, 1/min.
pub(super) const REST_BELOW_RPM: f64 = 400.0;
const SPEED_CLASSES: usize = 6;
const CLASS_RPM: f64 = 1000.0;
/// Rest, the speeds, unknown.
pub(super) const CLASSES: usize = SPEED_CLASSES + 2;
pub(super) const UNKNOWN: usize = CLASSES - 1;

const ROW_RPM: f64 = 250.0;
const ROWS: usize = 48;

const TOP_HZ: f64 = 25_000.0;
const STEP_HZ: f64 = 50.0;
/// Middles of the thirds of an octave from and up to here, Hz: narrower ones hold too few bins.
const THIRDS_HZ: [f64; 2] = [90.0, TOP_HZ];
/// Peaks below are the engine's body and its orders.
pub const PEAKS_ABOVE_HZ: f64 = 1000.0;

/// Noise floor: bins of 0.25 dB from -300 dB.
const FLOOR_BINS: usize = 1400;
const FLOOR_BIN_DB: f64 = 0.25;
const FLOOR_FROM_DB: f64 = -300.0;
const FLOOR_SHARE: f64 = 0.02;

/// Step of the running median between quiet and loud segments.
const SPLIT_STEP_DB: f64 = 0.25;

/// A mean of fewer segments is not looked at.
const LEAST_SEGMENTS: u64 = 8;

/// Sums of spectra at one speed.
#[derive(Default)]
struct Class {
    power: Vec<f64>,
    /// Of dB: the mean of logs is not ruled by the loudest events.
    level_db: Vec<f64>,
    segments: u64,
}

impl Class {
    fn add(&mut self, power: &[f32], level_db: &[f32]) {
        self.power.resize(power.len(), 0.0);
        self.level_db.resize(power.len(), 0.0);
        self.power.iter_mut().zip(power).for_each(|(sum, x)| *sum += f64::from(*x));
        self.level_db.iter_mut().zip(level_db).for_each(|(sum, x)| *sum += f64::from(*x));
        self.segments += 1;
    }
}

/// Sums over one row of engine speeds, for peaks and for the level over speed.
#[derive(Clone, Default)]
struct Row {
    power: Vec<f64>,
    band: f64,
    segments: u64,
}

/// Collects spectra segment by segment.
pub struct SpectraScan {
    segments: Segments,
    analysis: Analysis,
}

/// All but the segmenting, so that a segment can be borrowed while sums are added to.
struct Analysis {
    stft: Stft,
    /// Turns a power (full-scale sine = 1) into mean square per Hz.
    per_hz: f64,
    bin_hz: f64,
    step_hz: f64,
    noise_band_hz: [f64; 2],
    power: Vec<f32>,
    level_db: Vec<f32>,
    columns: Vec<f64>,
    /// First bin of each column, and the one after the last.
    edges: Vec<usize>,
    classes: [Class; CLASSES],
    rows: Vec<Row>,
    floor: Vec<u32>,
    /// How often a segment peaked in each column, engine running or speed unknown.
    peaked: Vec<u32>,
    /// Running segments under and over the level that splits them in halves.
    halves: [Class; 2],
    split_db: Option<f64>,
    /// Sum of the powers in the noise band of segments at rest, and their number.
    rest: (f64, u64),
}

impl SpectraScan {
    pub fn new(sample_rate_hz: f64) -> Self {
        let sample_rate_hz = sample_rate_hz.max(1.0);
        // bins of at most 12 Hz: a Q of 30 at 3 kHz is 100 Hz wide
        let len = ((sample_rate_hz / 12.0) as usize).clamp(256, 1 << 16).next_power_of_two();
        let taper = Taper::periodic(Shape::Hann, len);
        let bin_hz = sample_rate_hz / len as f64;
        let step_hz = STEP_HZ.max(bin_hz);
        let columns = (TOP_HZ.min(0.5 * sample_rate_hz) / step_hz).ceil().max(1.0) as usize;
        let high_hz = (0.45 * sample_rate_hz).min(15_000.0);
        let stft = Stft::new(&taper);
        let analysis = Analysis {
            per_hz: 0.5 / (taper.noise_bandwidth_bins() * bin_hz),
            bin_hz,
            step_hz,
            noise_band_hz: [2000.0_f64.min(0.5 * high_hz), high_hz],
            power: vec![0.0; stft.bins()],
            level_db: vec![0.0; stft.bins()],
            columns: vec![0.0; columns],
            edges: edges(stft.bins(), bin_hz / step_hz, columns),
            classes: Default::default(),
            rows: vec![Row::default(); ROWS],
            floor: vec![0; FLOOR_BINS],
            peaked: vec![0; columns],
            halves: Default::default(),
            split_db: None,
            rest: (0.0, 0),
            stft,
        };
        Self { segments: Segments::new(len, len / 2), analysis }
    }

    pub fn push(&mut self, samples: &[f32], rpm: Option<f64>) {
        let analysis = &mut self.analysis;
        self.segments.push(samples, |segment| analysis.add(segment, rpm));
    }

    pub fn gap(&mut self) {
        self.segments.clear();
    }

    pub fn noise_band_hz(&self) -> [f64; 2] {
        self.analysis.noise_band_hz
    }

    /// Level in the noise band that the quietest share of segments stays under, dB.
    pub fn noise_floor_db(&self) -> Option<f64> {
        let floor = &self.analysis.floor;
        let all: u64 = floor.iter().map(|count| u64::from(*count)).sum();
        let mut below = 0;
        let bin = floor.iter().position(|count| {
            below += u64::from(*count);
            below as f64 >= (FLOOR_SHARE * all as f64).max(1.0)
        })?;
        Some(FLOOR_FROM_DB + (bin as f64 + 0.5) * FLOOR_BIN_DB)
    }

    /// Level in the noise band at rest, dB; `None` where there is too little.
    pub fn rest_db(&self) -> Option<f64> {
        let (sum, count) = self.analysis.rest;
        (count >= LEAST_SEGMENTS).then(|| decibels(sum / count as f64))
    }

    /// Speed and level in the noise band of the slowest and the fastest row of running speeds.
    pub fn slowest_and_fastest(&self) -> Option<[(f64, f64); 2]> {
        let rows = &self.analysis.rows;
        let mut filled = rows.iter().enumerate().filter(|(_, row)| row.segments >= LEAST_SEGMENTS);
        let told = |(index, row): (usize, &Row)| (row_rpm(index), decibels(row.band / row.segments as f64));
        let slowest = filled.next().map(told)?;
        Some([slowest, filled.next_back().map(told)?])
    }

    /// The spectrum pooled over running speeds, dB up to a constant, a value a bin: the mean over speed classes of their mean
    /// logs; where no speed is known, the mean power of all.
    pub fn pooled_db(&self) -> Option<Vec<f64>> {
        let running = &self.analysis.classes[1..UNKNOWN];
        let held: Vec<&Class> = running.iter().filter(|class| class.segments >= LEAST_SEGMENTS).collect();
        if held.is_empty() {
            let unknown = &self.analysis.classes[UNKNOWN];
            return (unknown.segments >= LEAST_SEGMENTS).then(|| unknown.power.iter().map(|p| decibels(*p)).collect());
        }
        let mean =
            |bin: usize| held.iter().map(|c| c.level_db[bin] / c.segments as f64).sum::<f64>() / held.len() as f64;
        Some((0..self.analysis.power.len()).map(mean).collect())
    }

    /// Mean logs of the quieter and the louder half of the segments, a value a bin; `None` where one has too few.
    pub fn quiet_and_loud_db(&self) -> Option<[Vec<f64>; 2]> {
        let halves = &self.analysis.halves;
        let mean = |half: &Class| half.level_db.iter().map(|sum| sum / half.segments as f64).collect();
        halves.iter().all(|half| half.segments >= LEAST_SEGMENTS).then(|| [mean(&halves[0]), mean(&halves[1])])
    }

    /// Hz between two values of [`SpectraScan::pooled_db`].
    pub fn bin_hz(&self) -> f64 {
        self.analysis.bin_hz
    }

    /// Share of segments (engine running or speed unknown) whose spectrum peaks within `low_hz..high_hz`.
    pub fn share_peaking_in(&self, low_hz: f64, high_hz: f64) -> f64 {
        let all: u64 = self.analysis.peaked.iter().map(|count| u64::from(*count)).sum();
        let step_hz = self.analysis.step_hz;
        let inside = |column: usize| (low_hz..high_hz).contains(&((column as f64 + 0.5) * step_hz));
        let peaked = self.analysis.peaked.iter().enumerate();
        let held: u64 = peaked.filter(|(column, _)| inside(*column)).map(|(_, count)| u64::from(*count)).sum();
        held as f64 / all.max(1) as f64
    }

    /// The spectra and peaks.
    pub fn finish(self) -> Spectra {
        let mut analysis = self.analysis;
        let by_speed = (0..CLASSES).filter_map(|class| analysis.spectrum(class)).collect();
        let peaks = (0..ROWS).filter_map(|row| analysis.peak(row)).collect();
        Spectra { step_hz: analysis.step_hz, by_speed, peaks }
    }
}

impl Analysis {
    fn add(&mut self, segment: &[f32], rpm: Option<f64>) {
        self.stft.power(segment, &mut self.power);
        self.level_db.copy_from_slice(&self.power);
        quick_db_in_place(&mut self.level_db);
        let class = class_of(rpm);
        self.classes[class].add(&self.power, &self.level_db);
        join(&self.power, &self.edges, |p| f64::from(*p), &mut self.columns);
        let band = self.band_power();
        self.add_floor(band);
        if class != 0 {
            self.add_half(decibels(band));
            let peak = argmax(&self.columns, self.first_column());
            self.peaked[peak] += 1;
        }
        if class == 0 {
            self.rest = (self.rest.0 + band, self.rest.1 + 1);
        }
        if let Some(rpm) = rpm.filter(|_| class != 0) {
            let row = &mut self.rows[((rpm / ROW_RPM) as usize).min(ROWS - 1)];
            row.power.resize(self.columns.len(), 0.0);
            row.power.iter_mut().zip(&self.columns).for_each(|(sum, x)| *sum += x);
            row.band += band;
            row.segments += 1;
        }
    }

    /// Quiet or loud, split at a running median.
    fn add_half(&mut self, band_db: f64) {
        let split_db = self.split_db.get_or_insert(band_db);
        let loud = band_db > *split_db;
        *split_db += if loud { SPLIT_STEP_DB } else { -SPLIT_STEP_DB };
        let half = &mut self.halves[usize::from(loud)];
        half.level_db.resize(self.level_db.len(), 0.0);
        half.level_db.iter_mut().zip(&self.level_db).for_each(|(sum, x)| *sum += f64::from(*x));
        half.segments += 1;
    }

    /// Mean square within the noise band.
    fn band_power(&self) -> f64 {
        let [low, high] = self.noise_band_hz.map(|hz| (hz / self.bin_hz) as usize);
        let bins = self.power.get(low..high.min(self.power.len())).unwrap_or(&[]);
        bins.iter().map(|p| f64::from(*p)).sum::<f64>() * self.per_hz * self.bin_hz
    }

    fn add_floor(&mut self, band: f64) {
        let place = (decibels(band) - FLOOR_FROM_DB) / FLOOR_BIN_DB;
        self.floor[(place.max(0.0) as usize).min(FLOOR_BINS - 1)] += 1;
    }

    fn first_column(&self) -> usize {
        ((PEAKS_ABOVE_HZ / self.step_hz) as usize).min(self.columns.len() - 1)
    }

    fn spectrum(&mut self, class: usize) -> Option<SpeedSpectrum> {
        let Class { power, segments, .. } = &self.classes[class];
        let scale = self.per_hz / *segments as f64;
        join(power, &self.edges, |p| p * scale, &mut self.columns);
        let levels_db = self.columns.iter().map(|p| quick_db(*p as f32)).collect();
        let density: Vec<f64> = power.iter().map(|p| p * scale).collect();
        let bands = octave_bands(3, THIRDS_HZ[0], THIRDS_HZ[1]);
        let level =
            |(band, power): (&OctaveBand, Option<f64>)| Some(Third { hz: band.middle_hz, db: decibels(power?) });
        let thirds = bands.iter().zip(band_powers(&density, self.bin_hz, &bands)).filter_map(level).collect();
        let speed = speed_of(class);
        (*segments > 0).then_some(SpeedSpectrum { speed, segments: *segments, levels_db, thirds })
    }

    fn peak(&self, index: usize) -> Option<Peak> {
        let row = &self.rows[index];
        if row.segments < LEAST_SEGMENTS {
            return None;
        }
        let first = self.first_column();
        let at = argmax(&row.power, first);
        let mut sorted = row.power[first..].to_vec();
        sorted.sort_unstable_by(f64::total_cmp);
        let prominence_db = decibels(row.power[at]) - decibels(sorted[sorted.len() / 2]);
        Some(Peak { rpm: row_rpm(index), hz: (at as f64 + 0.5) * self.step_hz, prominence_db })
    }
}

pub(super) fn class_of(rpm: Option<f64>) -> usize {
    match rpm {
        None => UNKNOWN,
        Some(rpm) if rpm < REST_BELOW_RPM => 0,
        Some(rpm) => ((rpm / CLASS_RPM).round() as usize).clamp(1, SPEED_CLASSES),
    }
}

fn speed_of(class: usize) -> Speed {
    match class {
        0 => Speed::Rest,
        UNKNOWN => Speed::Unknown,
        _ => {
            let middle = class as f64 * CLASS_RPM;
            let rpm_low = if class == 1 { REST_BELOW_RPM } else { middle - 0.5 * CLASS_RPM };
            let rpm_high = if class == SPEED_CLASSES { f64::INFINITY } else { middle + 0.5 * CLASS_RPM };
            Speed::About { rpm_low, rpm_high }
        }
    }
}

fn row_rpm(index: usize) -> f64 {
    (index as f64 + 0.5) * ROW_RPM
}

/// First bin of each column, and the one after the last; bin `k` falls into column `k * columns_per_bin`.
fn edges(bins: usize, columns_per_bin: f64, columns: usize) -> Vec<usize> {
    let column = |bin: usize| (bin as f64 * columns_per_bin) as usize;
    let mut next = 0;
    let first = |wanted: usize| {
        while next < bins && column(next) < wanted {
            next += 1;
        }
        next
    };
    (0..=columns).map(first).collect()
}

/// Means of neighbouring bins; 0 for a column without any.
fn join<T>(bins: &[T], edges: &[usize], value: impl Fn(&T) -> f64, columns: &mut [f64]) {
    for (column, edge) in columns.iter_mut().zip(edges.windows(2)) {
        let own = bins.get(edge[0]..edge[1]).unwrap_or_default();
        *column = own.iter().map(&value).sum::<f64>() / own.len().max(1) as f64;
    }
}

fn argmax(values: &[f64], first: usize) -> usize {
    (first..values.len()).max_by(|a, b| values[*a].total_cmp(&values[*b])).unwrap_or(first)
}
