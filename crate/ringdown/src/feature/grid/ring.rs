//! Evidence of knock that does not come from the band it was found in: a ring whose frequency falls while the gas cools,
//! and a second frequency that stands out in the same events.

use super::map::unpack;
use super::{BIN_HZ, Cell, FIRST_BIN, ROWS, STEP_DEG};
use crate::stats::moments::{mean, standard_deviation};

/// Fewest loud events that anything is read from.
const FEWEST: usize = 20;
/// Parts the loud events are dealt into, to see how sure a figure is.
const PARTS: usize = 8;
/// Mean over standard error beyond which a figure is no chance: one in ten thousand with eight parts (Student's t of 7
/// degrees of freedom, from memory).
const SURE: f64 = 5.0;
/// A second frequency stands out by this over the median of what lies outside the band, dB.
const STANDS_OUT_DB: f64 = 2.0;

/// What the loud events show beside loudness in their band.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Ring {
    /// Loud events looked at.
    pub events: usize,
    /// Change of frequency within the window, Hz a degree, where it is sure that it falls.
    pub fall_hz_per_deg: Option<f64>,
    /// Middle of a bin outside the band that stands out too, Hz.
    pub second_hz: Option<f64>,
}

impl Ring {
    /// Anything but loudness in the band itself.
    pub fn shown(&self) -> bool {
        self.fall_hz_per_deg.is_some() || self.second_hz.is_some()
    }
}

/// Sums of maps, each over the power of its quiet partner in the cell.
#[derive(Clone)]
struct Sums {
    loud: Vec<f64>,
    quiet: Vec<f64>,
}

/// From pairs of packed maps, loud and quiet at like speed, of `bins` bins a row.
pub fn listen(pairs: &[(&[u16], &[u16])], bins: usize, cell: Cell) -> Ring {
    let mut ring = Ring { events: pairs.len(), ..Ring::default() };
    if pairs.len() < FEWEST {
        return ring;
    }
    let empty = Sums { loud: vec![0.0; ROWS * bins], quiet: vec![0.0; ROWS * bins] };
    let mut parts = vec![empty; PARTS];
    for (index, (loud, quiet)) in pairs.iter().enumerate() {
        parts[index * PARTS / pairs.len()].add(loud, quiet, bins, cell);
    }
    let slopes: Vec<f64> = parts.iter().filter_map(|part| part.slope(bins, cell)).collect();
    ring.fall_hz_per_deg = sure(&slopes).filter(|slope| *slope < 0.0);
    ring.second_hz = second(&parts, bins, cell);
    ring
}

/// The mean where all parts are there and it lies far enough from zero.
fn sure(values: &[f64]) -> Option<f64> {
    let (mean, sd) = (mean(values)?, standard_deviation(values)?);
    (values.len() == PARTS && mean.abs() > SURE * sd / (PARTS as f64).sqrt()).then_some(mean)
}

impl Sums {
    fn add(&mut self, loud: &[u16], quiet: &[u16], bins: usize, cell: Cell) {
        let mut own = 0.0;
        for row in rows(cell) {
            own += within(cell, bins).map(|bin| f64::from(unpack(quiet[row * bins + bin]))).sum::<f64>();
        }
        if own <= 0.0 {
            return;
        }
        for (sums, words) in [(&mut self.loud, loud), (&mut self.quiet, quiet)] {
            sums.iter_mut().zip(words).for_each(|(sum, word)| *sum += f64::from(unpack(*word)) / own);
        }
    }

    fn excess(&self, at: usize) -> f64 {
        (self.loud[at] - self.quiet[at]).max(0.0)
    }

    /// Slope of the middle frequency of the excess over angle, from the loudest step on, each step by its excess.
    fn slope(&self, bins: usize, cell: Cell) -> Option<f64> {
        let near = {
            let inside = within(cell, bins);
            inside.start.saturating_sub(1)..(inside.end + 1).min(bins)
        };
        let strength = |row: usize| near.clone().map(|bin| self.excess(row * bins + bin)).sum::<f64>();
        let loudest = rows(cell).max_by(|a, b| strength(*a).total_cmp(&strength(*b)))?;
        let points: Vec<[f64; 3]> = (loudest..rows(cell).end)
            .filter_map(|row| {
                let weight = strength(row);
                let middle = near.clone().map(|bin| hz(bin) * self.excess(row * bins + bin)).sum::<f64>() / weight;
                (weight > 0.0).then_some([row as f64 * STEP_DEG, middle, weight])
            })
            .collect();
        slope(&points)
    }

    /// Loud over quiet of each bin over the window, dB.
    fn contrast_db(&self, bins: usize, cell: Cell) -> Vec<f64> {
        let power = |sums: &[f64], bin: usize| rows(cell).map(|row| sums[row * bins + bin]).sum::<f64>();
        (0..bins)
            .map(|bin| crate::units::decibels(power(&self.loud, bin) / power(&self.quiet, bin).max(1e-300)))
            .collect()
    }
}

/// The bin outside the band and its skirts whose contrast stands out most over the median there, if that is sure.
fn second(parts: &[Sums], bins: usize, cell: Cell) -> Option<f64> {
    let inside = within(cell, bins);
    // A frame smears over a bin and a half either side; a ring that falls reaches further down.
    let outside: Vec<usize> = (0..bins).filter(|bin| *bin + 3 < inside.start || *bin >= inside.end + 2).collect();
    if outside.len() < 6 {
        return None;
    }
    let contrasts: Vec<Vec<f64>> = parts.iter().map(|part| part.contrast_db(bins, cell)).collect();
    let over: Vec<Vec<f64>> = contrasts
        .iter()
        .map(|contrast| {
            let middle = crate::stats::robust::median(&outside.iter().map(|bin| contrast[*bin]).collect::<Vec<_>>());
            outside.iter().map(|bin| contrast[*bin] - middle.unwrap_or(0.0)).collect()
        })
        .collect();
    let stands =
        |at: usize| sure(&over.iter().map(|part| part[at]).collect::<Vec<_>>()).filter(|db| *db > STANDS_OUT_DB);
    let best = (0..outside.len()).filter_map(|at| Some((at, stands(at)?))).max_by(|a, b| a.1.total_cmp(&b.1))?;
    Some(hz(outside[best.0]))
}

fn hz(bin: usize) -> f64 {
    (bin + FIRST_BIN) as f64 * BIN_HZ
}

/// Rows of the window; row 0 is the reference.
fn rows(cell: Cell) -> std::ops::Range<usize> {
    (cell.span.first + 1).min(ROWS)..(cell.span.first + cell.span.steps + 1).min(ROWS)
}

/// Bins of the band, counted from the map's first.
fn within(cell: Cell, bins: usize) -> std::ops::Range<usize> {
    let first = cell.band.first.saturating_sub(FIRST_BIN).min(bins);
    first..(first + cell.band.bins).min(bins)
}

/// Weighted least squares slope of (x, y, weight).
fn slope(points: &[[f64; 3]]) -> Option<f64> {
    let weight: f64 = points.iter().map(|point| point[2]).sum();
    let centre = |axis: usize| points.iter().map(|point| point[axis] * point[2]).sum::<f64>() / weight;
    let (x, y) = (centre(0), centre(1));
    let spread: f64 = points.iter().map(|point| point[2] * (point[0] - x).powi(2)).sum();
    let common: f64 = points.iter().map(|point| point[2] * (point[0] - x) * (point[1] - y)).sum();
    (points.len() >= 3 && weight > 0.0 && spread > 0.0).then(|| common / spread)
}
