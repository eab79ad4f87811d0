//! Which of the two turns: the cam's votes, and where nothing else names the position, its angle.

use super::pattern::{Anchor, Pattern};
use super::track::Segment;

/// Least share of cam edges that must agree.
const AGREE: f64 = 0.75;
/// Contradictions in a row that no stray edge explains.
const SLIPPED: usize = 3;
/// Cam angles within this of their median agree, where the cam alone gives the angle.
const SAME_DEG: f64 = 25.0;

/// Cam angles that differ by this share of the pitch from one cycle to the next belong together; camshafts turn that fast
/// against the crank, even teeth slip by a whole one.
const TOGETHER: f64 = 0.35;

/// A part of a segment, or what lies between two (start and end, s).
#[derive(Debug)]
pub enum Cut {
    Kept(Segment),
    Lost(f64, f64),
}

/// What is needed to place segments.
#[derive(Debug, Clone)]
pub struct Placing<'a> {
    pub pattern: &'a Pattern,
    /// 720, two-stroke 360.
    pub cycle_deg: f64,
    /// Firing TDC of cylinder 1 in the track's frame.
    pub first_cylinder_deg: f64,
    /// Cam edges, seconds, rising.
    pub cam_s: &'a [f64],
    /// The cam's edge in the track's frame, if known.
    pub cam_deg: Option<f64>,
}

/// Where a segment came to lie.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Placed {
    /// The angle is more than a count from an arbitrary start.
    pub angle_known: bool,
    /// Votes of the cam, and those against the majority.
    pub votes: usize,
    pub against: usize,
}

impl Placing<'_> {
    /// Shifts the segment to the engine's angles.
    pub fn place(&self, segment: &mut Segment) -> Placed {
        let base = self.pattern.first_deg.map_or(0.0, |first| first + self.first_cylinder_deg);
        let ballot = self.ballot(segment, base);
        let named = matches!(self.pattern.anchor, Anchor::Turn | Anchor::Cycle) && self.pattern.first_deg.is_some();
        let by_cam = matches!(self.pattern.anchor, Anchor::Repeats | Anchor::Cam) && ballot.elected.is_some();
        let period = self.pattern.period_deg;
        segment.turn_known = if named { period >= self.cycle_deg || ballot.elected.is_some() } else { by_cam };
        if self.cycle_deg <= 360.0 && named {
            segment.turn_known = true;
        }
        let shift = base + if named || by_cam { ballot.elected.unwrap_or(0.0) } else { 0.0 };
        move_by(segment, shift, self.cycle_deg);
        Placed { angle_known: named || by_cam, votes: ballot.votes, against: ballot.against }
    }

    /// Cuts a count of even teeth where the cam says that it slipped by one.
    pub fn cut(&self, segment: Segment) -> Vec<Cut> {
        if self.pattern.anchor != Anchor::Cam {
            return vec![Cut::Kept(segment)];
        }
        let pitch = self.pattern.period_deg;
        let mut runs: Vec<Vec<(f64, f64)>> = Vec::new();
        for (t_s, deg) in self.edges_in(&segment) {
            let near = |run: &Vec<(f64, f64)>| {
                run.last().is_some_and(|last| wrap(last.1 - deg, self.cycle_deg).abs() < TOGETHER * pitch)
            };
            match runs.last_mut().filter(|run| near(run)) {
                Some(run) => run.push((t_s, deg)),
                None => runs.push(vec![(t_s, deg)]),
            }
        }
        // A single edge off the others is the cam's own fault.
        runs.retain(|run| run.len() > 1);
        let mut parts = Vec::new();
        let mut rest = segment;
        for pair in runs.windows(2) {
            let (Some(last), Some(first)) = (pair[0].last(), pair[1].first()) else { continue };
            if wrap(last.1 - first.1, self.cycle_deg).abs() < (1.0 - TOGETHER) * pitch {
                continue;
            }
            let until = rest.t_s.partition_point(|&t| t <= last.0);
            let from = rest.t_s.partition_point(|&t| t < first.0);
            let head = |values: &[f64]| values.get(..until).unwrap_or(&[]).to_vec();
            let tail = |values: &[f64]| values.get(from..).unwrap_or(&[]).to_vec();
            let before = Segment { t_s: head(&rest.t_s), deg: head(&rest.deg), ..rest };
            let after = Segment { t_s: tail(&rest.t_s), deg: tail(&rest.deg), ..rest };
            if before.t_s.len() < 2 || after.t_s.len() < 2 {
                continue;
            }
            let (_, end_s) = before.span_s().unwrap_or_default();
            let (start_s, _) = after.span_s().unwrap_or_default();
            parts.push(Cut::Kept(before));
            parts.push(Cut::Lost(end_s, start_s));
            rest = after;
        }
        parts.push(Cut::Kept(rest));
        parts
    }

    /// Cam edges inside the segment with their angle there.
    fn edges_in<'a>(&'a self, segment: &'a Segment) -> impl Iterator<Item = (f64, f64)> + 'a {
        let (from, to) = segment.span_s().unwrap_or((0.0, f64::NEG_INFINITY));
        let edges = self.cam_s.iter().skip(self.cam_s.partition_point(|&t| t < from)).take_while(move |&&t| t <= to);
        edges.filter_map(|&t| Some((t, segment.deg_at(t)?)))
    }

    fn ballot(&self, segment: &Segment, base: f64) -> Ballot {
        let Some(cam_deg) = self.cam_deg else { return Ballot::default() };
        let wanted: Vec<f64> =
            self.edges_in(segment).map(|(_, deg)| wrap(cam_deg - deg - base, self.cycle_deg)).collect();
        match self.pattern.anchor {
            Anchor::Cycle => Ballot::default(),
            Anchor::Cam => self.median(&wanted),
            Anchor::Turn | Anchor::Repeats => self.nearest(&wanted),
        }
    }

    /// Each edge votes for the repeat of the pattern nearest to it.
    fn nearest(&self, wanted: &[f64]) -> Ballot {
        let period = self.pattern.period_deg;
        let choices = (self.cycle_deg / period).round().max(1.0) as i64;
        let votes: Vec<i64> =
            wanted.iter().map(|shift| ((shift / period).round() as i64).rem_euclid(choices)).collect();
        let count = |choice: i64| votes.iter().filter(|&&vote| vote == choice).count();
        let Some(choice) = (0..choices).max_by_key(|&choice| count(choice)) else { return Ballot::default() };
        let against = votes.len() - count(choice);
        let slipped = votes.windows(SLIPPED).any(|run| run.iter().all(|&vote| vote != choice));
        Ballot::count(choice as f64 * period, votes.len(), against, slipped)
    }

    /// The median of the shifts the edges ask for.
    fn median(&self, wanted: &[f64]) -> Ballot {
        let Some(&start) = wanted.get(wanted.len() / 2) else { return Ballot::default() };
        let mut off: Vec<f64> = wanted.iter().map(|shift| wrap(shift - start, self.cycle_deg)).collect();
        off.sort_by(f64::total_cmp);
        let middle = off.get(off.len() / 2).copied().unwrap_or(0.0);
        let against = off.iter().filter(|&&x| wrap(x - middle, self.cycle_deg).abs() > SAME_DEG).count();
        Ballot::count(start + middle, off.len(), against, false)
    }
}

