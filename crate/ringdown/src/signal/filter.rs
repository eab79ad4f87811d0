//! Butterworth second-order sections, causal, one band or several at once.
//!
//! Design: the analogue prototype's poles on the unit circle, moved to the band (for a band-pass each pole gives two),
//! then the bilinear transform with warped edges. Source: A. V. Oppenheim, R. W. Schafer, Discrete-Time Signal
//! Processing, ch. 7 (from memory); the result is that of `scipy.signal.butter`, whose convention for the order is kept:
//! a band-pass of order n has 2n poles. Gain is spread so that no section exceeds the signal's own range in the band.

use rustfft::num_complex::Complex;
use rustfft::num_traits::{Float, cast};
use std::f64::consts::PI;

/// What passes.
#[derive(Debug, Clone, Copy, PartialEq)]
#[allow(missing_docs)]
pub enum Pass {
    /// All below the half-power edge.
    Low { edge_hz: f64 },
    /// All above the half-power edge.
    High { edge_hz: f64 },
    /// Between the half-power edges.
    Band { low_hz: f64, high_hz: f64 },
}

impl Pass {
    /// The band around `centre_hz` (geometric mean of its edges) whose half-power width is `centre_hz / q`.
    pub fn around(centre_hz: f64, q: f64) -> Self {
        let half = 0.5 / q;
        let root = (1.0 + half * half).sqrt();
        Pass::Band { low_hz: centre_hz * (root - half), high_hz: centre_hz * (root + half) }
    }

    /// The frequency at which the gain is exactly 1 (for a band-pass: the geometric mean of its edges, warped).
    fn unit_gain_hz(self, sample_rate_hz: f64) -> f64 {
        match self {
            Pass::Low { .. } => 0.0,
            Pass::High { .. } => 0.5 * sample_rate_hz,
            Pass::Band { low_hz, high_hz } => {
                let [low, high] = [low_hz, high_hz].map(|hz| warped(hz, sample_rate_hz));
                (low * high).sqrt().atan() * sample_rate_hz / PI
            }
        }
    }

    fn edges_hz(self) -> [f64; 2] {
        match self {
            Pass::Low { edge_hz } => [edge_hz, edge_hz],
            Pass::High { edge_hz } => [edge_hz, edge_hz],
            Pass::Band { low_hz, high_hz } => [low_hz, high_hz],
        }
    }
}

/// A design that can't be: why.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BadDesign {
    /// The order is 0 or over [`MOST_ORDER`].
    Order,
    /// Edges must be ascending and lie between 0 and half the sampling rate.
    Edges,
}

impl std::fmt::Display for BadDesign {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            BadDesign::Order => write!(f, "the filter's order must be 1 to {MOST_ORDER}"),
            BadDesign::Edges => write!(f, "the band's edges must ascend between 0 and half the sampling rate"),
        }
    }
}

impl std::error::Error for BadDesign {}

/// Beyond this order the poles of narrow bands are no longer told apart in double precision.
pub const MOST_ORDER: usize = 12;

/// One section: y = b0 x + b1 x' + b2 x'' - a1 y' - a2 y''.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Section {
    /// Numerator.
    pub b: [f64; 3],
    /// Denominator a1, a2; a0 is 1.
    pub a: [f64; 2],
}

impl Section {
    /// Numerator and denominator at z^-1 = `z1`.
    fn parts(&self, z1: Complex<f64>) -> [Complex<f64>; 2] {
        let [b0, b1, b2] = self.b;
        let [a1, a2] = self.a;
        [z1 * (z1 * b2 + b1) + b0, z1 * (z1 * a2 + a1) + 1.0]
    }

    fn response(&self, z1: Complex<f64>) -> Complex<f64> {
        let [numerator, denominator] = self.parts(z1);
        numerator / denominator
    }

    /// Samples of group delay: Re of (sum k c_k z^-k) / (sum c_k z^-k), numerator less denominator.
    fn delay_samples(&self, z1: Complex<f64>) -> f64 {
        let [b, a] = self.parts(z1);
        let [_, b1, b2] = self.b;
        let [a1, a2] = self.a;
        let moment = |c1: f64, c2: f64| z1 * (z1 * (2.0 * c2) + c1);
        (moment(b1, b2) / b).re - (moment(a1, a2) / a).re
    }
}

/// A cascade of sections.
#[derive(Debug, Clone, PartialEq)]
pub struct Sos {
    /// Applied one after the other.
    pub sections: Vec<Section>,
    /// Hz.
    pub sample_rate_hz: f64,
}

