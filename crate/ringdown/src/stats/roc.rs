//! How well a level separates two classes: ROC, its area, and how sure the area is.

use super::normal;
use super::rate::{Interval, Rate};

/// Receiver operating characteristic of two classes; a case is called positive when its value is `>=` the limit.
#[derive(Debug, Clone, PartialEq)]
pub struct Roc {
    /// Corners, from nothing called to all called; the first has an infinite limit.
    pub points: Vec<Point>,
    /// Area under it, ties counted half: the chance that a positive lies over a negative.
    pub auc: f64,
    /// Variance of `auc` after DeLong; 0 where the classes do not overlap, `None` with a class of one.
    pub variance: Option<f64>,
    positives: usize,
    negatives: usize,
}

/// One corner of a [`Roc`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Called positive from this value on.
    pub limit: f64,
    /// Share of negatives called positive.
    pub false_alarm: f64,
    /// Share of positives called positive.
    pub recall: f64,
}

impl Roc {
    /// From the values of both classes, non-finite ones dropped; `None` if a class is empty. `O(n log n)`.
    ///
    /// # Source
    /// E. R. DeLong, D. M. DeLong, D. L. Clarke-Pearson, Biometrics 44 (1988) 837; placements by one sort (X. Sun,
    /// W. Xu, IEEE Signal Process. Lett. 21 (2014) 1389).
    pub fn new(negatives: &[f64], positives: &[f64]) -> Option<Roc> {
        let (negatives, positives) = (finite_sorted(negatives), finite_sorted(positives));
        if negatives.is_empty() || positives.is_empty() {
            return None;
        }
        let of_positives = placements(&positives, &negatives);
        let of_negatives: Vec<f64> = placements(&negatives, &positives).iter().map(|v| 1.0 - v).collect();
        let auc = super::moments::mean(&of_positives)?;
        let part = |v: &[f64]| super::moments::standard_deviation(v).map(|sd| sd * sd / v.len() as f64);
        let variance = part(&of_positives).zip(part(&of_negatives)).map(|(a, b)| a + b);
        let points = corners(&negatives, &positives);
        Some(Roc { points, auc, variance, positives: positives.len(), negatives: negatives.len() })
    }

    /// Interval of the area: normal with DeLong's variance, cut at 0 and 1.
    ///
    /// Classes that do not overlap have no variance, which is no certainty: then it is the Clopper-Pearson interval of
    /// as many successes (or failures) as the smaller class has members, our rule. `None` with a class of one.
    pub fn interval(&self, confidence: f64) -> Option<Interval> {
        let variance = self.variance?;
        if variance <= 0.0 {
            let trials = self.positives.min(self.negatives) as u64;
            let hits = (self.auc * trials as f64).round() as u64;
            return Some(Rate { hits, trials }.interval(confidence));
        }
        let reach = normal::quantile(0.5 * (1.0 + confidence)) * variance.sqrt();
        Some(Interval { low: (self.auc - reach).max(0.0), high: (self.auc + reach).min(1.0) })
    }

    /// Standard error of the area after J. A. Hanley, B. J. McNeil, Radiology 143 (1982) 29, which supposes
    /// exponential laws.
    pub fn hanley_mcneil_error(&self) -> f64 {
        let (a, m, n) = (self.auc, self.positives as f64, self.negatives as f64);
        let (q1, q2) = (a / (2.0 - a), 2.0 * a * a / (1.0 + a));
        let variance = a * (1.0 - a) + (m - 1.0) * (q1 - a * a) + (n - 1.0) * (q2 - a * a);
        (variance.max(0.0) / (m * n)).sqrt()
    }

    /// The most sensitive corner whose false-alarm share does not exceed `false_alarm`.
    pub fn at_false_alarm(&self, false_alarm: f64) -> Option<Point> {
        self.points.iter().take_while(|point| point.false_alarm <= false_alarm).last().copied()
    }
}

fn finite_sorted(values: &[f64]) -> Vec<f64> {
    let mut kept: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    kept.sort_unstable_by(f64::total_cmp);
    kept
}

/// For each value the share of `others` below it, ties half. Both ascending.
fn placements(values: &[f64], others: &[f64]) -> Vec<f64> {
    let (mut below, mut not_above) = (0, 0);
    let advance = |from: usize, keep: &dyn Fn(f64) -> bool| {
        from + others.iter().skip(from).take_while(|other| keep(**other)).count()
    };
    values
        .iter()
        .map(|value| {
            below = advance(below, &|other| other < *value);
            not_above = advance(not_above.max(below), &|other| other <= *value);
            0.5 * (below + not_above) as f64 / others.len() as f64
        })
        .collect()
}

fn corners(negatives: &[f64], positives: &[f64]) -> Vec<Point> {
    let mut points = vec![Point { limit: f64::INFINITY, false_alarm: 0.0, recall: 0.0 }];
    let (mut low, mut high) = (negatives.iter().rev().peekable(), positives.iter().rev().peekable());
    let (mut false_alarms, mut found) = (0_usize, 0_usize);
    while let Some(limit) = [low.peek(), high.peek()].into_iter().flatten().copied().copied().max_by(f64::total_cmp) {
        while low.next_if(|value| **value >= limit).is_some() {
            false_alarms += 1;
        }
        while high.next_if(|value| **value >= limit).is_some() {
            found += 1;
        }
        let share = |count: usize, of: &[f64]| count as f64 / of.len() as f64;
        points.push(Point { limit, false_alarm: share(false_alarms, negatives), recall: share(found, positives) });
    }
    points
}
