//! The way between coarse teeth: time over angle as a smooth trend with the ripple of the firing order on it.
//!
//! Least squares with a prior: the ripple is expected to be small, so that where the teeth cannot show it nothing is
//! invented, and what they leave open is known beforehand.

use super::pattern::Pattern;

/// Terms: a cubic, and the ripple's two quadratures.
pub(super) const TERMS: usize = 6;
/// Teeth that a fit needs: one more than it has terms.
const FEWEST: usize = TERMS + 1;
/// Teeth to either side that take part.
const TEETH: f64 = 6.5;
/// Standard deviations of an edge and of each quadrature of the ripple, degrees: speed varying by up to 3 % at the firing
/// frequency of four cylinders (common practice, no source) moves the angle by 0.03 / 2 rad to either side.
const EDGE_DEG: f64 = 0.02;
const RIPPLE_DEG: f64 = 0.6;

/// How the speed ripples, and how well the wheel shows it.
#[derive(Debug, Clone)]
pub struct Ripple {
    firings: f64,
    reach_deg: f64,
    unseen_deg: f64,
}

/// Time over angle from a centre, in the unit of the teeth's times.
#[derive(Debug, Clone)]
pub struct Way {
    terms: [f64; TERMS],
    firings: f64,
    reach_deg: f64,
    centre_deg: f64,
    /// Standard deviation of the teeth around it.
    pub scatter: f64,
}

impl Ripple {
    /// `None` where the firing order is not known, or the wheel shows nothing of it: one pulse a turn or fewer.
    pub fn new(pattern: &Pattern, firings: f64) -> Option<Ripple> {
        let pitch_deg = pattern.period_deg / pattern.edges().max(1) as f64;
        if !(0.4..20.0).contains(&firings) || pitch_deg >= 180.0 {
            return None;
        }
        let mut ripple = Ripple { firings, reach_deg: TEETH * pitch_deg, unseen_deg: 0.0 };
        ripple.unseen_deg = ripple.unseen(pattern)?;
        Some(ripple)
    }

    /// Teeth this near to the middle of the way take part.
    pub fn reach_deg(&self) -> f64 {
        self.reach_deg
    }

    /// What the teeth can't show: twice the standard deviation left in the middle of the worst way.
    pub fn unseen_deg(&self) -> f64 {
        self.unseen_deg
    }

    /// Through teeth (degrees from the centre, time); `None` with too few.
    pub fn through(&self, teeth: &[(f64, f64)], centre_deg: f64) -> Option<Way> {
        if teeth.len() < FEWEST {
            return None;
        }
        let (matrix, right) = self.equations(teeth, centre_deg);
        let mut way = Way {
            terms: solve(matrix, right)?,
            firings: self.firings,
            reach_deg: self.reach_deg,
            centre_deg,
            scatter: 0.0,
        };
        let square: f64 = teeth.iter().map(|&(deg, at)| (at - way.at(deg)).powi(2)).sum();
        way.scatter = (square / (teeth.len() - TERMS) as f64).sqrt();
        way.terms.iter().all(|term| term.is_finite()).then_some(way)
    }

    fn equations(&self, teeth: &[(f64, f64)], centre_deg: f64) -> ([[f64; TERMS]; TERMS], [f64; TERMS]) {
        let (mut matrix, mut right) = ([[0.0; TERMS]; TERMS], [0.0; TERMS]);
        for &(deg, at) in teeth {
            let basis = basis(deg, self.reach_deg, self.firings, centre_deg);
            for (row, a) in matrix.iter_mut().zip(basis) {
                row.iter_mut().zip(basis).for_each(|(sum, b)| *sum += a * b);
            }
            right.iter_mut().zip(basis).for_each(|(sum, a)| *sum += a * at);
        }
        let prior = (EDGE_DEG / RIPPLE_DEG).powi(2);
        for (i, row) in matrix.iter_mut().enumerate() {
            // The trend is free; a trace keeps the equations solvable.
            row[i] += if i < TERMS - 2 { 1e-9 } else { prior };
        }
        (matrix, right)
    }