/// tan(pi f / fs): the analogue frequency the bilinear transform maps to f, for a transform s = (1 - z^-1)/(1 + z^-1).
fn warped(hz: f64, sample_rate_hz: f64) -> f64 {
    (PI * hz / sample_rate_hz).tan()
}

/// Designs a Butterworth filter.
///
/// # Errors
/// [`BadDesign`] for an order or edges outside what is possible.
pub fn butterworth(order: usize, pass: Pass, sample_rate_hz: f64) -> Result<Sos, BadDesign> {
    if order == 0 || order > MOST_ORDER {
        return Err(BadDesign::Order);
    }
    let [low_hz, high_hz] = pass.edges_hz();
    let ascend = matches!(pass, Pass::Band { .. }) == (low_hz < high_hz);
    if !(ascend && low_hz > 0.0 && high_hz < 0.5 * sample_rate_hz && sample_rate_hz.is_finite()) {
        return Err(BadDesign::Edges);
    }
    let unit = turned(pass.unit_gain_hz(sample_rate_hz), sample_rate_hz);
    let mut sections = Vec::with_capacity(order);
    for pole in prototype(order) {
        place(pole, pass, sample_rate_hz, &mut sections);
    }
    for section in &mut sections {
        let gain = section.response(unit).norm();
        section.b = section.b.map(|b| b / gain);
    }
    Ok(Sos { sections, sample_rate_hz })
}

/// z^-1 at a frequency.
fn turned(hz: f64, sample_rate_hz: f64) -> Complex<f64> {
    Complex::from_polar(1.0, -2.0 * PI * hz / sample_rate_hz)
}

/// Poles of the analogue low-pass with edge 1: those above the real axis, and the real one of odd orders (last).
fn prototype(order: usize) -> impl Iterator<Item = Complex<f64>> {
    (0..order.div_ceil(2)).map(move |k| {
        if 2 * k + 1 == order {
            return Complex::new(-1.0, 0.0);
        }
        Complex::from_polar(1.0, PI * (0.5 + (2 * k + 1) as f64 / (2 * order) as f64))
    })
}

/// Turns one prototype pole (and its conjugate) into sections, not yet scaled.
fn place(pole: Complex<f64>, pass: Pass, sample_rate_hz: f64, sections: &mut Vec<Section>) {
    let [low, high] = pass.edges_hz().map(|hz| warped(hz, sample_rate_hz));
    match pass {
        Pass::Low { .. } => sections.push(conjugates(pole * low, [1.0, 2.0, 1.0])),
        Pass::High { .. } => sections.push(conjugates(pole.inv() * low, [1.0, -2.0, 1.0])),
        Pass::Band { .. } => {
            // s^2 - pole (high - low) s + low high = 0
            let half = pole * (0.5 * (high - low));
            let root = (half * half - low * high).sqrt();
            if pole.im == 0.0 {
                sections.push(pair([half + root, half - root], [1.0, 0.0, -1.0]));
            } else {
                sections.extend([half + root, half - root].map(|s| conjugates(s, [1.0, 0.0, -1.0])));
            }
        }
    }
}

/// The section of an analogue pole and its conjugate; a real pole stands alone and takes half the zeros.
fn conjugates(pole: Complex<f64>, b: [f64; 3]) -> Section {
    if pole.im == 0.0 {
        return Section { b: [1.0, 0.5 * b[1], 0.0], a: [-bilinear(pole).re, 0.0] };
    }
    pair([pole, pole.conj()], b)
}

/// The section of two analogue poles whose sum and product are real.
fn pair(poles: [Complex<f64>; 2], b: [f64; 3]) -> Section {
    let [p, q] = poles.map(bilinear);
    Section { b, a: [-(p + q).re, (p * q).re] }
}

fn bilinear(pole: Complex<f64>) -> Complex<f64> {
    (pole + 1.0) / (-pole + 1.0)
}

impl Sos {
    /// Complex gain at a frequency.
    pub fn response(&self, hz: f64) -> Complex<f64> {
        let z1 = turned(hz, self.sample_rate_hz);
        self.sections.iter().map(|section| section.response(z1)).product()
    }

    /// Group delay at a frequency where something passes, s.
    pub fn group_delay_s(&self, hz: f64) -> f64 {
        let z1 = turned(hz, self.sample_rate_hz);
        self.sections.iter().map(|section| section.delay_samples(z1)).sum::<f64>() / self.sample_rate_hz
    }

    /// A run of this filter, at rest.
    pub fn start(&self) -> Running {
        Running { sections: self.sections.clone(), delays: vec![[0.0; 2]; self.sections.len()] }
    }
}

