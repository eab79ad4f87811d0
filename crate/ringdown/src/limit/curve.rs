//! The robust curve of one group: level and spread over speed, from binned sums.

use crate::stats::robust::{Definition, quantile};
use crate::stats::smooth::{Line, Sums, bisquare, tricube};

/// Width of a speed bin, 1/min: well below any bandwidth, so that all points of a bin may share one kernel weight.
pub(super) const BIN_RPM: f64 = 20.0;
/// Bandwidths (half widths of the tricube kernel, 1/min) that cross-validation chooses from: the narrow ones follow a
/// resonance of the block, the wide ones make few cycles go far.
const BANDWIDTHS_RPM: [f64; 5] = [80.0, 150.0, 280.0, 500.0, 900.0];
/// Residuals beyond this many spreads have no weight: knock must not lift the floor.
const CUT: f64 = 3.0;
/// Bandwidth of the spread, which changes less over speed than the level.
const SPREAD_BANDWIDTH_RPM: f64 = 800.0;
/// The local spread is drawn towards that of the whole as if this many residuals spoke for the whole.
const SPREAD_PRIOR: f64 = 100.0;
/// Mean of `|z|` below the median of a normal law, inverted.
const MEAN_TO_SD: f64 = 1.253_314_137_315_500_1;
/// Fits with fewer effective cycles than this are not used.
const LEAST_EFFECTIVE: f64 = 6.0;

/// One observation in its bin.
#[derive(Debug, Clone, Copy)]
pub(super) struct Point {
    /// Bin, counted from the curve's first.
    pub bin: usize,
    /// Speed from the bin's centre.
    pub dx: f64,
    /// Level.
    pub y: f64,
}

/// Local line at the centre of one bin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Knot {
    pub level: f64,
    pub slope: f64,
    pub spread: f64,
    /// Variance of `level` in units of `spread` squared, before serial correlation.
    pub variance: f64,
    /// Share of a point at the centre in `level`.
    pub leverage: f64,
}

/// Curve over contiguous bins.
#[derive(Debug, Clone, Default)]
pub(super) struct Curve {
    /// Number of the first bin from 0 rpm.
    pub first_bin: usize,
    pub knots: Vec<Option<Knot>>,
    /// Observations in each bin.
    pub counts: Vec<f64>,
}

impl Curve {
    /// Fits `points`, whose bins count from `first_bin`; five rounds of reweighting, the bandwidth chosen in the third.
    pub(super) fn fit(points: &[Point], first_bin: usize, bins: usize) -> Curve {
        let mut counts = vec![0.0; bins];
        points.iter().for_each(|p| bump(&mut counts, p.bin, 1.0));
        let mut curve = Curve { first_bin, knots: pilot(points, bins), counts };
        let mut bandwidths = vec![BANDWIDTHS_RPM[2]; bins];
        for round in 0..5 {
            curve.set_spread(points);
            let sums = curve.weighted_sums(points);
            if round >= 2 {
                bandwidths = curve.choose_bandwidths(points, &sums);
            }
            curve.set_level(&sums, &bandwidths);
        }
        curve.set_spread(points);
        curve
    }

    /// Level and spread under a point.
    fn under(&self, point: &Point) -> Option<(f64, f64)> {
        let knot = (*self.knots.get(point.bin)?)?;
        Some((knot.level + knot.slope * point.dx, knot.spread))
    }

    fn weight(&self, point: &Point) -> f64 {
        self.under(point).map_or(0.0, |(level, spread)| bisquare((point.y - level) / (CUT * spread)))
    }

    fn weighted_sums(&self, points: &[Point]) -> Vec<Sums> {
        let mut sums = vec![Sums::default(); self.knots.len()];
        for point in points {
            if let Some(sum) = sums.get_mut(point.bin) {
                sum.add(point.dx, point.y, self.weight(point));
            }
        }
        sums
    }

