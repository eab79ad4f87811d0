//! From counted teeth to the thin knots of a segment, smoothed over neighbouring teeth.

use super::pattern::Pattern;
use super::ripple::Ripple;
use super::track::{Noise, Segment};
use crate::sparing::push_sparingly;
use std::collections::VecDeque;

/// Least distance of knots: a compromise between memory (an hour at 4000 rpm: 77 MB) and the ripple of eight cylinders.
const STRIDE_DEG: f64 = 17.9;
/// Teeth this near take part in the fit: a quadratic over it follows a ripple of four periods a turn within 0.01 degrees.
const REACH_DEG: f64 = 20.1;
/// Noise 20 dB under a signal has the middle that its extremes give wander by so much of the swing, slowly, so that all teeth near
/// each other are off alike and none shows it.
const MIDDLE: f64 = 0.01;
/// Teeth further apart than this are taken as they are, and the way between them follows the ripple of the speed.
const COARSE_DEG: f64 = 10.5;

/// Builds segments from teeth given in order of angle and time.
#[derive(Debug, Clone)]
pub struct Knots {
    stride_deg: f64,
    reach_deg: f64,
    per_sample_s: f64,
    /// How the speed ripples between coarse teeth.
    ripple: Option<Ripple>,
    near: VecDeque<Tooth>,
    /// Room for those within reach of the one at hand.
    close: Vec<Tooth>,
    /// Teeth at the front of `near` that are no knot candidates any more.
    past: usize,
    next_deg: f64,
    open: Segment,
    squares: f64,
    residuals: u64,
    firings: f64,
    /// Coarse teeth of the last two turns, with how far each lies off its way, degrees.
    off: VecDeque<(f64, f64)>,
    /// Sum of the differences of teeth two turns apart, and their number: what repeats with the cycle is no noise.
    changes: (f64, u64),
    teeth: u64,
    /// Sum of the shares of a pitch that lie before the opposite edge, and their number.
    duty: (f64, u64),
    /// Sum of what a wandering middle shifts an edge by, degrees, and the number.
    middle_deg: (f64, u64),
    done: Vec<Segment>,
}

#[derive(Debug, Clone, Copy)]
struct Tooth {
    deg: f64,
    at: f64,
}

impl Knots {
    /// For the teeth of `pattern`, timed in samples of `sample_rate_hz`; `firings` a turn, 0 where not known.
    pub fn new(pattern: &Pattern, firings: f64, sample_rate_hz: f64) -> Self {
        let coarse = pattern.pitch_deg() > COARSE_DEG;
        let ripple = if coarse { Ripple::new(pattern, firings) } else { None };
        let reach = ripple.as_ref().map_or(0.0, Ripple::reach_deg);
        Self {
            stride_deg: STRIDE_DEG,
            reach_deg: if coarse { reach } else { REACH_DEG },
            ripple,
            per_sample_s: 1.0 / sample_rate_hz,
            near: VecDeque::new(),
            close: Vec::new(),
            past: 0,
            next_deg: f64::NEG_INFINITY,
            open: Segment::default(),
            squares: 0.0,
            residuals: 0,
            firings,
            off: VecDeque::new(),
            changes: (0.0, 0),
            teeth: 0,
            duty: (0.0, 0),
            middle_deg: (0.0, 0),
            done: Vec::new(),
        }
    }

    /// Where between two teeth the opposite edge lay, as a share.
    pub fn note_duty(&mut self, share: f64) {
        self.duty = (self.duty.0 + share, self.duty.1 + 1);
    }

    /// By how many degrees an edge passes the middle where that is off by [`MIDDLE`] of the swing; `steep`: the share of the
    /// swing that it makes in a degree.
    pub fn note_steep(&mut self, steep: f64) {
        let deg = (MIDDLE / steep).min(1.0);
        if deg.is_finite() {
            self.middle_deg = (self.middle_deg.0 + deg, self.middle_deg.1 + 1);
        }
    }

    /// The next tooth of the open segment.
    pub fn push(&mut self, deg: f64, at: f64) {
        self.near.push_back(Tooth { deg, at });
        while let Some(centre) = self.near.get(self.past).copied() {
            if centre.deg + self.reach_deg > deg {
                break;
            }
            self.consider(centre);
        }
        let keep_from = self.near.get(self.past).map_or(deg, |tooth| tooth.deg) - self.reach_deg;
        while self.past > 0 && self.near.front().is_some_and(|tooth| tooth.deg < keep_from) {
            self.near.pop_front();
            self.past -= 1;
        }
    }

