//! Limits for a stated false-alarm rate at a stated confidence.

use super::floor::{Floor, NEEDED_NEAR, Observation, inflation};
use super::law::{self, Bound, Fitted, Pool};
use crate::stats::moments::lag_one;
use crate::stats::tail::same_shares;

/// Below this p-value groups, or speeds, may not share their residuals.
const NOT_ALIKE: f64 = 0.005;
/// Points of a tail plot.
const TAIL_POINTS: usize = 400;

/// What the user chose.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wanted {
    /// False alarms per observation, 1e-5..=1e-2.
    pub false_alarm: f64,
    /// Confidence, e.g. 0.95.
    pub confidence: f64,
}

impl Wanted {
    /// Held to what can be computed: 1e-6..=0.1 and 0.5..=0.999; nonsense becomes 1e-3 at 0.95.
    fn held(self) -> Wanted {
        let within = |v: f64, low: f64, high: f64, otherwise: f64| {
            if v.is_finite() { v.clamp(low, high) } else { otherwise }
        };
        Wanted {
            false_alarm: within(self.false_alarm, 1e-6, 0.1, 1e-3),
            confidence: within(self.confidence, 0.5, 0.999, 0.95),
        }
    }
}

/// How the limit was reached.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Law {
    /// Levels in dB are normal (log-normal powers): tolerance factor.
    Normal,
    /// A generalised-Pareto tail over a high level.
    ParetoTail,
    /// Order statistic of the pooled residuals.
    DistributionFree,
    /// Too few observations for any.
    NotEnough,
}

/// Limits of all groups.
///
/// Residuals of the safe observations, in spreads over the floor and as if each had not been learnt from, are pooled
/// over speed and groups; a chi-squared test of how many of each group, and of each third of the speeds, lie over the
/// common 95 % and 99 % quantiles says whether they may be. Groups that are not alike keep their own law; speeds that
/// are not alike get the highest of the bounds of the three thirds. Serial correlation `r` at lag 1 makes
/// `(1 + r) / (1 - r)` residuals count as one.
///
/// All safe observations count as background: a safe stretch with knock in it gives a limit that lies too high, never
/// one that cries too often.
#[derive(Debug, Clone)]
pub struct Limits {
    /// How; that of the largest pool where groups keep their own.
    pub law: Law,
    /// Pooled standardised residuals used.
    pub residuals: usize,
    /// Anderson-Darling statistic (case 3, with Stephens' correction) of the pooled residuals and its p-value.
    pub anderson_darling: Option<(f64, f64)>,
    /// What was asked for, within what can be computed.
    pub wanted: Wanted,
    /// Residuals worth one independent one, >= 1.
    pub inflation: f64,
    /// p-value of the groups having one law, `None` with one group; below 0.005 each keeps its own.
    pub groups_alike: Option<f64>,
    /// p-value of the thirds of the speeds having one law; below 0.005 the highest of their bounds is used.
    pub speeds_alike: Option<f64>,
    /// One pool for all groups, or one for each.
    pub pools: Vec<PoolLimit>,
    mean_error: f64,
}

/// The limit of one pool of residuals.
#[derive(Debug, Clone)]
pub struct PoolLimit {
    /// `None`: all groups.
    pub group: Option<u16>,
    /// How.
    pub law: Law,
    /// Residuals in it.
    pub residuals: usize,
    /// Height of the limit over the floor, in spreads, with its confidence; `None` where not enough.
    pub height: Option<f64>,
    /// Height exceeded at the wanted rate by the fitted law itself, without the reserve for confidence.
    pub estimate: Option<f64>,
    /// Residuals still needed for any law, from all its groups and speeds together.
    pub more_needed: u32,
    /// For the tail plot: heights over the floor in spreads, and the share of residuals at or above each; every one of
    /// the largest, thinned below.
    pub observed: Vec<TailPoint>,
    /// The fitted law over the same heights; empty for an order statistic.
    pub fitted: Vec<TailPoint>,
}

/// One point of a tail plot.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TailPoint {
    /// Spreads over the floor.
    pub height: f64,
    /// Share of residuals above.
    pub above: f64,
}

/// Limit at one cell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LimitAt {
    /// Floor level there, if any.
    pub floor: Option<f64>,
    /// The limit; `None` where not enough.
    pub limit: Option<f64>,
    /// Observations carrying the cell: those of its group within 150 1/min.
    pub cycles: f64,
    /// How many more are needed; 0 exactly where there is a limit. In a cell without floor: near it; else anywhere.
    pub more_needed: u32,
}

