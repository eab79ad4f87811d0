//! What the sample values alone tell: extremes, mean, steps of the converter, clipping.

use crate::signal::extreme::lower;

/// Bins of the histogram: even, so that doubling the range merges pairs.
const BINS: usize = 4096;

/// Sums kept side by side: one alone would wait for each addition.
const LANES: usize = 4;

/// Exponents of f32 differences.
const EXPONENTS: usize = 256;

/// Statistics of sample values, in fixed memory.
pub struct Values {
    samples: u64,
    sum: f64,
    sum_of_squares: f64,
    min: f32,
    max: f32,
    previous: Option<f32>,
    /// How many differences between neighbours have each binary exponent, and the least of them.
    differences: Box<[(u64, f32); EXPONENTS]>,
    histogram: Histogram,
}

impl Default for Values {
    fn default() -> Self {
        Self {
            samples: 0,
            sum: 0.0,
            sum_of_squares: 0.0,
            min: f32::INFINITY,
            max: f32::NEG_INFINITY,
            previous: None,
            differences: Box::new([(0, f32::INFINITY); EXPONENTS]),
            histogram: Histogram::new(),
        }
    }
}

impl Values {
    pub fn push(&mut self, samples: &[f32]) {
        let (mut count, mut sum, mut squares) = ([0_u32; LANES], [0.0; LANES], [0.0; LANES]);
        let (mut min, mut max) = ([self.min; LANES], [self.max; LANES]);
        for chunk in samples.chunks(LANES) {
            for (lane, &sample) in chunk.iter().enumerate() {
                let counts = sample.is_finite();
                let x = if counts { f64::from(sample) } else { 0.0 };
                count[lane] += u32::from(counts);
                sum[lane] += x;
                squares[lane] += x * x;
                min[lane] = if counts && sample < min[lane] { sample } else { min[lane] };
                max[lane] = if counts && sample > max[lane] { sample } else { max[lane] };
            }
        }
        self.samples += count.into_iter().map(u64::from).sum::<u64>();
        self.sum += sum.iter().sum::<f64>();
        self.sum_of_squares += squares.iter().sum::<f64>();
        self.min = min.into_iter().fold(self.min, f32::min);
        self.max = max.into_iter().fold(self.max, f32::max);
        self.histogram.widen(self.max.max(-self.min));
        for sample in samples.iter().copied().filter(|x| x.is_finite()) {
            self.add_difference(sample);
            self.histogram.add(sample);
        }
    }

    fn add_difference(&mut self, sample: f32) {
        let difference = (sample - self.previous.replace(sample).unwrap_or(sample)).abs();
        if difference > 0.0 {
            let (count, least) = &mut self.differences[(difference.to_bits() >> 23) as usize & (EXPONENTS - 1)];
            *count += 1;
            *least = lower(difference, *least);
        }
    }

    pub fn samples(&self) -> u64 {
        self.samples
    }

    pub fn min(&self) -> f64 {
        if self.samples == 0 { 0.0 } else { f64::from(self.min) }
    }

    pub fn max(&self) -> f64 {
        if self.samples == 0 { 0.0 } else { f64::from(self.max) }
    }

    pub fn mean(&self) -> f64 {
        self.sum / self.samples.max(1) as f64
    }

    pub fn variance(&self) -> f64 {
        (self.sum_of_squares / self.samples.max(1) as f64 - self.mean().powi(2)).max(0.0)
    }

    /// Least step between values. A few stray smaller differences (a fade, a splice) don't count: at least one in 10 000
    /// must have its size.
    pub fn step(&self) -> Option<f64> {
        let all: u64 = self.differences.iter().map(|(count, _)| count).sum();
        let mut usual = self.differences.iter().filter(|(count, _)| *count > 0 && count * 10_000 >= all);
        usual.next().map(|(_, least)| f64::from(*least))
    }

    /// log2 of the steps between the extremes, 0..=24.
    pub fn bits(&self) -> f64 {
        let Some(step) = self.step() else { return 0.0 };
        ((self.max() - self.min()) / step + 1.0).log2().clamp(0.0, 24.0)
    }

