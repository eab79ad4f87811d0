//! Which cell: the best of thousands is partly luck, so each is weighed with its neighbours, chosen without a stretch and
//! judged on that stretch, in turn (nested cross-validation over contiguous stretches; M. Stone, J. R. Stat. Soc. B 36
//! (1974) 111, from memory).

use super::score::{FOLDS, Score};
use super::{Band, Cell, Span};
use crate::stats::order::Arrange;

/// A cell's neighbour weighs as much as the two overlap, to this power where events are few and where they are many: a
/// step aside (0.8) a half or next to nothing. An even mean over all that overlap by half chose cells off the optimum
/// wherever that is sharp on one side, as before a valve's strike; few events need more neighbours against luck.
const NEARNESS: [f64; 2] = [3.0, 17.0];
/// With so many provoked events the power lies half way between.
const EVEN: f64 = 5000.0;
/// The same for what differs little from cell to cell.
const WIDE_NEARNESS: f64 = 2.0;
/// Weights under this are left out.
const LEAST_WEIGHT: f64 = 1e-3;

/// What the grid says.
#[derive(Debug, Clone, PartialEq)]
pub struct Choice {
    /// The best cell with its neighbours' support.
    pub best: usize,
    /// Score of the cells chosen without a stretch, on that stretch.
    pub honest: [f32; FOLDS],
    /// Share of that stretch's provoked events over the limit, in the cell chosen without it; and of its safe events.
    pub honest_share: [f32; FOLDS],
    /// See `honest_share`.
    pub honest_false: [f32; FOLDS],
    /// Cells as good as the best within its error, in descending order of score; the best is one of them.
    pub as_good: Vec<usize>,
    /// Score of each cell drawn together with its neighbours.
    pub supported: Vec<f32>,
}

/// The `count` cells with the largest values, counted from `events` provoked ones, once each is drawn together with its
/// neighbours, best first.
pub fn most_supported(bands: &[Band], spans: &[Span], values: &[f32], count: usize, events: usize) -> Vec<usize> {
    let supported = Grid::new(bands, spans, events).support(values);
    let mut order: Vec<usize> = (0..supported.len()).collect();
    order.arrange(|a, b| supported[*b].total_cmp(&supported[*a]));
    order.truncate(count);
    order
}

/// Values of the cells `among`, in their order, each drawn together with those far around it that are among them too.
pub fn widely(bands: &[Band], spans: &[Span], values: &[f32], among: &[usize]) -> Vec<f32> {
    let grid = Grid::with(bands, spans, WIDE_NEARNESS);
    let (mut sums, mut weights) = (vec![0.0; values.len()], vec![0.0; values.len()]);
    among.iter().for_each(|at| (sums[*at], weights[*at]) = (values[*at], 1.0));
    let (sums, weights) = (grid.support(&sums), grid.support(&weights));
    among.iter().map(|at| sums[*at] / weights[*at].max(f32::MIN_POSITIVE)).collect()
}

/// Chooses among the cells `closer`, whose stretches were left out in turn; `scores` of all cells, band after band with a
/// value a window, from so many provoked `events`.
pub fn choose(bands: &[Band], spans: &[Span], scores: &[Score], closer: &[usize], events: usize) -> Option<Choice> {
    let grid = Grid::new(bands, spans, events);
    let supported = grid.support(&scores.iter().map(|score| score.whole).collect::<Vec<_>>());
    let best = largest(&supported, closer)?;
    let mut choice = Choice {
        best,
        honest: [0.0; FOLDS],
        honest_share: [0.0; FOLDS],
        honest_false: [0.0; FOLDS],
        as_good: as_good(scores, &supported, closer, best),
        supported,
    };
    for fold in 0..FOLDS {
        // Cells without a closer look lend their neighbours what they score over everything.
        let mut train: Vec<f32> = scores.iter().map(|score| score.whole).collect();
        closer.iter().for_each(|at| train[*at] = scores[*at].train[fold]);
        let score = scores.get(largest(&grid.support(&train), closer)?)?;
        choice.honest[fold] = score.test[fold];
        choice.honest_share[fold] = score.test_share[fold];
        choice.honest_false[fold] = score.test_false[fold];
    }
    Some(choice)
}

