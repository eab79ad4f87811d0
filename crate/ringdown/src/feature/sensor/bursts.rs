//! Which frequencies of a channel come in bursts, told without any label: spectral kurtosis, class by class of engine speed.
//!
//! Within a class the mean level hardly moves; over a whole run its rise with speed alone would pass for bursts.

use super::spectra::{CLASSES, UNKNOWN, class_of};
use crate::signal::kurtosis::SpectralKurtosis;
use crate::signal::taper::{Shape, Taper};
use serde::{Deserialize, Serialize};

/// Spectral kurtosis of a channel: 0 where it is as even as noise, large where its power comes in short bursts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Bursts {
    /// Hz between two values.
    pub bin_hz: f64,
    /// One a bin, the mean over the speed classes by their segments; NaN for silent bins.
    pub values: Vec<f64>,
    /// Segments they come from.
    pub segments: u64,
}

impl Bursts {
    /// Mean of several by their segments; those of another resolution than the first are left out.
    pub fn mean<'a>(of: impl Iterator<Item = &'a Bursts>) -> Option<Bursts> {
        let mut sum: Option<Bursts> = None;
        for one in of {
            let weighted = || one.values.iter().map(|value| value * one.segments as f64);
            match &mut sum {
                None => sum = Some(Bursts { values: weighted().collect(), ..one.clone() }),
                Some(sum) if sum.bin_hz == one.bin_hz && sum.values.len() == one.values.len() => {
                    sum.values.iter_mut().zip(weighted()).for_each(|(sum, value)| *sum += value);
                    sum.segments += one.segments;
                }
                Some(_) => {}
            }
        }
        let mut mean = sum?;
        mean.values.iter_mut().for_each(|value| *value /= mean.segments as f64);
        Some(mean)
    }
}

/// Length of a segment, s: about as long as a ring lasts, so that one fills it and its neighbours stay empty.
const SEGMENT_S: f64 = 0.005;
/// A class of fewer segments is left out: of Gaussian noise the values scatter by 2 over the root of them.
const LEAST_SEGMENTS: u64 = 400;

/// Collects it slice by slice.
pub struct BurstScan {
    classes: Vec<SpectralKurtosis>,
    last: usize,
}

impl BurstScan {
    pub fn new(sample_rate_hz: f64) -> Self {
        let len = ((SEGMENT_S * sample_rate_hz) as usize).clamp(64, 1 << 12).next_power_of_two();
        let class = || SpectralKurtosis::new(sample_rate_hz, Taper::periodic(Shape::Hann, len), len / 2);
        Self { classes: (0..CLASSES).map(|_| class()).collect(), last: UNKNOWN }
    }

    pub fn push(&mut self, samples: &[f32], rpm: Option<f64>) {
        let class = class_of(rpm);
        if class != self.last {
            self.gap();
            self.last = class;
        }
        self.classes[class].push(samples);
    }

    /// The next slice does not follow on the last one.
    pub fn gap(&mut self) {
        self.classes[self.last].gap();
    }

    /// `None` without a class of enough segments; the engine at rest does not count, and unknown speed only where no other
    /// is.
    pub fn finish(self) -> Option<Bursts> {
        let told = |class: &SpectralKurtosis| {
            let (bin_hz, segments) = (class.bin_hz(), class.segments());
            (segments >= LEAST_SEGMENTS).then(|| Bursts { bin_hz, values: class.values(), segments })
        };
        let running: Vec<Bursts> = self.classes[1..UNKNOWN].iter().filter_map(told).collect();
        Bursts::mean(running.iter()).or_else(|| told(&self.classes[UNKNOWN]))
    }
}