/// A causal filter at work: its state carries over from slice to slice.
#[derive(Debug, Clone)]
pub struct Running {
    sections: Vec<Section>,
    pub(super) delays: Vec<[f64; 2]>,
}

impl Running {
    /// The next output. Transposed direct form 2.
    #[inline]
    pub fn step(&mut self, sample: f64) -> f64 {
        let mut x = sample;
        for (Section { b, a }, [z1, z2]) in self.sections.iter().zip(&mut self.delays) {
            let y = b[0] * x + *z1;
            *z1 = b[1] * x - a[0] * y + *z2;
            *z2 = b[2] * x - a[1] * y;
            x = y;
        }
        x
    }

    /// Filters `samples` into `out`, as many as the shorter holds. A non-finite sample counts as 0.
    pub fn run(&mut self, samples: &[f32], out: &mut [f32]) {
        for (sample, out) in samples.iter().zip(out) {
            *out = self.step(finite(*sample)) as f32;
        }
        self.delays.as_flattened_mut().iter_mut().for_each(settle);
    }

    /// Filters in place.
    pub fn run_in_place(&mut self, samples: &mut [f32]) {
        for sample in samples {
            *sample = self.step(finite(*sample)) as f32;
        }
        self.delays.as_flattened_mut().iter_mut().for_each(settle);
    }

    /// Back to rest: after a gap.
    pub fn rest(&mut self) {
        self.delays.fill([0.0; 2]);
    }
}

/// One filter over `N` channels side by side: a recursion waits for its own last output, so several cost little more than
/// one.
#[derive(Debug, Clone)]
pub struct Abreast<const N: usize> {
    sections: Vec<Section>,
    pub(super) delays: Vec<[[f64; N]; 2]>,
}

impl<const N: usize> Abreast<N> {
    /// At rest.
    pub fn new(filter: &Sos) -> Self {
        Self { sections: filter.sections.clone(), delays: vec![[[0.0; N]; 2]; filter.sections.len()] }
    }

    /// Filters rows in place, a lane a channel. Transposed direct form 2, as [`Running::step`].
    pub(super) fn forwards(&mut self, rows: &mut [[f64; N]]) {
        self.by_twos(|sections, delays| cascade(sections, delays, rows.iter_mut()));
    }

    /// The same from the last row to the first.
    pub(super) fn backwards(&mut self, rows: &mut [[f64; N]]) {
        self.by_twos(|sections, delays| cascade(sections, delays, rows.iter_mut().rev()));
    }

    /// All rows go through two sections before they go through the next two: of more the delays would not stay in the
    /// processor's registers, one alone would wait for its own last output.
    fn by_twos(&mut self, mut pass: impl FnMut(&[Section], &mut [[[f64; N]; 2]])) {
        for (sections, delays) in self.sections.chunks(2).zip(self.delays.chunks_mut(2)) {
            pass(sections, delays);
        }
    }

    /// Hands the outputs to `take`, sample by sample, as far as the shortest channel reaches. A sample that is no number
    /// counts as 0.
    #[inline]
    pub fn run(&mut self, channels: [&[f32]; N], mut take: impl FnMut([f64; N])) {
        let shortest = channels.iter().map(|channel| channel.len()).min().unwrap_or(0);
        let channels = channels.map(|channel| &channel[..shortest]);
        let mut rows = [[0.0; N]; ROWS];
        for from in (0..shortest).step_by(ROWS) {
            let rows = &mut rows[..ROWS.min(shortest - from)];
            for (lane, channel) in channels.iter().enumerate() {
                rows.iter_mut().zip(&channel[from..]).for_each(|(row, sample)| row[lane] = finite(*sample));
            }
            self.forwards(rows);
            rows.iter().for_each(|row| take(*row));
        }
        self.delays.as_flattened_mut().as_flattened_mut().iter_mut().for_each(settle);
    }
}

/// Rows filtered at once: they stay in the processor's nearest memory.
const ROWS: usize = 64;

/// One or two sections over all rows.
#[inline(always)] // so that each direction is compiled by itself
fn cascade<'a, const N: usize>(
    sections: &[Section],
    delays: &mut [[[f64; N]; 2]],
    rows: impl Iterator<Item = &'a mut [f64; N]>,
) {
    match (sections, delays) {
        ([first, second], [p, q]) => {
            let (mut own, mut next) = (*p, *q);
            for row in rows {
                for (lane, x) in row.iter_mut().enumerate() {
                    *x = second.through(first.through(*x, &mut own, lane), &mut next, lane);
                }
            }
            (*p, *q) = (own, next);
        }
        ([only], [delays]) => {
            let mut own = *delays;
            for row in rows {
                for (lane, x) in row.iter_mut().enumerate() {
                    *x = only.through(*x, &mut own, lane);
                }
            }
            *delays = own;
        }
        _ => {}
    }
}