    /// Ends the open segment, if it holds anything.
    pub fn end(&mut self) {
        while let Some(centre) = self.near.get(self.past).copied() {
            if self.past + 1 == self.near.len() {
                self.next_deg = f64::NEG_INFINITY;
            }
            self.consider(centre);
        }
        let mut segment = std::mem::take(&mut self.open);
        if segment.t_s.len() > 1 {
            segment.error_deg = self.error_deg(&segment);
            segment.noise = self.noise(&segment);
            segment.t_s.shrink_to_fit();
            segment.deg.shrink_to_fit();
            self.done.push(segment);
        }
        self.discard();
    }

    /// Forgets the open segment.
    pub fn discard(&mut self) {
        self.open = Segment::default();
        self.near.clear();
        self.past = 0;
        self.next_deg = f64::NEG_INFINITY;
        (self.squares, self.residuals) = (0.0, 0);
        self.off.clear();
        (self.changes, self.teeth) = ((0.0, 0), 0);
    }

    /// The ended segments.
    pub fn into_segments(self) -> Vec<Segment> {
        self.done
    }

    fn consider(&mut self, centre: Tooth) {
        self.past += 1;
        if centre.deg < self.next_deg {
            return;
        }
        self.next_deg = centre.deg + self.stride_deg;
        if self.ripple.is_some() {
            self.follow(centre);
            return;
        }
        let at = self.smoothed(centre);
        self.knot(centre.deg, at);
    }

    fn knot(&mut self, deg: f64, at: f64) {
        let t_s = at * self.per_sample_s;
        let rises = self.open.t_s.last().is_none_or(|&before| before < t_s);
        if rises && self.open.deg.last().is_none_or(|&before| before < deg) {
            push_sparingly(&mut self.open.t_s, t_s);
            push_sparingly(&mut self.open.deg, deg);
        }
    }

    /// The tooth itself, and knots on the way to the next one where that is far.
    fn follow(&mut self, tooth: Tooth) {
        self.knot(tooth.deg, tooth.at);
        self.teeth += 1;
        let Some(next) = self.near.get(self.past).copied() else { return };
        let way_deg = next.deg - tooth.deg;
        let Some(ripple) = &self.ripple else { return };
        let centre_deg = tooth.deg + 0.5 * way_deg;
        let teeth: Vec<(f64, f64)> = self
            .near
            .iter()
            .map(|t| (t.deg - centre_deg, t.at - tooth.at))
            .filter(|t| t.0.abs() <= self.reach_deg)
            .collect();
        let Some(way) = ripple.through(&teeth, centre_deg) else { return };
        // Off the model by what its ends are off.
        let (off0, off1) = (-way.at(-0.5 * way_deg), next.at - tooth.at - way.at(0.5 * way_deg));
        let rate = way_deg / (next.at - tooth.at);
        self.compare(tooth.deg, off0 * rate);
        let square = (way.scatter * rate).powi(2);
        if square.is_finite() {
            self.squares += square;
            self.residuals += 1;
        }
        let pieces = (way_deg / self.stride_deg).ceil().clamp(1.0, 64.0);
        for piece in 1..pieces as usize {
            let share = piece as f64 / pieces;
            let at = tooth.at + way.at((share - 0.5) * way_deg) + off0 * (1.0 - share) + off1 * share;
            if at > tooth.at && at < next.at {
                self.knot(tooth.deg + share * way_deg, at);
            }
        }
        self.next_deg = tooth.deg;
    }

    fn compare(&mut self, deg: f64, off_deg: f64) {
        const BACK_DEG: f64 = 720.0;
        while let Some(&(before_deg, before)) = self.off.front().filter(|off| off.0 < deg - BACK_DEG + 0.1) {
            if before_deg > deg - BACK_DEG - 0.1 && (off_deg - before).is_finite() {
                self.changes = (self.changes.0 + (off_deg - before).abs(), self.changes.1 + 1);
            }
            self.off.pop_front();
        }
        self.off.push_back((deg, off_deg));
    }

