//! Limits for a stated false-alarm rate at a stated confidence.

use super::floor::{Floor, NEEDED_NEAR, Observation};
use super::law::{self, Fitted, Lacking, Pool};
use super::rules::{Rule, margins_db};
use crate::stats::moments::mean;
use crate::stats::order::Arrange;
use crate::stats::rate::Rate;
use crate::stats::serial;
use crate::stats::tail::same_shares;

/// Below this p-value groups, or speeds, may not share their residuals.
pub const NOT_ALIKE: f64 = 0.005;
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
    /// A common rule that the user asked for: no rate is promised.
    CommonRule,
}

/// Limits of all groups.
///
/// Residuals of the safe observations, in spreads over the floor and as if each had not been learnt from, are pooled
/// over speed and groups; a chi-squared test of how many of each group, and of each third of the speeds, lie over the
/// common 95 % and 99 % quantiles says whether they may be. Groups that are not alike keep their own law; speeds that
/// are not alike get the highest of the bounds of the three thirds, and so do thirds of the time (a drifting sensor,
/// another fuel). Serial correlation makes several residuals count as one, see [`serial::worth_one`].
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
    /// The same for thirds of the time.
    pub times_alike: Option<f64>,
    /// How far the last third of the time lies over the first, spreads; `None` with too few.
    pub drift: Option<f64>,
    /// Share of the safe observations that stand apart like knock, see [`standing_apart`]; `None`: nothing speaks for it.
    pub apart_share: Option<f64>,
    /// One pool for all groups, or one for each.
    pub pools: Vec<PoolLimit>,
    mean_error: f64,
    /// Heights over the floor, dB, by group, where a common rule was asked for.
    margins_db: Option<Vec<Option<f64>>>,
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
    /// Share of observations that lie over the limit by the most likely law, without the reserve for confidence: at most
    /// the wanted rate is promised, this is what to expect. Where thirds of the speeds or times have their own laws, the
    /// mean of theirs; under an order statistic the share observed.
    pub expected: Option<f64>,
    /// Residuals still needed for any law, from all its groups and speeds together.
    pub more_needed: u32,
    /// No limit because the tail is heavier than exponential: so few residuals don't carry it on to so rare a rate.
    pub heavy: bool,
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
    rpm: f32,
    t_s: f64,
    z: f64,
}