impl Section {
    #[inline(always)]
    fn through<const N: usize>(&self, x: f64, [z1, z2]: &mut [[f64; N]; 2], lane: usize) -> f64 {
        let y = self.b[0] * x + z1[lane];
        z1[lane] = self.b[1] * x - self.a[0] * y + z2[lane];
        z2[lane] = self.b[2] * x - self.a[1] * y;
        y
    }
}

fn finite(sample: f32) -> f64 {
    if sample.is_finite() { f64::from(sample) } else { 0.0 }
}

/// After long digital silence a delay decays into subnormal numbers, which some processors add a hundred times slower.
fn settle(delay: &mut f64) {
    if delay.abs() < 1e-100 {
        *delay = 0.0;
    }
}

/// Up to `N` filters over the same samples at once, several times quicker than one after the other; a multiple of four lanes
/// fills the processor's vectors.
///
/// `T`: `f64`, or `f32`, which takes half the time where a band is not narrow: the error of its rounding grows as the poles
/// near the unit circle, to some 1e-5 of the signal for bands of 1 kHz at 48 kHz.
#[derive(Debug, Clone)]
pub struct Bank<T, const N: usize> {
    sections: Vec<LaneSection<T, N>>,
}

/// One section of each lane, coefficient by coefficient, so that the loops over lanes become vector arithmetic.
#[derive(Debug, Clone, Copy)]
struct LaneSection<T, const N: usize> {
    b: [[T; N]; 3],
    a: [[T; N]; 2],
    z: [[T; N]; 2],
}

impl<T: Float, const N: usize> LaneSection<T, N> {
    /// Filters rows in place.
    fn filter(&mut self, rows: &mut [[T; N]]) {
        let Self { b, a, z: [mut z1, mut z2] } = *self;
        for row in rows {
            for l in 0..N {
                let x = row[l];
                let y = b[0][l] * x + z1[l];
                z1[l] = b[1][l] * x - a[0][l] * y + z2[l];
                z2[l] = b[2][l] * x - a[1][l] * y;
                row[l] = y;
            }
        }
        self.z = [z1, z2];
    }
}

impl<T: Float + From<f32>, const N: usize> Bank<T, N> {
    /// A bank at rest; filters past `N` are left out, lanes without a filter give 0.
    pub fn new(filters: &[Sos]) -> Self {
        let none = T::zero();
        let depth = filters.iter().take(N).map(|filter| filter.sections.len()).max().unwrap_or(0).max(1);
        let mut sections = vec![LaneSection { b: [[none; N]; 3], a: [[none; N]; 2], z: [[none; N]; 2] }; depth];
        let rounded = |coefficient: f64| cast(coefficient).unwrap_or(none);
        for (lane, filter) in filters.iter().take(N).enumerate() {
            for (k, into) in sections.iter_mut().enumerate() {
                let section = filter.sections.get(k).copied().unwrap_or(Section { b: [1.0, 0.0, 0.0], a: [0.0; 2] });
                (0..3).for_each(|i| into.b[i][lane] = rounded(section.b[i]));
                (0..2).for_each(|i| into.a[i][lane] = rounded(section.a[i]));
            }
        }
        Self { sections }
    }

    /// Hands each output to `take`, sample by sample. A non-finite sample counts as 0.
    #[inline]
    pub fn run(&mut self, samples: &[f32], mut take: impl FnMut([T; N])) {
        let mut rows = [[T::zero(); N]; ROWS];
        for part in samples.chunks(ROWS) {
            let rows = &mut rows[..part.len()];
            for (row, sample) in rows.iter_mut().zip(part) {
                *row = [if sample.is_finite() { <T as From<f32>>::from(*sample) } else { T::zero() }; N];
            }
            self.sections.iter_mut().for_each(|section| section.filter(rows));
            rows.iter().for_each(|row| take(*row));
        }
        // As in `settle`: -380 dB of full scale in single precision.
        let least = T::min_positive_value().sqrt();
        for delay in self.sections.iter_mut().flat_map(|section| section.z.as_flattened_mut()) {
            if delay.abs() < least {
                *delay = T::zero();
            }
        }
    }

    /// Back to rest: after a gap.
    pub fn rest(&mut self) {
        self.sections.iter_mut().for_each(|section| section.z = [[T::zero(); N]; 2]);
    }
}
