//! Power spectra by Welch's method, cross spectra and coherence, fed in slices of any size.
//!
//! Scaled as SciPy: density in 1/Hz (its sum times the bin spacing is the mean square), power so that a sine of amplitude
//! A in the middle of a bin reads A^2/2. One-sided. Samples must be finite; others count as 0.

use super::fourier::Fourier;
use super::segments::Segments;
use super::taper::Taper;
use rustfft::num_complex::Complex;

/// Fewer samples than one segment needs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TooShort {
    /// Samples of one segment.
    pub needed: usize,
    /// Samples there were.
    pub present: usize,
}

impl std::fmt::Display for TooShort {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} samples, {} are needed for one spectrum", self.present, self.needed)
    }
}

impl std::error::Error for TooShort {}

/// What is taken off each segment before its spectrum.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Detrend {
    /// Nothing: the mean square is kept.
    Nothing,
    /// Its mean (`detrend="constant"`, SciPy's default).
    Mean,
}

/// A planned transform of tapered segments with its buffers.
pub(super) struct Transform {
    fourier: Fourier<f64>,
    centred: Vec<f64>,
}

impl Transform {
    pub(super) fn new(len: usize) -> Self {
        Self { fourier: Fourier::new(len), centred: Vec::with_capacity(len) }
    }

    pub(super) fn run(&mut self, segment: &[f32], weights: &[f64], detrend: Detrend) -> &[Complex<f64>] {
        let mean = match detrend {
            Detrend::Nothing => 0.0,
            Detrend::Mean => segment.iter().map(|x| f64::from(*x)).sum::<f64>() / segment.len().max(1) as f64,
        };
        self.centred.clear();
        self.centred.extend(segment.iter().map(|sample| f64::from(*sample) - mean));
        self.fourier.run(&self.centred, weights)
    }
}

/// Welch's mean over tapered segments of one channel, fed slice by slice; the result does not depend on the slicing.
pub struct Welch {
    taper: Taper,
    sample_rate_hz: f64,
    detrend: Detrend,
    transform: Transform,
    segments: Segments,
    sums: Vec<f64>,
    count: u64,
}

impl Welch {
    /// `hop`: samples between segment starts, taken into `1..=taper.len()`.
    pub fn new(sample_rate_hz: f64, taper: Taper, hop: usize, detrend: Detrend) -> Self {
        let len = taper.len();
        let transform = Transform::new(len);
        let segments = Segments::new(len, hop);
        Self { taper, sample_rate_hz, detrend, transform, segments, sums: vec![0.0; len / 2 + 1], count: 0 }
    }

    /// Adds samples. Full scale = 1.
    pub fn push(&mut self, samples: &[f32]) {
        self.segments.push(samples, |segment| {
            let spectrum = self.transform.run(segment, self.taper.weights(), self.detrend);
            for (sum, bin) in self.sums.iter_mut().zip(spectrum) {
                *sum += bin.norm_sqr();
            }
            self.count += 1;
        });
    }

    /// Forgets the unfinished segment: what is pushed next does not follow on what was pushed before.
    pub fn gap(&mut self) {
        self.segments.clear();
    }

    /// Segments so far.
    pub fn segments(&self) -> u64 {
        self.count
    }

    /// Hz between two bins; bin `k` belongs to `k` times this.
    pub fn bin_hz(&self) -> f64 {
        self.sample_rate_hz / self.taper.len() as f64
    }

    /// One-sided power spectral density, 1/Hz (`scaling="density"`).
    ///
    /// # Errors
    /// [`TooShort`] without one whole segment.
    pub fn density(&self) -> Result<Vec<f64>, TooShort> {
        self.scaled(1.0 / (self.sample_rate_hz * self.taper.sum_of_squares()))
    }

    /// One-sided power spectrum (`scaling="spectrum"`): a sine of amplitude A in the middle of a bin reads A^2/2.
    ///
    /// # Errors
    /// [`TooShort`] without one whole segment.
    pub fn power(&self) -> Result<Vec<f64>, TooShort> {
        self.scaled(1.0 / self.taper.sum().powi(2))
    }

    fn scaled(&self, scale: f64) -> Result<Vec<f64>, TooShort> {
        let len = self.taper.len();
        if self.count == 0 {
            return Err(TooShort { needed: len, present: self.segments.held() });
        }
        let mean = scale / self.count as f64;
        Ok(self.sums.iter().enumerate().map(|(k, sum)| sum * mean * sides(k, len)).collect())
    }
}

/// 2 for bins that stand for a positive and a negative frequency, 1 for zero and half the sampling rate.
fn sides(bin: usize, len: usize) -> f64 {
    if bin == 0 || 2 * bin == len { 1.0 } else { 2.0 }
}

