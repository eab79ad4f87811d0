//! What a reference shows in one period: where its edges are, and where teeth are missing.

use crate::read::sheet::{self, Crank as Reference, Edge, Missing};

/// Most positions a turn; more teeth than this are a slip of the pen.
const MOST: usize = 720;
/// Intervals that differ by less than this factor can't be told apart while the speed varies.
const TELLING: f64 = 1.5;

/// One period of the reference.
#[derive(Debug, Clone, PartialEq)]
pub struct Pattern {
    /// Position of each tooth or missing tooth, degrees after the first edge, rising from 0.
    pub deg: Vec<f64>,
    /// Whether a tooth stands there.
    pub present: Vec<bool>,
    /// Degrees until the pattern repeats; less than a turn for a wheel of even teeth.
    pub period_deg: f64,
    /// First edge, degrees after cylinder 1's firing TDC; `None` = not known.
    pub first_deg: Option<f64>,
    /// What names the position.
    pub anchor: Anchor,
    /// Edges that must fit before a key interval is believed.
    pub key_edges: usize,
    known: Known,
}

/// What follows from the positions, worked out once: every edge of a recording asks for it.
#[derive(Debug, Clone, PartialEq, Default)]
struct Known {
    edges: usize,
    key: i64,
    /// Degrees from the tooth before to each position.
    intervals: Vec<f64>,
}

/// What ties the pattern to the crank.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// The pattern itself, once a turn.
    Turn,
    /// The pattern itself, once a cycle of two turns.
    Cycle,
    /// It repeats within a turn: the cam picks the repeat.
    Repeats,
    /// Even teeth: the cam's own angle.
    Cam,
}

impl Pattern {
    /// From the sheet's reference; `None` where it describes no usable one.
    pub fn new(reference: &Reference, cycle_deg: f64) -> Option<Pattern> {
        let sane = |deg: &Option<f64>| deg.filter(|d| d.is_finite());
        match reference {
            Reference::MissingTooth { teeth, missing, gap_deg_btdc, .. } => {
                let present = teeth_of(usize::from(*teeth), missing)?;
                let pitch = 360.0 / present.len() as f64;
                let deg = (0..present.len()).map(|i| i as f64 * pitch).collect();
                Self::build(deg, present, 360.0, sane(gap_deg_btdc).map(|d| -d))
            }
            Reference::EvenTeeth { teeth, .. } => {
                let teeth = usize::from(*teeth);
                (2..=MOST).contains(&teeth).then(|| Self::single(360.0 / teeth as f64, None, Anchor::Cam))
            }
            Reference::EdgeList { edges_deg, .. } => {
                let mut edges: Vec<f64> =
                    edges_deg.iter().filter(|d| d.is_finite()).map(|d| d.rem_euclid(360.0)).collect();
                edges.sort_by(f64::total_cmp);
                edges.dedup_by(|a, b| (*a - *b).abs() < 0.5);
                let first = *edges.first()?;
                let deg: Vec<f64> = edges.iter().map(|d| d - first).collect();
                let present = vec![true; deg.len()];
                (deg.len() <= MOST).then(|| Self::build(deg, present, 360.0, Some(first)))?
            }
            Reference::PulsePerTurn { deg_btdc, .. } => {
                Some(Self::single(360.0, sane(deg_btdc).map(|d| -d), Anchor::Turn))
            }
            Reference::PulsePerCycle { deg_btdc, .. } => {
                let anchor = if cycle_deg > 360.0 { Anchor::Cycle } else { Anchor::Turn };
                Some(Self::single(cycle_deg, sane(deg_btdc).map(|d| -d), anchor))
            }
            Reference::None => None,
        }
    }

    fn single(period_deg: f64, first_deg: Option<f64>, anchor: Anchor) -> Pattern {
        // Random intervals fit a single position easily, so more of them have to.
        let key_edges = if anchor == Anchor::Cam { 14 } else { 7 };
        let (deg, present) = (vec![0.0], vec![true]);
        Pattern { deg, present, period_deg, first_deg, anchor, key_edges, known: Known::default() }.worked_out()
    }

    fn build(deg: Vec<f64>, present: Vec<bool>, period_deg: f64, first_deg: Option<f64>) -> Option<Pattern> {
        let repeats = repeats_in(&deg, &present, period_deg);
        let keep = deg.len() / repeats;
        let period_deg = period_deg / repeats as f64;
        let anchor = if repeats == 1 { Anchor::Turn } else { Anchor::Repeats };
        let mut pattern = Pattern {
            deg: deg.get(..keep)?.to_vec(),
            present: present.get(..keep)?.to_vec(),
            period_deg,
            first_deg,
            anchor,
            key_edges: 14,
            known: Known::default(),
        }
        .worked_out();
        if pattern.edges() > 1 {
            pattern.key_edges = pattern.telling_edges();
        }
        (pattern.edges() > 0).then_some(pattern)
    }

