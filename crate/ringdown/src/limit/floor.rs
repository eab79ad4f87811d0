//! The floor: robust, smooth level and spread of each group over speed.

use super::curve::{BIN_RPM, Curve, Depths, Knot, Point, SPREAD_PRIOR};
use crate::stats::moments::lag_one;
use crate::stats::order::Arrange;

/// Speeds beyond this are no engine's: the observation is left out.
pub const MOST_RPM: f64 = 30_000.0;
/// Cycles of the same group this close (1/min) carry a cell.
pub const NEAR_RPM: f64 = 150.0;
/// A cell holds a floor from this many near cycles on: fewer could all sit beside a resonance and not show it (common
/// practice, no source).
pub const NEEDED_NEAR: f64 = 8.0;
/// How far the outermost lines are carried on, in bins of 20 1/min: to a round breakpoint just beyond the data.
const BEYOND_BINS: usize = 5;
/// Largest standard error of the level, in spreads, that still counts as a floor.
const MOST_ERROR: f64 = 0.5;

/// One level to learn from or to judge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Observation {
    /// Index of the cylinder or sensor, from 0.
    pub group: u16,
    /// Speed, 1/min.
    pub rpm: f32,
    /// Level, dB (or the log's own unit, already made suitable for a symmetric law by the caller).
    pub level: f32,
    /// Seconds; only order and distance matter (serial correlation).
    pub t_s: f64,
}

impl Observation {
    fn usable(&self, groups: usize) -> bool {
        let speed = f64::from(self.rpm);
        usize::from(self.group) < groups && self.level.is_finite() && speed > 0.0 && speed <= MOST_RPM
    }
}

/// Floor of all groups.
///
/// For each group a local straight line over speed (tricube kernel, half widths 80 to 900 1/min) at every 20 1/min,
/// with bisquare weights that leave out what lies over 3 spreads away, reweighted five times from a 40 % quantile; the
/// half width of each place is the widest that cross-validation can't tell from the best within 300 1/min. The spread is
/// the mean size of the residuals below the level, times 1.2533 (a normal standard deviation), over 800 1/min, drawn
/// towards the group's mean times a course over speed that all groups share, as if 400 residuals spoke for that. So up
/// to a fifth of knock lifts neither.
///
/// # Source
/// Robust local lines: W. S. Cleveland, J. Am. Stat. Assoc. 74 (1979) 829; the rest is our choice.
#[derive(Debug, Clone)]
pub struct Floor {
    groups: Vec<Group>,
}

#[derive(Debug, Clone)]
struct Group {
    curve: Curve,
    /// Observations in all bins before each, and in all: one more than there are bins.
    before: Vec<f64>,
    /// Observations for one independent one, >= 1.
    correlation: f64,
}

/// Floor at one speed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FloorAt {
    /// Robust centre.
    pub level: f64,
    /// Robust standard deviation of single levels around it.
    pub spread: f64,
    /// Standard error of `level`.
    pub level_error: f64,
    /// Observations that carry this point (effective count of the local weighting).
    pub cycles: f64,
}

impl Floor {
    /// Learns from observations, up to 20 % of which may be knock. Observations with a non-finite level, a speed
    /// outside 0..=[`MOST_RPM`] or a group from `groups` on are left out.
    pub fn learn(observations: &[Observation], groups: usize) -> Floor {
        let groups = groups.min(usize::from(u16::MAX) + 1);
        let mut kept: Vec<Vec<&Observation>> = vec![Vec::new(); groups];
        observations.chunks(AT_ONCE).for_each(|some| sort_out(some, &mut kept));
        let mut learnt: Vec<(Group, Vec<Point>)> = kept.iter().map(|own| Group::learn(own)).collect();
        let shape = shared_shape(&learnt);
        for ((group, points), own) in learnt.iter_mut().zip(&kept) {
            let from = group.curve.first_bin;
            group.curve.share_shape(points, shape.get(from..).unwrap_or_default());
            group.correlation = group.correlation(own);
        }
        Floor { groups: learnt.into_iter().map(|(group, _)| group).collect() }
    }

    /// `None` where the group has too few observations near that speed: under [`NEEDED_NEAR`] within [`NEAR_RPM`], or
    /// a level less sure than half a spread. Over gaps nothing is guessed, and beyond the data no more than 100 1/min.
    pub fn at(&self, group: u16, rpm: f64) -> Option<FloorAt> {
        self.groups.get(usize::from(group))?.at(rpm)
    }

    /// Observations of the group within [`NEAR_RPM`] of a speed.
    pub fn near(&self, group: u16, rpm: f64) -> f64 {
        self.groups.get(usize::from(group)).map_or(0.0, |group| group.near(rpm))
    }

    /// Lowest and highest speed with a floor; there may be gaps between.
    pub fn range(&self, group: u16) -> Option<(f64, f64)> {
        let group = self.groups.get(usize::from(group))?;
        let speed = |bin: usize| (bin + group.curve.first_bin) as f64 * BIN_RPM + 0.5 * BIN_RPM;
        let mut covered = (0..group.curve.knots.len()).map(speed).filter(|rpm| group.at(*rpm).is_some());
        let first = covered.next()?;
        Some((first, covered.next_back().unwrap_or(first)))
    }

    /// Level over the floor in spreads, as if this observation had not been learnt from (leave-one-out).
    pub(super) fn residual(&self, observation: &Observation) -> Option<f64> {
        let group = self.groups.get(usize::from(observation.group))?;
        let rpm = f64::from(observation.rpm);
        let at = group.at(rpm)?;
        let leverage = group.knot(rpm)?.leverage.clamp(0.0, 0.5);
        let z = (f64::from(observation.level) - at.level) / at.spread / (1.0 - leverage);
        z.is_finite().then_some(z)
    }
}