/// Cell at a place of the scores.
pub fn cell(bands: &[Band], spans: &[Span], at: usize) -> Option<Cell> {
    let per_band = spans.len().max(1);
    Some(Cell { band: *bands.get(at / per_band)?, span: *spans.get(at % per_band)? })
}

/// Mean difference `a - b` over the stretches and its standard error.
pub fn difference(a: &[f32; FOLDS], b: &[f32; FOLDS]) -> (f64, f64) {
    let apart: Vec<f64> = a.iter().zip(b).map(|(a, b)| f64::from(a - b)).collect();
    let mean = crate::stats::moments::mean(&apart).unwrap_or(0.0);
    let sd = crate::stats::moments::standard_deviation(&apart).unwrap_or(0.0);
    (mean, sd / (FOLDS as f64).sqrt())
}

/// Common part of two ranges over what both cover.
pub fn overlap(a: [f64; 2], b: [f64; 2]) -> f64 {
    let common = (a[1].min(b[1]) - a[0].max(b[0])).max(0.0);
    common / (a[1].max(b[1]) - a[0].min(b[0]))
}

fn largest(values: &[f32], among: &[usize]) -> Option<usize> {
    among.iter().copied().max_by(|a, b| values[*a].total_cmp(&values[*b]).then(b.cmp(a)))
}

/// A cell is as good as the best while the best is ahead by no more than the standard error of the difference.
fn as_good(scores: &[Score], supported: &[f32], closer: &[usize], best: usize) -> Vec<usize> {
    let within = |at: &usize| {
        let (mean, error) = difference(&scores[best].test, &scores[*at].test);
        *at == best || mean <= error
    };
    let mut good: Vec<usize> = closer.iter().copied().filter(within).collect();
    good.arrange(|a, b| supported[*b].total_cmp(&supported[*a]));
    good
}

struct Grid {
    bands: Vec<Vec<(usize, f32)>>,
    spans: Vec<Vec<(usize, f32)>>,
}

impl Grid {
    fn new(bands: &[Band], spans: &[Span], events: usize) -> Self {
        let [few, many] = NEARNESS;
        Self::with(bands, spans, few + (many - few) / (1.0 + EVEN / events.max(1) as f64))
    }

    fn with(bands: &[Band], spans: &[Span], power: f64) -> Self {
        let bands: Vec<[f64; 2]> = bands.iter().map(|band| band.range_hz()).collect();
        let spans: Vec<[f64; 2]> = spans.iter().map(|span| span.range_deg_atdc()).collect();
        Self { bands: neighbours(&bands, power), spans: neighbours(&spans, power) }
    }

    /// Mean of each cell with its neighbours in band and window, the nearer the weightier.
    fn support(&self, values: &[f32]) -> Vec<f32> {
        let per_band = self.spans.len();
        let along = |row: &[f32]| -> Vec<f32> {
            self.spans.iter().map(|near| near.iter().map(|(at, weight)| weight * row[*at]).sum()).collect()
        };
        let rows: Vec<Vec<f32>> = values.chunks(per_band.max(1)).map(along).collect();
        let across = |near: &Vec<(usize, f32)>| -> Vec<f32> {
            (0..per_band).map(|span| near.iter().map(|(band, weight)| weight * rows[*band][span]).sum()).collect()
        };
        self.bands.iter().flat_map(across).collect()
    }
}

/// Those near each, itself among them, with weights that sum to 1.
fn neighbours(ranges: &[[f64; 2]], power: f64) -> Vec<Vec<(usize, f32)>> {
    let near = |own: &[f64; 2]| {
        let weight = |other: &[f64; 2]| overlap(*own, *other).powf(power);
        let sum: f64 = ranges.iter().map(weight).filter(|weight| *weight >= LEAST_WEIGHT).sum();
        let weights = ranges.iter().map(weight).enumerate().filter(|(_, weight)| *weight >= LEAST_WEIGHT);
        weights.map(|(at, weight)| (at, (weight / sum) as f32)).collect()
    };
    ranges.iter().map(near).collect()
}