/// A safe observation over the floor.
#[derive(Debug, Clone, Copy)]
struct Residual {
    group: u16,
    rpm: f64,
    t_s: f64,
    z: f64,
}

impl Limits {
    /// Sets limits from safe observations over a learnt floor. Those outside the floor's coverage, or of a group from
    /// `groups` on, are left out.
    pub fn learn(floor: &Floor, safe: &[Observation], groups: usize, wanted: Wanted) -> Limits {
        let wanted = wanted.held();
        let residuals: Vec<Residual> =
            safe.iter().filter(|o| usize::from(o.group) < groups).filter_map(|o| residual(floor, o)).collect();
        let inflation = inflation_of(&residuals);
        let groups_alike = alike(&residuals, inflation, groups, |r| usize::from(r.group));
        let speeds = Thirds::of(&residuals);
        let speeds_alike = alike(&residuals, inflation, 3, |r| speeds.third(r.rpm));
        let apart = groups_alike.is_some_and(|p| p < NOT_ALIKE);
        let by_speed = speeds_alike.is_some_and(|p| p < NOT_ALIKE).then_some(&speeds);
        let pool = |group: Option<u16>| {
            let own: Vec<Residual> = residuals.iter().filter(|r| group.is_none_or(|g| r.group == g)).copied().collect();
            pool_limit(group, &own, inflation, by_speed, wanted)
        };
        let pools: Vec<PoolLimit> =
            if apart { (0..groups).map(|g| pool(u16::try_from(g).ok())).collect() } else { vec![pool(None)] };
        let largest = pools.iter().filter(|p| p.height.is_some()).max_by_key(|p| p.residuals);
        let ascending = ascending(residuals.iter());
        let test = Pool { ascending: &ascending, inflation }.anderson_darling();
        Limits {
            law: largest.map_or(Law::NotEnough, |p| p.law),
            residuals: residuals.len(),
            anderson_darling: test.map(|t| (t.a2_star, t.p)),
            wanted,
            inflation,
            groups_alike,
            speeds_alike,
            pools,
            mean_error: mean_error(floor, &residuals),
        }
    }

    /// The limit at any speed: floor + height * spread. Where the floor is less sure than on average over the safe
    /// observations, the height grows as the standard deviation of a new level about the learnt floor does.
    pub fn at(&self, floor: &Floor, group: u16, rpm: f64) -> LimitAt {
        let cycles = floor.near(group, rpm);
        let Some(at) = floor.at(group, rpm) else {
            let more_needed = (NEEDED_NEAR - cycles).ceil().max(1.0) as u32;
            return LimitAt { floor: None, limit: None, cycles, more_needed };
        };
        let pool = self.pools.iter().find(|p| p.group.is_none_or(|g| g == group));
        let error = at.level_error / at.spread;
        let less_sure = ((1.0 + error * error) / (1.0 + self.mean_error)).sqrt().max(1.0);
        let limit = pool.and_then(|p| p.height).map(|height| at.level + height * less_sure * at.spread);
        let more_needed = if limit.is_some() { 0 } else { pool.map_or(1, |p| p.more_needed) };
        LimitAt { floor: Some(at.level), limit, cycles, more_needed }
    }
}

fn residual(floor: &Floor, o: &Observation) -> Option<Residual> {
    Some(Residual { group: o.group, rpm: f64::from(o.rpm), t_s: o.t_s, z: floor.residual(o)? })
}

/// Mean of the squared error of the floor, in spreads squared, over at most some thousand of the residuals.
fn mean_error(floor: &Floor, residuals: &[Residual]) -> f64 {
    let some = residuals.iter().step_by(residuals.len() / 2000 + 1).filter_map(|r| floor.at(r.group, r.rpm));
    let (sum, count) = some.fold((0.0, 0.0), |(s, n), at| (s + (at.level_error / at.spread).powi(2), n + 1.0));
    if count > 0.0 { sum / count } else { 0.0 }
}

/// From the lag-1 autocorrelation of each group in the order of time, weighted by size; 1 where it is no more than
/// chance (two standard errors).
fn inflation_of(residuals: &[Residual]) -> f64 {
    let mut ordered: Vec<Residual> = residuals.to_vec();
    ordered.sort_by(|a, b| a.group.cmp(&b.group).then(a.t_s.total_cmp(&b.t_s)));
    let parts = ordered.chunk_by(|a, b| a.group == b.group);
    let (sum, count) = parts.fold((0.0, 0.0), |(sum, count), part| {
        let n = part.len() as f64;
        let z: Vec<f64> = part.iter().map(|r| r.z.clamp(-4.0, 4.0)).collect();
        lag_one(&z).map_or((sum, count), |r| (sum + n * r, count + n))
    });
    let r: f64 = if count > 0.0 { sum / count } else { 0.0 };
    if r * count.sqrt() > 2.0 { inflation(r) } else { 1.0 }
}