impl Limits {
    /// Sets limits from safe observations over a learnt floor. Those outside the floor's coverage, or of a group from
    /// `groups` on, are left out.
    pub fn learn(floor: &Floor, safe: &[Observation], groups: usize, wanted: Wanted) -> Limits {
        let wanted = wanted.held();
        let mut residuals = Vec::with_capacity(safe.len());
        residuals.extend(safe.iter().filter(|o| usize::from(o.group) < groups).filter_map(|o| residual(floor, o)));
        let inflation = inflation_of(&residuals);
        let groups_alike = alike(&residuals, inflation, (groups, Spread::Own), |r| usize::from(r.group));
        let speeds = Thirds::of(&residuals, |r| f64::from(r.rpm));
        let speeds_alike = alike(&residuals, inflation, (3, Spread::Own), |r| speeds.third(r));
        let times = Thirds::of(&residuals, |r| r.t_s);
        let times_alike = alike(&residuals, inflation, (3, Spread::Shared), |r| times.third(r));
        let apart = groups_alike.is_some_and(|p| p < NOT_ALIKE);
        let differing = |alike: Option<f64>| alike.is_some_and(|p| p < NOT_ALIKE);
        let thirds: Vec<&Thirds> = [(speeds_alike, &speeds), (times_alike, &times)]
            .into_iter()
            .filter(|(p, _)| differing(*p))
            .map(|t| t.1)
            .collect();
        let pool = |group: u16| {
            let own: Vec<Residual> = residuals.iter().filter(|r| r.group == group).copied().collect();
            pool_limit(Some(group), &own, inflation, &thirds, wanted)
        };
        let pools: Vec<PoolLimit> = if apart {
            (0..groups).filter_map(|group| u16::try_from(group).ok()).map(pool).collect()
        } else {
            vec![pool_limit(None, &residuals, inflation, &thirds, wanted)]
        };
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
            times_alike,
            drift: drift(&residuals, &times),
            apart_share: standing_apart(&ascending),
            pools,
            mean_error: mean_error(floor, &residuals),
            margins_db: None,
        }
    }

    /// The same, but with the heights that a common rule gives; `safe` as in [`Limits::learn`].
    pub fn by_rule(self, rule: Rule, floor: &Floor, safe: &[Observation], groups: usize) -> Limits {
        Limits { law: Law::CommonRule, margins_db: Some(margins_db(rule, floor, safe, groups)), ..self }
    }

    /// Share of a group's observations that is expected over its limit; see [`PoolLimit::expected`]. `None` without a limit
    /// and under a common rule.
    pub fn expected_of(&self, group: u16) -> Option<f64> {
        let pool = self.pools.iter().find(|pool| pool.group.is_none_or(|own| own == group));
        pool.and_then(|pool| pool.expected).filter(|_| self.margins_db.is_none())
    }

    /// The same over all groups, each by what was learnt from it.
    pub fn expected(&self) -> Option<f64> {
        let known = self.pools.iter().filter_map(|pool| Some((pool.residuals as f64, pool.expected?)));
        let (count, sum) = known.fold((0.0, 0.0), |(count, sum), (n, share)| (count + n, sum + n * share));
        (count > 0.0 && self.margins_db.is_none()).then(|| sum / count)
    }

    /// The limit at any speed: floor + height * spread. Where the floor is less sure than on average over the safe
    /// observations, the height grows as the standard deviation of a new level about the learnt floor does.
    pub fn at(&self, floor: &Floor, group: u16, rpm: f64) -> LimitAt {
        let cycles = floor.near(group, rpm);
        let Some(at) = floor.at(group, rpm) else {
            let more_needed = (NEEDED_NEAR - cycles).ceil().max(1.0) as u32;
            return LimitAt { floor: None, limit: None, cycles, more_needed };
        };
        if let Some(margins) = &self.margins_db {
            let limit = margins.get(usize::from(group)).copied().flatten().map(|margin| at.level + margin);
            let more_needed = u32::from(limit.is_none());
            return LimitAt { floor: Some(at.level), limit, cycles, more_needed };
        }
        let pool = self.pools.iter().find(|p| p.group.is_none_or(|g| g == group));
        let error = at.level_error / at.spread;
        let less_sure = ((1.0 + error * error) / (1.0 + self.mean_error)).sqrt().max(1.0);
        let limit = pool.and_then(|p| p.height).map(|height| at.level + height * less_sure * at.spread);
        let more_needed = if limit.is_some() { 0 } else { pool.map_or(1, |p| p.more_needed) };
        LimitAt { floor: Some(at.level), limit, cycles, more_needed }
    }
}

fn residual(floor: &Floor, o: &Observation) -> Option<Residual> {
    Some(Residual { group: o.group, rpm: o.rpm, t_s: o.t_s, z: floor.residual(o)? })
}

/// Mean of the squared error of the floor, in spreads squared, over at most some thousand of the residuals.
fn mean_error(floor: &Floor, residuals: &[Residual]) -> f64 {
    let some = residuals.iter().step_by(residuals.len() / 2000 + 1).filter_map(|r| floor.at(r.group, f64::from(r.rpm)));
    let (sum, count) = some.fold((0.0, 0.0), |(s, n), at| (s + (at.level_error / at.spread).powi(2), n + 1.0));
    if count > 0.0 { sum / count } else { 0.0 }
}

/// From the autocorrelation of each group in the order of time.
fn inflation_of(residuals: &[Residual]) -> f64 {
    let mut ordered: Vec<&Residual> = residuals.iter().collect();
    ordered.arrange(|a, b| a.group.cmp(&b.group).then(a.t_s.total_cmp(&b.t_s)));
    let parts = ordered.chunk_by(|a, b| a.group == b.group);
    let series: Vec<Vec<f64>> = parts.map(|part| part.iter().map(|r| r.z.clamp(-4.0, 4.0)).collect()).collect();
    drop(ordered);
    serial::worth_one(series)
}

fn ascending<'a>(residuals: impl Iterator<Item = &'a Residual>) -> Vec<f64> {
    let mut z: Vec<f64> = residuals.map(|r| r.z).collect();
    z.sort_unstable_by(f64::total_cmp);
    z
}