/// One-sided power spectral density by Welch's method: the mean over overlapping, tapered segments. No detrending.
///
/// * `samples`: one channel, full scale = 1. `hop`: samples between segment starts, `1..=taper.len()`;
///   a last, partial segment is left out.
/// * Returns `taper.len() / 2 + 1` values in 1/Hz; value `k` belongs to `k * sample_rate_hz / taper.len()` Hz.
///
/// # Errors
/// [`TooShort`] without one whole segment. Non-finite samples count as 0.
///
/// # Source
/// P. D. Welch, IEEE Trans. Audio Electroacoust. 15 (1967) 70-73; scaled as `scipy.signal.welch(scaling="density",
/// detrend=False)`.
pub fn welch(samples: &[f32], sample_rate_hz: f64, taper: &Taper, hop: usize) -> Result<Vec<f64>, TooShort> {
    let mut welch = Welch::new(sample_rate_hz, taper.clone(), hop, Detrend::Nothing);
    welch.push(samples);
    welch.density().map_err(|short| TooShort { present: samples.len(), ..short })
}

/// Cross spectrum and coherence of two channels by Welch's method.
pub struct Cross {
    taper: Taper,
    sample_rate_hz: f64,
    detrend: Detrend,
    transforms: [Transform; 2],
    segments: [Segments; 2],
    powers: [Vec<f64>; 2],
    products: Vec<Complex<f64>>,
    count: u64,
}

impl Cross {
    /// As [`Welch::new`].
    pub fn new(sample_rate_hz: f64, taper: Taper, hop: usize, detrend: Detrend) -> Self {
        let (len, bins) = (taper.len(), taper.len() / 2 + 1);
        Self {
            sample_rate_hz,
            detrend,
            transforms: [Transform::new(len), Transform::new(len)],
            segments: [Segments::new(len, hop), Segments::new(len, hop)],
            powers: [vec![0.0; bins], vec![0.0; bins]],
            products: vec![Complex::default(); bins],
            count: 0,
            taper,
        }
    }

    /// Adds samples of both channels taken at the same times; of unequal slices the longer one's rest is left out.
    pub fn push(&mut self, first: &[f32], second: &[f32]) {
        let both = first.len().min(second.len());
        let (mut first, mut second) = (&first[..both], &second[..both]);
        while !first.is_empty() {
            first = self.segments[0].fill(first);
            second = self.segments[1].fill(second);
            self.add_complete();
        }
    }

    fn add_complete(&mut self) {
        let [Some(a), Some(b)] = self.segments.each_ref().map(Segments::complete) else { return };
        let [transform_a, transform_b] = &mut self.transforms;
        let a = transform_a.run(a, self.taper.weights(), self.detrend);
        let b = transform_b.run(b, self.taper.weights(), self.detrend);
        for (k, (a, b)) in a.iter().zip(b).enumerate() {
            self.powers[0][k] += a.norm_sqr();
            self.powers[1][k] += b.norm_sqr();
            self.products[k] += a.conj() * b;
        }
        self.count += 1;
        self.segments.iter_mut().for_each(Segments::advance);
    }

    /// Segments so far. Coherence means little under some 8 of them: with one it is 1 everywhere.
    pub fn segments(&self) -> u64 {
        self.count
    }

    /// One-sided cross spectral density, 1/Hz, as `scipy.signal.csd` (the first channel conjugated).
    ///
    /// # Errors
    /// [`TooShort`] without one whole segment.
    pub fn density(&self) -> Result<Vec<Complex<f64>>, TooShort> {
        self.checked()?;
        let scale = 1.0 / (self.sample_rate_hz * self.taper.sum_of_squares() * self.count as f64);
        let len = self.taper.len();
        Ok(self.products.iter().enumerate().map(|(k, product)| product * (scale * sides(k, len))).collect())
    }

    /// Magnitude-squared coherence of each bin, 0..=1, as `scipy.signal.coherence`; 0 where a channel is silent.
    ///
    /// # Errors
    /// [`TooShort`] without one whole segment.
    pub fn coherence(&self) -> Result<Vec<f64>, TooShort> {
        self.checked()?;
        let share = |((product, a), b): ((&Complex<f64>, &f64), &f64)| {
            let full = a * b;
            if full > 0.0 { (product.norm_sqr() / full).min(1.0) } else { 0.0 }
        };
        Ok(self.products.iter().zip(&self.powers[0]).zip(&self.powers[1]).map(share).collect())
    }

    fn checked(&self) -> Result<(), TooShort> {
        let (needed, present) = (self.taper.len(), self.segments[0].held());
        if self.count == 0 { Err(TooShort { needed, present }) } else { Ok(()) }
    }
}