    fn worked_out(mut self) -> Pattern {
        let positions = self.positions() as i64;
        self.known.edges = self.present.iter().filter(|&&p| p).count();
        self.known.intervals = (0..positions).map(|k| self.at(k) - self.at(self.before(k))).collect();
        let mut best = (0, 0.0);
        for k in (0..positions).filter(|&k| self.is_present(k)) {
            let length = self.interval_to(k);
            if length > best.1 + 1e-6 {
                best = (k, length);
            }
        }
        self.known.key = best.0;
        self
    }

    /// Positions a period.
    pub fn positions(&self) -> usize {
        self.deg.len()
    }

    /// Teeth a period.
    pub fn edges(&self) -> usize {
        self.known.edges
    }

    /// A single edge a period: nothing tells one from the next.
    pub fn is_single(&self) -> bool {
        self.edges() == 1
    }

    /// Angle of position `k`, counted on over all periods.
    pub fn at(&self, k: i64) -> f64 {
        let n = self.positions() as i64;
        let inner = self.deg.get(k.rem_euclid(n) as usize).copied().unwrap_or(0.0);
        k.div_euclid(n) as f64 * self.period_deg + inner
    }

    /// Whether a tooth stands at position `k`.
    pub fn is_present(&self, k: i64) -> bool {
        self.present.get(k.rem_euclid(self.positions() as i64) as usize).copied().unwrap_or(false)
    }

    /// The tooth before position `k`.
    pub fn before(&self, k: i64) -> i64 {
        (1..=self.positions() as i64)
            .map(|j| k - j)
            .find(|&k| self.is_present(k))
            .unwrap_or(k - self.positions() as i64)
    }

    /// Typical distance of neighbouring teeth.
    pub fn pitch_deg(&self) -> f64 {
        self.period_deg / self.positions() as f64
    }

    /// Degrees between the tooth before `k` and `k`.
    pub fn interval_to(&self, k: i64) -> f64 {
        let inner = k.rem_euclid(self.positions() as i64) as usize;
        self.known.intervals.get(inner).copied().unwrap_or(self.period_deg)
    }

    /// The tooth that ends the longest interval of the period, first of several.
    pub fn key(&self) -> i64 {
        self.known.key
    }

    /// Whether the longest interval can be taken for no other while the speed varies.
    pub fn gap_tells(&self) -> bool {
        let key = self.key();
        let mut others = (0..self.positions() as i64).filter(|&k| k != key && self.is_present(k));
        others.all(|k| self.longest_deg() >= TELLING * self.interval_to(k))
    }

    /// Longest interval without an edge.
    pub fn longest_deg(&self) -> f64 {
        self.interval_to(self.key())
    }

    /// Edges up to the key that no other place of the pattern could show, at least a few.
    fn telling_edges(&self) -> usize {
        let key = self.key();
        let others = (0..self.positions() as i64).filter(|&k| k != key && self.is_present(k));
        let needed = others.map(|k| self.first_difference(key, k)).max().unwrap_or(0);
        (needed + 1).max(5).min(self.edges() + 2)
    }

    fn first_difference(&self, mut a: i64, mut b: i64) -> usize {
        // A single interval differs only against its neighbours: compare the second on both sides as well.
        for i in 0..self.edges() {
            let ratio = self.interval_to(a) / self.interval_to(b);
            if !(1.0 / TELLING..TELLING).contains(&ratio) {
                return i + 2;
            }
            (a, b) = (self.before(a), self.before(b));
        }
        self.edges() + 1
    }
}

/// The channel of a reference and the edge that marks its teeth.
pub fn channel_of(reference: &Reference) -> Option<(u16, Option<Edge>)> {
    match reference {
        Reference::MissingTooth { channel, edge, .. }
        | Reference::EvenTeeth { channel, edge, .. }
        | Reference::EdgeList { channel, edge, .. }
        | Reference::PulsePerTurn { channel, edge, .. }
        | Reference::PulsePerCycle { channel, edge, .. } => Some((*channel, *edge)),
        Reference::None => None,
    }
}