    /// Of a fit over five to seven teeth some six tenths of a tooth's scatter are left; coarse ones stand as they are.
    fn noise(&self, segment: &Segment) -> Noise {
        let firings = self.firings;
        if self.ripple.is_some() {
            let (sum, count) = self.changes;
            // The mean of the difference of two normal values is 2 / sqrt(pi) of their deviation.
            let knot_deg = if count < 8 { 0.0 } else { sum / count as f64 * std::f64::consts::PI.sqrt() / 2.0 };
            return Noise { knot_deg, shared: segment.deg.len() as f64 / self.teeth.max(1) as f64, firings };
        }
        let knot_deg = if self.reach_deg > 0.0 && self.residuals >= 8 { 0.6 * self.scatter_deg() } else { 0.0 };
        Noise { knot_deg, shared: 1.0, firings }
    }

    /// Time of the centre by a quadratic over its neighbours; one that lies far off is left out.
    fn smoothed(&mut self, centre: Tooth) -> f64 {
        let close = |tooth: &&Tooth| (tooth.deg - centre.deg).abs() <= self.reach_deg;
        let mut teeth = std::mem::take(&mut self.close);
        teeth.clear();
        teeth.extend(self.near.iter().filter(close));
        let at = self.smoothed_among(&mut teeth, centre);
        self.close = teeth;
        at
    }

    fn smoothed_among(&mut self, teeth: &mut Vec<Tooth>, centre: Tooth) -> f64 {
        // A one-sided fit would run away at the ends of a segment.
        let before = teeth.iter().filter(|tooth| tooth.deg < centre.deg).count();
        if before < 2 || teeth.len() < before + 3 {
            return centre.at;
        }
        let Some(mut fit) = Quadratic::through(teeth, centre) else { return centre.at };
        if teeth.len() > 5 {
            let scatter = self.scatter_deg().max(0.02) / fit.deg_per_sample();
            let off = |tooth: &Tooth| (tooth.at - fit.at(tooth.deg - centre.deg)).abs();
            let worst = teeth.iter().enumerate().max_by(|a, b| off(a.1).total_cmp(&off(b.1))).map(|(i, t)| (i, off(t)));
            if let Some((i, _)) = worst.filter(|w| w.1 > 3.0 * scatter) {
                teeth.remove(i);
                fit = Quadratic::through(teeth, centre).unwrap_or(fit);
            }
        }
        self.learn(teeth, centre, &fit);
        fit.at(0.0)
    }

    fn learn(&mut self, teeth: &[Tooth], centre: Tooth, fit: &Quadratic) {
        let rate = fit.deg_per_sample();
        let sum: f64 = teeth.iter().map(|t| ((t.at - fit.at(t.deg - centre.deg)) * rate).powi(2)).sum();
        if teeth.len() > 3 && sum.is_finite() {
            self.squares += sum / (teeth.len() - 3) as f64;
            self.residuals += 1;
        }
    }

    /// Standard deviation of a tooth against its fit so far.
    fn scatter_deg(&self) -> f64 {
        if self.residuals < 8 { 0.3 } else { (self.squares / self.residuals as f64).sqrt() }
    }

    /// The scatter that the fit leaves, plus what it can't see: the edge's own position, the same for all teeth, and with
    /// coarse teeth the ripple between them.
    fn error_deg(&self, segment: &Segment) -> f64 {
        let middle_deg = self.middle_deg.0 / self.middle_deg.1.max(1) as f64;
        let edge = middle_deg.hypot(self.edge_samples() * fastest_deg_per_s(segment) * self.per_sample_s);
        if let Some(ripple) = self.ripple.as_ref().filter(|_| self.residuals > 0) {
            // Nothing is averaged, and a gap is bridged between two noisy teeth.
            let left = 3.0 * (self.squares / self.residuals as f64).sqrt();
            return (left.powi(2) + edge.powi(2) + ripple.unseen_deg().powi(2) + 0.05_f64.powi(2)).sqrt();
        }
        if self.reach_deg > 0.0 && self.residuals > 0 {
            // Twice the deviation, of which a fit over five to seven teeth leaves some half; more at the ends of a gap.
            let left = 2.0 * 0.95 * (self.squares / self.residuals as f64).sqrt();
            return (left.powi(2) + edge.powi(2) + 0.02_f64.powi(2)).sqrt();
        }
        (leave_one_out(segment).powi(2) + edge.powi(2) + 0.05_f64.powi(2)).sqrt()
    }

    /// A tenth of a sample for a signal as long high as low. Short pulses through a sound input ride on a shifted middle,
    /// and their clipped tops hide it: up to 0.7 samples more.
    fn edge_samples(&self) -> f64 {
        let (sum, count) = self.duty;
        let duty = if count > 0 { sum / count as f64 } else { 0.5 };
        0.1 + 0.7 * (1.0 - 2.0 * duty).abs().min(1.0)
    }
}

