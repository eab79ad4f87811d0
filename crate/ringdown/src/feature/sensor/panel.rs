//! All sensors of a recording side by side: gain, coherence, which cylinders each hears, the wheel's signal in their wires.

use super::gain::{Gain, gain_between};
use super::pickup::{Pickup, PickupScan};
use super::shape::{self, Slope};
use super::silent::silent_share;
use super::{SensorFeatures, SensorScan};
use crate::signal::filter::{Abreast, Pass, butterworth};
use crate::signal::spectrum::{Cross, Detrend};
use crate::signal::taper::{Shape, Taper};
use crate::stats::order::Arrange;
use crate::units::decibels;
use serde::{Deserialize, Serialize};

/// The figures of one sensor of a recording.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Listened {
    /// Its own.
    pub features: SensorFeatures,
    /// Gain against the first sensor, from stretches of 0.1 s both heard, 2 to 15 kHz.
    pub gain: Option<Gain>,
    /// The wheel's signal in its own.
    pub pickup: Option<Pickup>,
    /// How loud it hears each cylinder, over its own mean; empty without known cylinders.
    pub hears: Vec<Heard>,
    /// From the 10th to the 90th percentile of its level over stretches of 0.1 s, dB; `None` under two seconds.
    pub moves_db: Option<f64>,
    /// Share of the running in which it hears nothing of the engine; `None` where there is no such stretch.
    pub silent_share: Option<f64>,
    /// How it compares with each sensor before it.
    pub beside: Vec<Beside>,
}

/// How loud a sensor hears a cylinder.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Heard {
    /// Cylinder, from 1.
    pub cylinder: u16,
    /// Over the sensor's mean of all cylinders, dB.
    pub db: f64,
    /// Combustions it is the mean of.
    pub events: u64,
}

/// One sensor beside another.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Beside {
    /// The other's place among the sensors, from 0.
    pub other: usize,
    /// Mean over frequency of the coherence that is of one phase, 0..=1: 1 for one signal on two wires; sensors apart on a
    /// block hear the same sources over other ways, which turns the phase from band to band.
    pub coherence: Option<f64>,
    /// Slope over frequency of this sensor's spectrum over the other's, 200 Hz to 2 kHz.
    pub slope: Option<Slope>,
    /// Level difference, this less other, for each cylinder.
    pub by_cylinder: Vec<Difference>,
}

/// Mean difference of two sensors' levels at one cylinder.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Difference {
    /// Cylinder, from 1.
    pub cylinder: u16,
    /// dB.
    pub db: f64,
    /// Standard error of it, dB.
    pub error_db: f64,
    /// The same of the later part of each combustion.
    pub later_db: f64,
    /// Standard error of that, dB.
    pub later_error_db: f64,
}

/// A combustion and the samples of its sound.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Combustion {
    /// First sample of the recording.
    pub from: u64,
    /// Samples before its later part.
    pub later: u32,
    /// Samples in all.
    pub length: u32,
    /// Cylinder, from 1.
    pub cylinder: u16,
}

impl Combustion {
    /// The sample after the last.
    fn to(&self) -> u64 {
        self.from.saturating_add(u64::from(self.length))
    }
}

/// Where sensors are compared: above the orders, below what a 44.1 kHz recording rolls off.
const COMPARED_HZ: [f64; 2] = [2000.0, 15_000.0];
/// Confidence of a gain's interval.
const GAIN_CONFIDENCE: f64 = 0.95;
/// Chunks remembered for gains: an hour in steps of 0.1 s.
const MOST_CHUNKS: usize = 36_000;
/// Sensors compared with each other.
const MOST_SENSORS: usize = 8;
/// Cylinders told apart.
const MOST_CYLINDERS: usize = 32;
/// Level of the band is kept in steps this long.
const HOP_S: f64 = 2.5e-4;
/// Steps kept: a combustion is at most so long past.
const HOPS: usize = 8192;
/// Samples of a segment whose coherence is taken; bins 50 Hz wide and wider keep lags of a few samples inside.
const CROSS_LEN: usize = 1024;

/// Collects the figures of all sensors of a recording.
pub struct Panel {
    sensors: usize,
    scans: Vec<SensorScan>,
    pairs: Vec<Pair>,
    crosses: Vec<(usize, usize, Cross)>,
    pickup: PickupScan,
    cylinders: Vec<Cylinder>,
    pending: Vec<Combustion>,
    next: u64,
}