fn ascending<'a>(residuals: impl Iterator<Item = &'a Residual>) -> Vec<f64> {
    let mut z: Vec<f64> = residuals.map(|r| r.z).collect();
    z.sort_unstable_by(f64::total_cmp);
    z
}

/// Smaller p-value, doubled for the two, of two tests: as many of each class over the common 95 % and 99 % quantile.
fn alike(residuals: &[Residual], inflation: f64, classes: usize, class: impl Fn(&Residual) -> usize) -> Option<f64> {
    if classes < 2 || residuals.len() < 100 {
        return None;
    }
    let ascending = ascending(residuals.iter());
    let test = |share: f64| {
        let limit = *ascending.get((ascending.len() as f64 * share) as usize)?;
        let mut counts = vec![(0.0, 0.0); classes];
        for residual in residuals {
            let count = counts.get_mut(class(residual))?;
            count.0 += f64::from(u8::from(residual.z >= limit));
            count.1 += 1.0 - share;
        }
        Some(same_shares(&counts, inflation * share))
    };
    Some((2.0 * test(0.95)?.min(test(0.99)?)).min(1.0))
}

/// Thirds of the residuals by speed.
struct Thirds(f64, f64);

impl Thirds {
    fn of(residuals: &[Residual]) -> Thirds {
        let mut speeds: Vec<f64> = residuals.iter().map(|r| r.rpm).collect();
        speeds.sort_unstable_by(f64::total_cmp);
        let at = |share: f64| speeds.get((speeds.len() as f64 * share) as usize).copied().unwrap_or(f64::INFINITY);
        Thirds(at(1.0 / 3.0), at(2.0 / 3.0))
    }

    fn third(&self, rpm: f64) -> usize {
        usize::from(rpm >= self.0) + usize::from(rpm >= self.1)
    }
}

fn pool_limit(group: Option<u16>, own: &[Residual], inflation: f64, by: Option<&Thirds>, wanted: Wanted) -> PoolLimit {
    let all = ascending(own.iter());
    let whole = Pool { ascending: &all, inflation }.bound(wanted);
    let highest = by.and_then(|thirds| {
        let bound_of = |third: usize| {
            let part = ascending(own.iter().filter(|r| thirds.third(r.rpm) == third));
            Pool { ascending: &part, inflation }.bound(wanted)
        };
        (0..3).filter_map(bound_of).max_by(|a, b| a.height.total_cmp(&b.height))
    });
    let higher = |a: Bound, b: Bound| if b.height > a.height { b } else { a };
    let bound = match (whole, highest) {
        (Some(a), Some(b)) => Some(higher(a, b)),
        (a, b) => a.or(b),
    };
    let fitted = bound.as_ref().map_or(&Fitted::Nothing, |b| &b.fitted);
    let observed = observed_tail(&all);
    PoolLimit {
        group,
        law: bound.as_ref().map_or(Law::NotEnough, |b| b.law),
        residuals: own.len(),
        height: bound.as_ref().map(|b| b.height),
        estimate: bound.as_ref().map(|b| b.estimate),
        more_needed: if bound.is_some() { 0 } else { law::more_needed(own.len() as f64 / inflation, wanted) },
        fitted: fitted_tail(fitted, &observed, wanted),
        observed,
    }
}

/// The largest residuals one by one, then ever sparser, so that a logarithmic share axis is evenly filled.
fn observed_tail(ascending: &[f64]) -> Vec<TailPoint> {
    let n = ascending.len();
    let mut points = Vec::new();
    let mut from_top = 1_usize;
    while from_top <= n && points.len() < TAIL_POINTS {
        if let Some(height) = ascending.get(n - from_top) {
            points.push(TailPoint { height: *height, above: from_top as f64 / n as f64 });
        }
        from_top += (from_top / 25).max(1);
    }
    points.reverse();
    points
}

/// The law over the observed heights and on to a tenth of the wanted rate.
fn fitted_tail(law: &Fitted, observed: &[TailPoint], wanted: Wanted) -> Vec<TailPoint> {
    let (Some(first), Some(last)) = (observed.first(), observed.last()) else { return Vec::new() };
    let step = (last.height - first.height).max(1.0) / 80.0;
    (0..240)
        .map(|i| first.height + f64::from(i) * step)
        .filter_map(|height| law.above(height).map(|above| TailPoint { height, above }))
        .take_while(|point| point.above > 0.1 * wanted.false_alarm)
        .collect()
}