/// The same for the cam, with its degrees before cylinder 1's firing TDC.
pub fn cam_of(cam: &Option<sheet::Cam>) -> Option<(u16, Option<Edge>, Option<f64>)> {
    match cam {
        Some(sheet::Cam::PulsePerCycle { channel, deg_btdc, edge }) => {
            Some((*channel, *edge, deg_btdc.filter(|d| d.is_finite())))
        }
        _ => None,
    }
}

/// Teeth of a turn, the first one standing right after the longest, else the first listed gap.
fn teeth_of(teeth: usize, missing: &Missing) -> Option<Vec<bool>> {
    if !(3..=MOST).contains(&teeth) {
        return None;
    }
    let gaps = gaps_of(teeth, missing)?;
    let mut present = Vec::with_capacity(teeth);
    for &(whole, gone) in &gaps {
        present.extend(std::iter::repeat_n(true, whole));
        present.extend(std::iter::repeat_n(false, gone));
    }
    if present.len() != teeth {
        return None;
    }
    let longest = gaps.iter().map(|g| g.1).max()?;
    let before: usize = gaps.iter().take_while(|g| g.1 != longest).map(|g| g.0 + g.1).sum();
    let first = gaps.iter().find(|g| g.1 == longest).map(|g| g.0 + g.1)?;
    present.rotate_left((before + first) % teeth);
    Some(present)
}

/// Whole teeth and the missing ones after them, for each gap in order of rotation.
fn gaps_of(teeth: usize, missing: &Missing) -> Option<Vec<(usize, usize)>> {
    let list: Vec<usize> = match missing {
        Missing::One(gone) => vec![usize::from(*gone)],
        Missing::Several(list) => list.iter().map(|&g| usize::from(g)).collect(),
    };
    if list.len().is_multiple_of(2) && list.len() >= 2 && list.iter().sum::<usize>() == teeth {
        return Some(list.chunks_exact(2).map(|pair| (pair[0], pair[1])).collect());
    }
    // Only the gaps are listed: they end evenly spaced over the turn.
    let share = teeth.checked_div(list.len())?;
    if share * list.len() != teeth {
        return None;
    }
    list.iter().map(|&gone| Some((share.checked_sub(gone).filter(|&whole| whole > 0)?, gone))).collect()
}

/// How often the pattern repeats within `period_deg`.
fn repeats_in(deg: &[f64], present: &[bool], period_deg: f64) -> usize {
    let n = deg.len().max(1);
    let same = |repeats: usize| {
        let (step, shift) = (n / repeats, period_deg / repeats as f64);
        (0..n).all(|i| {
            let j = i + step;
            let there = deg[j % n] + if j >= n { period_deg } else { 0.0 };
            (there - deg[i] - shift).abs() < 0.5 && present[j % n] == present[i]
        })
    };
    (2..=n).rev().find(|&repeats| n.is_multiple_of(repeats) && same(repeats)).unwrap_or(1)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wheel(teeth: u16, missing: Missing) -> Pattern {
        let reference = Reference::MissingTooth { channel: 1, teeth, missing, gap_deg_btdc: Some(84.0), edge: None };
        Pattern::new(&reference, 720.0).expect("a usable wheel")
    }

    #[test]
    fn the_first_tooth_stands_after_the_gap() {
        let pattern = wheel(60, Missing::One(2));
        assert_eq!((pattern.positions(), pattern.edges(), pattern.key()), (60, 58, 0));
        assert_eq!(pattern.longest_deg(), 18.0);
        assert!(!pattern.is_present(58) && !pattern.is_present(-1) && pattern.is_present(57));
        assert_eq!(pattern.at(61), 366.0);
    }

    #[test]
    fn equal_gaps_evenly_spaced_repeat_within_the_turn() {
        let pattern = wheel(36, Missing::Several(vec![2, 2]));
        assert_eq!((pattern.anchor, pattern.period_deg, pattern.positions()), (Anchor::Repeats, 180.0, 18));
    }

    #[test]
    fn unequal_gaps_start_after_the_longest() {
        let pattern = wheel(36, Missing::Several(vec![15, 1, 18, 2]));
        assert_eq!((pattern.anchor, pattern.longest_deg(), pattern.key()), (Anchor::Turn, 30.0, 0));
        assert!(!pattern.is_present(15) && !pattern.is_present(34));
    }

    #[test]
    fn an_edge_list_of_even_spacing_names_no_position() {
        let reference = Reference::EdgeList { channel: 1, edges_deg: vec![80.0, 170.0, 260.0, 350.0], edge: None };
        assert_eq!(Pattern::new(&reference, 720.0).map(|p| p.anchor), Some(Anchor::Repeats));
    }
}