/// Two sensors in the compared band, filtered side by side: one filter waits for its own last output.
struct Pair {
    filter: Option<Abreast<2>>,
    hop: usize,
    phase: usize,
    sums: [f64; 2],
    bands: [Band; 2],
}

/// One sensor's level in the compared band.
struct Band {
    hop: usize,
    /// Mean squares of the last hops, in a ring.
    hops: Vec<f32>,
    count: u64,
    /// Of each chunk, dB.
    chunks_db: Vec<f64>,
    /// Speed in each chunk, 1/min; NaN where not known.
    chunks_rpm: Vec<f32>,
}

impl Pair {
    fn new(sample_rate_hz: f64) -> Self {
        let [low_hz, high_hz] = [COMPARED_HZ[0], COMPARED_HZ[1].min(0.45 * sample_rate_hz)];
        let filter = butterworth(2, Pass::Band { low_hz, high_hz }, sample_rate_hz).ok();
        let hop = ((HOP_S * sample_rate_hz) as usize).max(1);
        let band = || Band { hop, hops: vec![0.0; HOPS], count: 0, chunks_db: Vec::new(), chunks_rpm: Vec::new() };
        let filter = filter.map(|filter| Abreast::new(&filter));
        Self { filter, hop, phase: 0, sums: [0.0; 2], bands: [band(), band()] }
    }

    /// A slice of both sensors, equally long.
    fn push(&mut self, sensors: [&[f32]; 2], rpm: Option<f64>) {
        let Self { filter: Some(filter), hop, phase, sums, bands } = self else { return };
        let mut all = [0.0; 2];
        filter.run(sensors, |outputs| {
            (0..2).for_each(|lane| sums[lane] += outputs[lane] * outputs[lane]);
            *phase += 1;
            if *phase == *hop {
                for (lane, band) in bands.iter_mut().enumerate() {
                    all[lane] += sums[lane];
                    band.hops[band.count as usize % HOPS] = (sums[lane] / *hop as f64) as f32;
                    band.count += 1;
                }
                (*phase, *sums) = (0, [0.0; 2]);
            }
        });
        for ((band, samples), all) in bands.iter_mut().zip(sensors).zip(all) {
            band.end_chunk(decibels(all / samples.len().max(1) as f64), rpm);
        }
    }
}

impl Band {
    fn end_chunk(&mut self, level_db: f64, rpm: Option<f64>) {
        if self.chunks_db.len() < MOST_CHUNKS {
            self.chunks_db.push(level_db);
            self.chunks_rpm.push(rpm.map_or(f32::NAN, |rpm| rpm as f32));
        }
    }

    /// Mean level over `from..to`; `None` where that is no longer, or not yet, held.
    fn level_db(&self, from: u64, to: u64) -> Option<f64> {
        let [first, last] = [from / self.hop as u64, to.div_ceil(self.hop as u64)];
        let held = last <= self.count && first + HOPS as u64 > self.count && first < last;
        let sum = || (first..last).map(|hop| f64::from(self.hops[hop as usize % HOPS])).sum::<f64>();
        held.then(|| decibels(sum() / (last - first) as f64))
    }

    /// From the 10th to the 90th percentile of the chunks.
    fn moves_db(&self) -> Option<f64> {
        use crate::stats::robust::{Definition, quantile, sorted};
        let sorted = sorted(&self.chunks_db);
        let at = |share| quantile(&sorted, share, Definition::Linear);
        (sorted.len() >= 20).then_some(at(0.9)? - at(0.1)?)
    }
}

/// Sums over the combustions of one cylinder.
struct Cylinder {
    cylinder: u16,
    events: f64,
    level_db: Vec<f64>,
    /// Of differences between pairs of sensors, and of their squares.
    differences: Vec<[f64; 2]>,
    /// The same of the later part.
    later_differences: Vec<[f64; 2]>,
}

