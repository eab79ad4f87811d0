//! Where in the pattern the newest edges must be, while nothing is known yet.

use super::pattern::Pattern;
use std::collections::VecDeque;

/// Change of pace from the newer intervals that still fits.
const FITS: std::ops::Range<f64> = 0.62..1.6;
/// The same for single pulses, which random intervals fit easily.
const FITS_SINGLE: std::ops::Range<f64> = 0.72..1.38;
/// Teeth next to a misfit are not taken: the edge that broke the row may already be a false one.
const DOUBTFUL: usize = 2;

/// The last edges, in samples, whether they made sense or not.
#[derive(Debug, Clone, Default)]
pub struct Recent(VecDeque<f64>);

/// A place found.
#[derive(Debug)]
pub struct Sight {
    /// Position of the newest edge.
    pub k: i64,
    /// Samples a degree.
    pub pace: f64,
    /// Positions and times of all teeth that fit without a break, oldest first.
    pub teeth: Vec<(i64, f64)>,
}

impl Recent {
    /// Takes an edge and forgets all but the last `most`; false where it is no later than the one before.
    pub fn take(&mut self, at: f64, most: usize) -> bool {
        if self.0.back().is_some_and(|&before| before >= at) {
            return false;
        }
        self.0.push_back(at);
        if self.0.len() > most {
            self.0.pop_front();
        }
        true
    }

    /// The place of the newest edge, if it ends a key interval of the pattern and no other place fits.
    pub fn sight(&self, pattern: &Pattern) -> Option<Sight> {
        if self.0.len() <= pattern.key_edges {
            return None;
        }
        let k = self.candidate(pattern)?;
        let paces = self.walk_back(pattern, k, self.0.len());
        let newest = paces.first().copied();
        let usual = median_of_three(paces.get(1..)?);
        let pace = if pattern.is_single() { newest? } else { usual? };
        let broken = paces.len() + 1 < self.0.len();
        let certain = if broken { paces.len().saturating_sub(DOUBTFUL) } else { paces.len() };
        let teeth = self.numbered_back(pattern, k, certain.max(pattern.key_edges));
        Some(Sight { k, pace, teeth })
    }

    fn candidate(&self, pattern: &Pattern) -> Option<i64> {
        let needed = pattern.key_edges;
        let longest = pattern.longest_deg();
        let all = || (0..pattern.positions() as i64).filter(|&k| pattern.is_present(k));
        let keys = all().filter(|&k| pattern.interval_to(k) > 0.99 * longest);
        let mut fitting = keys.filter(|&k| self.walk_back(pattern, k, needed).len() >= needed);
        let k = fitting.next()?;
        if fitting.next().is_some() {
            return None;
        }
        // Where intervals differ little, every other place must fit clearly worse over more than a turn.
        if !pattern.is_single() && needed > pattern.edges() {
            let best = self.unevenness(pattern, k, needed);
            let rivals = all().filter(|&other| other != k).map(|other| self.unevenness(pattern, other, needed));
            if rivals.min_by(f64::total_cmp).is_some_and(|rival| rival < 3.0 * best + 1e-3) {
                return None;
            }
        }
        Some(k)
    }

    /// Intervals from the newest back, in samples, each with the position that ends it if the newest edge is `k`.
    fn back<'a>(&'a self, pattern: &'a Pattern, k: i64) -> impl Iterator<Item = (i64, f64)> + 'a {
        let newer = self.0.iter().rev();
        let mut next = k;
        newer.clone().zip(newer.skip(1)).map(move |(later, earlier)| {
            let this = next;
            next = pattern.before(this);
            (this, later - earlier)
        })
    }

    /// Paces from the newest interval back, as long as they fit.
    fn walk_back(&self, pattern: &Pattern, k: i64, most: usize) -> Vec<f64> {
        let limits = if pattern.is_single() { FITS_SINGLE } else { FITS };
        let mut paces: Vec<f64> = Vec::new();
        for (k, length) in self.back(pattern, k).take(most) {
            let pace = length / pattern.interval_to(k);
            let near = paces.len().saturating_sub(3);
            let usual = median_of_three(paces.get(near..).unwrap_or(&[]));
            if usual.is_some_and(|usual| !limits.contains(&(pace / usual))) {
                break;
            }
            paces.push(pace);
        }
        paces
    }

    /// Sum of the squared changes of log pace.
    fn unevenness(&self, pattern: &Pattern, k: i64, intervals: usize) -> f64 {
        let logs: Vec<f64> =
            self.back(pattern, k).take(intervals).map(|(k, length)| (length / pattern.interval_to(k)).ln()).collect();
        logs.iter().zip(logs.iter().skip(1)).map(|(a, b)| (a - b).powi(2)).sum()
    }

    fn numbered_back(&self, pattern: &Pattern, k: i64, intervals: usize) -> Vec<(i64, f64)> {
        let mut next = k;
        let mut teeth: Vec<(i64, f64)> = Vec::new();
        for &at in self.0.iter().rev().take(intervals + 1) {
            teeth.push((next, at));
            next = pattern.before(next);
        }
        teeth.reverse();
        teeth
    }
}

/// Median of up to the first three values.
fn median_of_three(values: &[f64]) -> Option<f64> {
    match values {
        [] => None,
        [a] => Some(*a),
        [a, b] => Some(0.5 * (a + b)),
        [a, b, c, ..] => Some(a.max(*b).min(a.min(*b).max(*c))),
    }
}
