//! Spectral kurtosis: which frequencies come in bursts, without being told when.
//!
//! 0 for stationary Gaussian noise, -1 for a steady sine, large where energy comes in short bursts: a knock, but a valve
//! or a spark as well. Where speed changes during the segments the values rise everywhere.

use super::segments::Segments;
use super::spectrum::{Detrend, Transform};
use super::taper::Taper;

/// Spectral kurtosis of one channel, fed slice by slice.
///
/// # Source
/// J. Antoni, Mech. Syst. Signal Process. 20 (2006) 282: `mean |X|^4 / (mean |X|^2)^2 - 2` over tapered segments. At zero
/// and half the sampling rate the transform is real and noise reads 1, not 0: those bins are of no use.
pub struct SpectralKurtosis {
    taper: Taper,
    sample_rate_hz: f64,
    transform: Transform,
    segments: Segments,
    squares: Vec<f64>,
    fourths: Vec<f64>,
    count: u64,
}

impl SpectralKurtosis {
    /// `hop`: samples between segment starts, taken into `1..=taper.len()`.
    pub fn new(sample_rate_hz: f64, taper: Taper, hop: usize) -> Self {
        let (len, bins) = (taper.len(), taper.len() / 2 + 1);
        let (transform, segments) = (Transform::new(len), Segments::new(len, hop));
        let (squares, fourths) = (vec![0.0; bins], vec![0.0; bins]);
        Self { taper, sample_rate_hz, transform, segments, squares, fourths, count: 0 }
    }

    /// Adds samples. Non-finite ones count as 0.
    pub fn push(&mut self, samples: &[f32]) {
        self.segments.push(samples, |segment| {
            let spectrum = self.transform.run(segment, self.taper.weights(), Detrend::Nothing);
            for ((square, fourth), bin) in self.squares.iter_mut().zip(&mut self.fourths).zip(spectrum) {
                let power = bin.norm_sqr();
                *square += power;
                *fourth += power * power;
            }
            self.count += 1;
        });
    }

    /// Forgets the unfinished segment: what comes next does not follow on what came last.
    pub fn gap(&mut self) {
        self.segments.clear();
    }

    /// Segments so far. Of Gaussian noise the values scatter by about 2 over the root of it.
    pub fn segments(&self) -> u64 {
        self.count
    }

    /// Hz between two bins.
    pub fn bin_hz(&self) -> f64 {
        self.sample_rate_hz / self.taper.len() as f64
    }

    /// One value a bin; NaN for silent bins and before the first segment.
    pub fn values(&self) -> Vec<f64> {
        let value = |(square, fourth): (&f64, &f64)| {
            let mean = square / self.count as f64;
            if mean > 0.0 { fourth / self.count as f64 / (mean * mean) - 2.0 } else { f64::NAN }
        };
        self.squares.iter().zip(&self.fourths).map(value).collect()
    }
}
