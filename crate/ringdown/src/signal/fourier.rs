//! Discrete Fourier transform of real, weighted samples: bins 0 to half the length of the sum of x[n] e^(-2 pi i k n / N),
//! not scaled.
//!
//! An even length is transformed as half as many complex values, samples two by two, and then taken apart (Press et al.,
//! Numerical Recipes, 3rd edition, section 12.3.2, from memory). In the browser only the transforms for its vector unit are
//! compiled: the plain ones beside them would weigh as much again.

use rustfft::num_complex::Complex;
use rustfft::{Fft, FftNum};
use std::sync::Arc;

/// A planned transform with its buffers: no allocation per transform.
pub struct Fourier<T: FftNum> {
    len: usize,
    plan: Plan<T>,
    /// Samples by twos, transformed in place; then bins.
    values: Vec<Complex<T>>,
    /// e^(-2 pi i k / N) / 2i, for bins taken apart; none for odd lengths.
    turns: Vec<Complex<T>>,
}

impl<T: FftNum> Fourier<T> {
    /// For `len` samples, any number.
    pub fn new(len: usize) -> Self {
        let is_even = len.is_multiple_of(2);
        let inner = if is_even { len / 2 } else { len };
        let turn = |k: usize| {
            let angle = std::f64::consts::TAU * k as f64 / len.max(1) as f64;
            Complex::new(real(-0.5 * angle.sin()), real(-0.5 * angle.cos()))
        };
        Self {
            len,
            plan: Plan::new(inner),
            values: vec![Complex::new(T::zero(), T::zero()); inner.max(len / 2 + 1)],
            turns: if is_even { (0..=inner / 2).map(turn).collect() } else { Vec::new() },
        }
    }

    /// Bins of a transform: half its length and one.
    pub fn bins(&self) -> usize {
        self.len / 2 + 1
    }

    /// Complex values transformed.
    fn inner(&self) -> usize {
        if self.len.is_multiple_of(2) { self.len / 2 } else { self.len }
    }

    /// What was last transformed.
    pub fn output(&self) -> &[Complex<T>] {
        &self.values[..self.bins()]
    }

    /// Transforms samples times weights; where either ends early, zeros follow.
    pub fn run(&mut self, samples: &[T], weights: &[T]) -> &[Complex<T>] {
        let known = samples.len().min(weights.len()).min(self.len);
        let (samples, weights) = (&samples[..known], &weights[..known]);
        let inner = self.inner();
        if self.len.is_multiple_of(2) {
            let pairs = samples.chunks_exact(2).zip(weights.chunks_exact(2));
            for (into, (x, w)) in self.values.iter_mut().zip(pairs) {
                *into = Complex::new(x[0] * w[0], x[1] * w[1]);
            }
            if known % 2 == 1 {
                self.values[known / 2] = Complex::new(samples[known - 1] * weights[known - 1], T::zero());
            }
            self.values[known.div_ceil(2)..].fill(Complex::new(T::zero(), T::zero()));
        } else {
            for (into, (x, w)) in self.values.iter_mut().zip(samples.iter().zip(weights)) {
                *into = Complex::new(*x * *w, T::zero());
            }
            self.values[known..].fill(Complex::new(T::zero(), T::zero()));
        }
        self.plan.run(&mut self.values[..inner]);
        if self.len.is_multiple_of(2) {
            self.take_apart();
        }
        self.output()
    }

    /// Of bins k and N/2 - k of the pairs: their even part belongs to samples 0, 2, 4 ..., the odd one to 1, 3, 5 ...
    fn take_apart(&mut self) {
        let half = self.inner();
        let share = real::<T>(0.5);
        let first = if half == 0 { Complex::new(T::zero(), T::zero()) } else { self.values[0] };
        self.values[0] = Complex::new(first.re + first.im, T::zero());
        self.values[half] = Complex::new(first.re - first.im, T::zero());
        if half < 2 {
            return;
        }
        let (low, high) = self.values[1..half].split_at_mut((half - 1) / 2);
        let turns = self.turns.iter().skip(1);
        for ((low, high), turn) in low.iter_mut().zip(high.iter_mut().rev()).zip(turns) {
            let even = Complex::new((low.re + high.re) * share, (low.im - high.im) * share);
            let odd = Complex::new(low.re - high.re, low.im + high.im) * turn;
            *low = even + odd;
            *high = (even - odd).conj();
        }
        if half.is_multiple_of(2) {
            self.values[half / 2] = self.values[half / 2].conj();
        }
    }
}

fn real<T: FftNum>(value: f64) -> T {
    T::from_f64(value).unwrap_or_else(T::zero)
}

/// A complex transform in place.
struct Plan<T: FftNum> {
    plan: Arc<dyn Fft<T>>,
    scratch: Vec<Complex<T>>,
}

impl<T: FftNum> Plan<T> {
    fn new(len: usize) -> Self {
        let plan = planned(len);
        Self { scratch: vec![Complex::new(T::zero(), T::zero()); plan.get_inplace_scratch_len()], plan }
    }

    fn run(&mut self, values: &mut [Complex<T>]) {
        self.plan.process_with_scratch(values, &mut self.scratch);
    }
}

#[cfg(not(target_arch = "wasm32"))]
fn planned<T: FftNum>(len: usize) -> Arc<dyn Fft<T>> {
    rustfft::FftPlanner::new().plan_fft_forward(len)
}

#[cfg(target_arch = "wasm32")]
fn planned<T: FftNum>(len: usize) -> Arc<dyn Fft<T>> {
    rustfft::FftPlannerWasmSimd::new().expect("f32 and f64 both fit the vector unit").plan_fft_forward(len)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against the definition, summed term by term.
    #[test]
    fn bins_are_those_of_the_definition_whatever_the_length() {
        for len in (0_usize..40).chain([44, 96, 97, 100, 250, 255, 256]) {
            let samples: Vec<f64> = (0..len).map(|n| ((n * n * 7 + 3 * n) % 31) as f64 - 14.0).collect();
            let weights: Vec<f64> = (0..len).map(|n| 0.5 + (n % 3) as f64).collect();
            for known in [len, len / 2, len.saturating_sub(1)] {
                let mut fourier = Fourier::<f64>::new(len);
                fourier.run(&samples, &weights); // what stood there before must not matter
                let bins = fourier.run(&samples[..known], &weights);
                assert_eq!(bins.len(), len / 2 + 1);
                for (k, bin) in bins.iter().enumerate() {
                    let term = |n: usize| {
                        let turn = -std::f64::consts::TAU * ((k * n) % len) as f64 / len as f64;
                        Complex::from_polar(samples[n] * weights[n], turn)
                    };
                    let expected: Complex<f64> = (0..known).map(term).sum();
                    assert!((bin - expected).norm() < 1e-10, "length {len}, {known} known, bin {k}: {bin} {expected}");
                }
            }
        }
    }
}