    /// Twice the standard deviation left by edges of the pattern, in the middle of the worst way between two.
    fn unseen(&self, pattern: &Pattern) -> Option<f64> {
        let positions = pattern.positions() as i64;
        let mut worst: f64 = 0.0;
        for k in (0..positions).filter(|&k| pattern.is_present(k)) {
            let (from, to) = (pattern.at(pattern.before(k)), pattern.at(k));
            let centre = 0.5 * (from + to);
            let around = (self.reach_deg / pattern.period_deg).ceil() as i64 + 1;
            let teeth: Vec<(f64, f64)> = (-around * positions..around * positions)
                .filter(|&j| pattern.is_present(j))
                .map(|j| (pattern.at(j) - centre, 0.0))
                .filter(|tooth| tooth.0.abs() <= self.reach_deg)
                .collect();
            // The phase of the ripple against the wheel is any.
            let (matrix, _) = self.equations(&teeth, centre);
            let here = basis(0.0, self.reach_deg, self.firings, centre);
            let spread = solve(matrix, here)?;
            let variance: f64 = spread.iter().zip(here).map(|(a, b)| a * b).sum();
            worst = worst.max(variance * EDGE_DEG * EDGE_DEG);
        }
        Some(2.0 * worst.max(0.0).sqrt()).filter(|deg| deg.is_finite())
    }
}

impl Way {
    /// Time at `deg` from the centre.
    pub fn at(&self, deg: f64) -> f64 {
        let basis = basis(deg, self.reach_deg, self.firings, self.centre_deg);
        basis.iter().zip(self.terms).map(|(a, b)| a * b).sum()
    }
}

/// The terms at `deg` from the centre.
pub(super) fn basis(deg: f64, reach_deg: f64, firings: f64, centre_deg: f64) -> [f64; TERMS] {
    let x = deg / reach_deg;
    let (sin, cos) = (firings * (centre_deg + deg)).to_radians().sin_cos();
    [1.0, x, x * x, x * x * x, cos, sin]
}

/// Gauss with the largest pivot of the column.
pub(super) fn solve(mut matrix: [[f64; TERMS]; TERMS], mut right: [f64; TERMS]) -> Option<[f64; TERMS]> {
    for column in 0..TERMS {
        let pivot = (column..TERMS).max_by(|&a, &b| matrix[a][column].abs().total_cmp(&matrix[b][column].abs()))?;
        matrix.swap(column, pivot);
        right.swap(column, pivot);
        let (row, value) = (matrix[column], right[column]);
        if row[column].abs() < 1e-30 || !row[column].is_finite() {
            return None;
        }
        for below in column + 1..TERMS {
            let share = matrix[below][column] / row[column];
            matrix[below].iter_mut().zip(row).for_each(|(a, b)| *a -= share * b);
            right[below] -= share * value;
        }
    }
    let mut found = [0.0; TERMS];
    for column in (0..TERMS).rev() {
        let rest: f64 = (column + 1..TERMS).map(|other| matrix[column][other] * found[other]).sum();
        found[column] = (right[column] - rest) / matrix[column][column];
    }
    Some(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::crank::pattern::Pattern;
    use crate::read::sheet::{Crank, Edge};

    /// Truth: angle = speed * time + 0.86 degrees of ripple, twice a turn, solved for time by iteration.
    #[test]
    fn a_ripple_between_six_uneven_edges_is_followed() {
        let edges_deg = vec![10.0, 70.0, 95.0, 200.0, 290.0, 300.0];
        let reference = Crank::EdgeList { channel: 1, edges_deg: edges_deg.clone(), edge: Some(Edge::Rising) };
        let pattern = Pattern::new(&reference, 720.0).expect("usable");
        let ripple = Ripple::new(&pattern, 2.0).expect("six edges show a ripple");
        let time = |deg: f64| deg - 0.86 * (2.0 * deg + 40.0).to_radians().sin();
        let centre = 360.0 + 147.5;
        let teeth: Vec<(f64, f64)> = (0..4)
            .flat_map(|turn| edges_deg.iter().map(move |deg| deg + 360.0 * f64::from(turn)))
            .map(|deg| (deg - centre, time(deg)))
            .filter(|tooth| tooth.0.abs() <= ripple.reach_deg())
            .collect();
        let way = ripple.through(&teeth, centre).expect("enough teeth");
        for off in [-50.0, -20.0, 0.0, 30.0] {
            let error = way.at(off) - time(centre + off);
            assert!(error.abs() < 0.05, "{error} degrees off at {off}");
        }
        assert!(ripple.unseen_deg() < 0.2, "{}", ripple.unseen_deg());
    }

    #[test]
    fn one_pulse_a_turn_shows_no_ripple() {
        let reference = Crank::PulsePerTurn { channel: 1, deg_btdc: Some(60.0), edge: None };
        let pattern = Pattern::new(&reference, 720.0).expect("usable");
        assert!(Ripple::new(&pattern, 2.0).is_none());
    }
}
