//! What can be said of a sensor's channel as figures: level, noise, clipping, steps, hum, spectra, a tuned peak.
//!
//! A [`SensorScan`] takes the samples once, slice by slice, with the engine speed of each slice; its memory does not grow.
//! Figures only: what they mean for the user is judged elsewhere.

mod bursts;
mod gain;
mod hum;
mod panel;
mod pickup;
mod resonance;
mod shape;
mod silent;
mod spectra;
mod spikes;
mod values;

pub use bursts::Bursts;
pub use gain::{Gain, gain_between};
pub use hum::Hum;
pub use panel::{Beside, Combustion, Difference, Heard, Listened, Panel};
pub use pickup::Pickup;
pub use resonance::Resonance;
pub use shape::{Slope, Third};
pub use spectra::{Peak, Spectra, Speed, SpeedSpectrum};
pub use spikes::Spikes;

use crate::units::decibels;
use bursts::BurstScan;
use hum::HumScan;
use serde::{Deserialize, Serialize};
use spectra::SpectraScan;
use spikes::SpikeScan;
use values::Values;

/// Why a channel carries no engine.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Dead {
    /// No samples.
    Empty,
    /// One and the same value throughout.
    Constant {
        /// It.
        value: f64,
    },
    /// So few steps of the converter that nothing can be told.
    FewSteps {
        /// Steps between the smallest and the largest sample.
        steps: f64,
    },
    /// As loud fast as slow.
    SameAtEverySpeed {
        /// Level at the highest over that at the lowest speed, dB.
        db: f64,
        /// The lowest speed compared.
        rpm_low: f64,
        /// The highest speed compared.
        rpm_high: f64,
    },
}

/// The figures of one channel. Levels are dB re full scale (10 log10 of the mean square).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SensorFeatures {
    /// Samples seen.
    pub samples: u64,
    /// Smallest sample.
    pub min: f64,
    /// Largest sample.
    pub max: f64,
    /// Mean.
    pub offset: f64,
    /// Level of the whole without its mean, dB.
    pub rms_db: f64,
    /// Level in the noise band at rest (under 400 rpm), or that only the quietest 2 % of segments stay under, dB; `None`
    /// where no segment is whole.
    pub noise_floor_db: Option<f64>,
    /// Whether that is the level at rest.
    pub floor_at_rest: bool,
    /// The noise band, Hz: 2 to 15 kHz, or to 0.45 of the sampling rate.
    pub noise_band_hz: [f64; 2],
    /// Share of samples that pile up at the largest or smallest values.
    pub clipped_share: f64,
    /// Least step between values; `None` for a constant.
    pub step: Option<f64>,
    /// Bits the signal really uses: log2 of the steps between its extremes, at most 24.
    pub bits: f64,
    /// Hum; `None` where it can't be told from the engine's orders.
    pub hum: Option<Hum>,
    /// Electrical spikes; `None` under a second.
    pub spikes: Option<Spikes>,
    /// Levels in thirds of an octave, pooled over speeds.
    pub thirds: Vec<Third>,
    /// Their slope from 200 Hz to 2 kHz.
    pub slope: Option<Slope>,
    /// Frequency above which the spectrum is cut off as by a lossy coder or a resampler.
    pub cut_hz: Option<f64>,
    /// Why the channel carries no engine, if so.
    pub dead: Option<Dead>,
    /// Mean spectra by speed and the peaks over speed.
    pub spectra: Spectra,
    /// Which frequencies come in bursts; `None` under a second.
    pub bursts: Option<Bursts>,
    /// The resonance that fits the spectrum around its highest peak best, whether it dominates or not.
    pub fitted: Option<Resonance>,
    /// The same if it dominates at every speed: a sharply tuned sensor or a loose mount.
    pub resonance: Option<Resonance>,
}

/// Collects the figures of one sensor channel.
pub struct SensorScan {
    values: Values,
    hum: HumScan,
    spikes: SpikeScan,
    spectra: SpectraScan,
    bursts: BurstScan,
}

impl SensorScan {
    /// For a channel sampled at `sample_rate_hz`.
    pub fn new(sample_rate_hz: f64) -> Self {
        Self {
            values: Values::default(),
            hum: HumScan::new(sample_rate_hz),
            spikes: SpikeScan::new(sample_rate_hz),
            spectra: SpectraScan::new(sample_rate_hz),
            bursts: BurstScan::new(sample_rate_hz),
        }
    }

    /// Adds a slice of some 0.1-0.2 s with the engine speed in it, `None` where it is not known. Non-finite samples are left
    /// out of the statistics and count as 0 in the spectra.
    pub fn push(&mut self, samples: &[f32], rpm: Option<f64>) {
        let rpm = rpm.filter(|rpm| rpm.is_finite() && *rpm >= 0.0);
        self.values.push(samples);
        self.hum.push(samples, rpm);
        self.spikes.push(samples);
        self.spectra.push(samples, rpm);
        self.bursts.push(samples, rpm);
    }

    /// The next slice does not follow on the last one.
    pub fn gap(&mut self) {
        self.hum.gap();
        self.spikes.gap();
        self.spectra.gap();
        self.bursts.gap();
    }

    /// The figures.
    pub fn finish(self) -> SensorFeatures {
        let Self { values, hum, spikes, spectra, bursts } = self;
        let dead = dead(&values, &spectra);
        let pooled_db = spectra.pooled_db().unwrap_or_default();
        let thirds = shape::thirds(&pooled_db, spectra.bin_hz());
        let at_rest_db = spectra.rest_db();
        let fitted = if dead.is_none() { resonance::fitted(&spectra) } else { None };
        SensorFeatures {
            samples: values.samples(),
            min: values.min(),
            max: values.max(),
            offset: values.mean(),
            rms_db: decibels(values.variance()),
            noise_floor_db: at_rest_db.or_else(|| spectra.noise_floor_db()),
            floor_at_rest: at_rest_db.is_some(),
            noise_band_hz: spectra.noise_band_hz(),
            clipped_share: values.clipped_share(),
            step: values.step(),
            bits: values.bits(),
            hum: hum.finish(),
            spikes: spikes.finish(),
            slope: shape::slope(&thirds, 200.0, 2000.0),
            thirds,
            cut_hz: shape::cut_hz(&pooled_db, spectra.bin_hz()),
            resonance: fitted.filter(Resonance::dominates),
            fitted,
            spectra: spectra.finish(),
            bursts: bursts.finish(),
            dead,
        }
    }
}

/// Under so many steps a signal is called dead: 2 bits.
const FEW_STEPS: f64 = 4.0;

/// Level difference between speeds at least 2000 rpm apart under which a channel does not hear the engine, dB. Mechanical
/// noise rises by many dB over such a span (common practice, no source).
const SAME_LEVEL_DB: f64 = 1.0;

fn dead(values: &Values, spectra: &SpectraScan) -> Option<Dead> {
    if values.samples() == 0 {
        return Some(Dead::Empty);
    }
    let Some(step) = values.step() else { return Some(Dead::Constant { value: values.mean() }) };
    let steps = (values.max() - values.min()) / step;
    if steps < FEW_STEPS {
        return Some(Dead::FewSteps { steps });
    }
    let [(rpm_low, slow_db), (rpm_high, fast_db)] = spectra.slowest_and_fastest()?;
    let db = fast_db - slow_db;
    let same = rpm_high - rpm_low >= 2000.0 && db.abs() < SAME_LEVEL_DB;
    same.then_some(Dead::SameAtEverySpeed { db, rpm_low, rpm_high })
}