    fn set_level(&mut self, sums: &[Sums], bandwidths: &[f64]) {
        for (bin, (knot, bandwidth)) in self.knots.iter_mut().zip(bandwidths).enumerate() {
            let spread = knot.map_or(f64::NAN, |k| k.spread);
            *knot = local_line(sums, bin, *bandwidth).map(|line| Knot {
                level: line.value,
                slope: line.slope,
                spread,
                variance: line.variance,
                leverage: line.leverage,
            });
        }
    }

    /// For each bin the widest bandwidth whose leave-one-out error around it (within 300 rpm) is as good as the best,
    /// up to half the relative error that this error itself has.
    fn choose_bandwidths(&self, points: &[Point], sums: &[Sums]) -> Vec<f64> {
        let costs: Vec<Vec<(f64, f64)>> = BANDWIDTHS_RPM.iter().map(|h| self.costs(points, sums, *h)).collect();
        let chosen: Vec<f64> = (0..sums.len())
            .map(|bin| {
                let around: Vec<f64> = costs.iter().map(|cost| mean_around(cost, bin, 300.0)).collect();
                let total: f64 = span(bin, 300.0, sums.len()).map(|b| self.counts.get(b).unwrap_or(&0.0)).sum();
                let best = around.iter().copied().fold(f64::INFINITY, f64::min);
                let bearable = best * (1.0 + 0.5 / total.max(1.0).sqrt());
                let widest = around.iter().zip(BANDWIDTHS_RPM).rev().find(|(cost, _)| **cost <= bearable);
                widest.map_or(BANDWIDTHS_RPM[4], |(_, h)| h).ln()
            })
            .collect();
        let mean_ln = |bin: usize| {
            let near = span(bin, 60.0, chosen.len());
            let (total, count) = near.filter_map(|b| chosen.get(b)).fold((0.0, 0.0), |(t, c), v| (t + v, c + 1.0));
            (total / count).exp()
        };
        (0..chosen.len()).map(mean_ln).collect()
    }

    /// Sum of bounded, squared leave-one-out residuals of each bin in units of the spread, and of their weights.
    fn costs(&self, points: &[Point], sums: &[Sums], bandwidth: f64) -> Vec<(f64, f64)> {
        let lines: Vec<Option<Line>> = (0..sums.len()).map(|bin| local_line(sums, bin, bandwidth)).collect();
        let mut costs = vec![(0.0, 0.0); sums.len()];
        for point in points {
            let (Some(cost), Some((_, spread))) = (costs.get_mut(point.bin), self.under(point)) else { continue };
            let weight = self.weight(point);
            // Where this bandwidth finds too little to fit, it costs as much as knowing nothing.
            let z = lines.get(point.bin).copied().flatten().map_or(CUT, |line| {
                let residual = point.y - line.value - line.slope * point.dx;
                residual / spread / (1.0 - weight * line.leverage).max(0.2)
            });
            cost.0 += weight * (z * z).min(CUT * CUT);
            cost.1 += weight;
        }
        costs
    }

    /// Spread from residuals below the level only, so that knock above can't widen it: their mean size (each bounded
    /// at `CUT` spreads), locally, drawn towards the curve's own mean.
    fn set_spread(&mut self, points: &[Point]) {
        let mut below = vec![(0.0, 0.0); self.knots.len()];
        for point in points {
            let (Some(sum), Some((level, spread))) = (below.get_mut(point.bin), self.under(point)) else { continue };
            let depth = level - point.y;
            if depth > 0.0 {
                sum.0 += if spread.is_finite() { depth.min(CUT * spread) } else { depth };
                sum.1 += 1.0;
            }
        }
        let whole = below.iter().fold((0.0, 0.0), |(s, n), (a, b)| (s + a, n + b));
        let mean = if whole.1 > 0.0 { whole.0 / whole.1 } else { 0.0 };
        for (bin, knot) in self.knots.iter_mut().enumerate() {
            let Some(knot) = knot else { continue };
            let (mut sum, mut count) = (SPREAD_PRIOR * mean, SPREAD_PRIOR);
            for (other, (s, n)) in span(bin, SPREAD_BANDWIDTH_RPM, below.len()).zip(spanned(&below, bin)) {
                let weight = tricube(apart_rpm(bin, other) / SPREAD_BANDWIDTH_RPM);
                sum += weight * s;
                count += weight * n;
            }
            knot.spread = (MEAN_TO_SD * sum / count).max(1e-6);
        }
    }
}

