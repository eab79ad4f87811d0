//! Tapers (the DSP weighting; "window" is the crank-angle window here) and their constants.
//!
//! All are sums of cosines. Source: F. J. Harris, Proc. IEEE 66 (1978) 51-83; the flat top is the five-term one of
//! G. D'Antona and A. Ferrero, Digital Signal Processing for Measurement Systems (2006), as SciPy has it.

use std::f64::consts::PI;

/// The kind of taper.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// No weighting.
    Rectangle,
    /// Raised cosine: the default for spectra.
    Hann,
    /// Raised cosine on a pedestal.
    Hamming,
    /// Three terms.
    Blackman,
    /// Four terms, side lobes under -92 dB.
    BlackmanHarris,
    /// Five terms: a tone's level within 0.01 dB wherever it lies between bins.
    FlatTop,
}

impl Shape {
    /// Weights of cos(0 x), cos(1 x), ... with x from -pi to pi over the taper.
    fn terms(self) -> &'static [f64] {
        match self {
            Shape::Rectangle => &[1.0],
            Shape::Hann => &[0.5, 0.5],
            Shape::Hamming => &[0.54, 0.46],
            Shape::Blackman => &[0.42, 0.5, 0.08],
            Shape::BlackmanHarris => &[0.35875, 0.48829, 0.14128, 0.01168],
            Shape::FlatTop => &[0.215_578_95, 0.416_631_58, 0.277_263_158, 0.083_578_947, 0.006_947_368],
        }
    }
}

/// Weights of one segment.
#[derive(Debug, Clone, PartialEq)]
pub struct Taper {
    weights: Vec<f64>,
}

impl Taper {
    /// One period of the cosine sum, its last point left out: for spectra (`scipy.signal.get_window(fftbins=True)`).
    /// A length of 0 counts as 1.
    pub fn periodic(shape: Shape, len: usize) -> Self {
        Self::sampled(shape, len.max(1), len.max(1))
    }

    /// First and last point equal: for the design of filters (`fftbins=False`). A length of 0 counts as 1.
    pub fn symmetric(shape: Shape, len: usize) -> Self {
        Self::sampled(shape, len.max(1), len.max(2) - 1)
    }

    fn sampled(shape: Shape, len: usize, period: usize) -> Self {
        if len == 1 {
            return Self { weights: vec![1.0] };
        }
        let weight = |n: usize| {
            let x = 2.0 * PI * n as f64 / period as f64 - PI;
            shape.terms().iter().enumerate().map(|(k, term)| term * (k as f64 * x).cos()).sum()
        };
        Self { weights: (0..len).map(weight).collect() }
    }

    /// The weights.
    pub fn weights(&self) -> &[f64] {
        &self.weights
    }

    /// Samples of a segment, at least 1.
    #[allow(clippy::len_without_is_empty)]
    pub fn len(&self) -> usize {
        self.weights.len()
    }

    /// Sum of the weights.
    pub fn sum(&self) -> f64 {
        self.weights.iter().sum()
    }

    /// Sum of the squared weights.
    pub fn sum_of_squares(&self) -> f64 {
        self.weights.iter().map(|weight| weight * weight).sum()
    }

    /// Mean weight: what a tone in the middle of a bin keeps of its amplitude.
    pub fn coherent_gain(&self) -> f64 {
        self.sum() / self.len() as f64
    }

    /// Width of the ideal filter that passes as much white noise, in bins.
    pub fn noise_bandwidth_bins(&self) -> f64 {
        self.len() as f64 * self.sum_of_squares() / self.sum().powi(2)
    }

    /// Loss of a tone half-way between two bins, dB, positive.
    pub fn scalloping_db(&self) -> f64 {
        let (mut re, mut im) = (0.0, 0.0);
        for (n, weight) in self.weights.iter().enumerate() {
            let (sin, cos) = (PI * n as f64 / self.len() as f64).sin_cos();
            re += weight * cos;
            im += weight * sin;
        }
        -20.0 * (re.hypot(im) / self.sum().abs()).log10()
    }
}
