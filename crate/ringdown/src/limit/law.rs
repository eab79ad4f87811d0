//! From residuals to the height over the floor that a stated share of them exceeds, at a stated confidence.

use crate::stats::normal::{self, AndersonDarling, anderson_darling};
use crate::stats::robust::{Definition, quantile};
use crate::stats::tail::{Belief, Pareto};
use crate::stats::{moments, tolerance};

use super::limits::{Law, Wanted};

/// An order statistic is taken as the bound where it is at least the fifth largest; higher ones scatter so much that
/// the limit would lie needlessly high while a fitted tail still has a say.
const STEADY_RANK: u64 = 5;
/// Share of residuals whose excesses a Pareto tail is fitted to, and their least and largest number.
const TAIL_SHARE: f64 = 0.15;
const TAIL_COUNTS: (usize, usize) = (50, 500);
/// Least number of residuals for a fitted tail, and for a normal law.
const LEAST_FOR_TAIL: usize = 250;
const LEAST_FOR_NORMAL: usize = 50;
/// A tail is carried on at most to where this many exceedances are expected in the data: deeper, the share of simulated
/// engines whose limit held fell to three in four and less.
const DEEPEST: f64 = 0.25;
/// A tail is refused if it fits worse than each of so many samples drawn from it: at the level of 1 %.
const REFUSED_BY: u32 = 99;
/// The tail's shape before the data speak, as a normal law: exponential in dB (a power law in power). It is wider than
/// the prior of E. S. Martins, J. R. Stedinger, Water Resour. Res. 36 (2000) 737 (0.122): levels in dB lie on both sides
/// (normal law about -0.15, gamma and Weibull powers lower, Student's t with 4 degrees of freedom 0.2).
const BELIEF: Belief = Belief { centre: 0.0, sd: 0.15, sd_above: 0.25 };
/// From this shape on a tail counts as heavier than exponential. Its shape still grows with the height and is underestimated:
/// the bound takes a confidence that leaves this share of the risk, and the tail is carried on only to where this many
/// exceedances are expected in the data. All three from simulation; laws whose tails bend down hardly reach the shape.
const HEAVY_SHAPE: f64 = 0.05;
const HEAVY_RISK: f64 = 0.5;
const DEEPEST_HEAVY: f64 = 1.0;
/// A normal law's bound reaches at least so far from the tail's most likely height to the tail's bound.
const NORMAL_LEAST: f64 = 0.75;
/// A normal law is refused below this p-value: low power asks for a high bar.
const NORMAL_REFUSED: f64 = 0.10;

/// Height over the floor, in spreads.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Bound {
    pub law: Law,
    /// Upper confidence bound of the height that is exceeded at the wanted rate.
    pub height: f64,
    /// The height itself, by the same law.
    pub estimate: f64,
    pub fitted: Fitted,
}

/// Why residuals carry no bound.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Lacking {
    /// Too few for any law.
    Cycles,
    /// Their tail is heavier than exponential, and must not be carried on so far beyond the data.
    Heavy,
}

/// What the tail plot draws.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Fitted {
    Nothing,
    Normal { mean: f64, sd: f64 },
    Tail { from: f64, share: f64, law: Pareto },
}

impl Fitted {
    /// Share above a height; `None` where the law says nothing.
    pub(super) fn above(&self, height: f64) -> Option<f64> {
        match self {
            Fitted::Nothing => None,
            Fitted::Normal { mean, sd } => Some(normal::above((height - mean) / sd)),
            Fitted::Tail { from, share, law } => (height >= *from).then(|| share * law.above(height - from)),
        }
    }
}

/// Residuals of one pool.
pub(super) struct Pool<'a> {
    /// Ascending, finite.
    pub ascending: &'a [f64],
    /// Residuals worth one independent one, >= 1.
    pub inflation: f64,
}