fn spanned(below: &[(f64, f64)], bin: usize) -> impl Iterator<Item = (f64, f64)> + '_ {
    span(bin, SPREAD_BANDWIDTH_RPM, below.len()).filter_map(|b| below.get(b).copied())
}

fn bump(counts: &mut [f64], bin: usize, by: f64) {
    if let Some(count) = counts.get_mut(bin) {
        *count += by;
    }
}

pub(super) fn apart_rpm(a: usize, b: usize) -> f64 {
    (a as f64 - b as f64) * BIN_RPM
}

/// Bins within `reach_rpm` of `bin`.
pub(super) fn span(bin: usize, reach_rpm: f64, bins: usize) -> std::ops::Range<usize> {
    let reach = (reach_rpm / BIN_RPM) as usize;
    bin.saturating_sub(reach)..(bin + reach + 1).min(bins)
}

fn mean_around(costs: &[(f64, f64)], bin: usize, reach_rpm: f64) -> f64 {
    let near = span(bin, reach_rpm, costs.len()).filter_map(|b| costs.get(b));
    let (cost, weight) = near.fold((0.0, 0.0), |(c, w), (a, b)| (c + a, w + b));
    if weight > 0.0 { cost / weight } else { f64::INFINITY }
}

/// Local line at the centre of `bin`; widened step by step, up to the widest bandwidth, until enough cycles carry it.
fn local_line(sums: &[Sums], bin: usize, bandwidth: f64) -> Option<Line> {
    let wider = BANDWIDTHS_RPM.iter().copied().filter(|h| *h > bandwidth);
    std::iter::once(bandwidth).chain(wider).find_map(|h| {
        let mut here = Sums::default();
        for (other, sum) in span(bin, h, sums.len()).filter_map(|b| sums.get(b).map(|s| (b, s))) {
            here.add_moved(sum, apart_rpm(other, bin), tricube(apart_rpm(other, bin) / h));
        }
        here.line().filter(|line| line.variance * LEAST_EFFECTIVE < 1.0 && line.value.is_finite())
    })
}

/// First guess: the 40 % quantile around each bin (which is the median of the rest if 20 % lie above), from at least
/// 15 points within 150 rpm or as far as it takes.
fn pilot(points: &[Point], bins: usize) -> Vec<Option<Knot>> {
    const CELL: usize = 5;
    const MOST: usize = 400;
    let mut cells: Vec<Vec<f64>> = vec![Vec::new(); bins.div_ceil(CELL)];
    // A stride by the bin's own count keeps the sample even over the file.
    let mut seen = vec![0_usize; cells.len()];
    points.iter().for_each(|p| seen[p.bin / CELL] += 1);
    let strides: Vec<usize> = seen.iter().map(|n| n.div_ceil(MOST).max(1)).collect();
    seen.iter_mut().for_each(|n| *n = 0);
    for point in points {
        let cell = point.bin / CELL;
        if seen[cell].is_multiple_of(strides[cell]) {
            cells[cell].push(point.y);
        }
        seen[cell] += 1;
    }
    let level_of = |cell: usize| {
        for reach in 1..=cells.len() {
            let near = cells.get(cell.saturating_sub(reach)..(cell + reach + 1).min(cells.len()))?;
            let count: usize = near.iter().map(Vec::len).sum();
            if count >= 15 || reach == cells.len() {
                let mut values = near.concat();
                values.sort_unstable_by(f64::total_cmp);
                return quantile(&values, 0.4, Definition::Linear);
            }
        }
        None
    };
    let levels: Vec<Option<f64>> = (0..cells.len()).map(level_of).collect();
    let knot = |level: f64| Knot { level, slope: 0.0, spread: f64::NAN, variance: 1.0, leverage: 0.0 };
    (0..bins).map(|bin| levels.get(bin / CELL).copied().flatten().map(knot)).collect()
}