/// What the spread of each class was learnt from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Spread {
    /// The class's own levels below the floor.
    Own,
    /// All classes together.
    Shared,
}

/// Variance of a spread learnt from the mean size of the residuals below the level, relative to its square, times the
/// number of all residuals: half of them, each with the variance of a half-normal law, `pi / 2 - 1` of its squared mean.
const SPREAD_VARIANCE: f64 = std::f64::consts::PI - 2.0;

/// Smaller p-value, doubled for the two, of two tests: as many of each class over the common 95 % and 99 % quantile.
///
/// Where a class's spread is its own, the class differs from the others by that spread's error as well: a share `p` above
/// a height `z` changes with the spread by `hazard z` of itself, so the count's variance grows by `n p^2 (hazard z)^2`
/// times [`SPREAD_VARIANCE`]. The hazard is read off the pooled quantiles around `z`. Without this one class in ten was
/// refused for what the floor itself had got wrong.
fn alike(
    residuals: &[Residual],
    inflation: f64,
    (classes, spread): (usize, Spread),
    class: impl Fn(&Residual) -> usize,
) -> Option<f64> {
    if classes < 2 || residuals.len() < 100 {
        return None;
    }
    let ascending = ascending(residuals.iter());
    let above = |exceeded: f64| ascending.get((ascending.len() as f64 * (1.0 - exceeded)) as usize).copied();
    let test = |exceeded: f64| {
        let limit = above(exceeded)?;
        let hazard = 3_f64.ln() / (above(0.5 * exceeded)? - above(1.5 * exceeded)?);
        let learnt = if spread == Spread::Own { exceeded * (hazard * limit).powi(2) * SPREAD_VARIANCE } else { 0.0 };
        let mut counts = vec![(0.0, 0.0); classes];
        for residual in residuals {
            let count = counts.get_mut(class(residual))?;
            count.0 += f64::from(u8::from(residual.z >= limit));
            count.1 += exceeded;
        }
        let widened = if learnt.is_finite() { learnt } else { 0.0 };
        Some(same_shares(&counts, inflation * (1.0 - exceeded + widened)))
    };
    Some((2.0 * test(0.05)?.min(test(0.01)?)).min(1.0))
}

/// Thirds of the residuals by speed or time.
struct Thirds {
    by: fn(&Residual) -> f64,
    edges: [f64; 2],
}

impl Thirds {
    fn of(residuals: &[Residual], by: fn(&Residual) -> f64) -> Thirds {
        let mut places: Vec<f64> = residuals.iter().map(by).collect();
        places.sort_unstable_by(f64::total_cmp);
        let at = |share: f64| places.get((places.len() as f64 * share) as usize).copied().unwrap_or(f64::INFINITY);
        Thirds { by, edges: [at(1.0 / 3.0), at(2.0 / 3.0)] }
    }

    fn third(&self, residual: &Residual) -> usize {
        self.edges.iter().filter(|edge| (self.by)(residual) >= **edge).count()
    }
}

/// Mean height of the last third of the time over that of the first, each height bounded, so that knock hardly counts.
fn drift(residuals: &[Residual], times: &Thirds) -> Option<f64> {
    let mean_of = |third: usize| {
        let own: Vec<f64> =
            residuals.iter().filter(|r| times.third(r) == third).map(|r| r.z.clamp(-3.0, 3.0)).collect();
        if own.len() >= LEAST_APART { mean(&own) } else { None }
    };
    Some(mean_of(2)? - mean_of(0)?)
}

/// Evenly spaced heights of a body's upper edge, its tail, and from where on a cycle stands apart, in widths of the body.
const APART: [[f64; 3]; 4] = [[0.5, 1.5, 2.5], [1.0, 2.0, 3.0], [1.0, 2.5, 4.0], [1.5, 3.0, 4.5]];
/// Shares standing apart below this are not spoken of.
const APART_SHARE: f64 = 0.005;
const LEAST_APART: usize = 50;
/// Quantiles that tell the body's width, which a fifth of knock moves little, and their distance in a normal law's
/// standard deviations.
const BODY: ([f64; 2], f64) = ([0.40, 0.65], 0.638_667);