impl Pool<'_> {
    fn effective(&self) -> f64 {
        self.ascending.len() as f64 / self.inflation
    }

    /// The best bound these residuals can carry.
    ///
    /// In this order: the order statistic where it is steady (at least the fifth largest); a Pareto tail that its data
    /// do not refuse; the largest few; a normal law that Anderson-Darling does not refuse.
    ///
    /// Where tail and normal law both stand, the normal one is taken, because it lies lower, but never below three quarters of
    /// the way from what the tail gives as most likely to its bound: a test that has not refused a law has not proved it, and
    /// the floor's own errors widen a normal law unevenly. The share is our choice, checked by simulation.
    ///
    /// # Errors
    /// What is lacking.
    pub(super) fn bound(&self, wanted: Wanted) -> Result<Bound, Lacking> {
        let rank = tolerance::free_rank(self.effective(), wanted.false_alarm, wanted.confidence);
        let free = || rank.and_then(|rank| self.free(rank, wanted));
        if rank.is_some_and(|rank| rank >= STEADY_RANK) {
            return free().ok_or(Lacking::Cycles);
        }
        let Some(tail) = self.tail(wanted) else {
            return free().or_else(|| self.normal(wanted)).ok_or(Lacking::Cycles);
        };
        let tail = tail?;
        let least = NORMAL_LEAST * tail.height + (1.0 - NORMAL_LEAST) * tail.estimate;
        let lower = self.normal(wanted).filter(|normal| normal.height < tail.height);
        Ok(lower.map_or(tail, |normal| Bound { height: normal.height.max(least), ..normal }))
    }

    pub(super) fn anderson_darling(&self) -> Option<AndersonDarling> {
        anderson_darling(self.ascending)
    }

    /// Ranks count independent residuals; a rank among all is `inflation` times as deep.
    fn free(&self, rank: u64, wanted: Wanted) -> Option<Bound> {
        let from_top = ((rank as f64 * self.inflation) as usize).max(1);
        let height = *self.ascending.get(self.ascending.len().checked_sub(from_top)?)?;
        let estimate = quantile(self.ascending, 1.0 - wanted.false_alarm, Definition::MedianUnbiased)?;
        Some(Bound { law: Law::DistributionFree, height, estimate, fitted: Fitted::Nothing })
    }

    fn normal(&self, wanted: Wanted) -> Option<Bound> {
        let holds = self.ascending.len() >= LEAST_FOR_NORMAL && self.anderson_darling()?.p >= NORMAL_REFUSED;
        if !holds {
            return None;
        }
        let (mean, sd) = (moments::mean(self.ascending)?, moments::standard_deviation(self.ascending)?);
        let k = tolerance::normal_factor(self.effective(), 1.0 - wanted.false_alarm, wanted.confidence)?;
        let estimate = mean + sd * normal::quantile(1.0 - wanted.false_alarm);
        Some(Bound { law: Law::Normal, height: mean + k * sd, estimate, fitted: Fitted::Normal { mean, sd } })
    }

    /// The tail above the 85 % quantile, or, if refused, above a higher one.
    fn tail(&self, wanted: Wanted) -> Option<Result<Bound, Lacking>> {
        let n = self.ascending.len();
        if n < LEAST_FOR_TAIL || wanted.false_alarm * self.effective() < DEEPEST {
            return None;
        }
        let most = ((TAIL_SHARE * n as f64) as usize).clamp(TAIL_COUNTS.0, TAIL_COUNTS.1);
        [most, most / 2]
            .into_iter()
            .filter(|count| *count >= TAIL_COUNTS.0)
            .find_map(|count| self.tail_of(count, wanted))
    }

    fn tail_of(&self, count: usize, wanted: Wanted) -> Option<Result<Bound, Lacking>> {
        let n = self.ascending.len();
        let from = *self.ascending.get(n.checked_sub(count + 1)?)?;
        let excesses: Vec<f64> = self.ascending.iter().skip(n - count).map(|z| z - from).collect();
        let share = count as f64 / n as f64;
        let exceeded = wanted.false_alarm / share;
        if exceeded >= 1.0 {
            return None;
        }
        let law = Pareto::fit(&excesses)?;
        if law.is_refused(REFUSED_BY) {
            return None;
        }
        let bound = |confidence| law.quantile_bound(exceeded, confidence, 1.0 / self.inflation, Some(BELIEF));
        let mut tail = bound(wanted.confidence);
        if tail.shape > HEAVY_SHAPE {
            if wanted.false_alarm * self.effective() < DEEPEST_HEAVY {
                return Some(Err(Lacking::Heavy));
            }
            tail = bound(1.0 - HEAVY_RISK * (1.0 - wanted.confidence));
        }
        // How often the level `from` is passed is itself only known to 1 / sqrt(count), independently of the excesses.
        let u = normal::quantile(wanted.confidence);
        let share_error = u * ((1.0 - share) * self.inflation / count as f64).sqrt();
        let law = law.with(tail.shape, tail.scale);
        let by_share = law.quantile_above((exceeded * (-share_error).exp()).min(1.0)) - tail.estimate;
        let height = from + tail.estimate + (tail.upper - tail.estimate).hypot(by_share);
        let estimate = from + tail.estimate;
        Some(Ok(Bound { law: Law::ParetoTail, height, estimate, fitted: Fitted::Tail { from, share, law } }))
    }
}

/// Residuals that a pool of `have`, `inflation` of them worth one independent one, still lacks for any bound.
pub(super) fn more_needed(have: f64, inflation: f64, lacking: Lacking, wanted: Wanted) -> u32 {
    let free = inflation * tolerance::free_count(wanted.false_alarm, wanted.confidence).unwrap_or(u64::MAX) as f64;
    let deepest = if lacking == Lacking::Heavy { DEEPEST_HEAVY } else { DEEPEST };
    let tail = (inflation * deepest / wanted.false_alarm).max(LEAST_FOR_TAIL as f64);
    (free.min(tail) - have).ceil().clamp(1.0, 1e9) as u32
}