    /// Share of samples that pile up at an extreme, at whatever value that lies. With few bits extremes are often hit
    /// without being clipped: 0 then.
    pub fn clipped_share(&self) -> f64 {
        let Some(step) = self.step() else { return 0.0 };
        if self.bits() < LEAST_BITS {
            return 0.0;
        }
        let piled = self.histogram.piled(2.0 * step);
        piled as f64 / self.samples.max(1) as f64
    }
}

/// Bits from which on a pile can be told from steps.
pub const LEAST_BITS: f64 = 7.0;

/// Counts of values over a range that doubles until it holds the largest.
struct Histogram {
    /// No more than a processor's nearest memory holds; a count at its end stays there.
    counts: Box<[u32; BINS]>,
    /// Bins span -range..range.
    range: f32,
}

impl Histogram {
    fn new() -> Self {
        Self { counts: Box::new([0; BINS]), range: f32::powi(2.0, -20) }
    }

    /// Makes room for a sample of this size.
    fn widen(&mut self, most: f32) {
        while most >= self.range && most.is_finite() && self.range < f32::MAX / 4.0 {
            self.double();
        }
    }

    /// Counts a sample there is room for.
    fn add(&mut self, x: f32) {
        // The range is a power of two: its inverse is exact.
        let place = (x * (1.0 / self.range) + 1.0) * (BINS / 2) as f32;
        let count = &mut self.counts[(place as usize).min(BINS - 1)];
        *count = count.saturating_add(1);
    }

    fn double(&mut self) {
        let half = BINS / 2;
        let mut wide = [0; BINS];
        for (pair, into) in self.counts.chunks_exact(2).zip(&mut wide[half / 2..half / 2 + half]) {
            *into = pair[0].saturating_add(pair[1]);
        }
        *self.counts = wide;
        self.range *= 2.0;
    }

    /// Samples piled up at both ends; bins are joined until each is `least_width` wide, lest it holds gaps between values.
    fn piled(&self, least_width: f64) -> u64 {
        let width = f64::from(self.range) * 2.0 / BINS as f64;
        let joined = (least_width / width).ceil().clamp(1.0, 256.0) as usize;
        let side = |reversed: bool| {
            WIDER.iter().map(|wider| pile(&self.outermost_first(joined * wider, reversed))).find(|piled| *piled > 0)
        };
        side(false).unwrap_or(0) + side(true).unwrap_or(0)
    }

    /// Counts from one end, `joined` bins at a time, without empty ones before the first.
    fn outermost_first(&self, joined: usize, reversed: bool) -> Vec<u64> {
        let counts: Vec<u64> =
            self.counts.chunks(joined).map(|bins| bins.iter().copied().map(u64::from).sum()).collect();
        let filled = |count: &u64| *count == 0;
        if reversed {
            counts.into_iter().rev().skip_while(filled).collect()
        } else {
            counts.into_iter().skip_while(filled).collect()
        }
    }
}

/// A pile that noise has spread is looked for in wider bins, each side for itself.
const WIDER: [usize; 5] = [1, 2, 4, 8, 16];

/// How far the outermost bins must stand out of those inside. A sine, which dwells longest at its crest, has 2.4 times as
/// many samples in the outer two of four equal bins: (acos(1-2h)) / (acos(1-4h) - acos(1-2h)) = 1/(sqrt 2 - 1) for small h.
const PILE_OVER_INSIDE: u64 = 5;

/// Fewer samples are chance.
const LEAST_PILE: u64 = 8;

/// A pile may lie a little inside a few stray samples (a spike beyond the clipped level).
const MOST_BEYOND: usize = 400;

/// Samples of the pile at the start of `counts` (outermost first), 0 without one.
fn pile(counts: &[u64]) -> u64 {
    let mut beyond = 0;
    for window in counts.windows(4).take(MOST_BEYOND) {
        let (outer, inner) = (window[0] + window[1], window[2] + window[3]);
        if outer >= LEAST_PILE + PILE_OVER_INSIDE * inner && beyond * 100 <= outer && inner > 0 {
            return outer + beyond;
        }
        beyond += window[0];
    }
    0
}