/// Observations sorted out in a call: a browser makes code fast between two calls, not while it runs.
const AT_ONCE: usize = 4096;

/// The usable ones, each to its group.
#[inline(never)]
fn sort_out<'a>(some: &'a [Observation], kept: &mut [Vec<&'a Observation>]) {
    let groups = kept.len();
    for observation in some.iter().filter(|o| o.usable(groups)) {
        if let Some(group) = kept.get_mut(usize::from(observation.group)) {
            group.push(observation);
        }
    }
}

/// How the spread goes over speed, about 1, from all groups together; one value for each bin from 0 1/min on.
fn shared_shape(learnt: &[(Group, Vec<Point>)]) -> Vec<f64> {
    let bins = learnt.iter().map(|(g, _)| g.curve.first_bin + g.curve.knots.len()).max().unwrap_or(0);
    let mut relative = vec![Depths::default(); bins];
    for (group, points) in learnt {
        let below = group.curve.below(points);
        let mean = Depths::total(&below).mean().max(1e-9);
        for (sum, own) in relative.iter_mut().skip(group.curve.first_bin).zip(&below) {
            *sum = sum.plus(&Depths { sum: own.sum / mean, count: own.count }, 1.0);
        }
    }
    Depths::local(&relative).map(|local| local.drawn_to(1.0, SPREAD_PRIOR).clamp(0.1, 10.0)).collect()
}

impl Group {
    #[inline(never)] // as `sort_out`
    fn learn(own: &[&Observation]) -> (Group, Vec<Point>) {
        let bin_of = |o: &Observation| (f64::from(o.rpm) / BIN_RPM) as usize;
        let first_bin = own.iter().map(|o| bin_of(o)).min().unwrap_or(0).saturating_sub(BEYOND_BINS);
        let bins = own.iter().map(|o| bin_of(o) + 1 + BEYOND_BINS).max().unwrap_or(first_bin) - first_bin;
        let point = |o: &&Observation| {
            let bin = bin_of(o);
            let dx = f64::from(o.rpm) - (bin as f64 + 0.5) * BIN_RPM;
            Point { bin: bin - first_bin, dx, y: f64::from(o.level) }
        };
        let points: Vec<Point> = own.iter().map(point).collect();
        let curve = Curve::fit(&points, first_bin, bins);
        let mut before = vec![0.0];
        before.extend(curve.counts.iter().scan(0.0, |sum, count| {
            *sum += count;
            Some(*sum)
        }));
        (Group { curve, before, correlation: 1.0 }, points)
    }

    fn bin(&self, rpm: f64) -> Option<usize> {
        let inside = rpm > 0.0 && rpm <= MOST_RPM;
        inside.then_some((rpm / BIN_RPM) as usize)?.checked_sub(self.curve.first_bin)
    }

    fn knot(&self, rpm: f64) -> Option<&Knot> {
        self.curve.knots.get(self.bin(rpm)?)?.as_ref()
    }

    fn near(&self, rpm: f64) -> f64 {
        let inside = rpm > 0.0 && rpm <= MOST_RPM;
        if !inside {
            return 0.0;
        }
        // From the curve's first bin, which may lie above this speed.
        let bin = rpm / BIN_RPM - self.curve.first_bin as f64;
        let reach = NEAR_RPM / BIN_RPM;
        let up_to = |bin: f64| self.before.get(bin.max(0.0) as usize).or(self.before.last()).copied().unwrap_or(0.0);
        up_to(bin + reach + 1.0) - up_to(bin - reach)
    }

    /// The line of the bin's own knot, blended with its neighbour's on the other side of the speed.
    fn at(&self, rpm: f64) -> Option<FloorAt> {
        if self.near(rpm) < NEEDED_NEAR {
            return None;
        }
        let bin = self.bin(rpm)?;
        let own = self.knot(rpm)?;
        let dx = rpm - ((bin + self.curve.first_bin) as f64 + 0.5) * BIN_RPM;
        let side = if dx < 0.0 { bin.checked_sub(1) } else { bin.checked_add(1) };
        let other = side.and_then(|b| self.curve.knots.get(b)).and_then(Option::as_ref).unwrap_or(own);
        let share = dx.abs() / BIN_RPM;
        let other_dx = if std::ptr::eq(other, own) { dx } else { dx - BIN_RPM.copysign(dx) };
        let blend = |a: f64, b: f64| a + share * (b - a);
        let spread = blend(own.spread, other.spread);
        let variance = blend(own.variance, other.variance);
        let at = FloorAt {
            level: blend(own.level + own.slope * dx, other.level + other.slope * other_dx),
            spread,
            level_error: spread * (variance * self.correlation).sqrt(),
            cycles: 1.0 / variance,
        };
        (at.level.is_finite() && at.level_error <= MOST_ERROR * spread).then_some(at)
    }

    /// How many observations of a first-order process are worth one independent one, `(1 + r) / (1 - r)` of the lag-1
    /// autocorrelation `r` of the background's residuals in the order of time: see `stats::serial`, whose longer sum would
    /// take what the curve can't follow for correlation.
    fn correlation(&self, own: &[&Observation]) -> f64 {
        let mut ordered: Vec<(f64, f64)> = own
            .iter()
            .filter_map(|o| {
                let at = self.at(f64::from(o.rpm))?;
                let z = (f64::from(o.level) - at.level) / at.spread;
                (z.abs() < 3.0).then_some((o.t_s, z))
            })
            .collect();
        ordered.arrange(|a, b| a.0.total_cmp(&b.0));
        let residuals: Vec<f64> = ordered.iter().map(|(_, z)| *z).collect();
        let r = lag_one(&residuals).unwrap_or(0.0).clamp(0.0, 0.9);
        (1.0 + r) / (1.0 - r)
    }
}