/// Share of `ascending` heights over a floor that stand apart from the rest like knock; `None`: nothing speaks for it.
///
/// From the shares above two heights an exponential law is carried on to a third. The laws that backgrounds follow in dB
/// (normal, gamma, Weibull, Gumbel) fade faster than that, because the logarithm of their tail bends down. What lies above
/// more often, by half a percent at least and beyond chance (99 %, Clopper-Pearson), is another kind of cycle. Four
/// triples of heights are tried.
///
/// # Source
/// Log-concave tails: M. Bagnoli, T. Bergstrom, Econ. Theory 26 (2005) 445. The heights are our choice.
pub fn standing_apart(ascending: &[f64]) -> Option<f64> {
    let count = ascending.len();
    if count < 4 * LEAST_APART {
        return None;
    }
    let [low, high] = BODY.0.map(|share| ascending.get((share * count as f64) as usize).copied().unwrap_or(0.0));
    let width = (high - low) / BODY.1;
    let above = |height: f64| count - ascending.partition_point(|z| *z <= height * width);
    let apart = |heights: &[f64; 3]| {
        let [body, tail, far] = heights.map(above);
        let carried = (tail as f64).powi(2) / body.max(1) as f64 / count as f64;
        let surely = Rate { hits: far as u64, trials: count as u64 }.interval(0.99).low;
        (surely > carried + APART_SHARE).then(|| far as f64 / count as f64)
    };
    if width > 0.0 { APART.iter().filter_map(apart).max_by(f64::total_cmp) } else { None }
}

fn pool_limit(group: Option<u16>, own: &[Residual], inflation: f64, by: &[&Thirds], wanted: Wanted) -> PoolLimit {
    let all = ascending(own.iter());
    let whole = Pool { ascending: &all, inflation }.bound(wanted);
    let of_third = |(thirds, third): (&Thirds, usize)| {
        let part = ascending(own.iter().filter(|r| thirds.third(r) == third));
        let bound = Pool { ascending: &part, inflation }.bound(wanted);
        (part, bound)
    };
    let parts: Vec<_> = by.iter().flat_map(|thirds| (0..3).map(|third| of_third((*thirds, third)))).collect();
    let lacking = whole.as_ref().err().copied();
    let bounds = parts.iter().filter_map(|(_, bound)| bound.as_ref().ok()).chain(&whole);
    let highest = bounds.max_by(|a, b| a.height.total_cmp(&b.height)).cloned();
    // A third may be too few to show a heavy tail that all together show.
    let bound = highest.filter(|_| lacking != Some(Lacking::Heavy));
    let more_needed = law::more_needed(own.len() as f64, inflation, lacking.unwrap_or(Lacking::Cycles), wanted);
    let expected = bound.as_ref().and_then(|bound| {
        if parts.is_empty() {
            return share_above(bound.height, &all, whole.as_ref().ok());
        }
        let shares = parts.iter().filter_map(|(part, own)| share_above(bound.height, part, own.as_ref().ok()));
        mean(&shares.collect::<Vec<_>>())
    });
    let fitted = bound.as_ref().map_or(&Fitted::Nothing, |b| &b.fitted);
    let observed = observed_tail(&all);
    PoolLimit {
        group,
        law: bound.as_ref().map_or(Law::NotEnough, |b| b.law),
        residuals: own.len(),
        height: bound.as_ref().map(|b| b.height),
        estimate: bound.as_ref().map(|b| b.estimate),
        expected,
        more_needed: if bound.is_some() { 0 } else { more_needed },
        heavy: lacking == Some(Lacking::Heavy),
        fitted: fitted_tail(fitted, &observed, wanted),
        observed,
    }
}

/// Share of residuals above a height: by their law, else as counted (the middle of what such a rank holds).
fn share_above(height: f64, ascending: &[f64], bound: Option<&law::Bound>) -> Option<f64> {
    let counted = || {
        let above = ascending.len() - ascending.partition_point(|z| *z <= height);
        (!ascending.is_empty()).then(|| (above as f64 + 0.5) / (ascending.len() as f64 + 1.0))
    };
    bound.and_then(|bound| bound.fitted.above(height)).or_else(counted)
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
