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
/// See [`bearable_share`].
const BEARABLE: f64 = 0.3;
/// Variance of a bisquare mean cut at 3 spreads against the weighted mean's formula, for a normal law: its efficiency
/// is about 0.8 (computed from P. J. Huber's E[psi^2] / E[psi']^2).
const ROBUST_VARIANCE: f64 = 1.2;
/// Bandwidth of the spread, which changes less over speed than the level.
const SPREAD_BANDWIDTH_RPM: f64 = 800.0;
/// The local spread is drawn towards that of the whole as if this many residuals spoke for the whole.
pub(super) const SPREAD_PRIOR: f64 = 100.0;
/// The same once the shape over speed is shared by all groups, so that only what is a group's own is left.
const SHAPED_PRIOR: f64 = 400.0;
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
    /// Variance of `level` in units of `spread` squared, before serial correlation, and the squared bias that may hide.
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
            let hidden = bearable_share(span(bin, 300.0, self.counts.len()).filter_map(|b| self.counts.get(b)).sum());
            *knot = local_line(sums, bin, *bandwidth).map(|line| Knot {
                level: line.value,
                slope: line.slope,
                spread,
                variance: ROBUST_VARIANCE * line.variance + hidden,
                leverage: line.leverage,
            });
        }
    }

    /// For each bin the widest bandwidth whose leave-one-out error around it (within 300 rpm) is as good as the best,
    /// up to [`bearable_share`].
    fn choose_bandwidths(&self, points: &[Point], sums: &[Sums]) -> Vec<f64> {
        let costs: Vec<Vec<(f64, f64)>> = BANDWIDTHS_RPM.iter().map(|h| self.costs(points, sums, *h)).collect();
        let chosen: Vec<f64> = (0..sums.len())
            .map(|bin| {
                let around: Vec<f64> = costs.iter().map(|cost| mean_around(cost, bin, 300.0)).collect();
                let total: f64 = span(bin, 300.0, sums.len()).map(|b| self.counts.get(b).unwrap_or(&0.0)).sum();
                let best = around.iter().copied().fold(f64::INFINITY, f64::min);
                let bearable = best * (1.0 + bearable_share(total));
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

    /// Spread from residuals below the level only, so that knock above can't widen it: their mean size, locally, drawn
    /// towards the curve's own mean.
    fn set_spread(&mut self, points: &[Point]) {
        let below = self.below(points);
        let mean = Depths::total(&below).mean();
        for (knot, local) in self.knots.iter_mut().zip(Depths::local(&below)) {
            if let Some(knot) = knot {
                knot.spread = (MEAN_TO_SD * local.drawn_to(mean, SPREAD_PRIOR)).max(1e-6);
            }
        }
    }

    /// The spread once more, drawn harder, towards the curve's own mean times a `shape` over speed that all groups share
    /// (one value a bin).
    pub(super) fn share_shape(&mut self, points: &[Point], shape: &[f64]) {
        let below = self.below(points);
        let scaled = |(depths, shape): (&Depths, &f64)| Depths { sum: depths.sum / shape, count: depths.count };
        let flat: Vec<Depths> = below.iter().zip(shape).map(scaled).collect();
        let mean = Depths::total(&flat).mean();
        for ((knot, local), shape) in self.knots.iter_mut().zip(Depths::local(&flat)).zip(shape) {
            if let Some(knot) = knot {
                knot.spread = (MEAN_TO_SD * shape * local.drawn_to(mean, SHAPED_PRIOR)).max(1e-6);
            }
        }
    }

    /// Residuals below the level in each bin, each bounded at `CUT` spreads.
    pub(super) fn below(&self, points: &[Point]) -> Vec<Depths> {
        let mut below = vec![Depths::default(); self.knots.len()];
        for point in points {
            let (Some(depths), Some((level, spread))) = (below.get_mut(point.bin), self.under(point)) else { continue };
            let depth = level - point.y;
            if depth > 0.0 {
                depths.sum += if spread.is_finite() { depth.min(CUT * spread) } else { depth };
                depths.count += 1.0;
            }
        }
        below
    }
}

/// Sum and number of residuals below the level.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Depths {
    pub sum: f64,
    pub count: f64,
}

impl Depths {
    pub(super) fn total(all: &[Depths]) -> Depths {
        all.iter().fold(Depths::default(), |a, b| a.plus(b, 1.0))
    }

    pub(super) fn mean(&self) -> f64 {
        if self.count > 0.0 { self.sum / self.count } else { 0.0 }
    }

    pub(super) fn plus(self, other: &Depths, weight: f64) -> Depths {
        Depths { sum: self.sum + weight * other.sum, count: self.count + weight * other.count }
    }

    /// Mean as if `prior` further residuals had the mean `centre`.
    pub(super) fn drawn_to(&self, centre: f64, prior: f64) -> f64 {
        (self.sum + prior * centre) / (self.count + prior)
    }

    /// Weighted sums around each bin.
    pub(super) fn local(all: &[Depths]) -> impl Iterator<Item = Depths> + '_ {
        (0..all.len()).map(|bin| {
            let near = span(bin, SPREAD_BANDWIDTH_RPM, all.len()).filter_map(|b| all.get(b).map(|d| (b, d)));
            let weight = |other: usize| tricube(apart_rpm(bin, other) / SPREAD_BANDWIDTH_RPM);
            near.fold(Depths::default(), |sum, (other, depths)| sum.plus(depths, weight(other)))
        })
    }
}

/// How much worse than the best, relatively, a wider bandwidth may do over `cycles` cycles: a fraction of the relative
/// error that the comparison itself has. So much squared bias, in squared spreads, may hide in the level.
fn bearable_share(cycles: f64) -> f64 {
    BEARABLE / cycles.max(1.0).sqrt()
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