/// Speed over any ten knots, the largest.
fn fastest_deg_per_s(segment: &Segment) -> f64 {
    let pace = |i: usize, j: usize| {
        let (t0, t1) = (segment.t_s.get(i)?, segment.t_s.get(j)?);
        Some((segment.deg.get(j)? - segment.deg.get(i)?) / (t1 - t0))
    };
    let last = segment.t_s.len().saturating_sub(1);
    let paces = (0..last).step_by(10).filter_map(|i| pace(i, (i + 10).min(last)));
    paces.filter(|pace| pace.is_finite()).fold(0.0, f64::max)
}

/// How far a knot lies from the cubic through its two neighbours on each side, 95th percentile, as a share: at half the
/// spacing the error of the same cubic is smaller by at least the square.
fn leave_one_out(segment: &Segment) -> f64 {
    let step = (segment.t_s.len() / 4096).max(1);
    let mut off: Vec<f64> = segment
        .t_s
        .windows(5)
        .zip(segment.deg.windows(5))
        .step_by(step)
        .filter_map(|(t, deg)| {
            let (&[t0, t1, t2, t3, t4], &[d0, d1, d2, d3, d4]) = (t.first_chunk()?, deg.first_chunk()?);
            let lagrange = |x: f64| {
                let (t, d) = ([t0, t1, t3, t4], [d0, d1, d3, d4]);
                (0..4)
                    .map(|i| (0..4).filter(|&j| j != i).fold(d[i], |p, j| p * (x - t[j]) / (t[i] - t[j])))
                    .sum::<f64>()
            };
            Some((lagrange(t2) - d2).abs()).filter(|x| x.is_finite())
        })
        .collect();
    off.sort_by(f64::total_cmp);
    let ripple = 0.25 * off.get(off.len() * 95 / 100).copied().unwrap_or(1.0);
    // Ripple in step with the knots is invisible to them: speed varying by 3 % twice a turn (common practice for four
    // cylinders, no source) moves the angle by 0.03 / 2 rad to either side.
    let spacing = segment.span_deg().map_or(0.0, |(from, to)| (to - from) / (segment.deg.len() - 1) as f64);
    let unseen = 1.7 * if spacing < 360.0 { (spacing / 360.0).powi(2) } else { (spacing / 360.0).sqrt() };
    (ripple.powi(2) + unseen.powi(2)).sqrt()
}

/// Time as a quadratic of the angle from a centre.
struct Quadratic {
    c0: f64,
    c1: f64,
    c2: f64,
    shift: f64,
}

impl Quadratic {
    /// Least squares; `None` where the points do not determine it.
    fn through(teeth: &[Tooth], centre: Tooth) -> Option<Quadratic> {
        let mut s = [0.0f64; 5];
        let mut y = [0.0f64; 3];
        for tooth in teeth {
            let (x, t) = ((tooth.deg - centre.deg) / REACH_DEG, tooth.at - centre.at);
            let powers = [1.0, x, x * x, x * x * x, x * x * x * x];
            powers.iter().zip(&mut s).for_each(|(p, s)| *s += p);
            powers.iter().zip(&mut y).for_each(|(p, y)| *y += p * t);
        }
        let det3 = |a: [f64; 3], b: [f64; 3], c: [f64; 3]| {
            a[0] * (b[1] * c[2] - b[2] * c[1]) - b[0] * (a[1] * c[2] - a[2] * c[1]) + c[0] * (a[1] * b[2] - a[2] * b[1])
        };
        let columns = [[s[0], s[1], s[2]], [s[1], s[2], s[3]], [s[2], s[3], s[4]]];
        let det = det3(columns[0], columns[1], columns[2]);
        let c0 = det3(y, columns[1], columns[2]) / det;
        let c1 = det3(columns[0], y, columns[2]) / det / REACH_DEG;
        let c2 = det3(columns[0], columns[1], y) / det / (REACH_DEG * REACH_DEG);
        let fit = Quadratic { c0, c1, c2, shift: centre.at };
        (fit.c0.is_finite() && fit.c1.is_finite() && fit.c2.is_finite() && c1 > 0.0).then_some(fit)
    }

    fn at(&self, deg: f64) -> f64 {
        self.shift + self.c0 + deg * (self.c1 + deg * self.c2)
    }

    fn deg_per_sample(&self) -> f64 {
        1.0 / self.c1
    }
}