#[derive(Debug, Default)]
struct Ballot {
    elected: Option<f64>,
    votes: usize,
    against: usize,
}

impl Ballot {
    fn count(shift: f64, votes: usize, against: usize, slipped: bool) -> Ballot {
        let clear = votes >= 2 && (votes - against) as f64 >= AGREE * votes as f64 && !slipped;
        Ballot { elected: clear.then_some(shift), votes, against }
    }
}

/// Into -half..half of `cycle_deg`.
fn wrap(deg: f64, cycle_deg: f64) -> f64 {
    let half = 0.5 * cycle_deg;
    (deg + half).rem_euclid(cycle_deg) - half
}

/// Moves a segment's angles so that the first lies in the first cycle.
fn move_by(segment: &mut Segment, shift: f64, cycle_deg: f64) {
    let Some(first) = segment.deg.first() else { return };
    let shift = shift - ((first + shift) / cycle_deg).floor() * cycle_deg;
    segment.deg.iter_mut().for_each(|deg| *deg += shift);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::read::sheet::{Crank, Missing};

    #[test]
    fn a_cam_off_by_150_degrees_still_names_the_turn() {
        let reference = Crank::MissingTooth {
            channel: 1,
            teeth: 60,
            missing: Missing::One(2),
            gap_deg_btdc: Some(80.0),
            edge: None,
        };
        let pattern = Pattern::new(&reference, 720.0).expect("usable");
        for (off, turn) in [(0.0, 0.0), (150.0, 0.0), (-150.0, 0.0), (0.0, 1.0), (150.0, 1.0), (-150.0, 1.0)] {
            // The count starts at the tooth after the gap, 80 degrees before TDC; a degree a second.
            let knots: Vec<f64> = (0..400).map(|i| f64::from(i) * 18.0).collect();
            let mut segment =
                Segment { t_s: knots.clone(), deg: knots, turn_known: false, error_deg: 0.0, ..Segment::default() };
            // Truth: angle = t - 80 + 360 turn; the cam comes at 660 + off modulo 720.
            let cam_s: Vec<f64> = (1..9).map(|c| 720.0 * f64::from(c) - 60.0 + off + 80.0 - 360.0 * turn).collect();
            let placing = Placing {
                pattern: &pattern,
                cycle_deg: 720.0,
                first_cylinder_deg: 0.0,
                cam_s: &cam_s,
                cam_deg: Some(-60.0),
            };
            assert!(placing.place(&mut segment).angle_known && segment.turn_known);
            let truth = (0.0 - 80.0 + 360.0 * turn).rem_euclid(720.0);
            assert!((segment.deg[0] - truth).abs() < 1e-9, "{off} {turn}: {}", segment.deg[0]);
        }
    }
}
