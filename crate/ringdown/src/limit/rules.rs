//! What other common rules would really give: their false-alarm rate on the safe observations at hand.

use super::floor::{Floor, Observation};
use crate::stats::moments::{mean, standard_deviation};
use crate::stats::rate::{Interval, Rate};

/// A common way to set limits (common practice, no source).
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Rule {
    /// The same height over the floor everywhere, in dB: a fixed ratio over the background.
    OverFloor {
        /// Height, dB.
        db: f64,
    },
    /// Mean plus `k` standard deviations of each group's levels over its floor.
    MeanPlus {
        /// Standard deviations.
        k: f64,
    },
}

impl Rule {
    /// From the words of a saved card: `over-floor:10` (dB, 1 to 40) or `mean-plus:4` (standard deviations, 1 to 12).
    pub fn of_text(text: &str) -> Option<Rule> {
        let (kind, value) = text.split_once(':')?;
        let value: f64 = value.trim().parse().ok()?;
        match kind.trim() {
            "over-floor" if (1.0..=40.0).contains(&value) => Some(Rule::OverFloor { db: value }),
            "mean-plus" if (1.0..=12.0).contains(&value) => Some(Rule::MeanPlus { k: value }),
            _ => None,
        }
    }
}

/// What a rule gives.
#[derive(Debug, Clone, PartialEq)]
pub struct RuleOutcome {
    /// The rule.
    pub rule: Rule,
    /// Safe observations over its limit.
    pub rate: Rate,
    /// Clopper-Pearson interval of that share, two-sided.
    pub interval: Interval,
    /// Height over the floor, dB, of each group; `None` for a group without two safe observations.
    pub margins_db: Vec<Option<f64>>,
}

/// Holds each rule against the safe observations that have a floor.
pub fn really_give(
    rules: &[Rule],
    floor: &Floor,
    safe: &[Observation],
    groups: usize,
    confidence: f64,
) -> Vec<RuleOutcome> {
    let over = heights(floor, safe, groups);
    rules.iter().map(|rule| outcome(*rule, &over, confidence)).collect()
}

/// Height over the floor, dB, that a rule gives each group; `None` for a group without two safe observations.
pub fn margins_db(rule: Rule, floor: &Floor, safe: &[Observation], groups: usize) -> Vec<Option<f64>> {
    margins_of(rule, &heights(floor, safe, groups))
}

fn heights(floor: &Floor, safe: &[Observation], groups: usize) -> Vec<Vec<f64>> {
    let mut over: Vec<Vec<f64>> = vec![Vec::new(); groups];
    for o in safe {
        let height = floor.at(o.group, f64::from(o.rpm)).map(|at| f64::from(o.level) - at.level);
        if let (Some(group), Some(height)) = (over.get_mut(usize::from(o.group)), height.filter(|h| h.is_finite())) {
            group.push(height);
        }
    }
    over
}

fn margins_of(rule: Rule, over: &[Vec<f64>]) -> Vec<Option<f64>> {
    let margin = |heights: &Vec<f64>| match rule {
        Rule::OverFloor { db } => (heights.len() >= 2).then_some(db),
        Rule::MeanPlus { k } => Some(mean(heights)? + k * standard_deviation(heights)?),
    };
    over.iter().map(margin).collect()
}

fn outcome(rule: Rule, over: &[Vec<f64>], confidence: f64) -> RuleOutcome {
    let margins_db = margins_of(rule, over);
    let judged = over.iter().zip(&margins_db).filter_map(|(heights, margin)| margin.map(|m| (heights, m)));
    let rate = Rate::count(judged.flat_map(|(heights, margin)| heights.iter().map(move |h| *h > margin)));
    RuleOutcome { rule, rate, interval: rate.interval(confidence), margins_db }
}