impl Panel {
    /// For `sensors` channels sampled at `sample_rate_hz`.
    pub fn new(sample_rate_hz: f64, sensors: usize) -> Self {
        let compared = if sensors > 1 { sensors.min(MOST_SENSORS) } else { 0 };
        let pairs = (0..compared).flat_map(|second| (0..second).map(move |first| (first, second)));
        let taper = || Taper::periodic(Shape::Hann, CROSS_LEN);
        let cross = || Cross::new(sample_rate_hz.max(1.0), taper(), CROSS_LEN, Detrend::Nothing);
        Self {
            sensors,
            scans: (0..sensors).map(|_| SensorScan::new(sample_rate_hz)).collect(),
            pairs: (0..sensors.div_ceil(2)).map(|_| Pair::new(sample_rate_hz)).collect(),
            crosses: pairs.map(|(first, second)| (first, second, cross())).collect(),
            pickup: PickupScan::new(sample_rate_hz.max(1.0), sensors),
            cylinders: Vec::new(),
            pending: Vec::new(),
            next: 0,
        }
    }

    /// Adds a slice of some 0.1 s of every sensor, with the wheel's signal where there is one and the speed where it is
    /// known.
    pub fn push(&mut self, sensors: &[&[f32]], wheel: Option<&[f32]>, rpm: Option<f64>) {
        for (scan, samples) in self.scans.iter_mut().zip(sensors) {
            scan.push(samples, rpm);
        }
        for (pair, sensors) in self.pairs.iter_mut().zip(sensors.chunks(2)) {
            // A last one without another is its own.
            let own = sensors.first().copied().unwrap_or_default();
            pair.push([own, sensors.get(1).copied().unwrap_or(own)], rpm);
        }
        for (first, second, cross) in &mut self.crosses {
            let [a, b] = [*first, *second].map(|at| sensors.get(at).and_then(|samples| samples.get(..CROSS_LEN)));
            if let (Some(a), Some(b)) = (a, b) {
                cross.push(a, b);
            }
        }
        if let Some(wheel) = wheel {
            self.pickup.push(wheel, sensors, rpm);
        }
        self.next += sensors.first().map_or(0, |samples| samples.len() as u64);
        self.measure();
    }

    /// Of each sensor.
    fn bands(&self) -> impl Iterator<Item = &Band> {
        self.pairs.iter().flat_map(|pair| &pair.bands).take(self.sensors)
    }

    /// Announces a combustion that begins in the slice to be pushed next, or later.
    pub fn announce(&mut self, combustion: Combustion) {
        if self.pending.len() < HOPS {
            self.pending.push(combustion);
        }
    }

    fn measure(&mut self) {
        let ready = self.next;
        let hop = self.pairs.first().map_or(1, |pair| pair.hop as u64);
        let mut pending = std::mem::take(&mut self.pending);
        pending.retain(|combustion| {
            let done = combustion.to().saturating_add(hop) <= ready;
            if done {
                self.add(combustion);
            }
            !done
        });
        self.pending = pending;
    }

    fn add(&mut self, combustion: &Combustion) {
        let levels_from = |from: u64| -> Option<Vec<f64>> {
            self.bands().take(MOST_SENSORS).map(|band| band.level_db(from, combustion.to())).collect()
        };
        let later = combustion.from.saturating_add(u64::from(combustion.later));
        let Some((levels, later)) = levels_from(combustion.from).zip(levels_from(later)) else { return };
        let at = match self.cylinders.iter().position(|cylinder| cylinder.cylinder == combustion.cylinder) {
            Some(at) => at,
            None if self.cylinders.len() < MOST_CYLINDERS => {
                self.cylinders.push(Cylinder {
                    cylinder: combustion.cylinder,
                    events: 0.0,
                    level_db: vec![0.0; levels.len()],
                    differences: vec![[0.0; 2]; self.crosses.len()],
                    later_differences: vec![[0.0; 2]; self.crosses.len()],
                });
                self.cylinders.len() - 1
            }
            None => return,
        };
        let sums = &mut self.cylinders[at];
        sums.events += 1.0;
        sums.level_db.iter_mut().zip(&levels).for_each(|(sum, level)| *sum += level);
        for (all, levels) in [(&mut sums.differences, levels), (&mut sums.later_differences, later)] {
            for (sum, (first, second, _)) in all.iter_mut().zip(&self.crosses) {
                let difference = levels[*second] - levels[*first];
                *sum = [sum[0] + difference, sum[1] + difference * difference];
            }
        }
    }

