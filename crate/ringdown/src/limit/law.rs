//! From residuals to the height over the floor that a stated share of them exceeds, at a stated confidence.

use crate::stats::normal::{self, AndersonDarling, anderson_darling};
use crate::stats::robust::{Definition, quantile};
use crate::stats::tail::Pareto;
use crate::stats::{moments, tolerance};

use super::limits::{Law, Wanted};

/// An order statistic is taken as the bound where it is at least the fifth largest; higher ones scatter so much that
/// the limit would lie needlessly high while a fitted tail still has a say.
const STEADY_RANK: u64 = 5;
/// Share of residuals whose excesses a Pareto tail is fitted to, and their least and largest number.
const TAIL_SHARE: f64 = 0.10;
const TAIL_COUNTS: (usize, usize) = (50, 1000);
/// Least number of residuals for a fitted tail, and for a normal law.
const LEAST_FOR_TAIL: usize = 250;
const LEAST_FOR_NORMAL: usize = 50;
/// A tail is carried on at most to where this many exceedances are expected in the data.
const DEEPEST: f64 = 0.02;
/// A tail worse than this share of its own bootstrap samples is refused.
const REFUSED: f64 = 0.01;
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
    /// In this order: the order statistic where it is steady (at least the fifth largest); a Pareto tail that its data do not refuse;
    /// else the largest few; else a normal law that Anderson-Darling does not refuse.
    pub(super) fn bound(&self, wanted: Wanted) -> Option<Bound> {
        let rank = tolerance::free_rank(self.effective(), wanted.false_alarm, wanted.confidence);
        let free = || rank.and_then(|rank| self.free(rank, wanted));
        if rank.is_some_and(|rank| rank >= STEADY_RANK) {
            return free();
        }
        self.tail(wanted).or_else(free).or_else(|| self.normal(wanted))
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

    /// The tail above the 90 % quantile, or, if refused, above a higher one.
    fn tail(&self, wanted: Wanted) -> Option<Bound> {
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

    fn tail_of(&self, count: usize, wanted: Wanted) -> Option<Bound> {
        let n = self.ascending.len();
        let from = *self.ascending.get(n.checked_sub(count + 1)?)?;
        let excesses: Vec<f64> = self.ascending.iter().skip(n - count).map(|z| z - from).collect();
        let share = count as f64 / n as f64;
        let exceeded = wanted.false_alarm / share;
        if exceeded >= 1.0 {
            return None;
        }
        let law = Pareto::fit(&excesses)?;
        if law.goodness(99) <= REFUSED {
            return None;
        }
        let centre = law.quantile_above(exceeded);
        let by_profile = law.quantile_upper(exceeded, wanted.confidence, 1.0 / self.inflation) - centre;
        // How often the level `from` is passed is itself only known to 1 / sqrt(count), independently of the excesses.
        let u = normal::quantile(wanted.confidence);
        let share_error = u * ((1.0 - share) * self.inflation / count as f64).sqrt();
        let by_share = law.quantile_above((exceeded * (-share_error).exp()).min(1.0)) - centre;
        let height = from + centre + by_profile.hypot(by_share);
        Some(Bound { law: Law::ParetoTail, height, estimate: from + centre, fitted: Fitted::Tail { from, share, law } })
    }
}

/// Residuals that a pool of `have` still lacks for any bound.
pub(super) fn more_needed(have: f64, wanted: Wanted) -> u32 {
    let free = tolerance::free_count(wanted.false_alarm, wanted.confidence).unwrap_or(u64::MAX) as f64;
    let tail = (DEEPEST / wanted.false_alarm).max(LEAST_FOR_TAIL as f64);
    (free.min(tail) - have).ceil().clamp(1.0, 1e9) as u32
}
