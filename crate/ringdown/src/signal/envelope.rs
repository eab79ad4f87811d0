//! Minimum and maximum pyramids: a whole recording in little memory, no one-sample spike lost at any zoom.

use super::extreme::{higher, lower};
use crate::sparing::push_sparingly;
use serde::{Deserialize, Serialize};
use std::array::from_fn;

/// Samples a block of the finest level spans: two numbers each, so the pyramid takes about samples / 96 numbers.
pub const BLOCK: usize = 256;

/// Samples compared side by side.
const LANES: usize = 8;

/// Blocks of one level in a block of the next.
const STEP: usize = 4;

/// Smallest and largest sample of a stretch; the empty stretch has `min > max`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Extent {
    min: f32,
    max: f32,
}

impl Extent {
    const EMPTY: Self = Self { min: f32::INFINITY, max: f32::NEG_INFINITY };

    fn of(samples: &[f32]) -> Self {
        let (mut min, mut max) = ([f32::INFINITY; LANES], [f32::NEG_INFINITY; LANES]);
        let (whole, rest) = samples.as_chunks::<LANES>();
        for chunk in whole {
            min = from_fn(|lane| lower(chunk[lane], min[lane]));
            max = from_fn(|lane| higher(chunk[lane], max[lane]));
        }
        let of_rest = rest.iter().map(|x| Self { min: *x, max: *x });
        let found =
            (0..LANES).map(|lane| Self { min: min[lane], max: max[lane] }).chain(of_rest).fold(Self::EMPTY, Self::with);
        // Infinite samples are rare: only where there is one are all asked.
        if found.min.is_finite() && found.max.is_finite() {
            return found;
        }
        let finite = samples.iter().filter(|x| x.is_finite());
        finite.fold(Self::EMPTY, |all, x| all.with(Self { min: *x, max: *x }))
    }

    fn with(self, other: Self) -> Self {
        Self { min: lower(other.min, self.min), max: higher(other.max, self.max) }
    }

    /// NaN for a stretch without a finite sample: a gap stays a gap.
    fn shown(self) -> [f32; 2] {
        if self.min <= self.max { [self.min, self.max] } else { [f32::NAN; 2] }
    }
}

/// Minimum and maximum of each column of a picture; both NaN where there is nothing.
#[derive(Debug, Clone, PartialEq, Default)]
#[allow(missing_docs)]
pub struct Columns {
    pub min: Vec<f32>,
    pub max: Vec<f32>,
}

impl Columns {
    fn push(&mut self, extent: Extent) {
        let [min, max] = extent.shown();
        self.min.push(min);
        self.max.push(max);
    }
}

/// Extents of one channel at block sizes 256, 1024, 4096, ..., built while reading.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub struct Envelope {
    /// Finest first; each block of a level but the last holds `STEP` of the level before.
    levels: Vec<Vec<Extent>>,
    samples: u64,
}

impl Envelope {
    /// Nothing yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Samples so far.
    pub fn samples(&self) -> u64 {
        self.samples
    }

    /// Smallest and largest finite sample so far; NaN without one.
    pub fn extremes(&self) -> [f32; 2] {
        self.extent(0, self.samples).shown()
    }

    /// Adds samples in slices of any size; non-finite ones count as missing.
    pub fn push(&mut self, mut samples: &[f32]) {
        while !samples.is_empty() {
            let room = BLOCK - (self.samples % BLOCK as u64) as usize;
            let (now, later) = samples.split_at(samples.len().min(room));
            self.add(Extent::of(now));
            self.samples += now.len() as u64;
            samples = later;
        }
    }

    /// Takes an extent within one finest block into every level.
    fn add(&mut self, extent: Extent) {
        let mut index = (self.samples / BLOCK as u64) as usize;
        for depth in 0.. {
            if depth == self.levels.len() {
                let below = self.levels.last().map_or(&[][..], |level| &level[..STEP]);
                let whole = below.iter().copied().reduce(Extent::with);
                self.levels.push(whole.into_iter().collect());
            }
            let level = &mut self.levels[depth];
            match level.get_mut(index) {
                Some(block) => *block = block.with(extent),
                None => push_sparingly(level, extent),
            }
            if level.len() <= STEP {
                return;
            }
            index /= STEP;
        }
    }

    /// Extents of `columns` equal parts of samples `from..to`. Each column takes every block it touches: a spike may show
    /// in two columns, it is lost in none. Under [`BLOCK`] samples a column, [`columns_of`] over the samples is exact.
    pub fn query(&self, from: u64, to: u64, columns: usize) -> Columns {
        let mut out = Columns::default();
        let to = to.max(from);
        for column in 0..columns as u64 {
            let [start, end] = [column, column + 1].map(|c| part(from, to, c, columns as u64));
            out.push(self.extent(start, end.max(start.saturating_add(1)).min(to)));
        }
        out
    }

    /// Extent of all blocks that touch `from..to`.
    fn extent(&self, from: u64, to: u64) -> Extent {
        let to = to.min(self.samples);
        if from >= to {
            return Extent::EMPTY;
        }
        self.blocks((from / BLOCK as u64) as usize, to.div_ceil(BLOCK as u64) as usize)
    }

    /// Extent of finest blocks `first..after`: whole blocks of coarser levels where they fit.
    fn blocks(&self, mut first: usize, mut after: usize) -> Extent {
        let mut extent = Extent::EMPTY;
        for (depth, level) in self.levels.iter().enumerate() {
            let coarser = depth + 1 < self.levels.len();
            while first < after && (!coarser || !first.is_multiple_of(STEP)) {
                extent = level.get(first).map_or(extent, |block| extent.with(*block));
                first += 1;
            }
            while first < after && !after.is_multiple_of(STEP) {
                after -= 1;
                extent = level.get(after).map_or(extent, |block| extent.with(*block));
            }
            (first, after) = (first / STEP, after / STEP);
        }
        extent
    }
}

/// Start of part `index` of `count` equal parts of `from..to`.
fn part(from: u64, to: u64, index: u64, count: u64) -> u64 {
    from + (u128::from(to - from) * u128::from(index) / u128::from(count.max(1))) as u64
}

/// Exact extents of `columns` equal parts of a slice; with fewer samples than columns, neighbours share a sample.
pub fn columns_of(samples: &[f32], columns: usize) -> Columns {
    let mut out = Columns::default();
    let len = samples.len() as u64;
    for column in 0..columns as u64 {
        let [start, end] = [column, column + 1].map(|c| part(0, len, c, columns as u64) as usize);
        let end = end.max(start + 1).min(samples.len());
        out.push(Extent::of(samples.get(start..end).unwrap_or(&[])));
    }
    out
}