    /// The figures, in the order of the channels.
    pub fn finish(mut self) -> Vec<Listened> {
        self.cylinders.arrange(|a, b| a.cylinder.cmp(&b.cylinder));
        let pickups = self.pickup.finish();
        let features: Vec<SensorFeatures> =
            std::mem::take(&mut self.scans).into_iter().map(SensorScan::finish).collect();
        let beside: Vec<Vec<Beside>> = (0..features.len()).map(|own| self.beside(own, &features)).collect();
        let bands: Vec<&Band> = self.bands().collect();
        let gain = |own: usize| {
            let [first, band] = [0, own].map(|at| bands.get(at).filter(|_| own > 0));
            gain_between(&first?.chunks_db, &band?.chunks_db, GAIN_CONFIDENCE)
        };
        let mut all = Vec::with_capacity(features.len());
        for (own, ((features, beside), pickup)) in features.into_iter().zip(beside).zip(pickups).enumerate() {
            let (gain, hears, moves_db) = (gain(own), self.hears(own), bands[own].moves_db());
            let silent_share = silent_share(&bands[own].chunks_db, &bands[own].chunks_rpm);
            all.push(Listened { features, gain, pickup, hears, moves_db, silent_share, beside });
        }
        all
    }

    fn hears(&self, own: usize) -> Vec<Heard> {
        let mean = |cylinder: &Cylinder| Some(cylinder.level_db.get(own)? / cylinder.events);
        let means: Option<Vec<f64>> = self.cylinders.iter().map(mean).collect();
        let means = means.unwrap_or_default();
        let all = means.iter().sum::<f64>() / means.len().max(1) as f64;
        let cylinders = self.cylinders.iter().zip(means);
        cylinders
            .map(|(sums, mean)| Heard { cylinder: sums.cylinder, db: mean - all, events: sums.events as u64 })
            .collect()
    }

    fn beside(&self, own: usize, features: &[SensorFeatures]) -> Vec<Beside> {
        let pairs = self.crosses.iter().enumerate().filter(|(_, (_, second, _))| *second == own);
        let one = |(pair, (first, _, cross)): (usize, &(usize, usize, Cross))| Beside {
            other: *first,
            coherence: in_phase(cross),
            slope: shape::slope(&shape::over(&features[own].thirds, &features[*first].thirds), 200.0, 2000.0),
            by_cylinder: self.cylinders.iter().map(|cylinder| cylinder.difference(pair)).collect(),
        };
        pairs.map(one).collect()
    }
}

impl Cylinder {
    fn difference(&self, pair: usize) -> Difference {
        let mean = |[sum, squares]: [f64; 2]| {
            let db = sum / self.events;
            let variance = (squares / self.events - db * db).max(0.0);
            (db, (variance / self.events).sqrt())
        };
        let (db, error_db) = mean(self.differences[pair]);
        let (later_db, later_error_db) = mean(self.later_differences[pair]);
        Difference { cylinder: self.cylinder, db, error_db, later_db, later_error_db }
    }
}

/// Fewest segments for a coherence.
const LEAST_SEGMENTS: u64 = 16;
/// Lags tried, samples: converters that take one channel after the other are up to a sample apart.
const LAGS: std::ops::RangeInclusive<i32> = -8..=8;
const LAGS_A_SAMPLE: f64 = 4.0;

/// The mean over frequency of the coherent share with its phase, at the lag (within two samples) that makes it largest; of
/// the compared band.
fn in_phase(cross: &Cross) -> Option<f64> {
    if cross.segments() < LEAST_SEGMENTS {
        return None;
    }
    let (shares, density) = (cross.coherence().ok()?, cross.density().ok()?);
    let bins = shares.len() - 1;
    let inside: Vec<usize> = (bins / 24..bins * 9 / 10).collect();
    let at_lag = |lag: f64| {
        let mut sum = [0.0; 2];
        for &bin in &inside {
            let turn = density[bin].arg() + std::f64::consts::PI * bin as f64 / bins as f64 * lag;
            let weight = shares[bin].sqrt();
            sum = [sum[0] + weight * turn.cos(), sum[1] + weight * turn.sin()];
        }
        // a wire swapped end for end turns all by 180 degrees, nothing else
        sum[0].abs() / inside.len().max(1) as f64
    };
    LAGS.map(|lag| at_lag(f64::from(lag) / LAGS_A_SAMPLE)).max_by(f64::total_cmp)
}
