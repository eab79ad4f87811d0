//! Time <-> crank angle <-> speed, gaps kept.

use super::pace;
pub use super::pace::Noise;
use serde::{Deserialize, Serialize};
use std::cell::Cell;

/// Change of speed from one period to the next that still counts as steady.
const STEADY: f64 = 0.05;

/// Crank angle over time, in unbroken segments.
///
/// Angles are crank degrees, rising, with 0 modulo 360 at cylinder `firing_order[0]`'s TDC; where the turn is known, 0
/// modulo 720 (two-stroke: modulo 360) is its firing TDC.
#[derive(Debug, Clone, Default)]
pub struct Track {
    /// Segments in order of time, not overlapping.
    pub segments: Vec<Segment>,
}

/// One unbroken stretch of synchronisation.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub struct Segment {
    /// Knot times, seconds, rising.
    pub t_s: Vec<f64>,
    /// Crank degrees at the knots, rising.
    pub deg: Vec<f64>,
    /// Which of the two turns is known.
    pub turn_known: bool,
    /// Estimated error of the angle, degrees, 95 %.
    pub error_deg: f64,
    /// How the knots scatter.
    #[serde(skip)]
    pub noise: Noise,
}

impl Track {
    /// Segment that holds `t_s`.
    pub fn segment_at(&self, t_s: f64) -> Option<&Segment> {
        let after = self.segments.partition_point(|segment| segment.span_s().is_some_and(|(from, _)| from <= t_s));
        self.segments.get(after.checked_sub(1)?).filter(|segment| segment.span_s().is_some_and(|(_, to)| t_s <= to))
    }

    /// Speed at `t_s`, 1/min, over half a turn around it, the noise of the edges smoothed.
    pub fn rpm_at(&self, t_s: f64) -> Option<f64> {
        let segment = self.segment_at(t_s)?;
        pace::rpm(segment, segment.deg_at(t_s)?)
    }
}

impl Segment {
    /// First and last time.
    pub fn span_s(&self) -> Option<(f64, f64)> {
        Some((*self.t_s.first()?, *self.t_s.last()?))
    }

    /// First and last angle.
    pub fn span_deg(&self) -> Option<(f64, f64)> {
        Some((*self.deg.first()?, *self.deg.last()?))
    }

    /// Crank degrees at `t_s`, by shape-preserving cubic between knots; `None` outside.
    pub fn deg_at(&self, t_s: f64) -> Option<f64> {
        let i = interval(&self.t_s, t_s)?;
        Some(self.piece(i)?.deg_at(t_s))
    }

    /// Time at `deg`; `None` outside.
    pub fn time_at(&self, deg: f64) -> Option<f64> {
        let i = interval(&self.deg, deg)?;
        Some(self.piece(i)?.time_at(deg))
    }

    /// The same times for angles that are asked for near each other, without searching all knots for each.
    pub fn times(&self) -> Times<'_> {
        Times { segment: self, held: Cell::new(None) }
    }

    /// Mean speed between two angles, 1/min, cut to the segment.
    pub fn rpm_between(&self, from_deg: f64, to_deg: f64) -> Option<f64> {
        let (first, last) = self.span_deg()?;
        let (from, to) = (from_deg.max(first), to_deg.min(last));
        let seconds = self.time_at(to)? - self.time_at(from)?;
        (to > from && seconds > 0.0).then(|| (to - from) / (6.0 * seconds))
    }

    /// Goes on to `t_s`, before the first knot or after the last, as the speed of `period_deg` there and its trend have it;
    /// false, and nothing done, where that is further than `most_deg` off or the speed is not steady there.
    pub fn go_on(&mut self, t_s: f64, period_deg: f64, most_deg: f64) -> bool {
        let (Some((from_s, to_s)), Some((first, last))) = (self.span_s(), self.span_deg()) else { return false };
        let (edge_s, edge_deg, sign) = if t_s < from_s { (from_s, first, 1.0) } else { (to_s, last, -1.0) };
        let inner = |periods: f64| self.time_at(edge_deg + sign * periods * period_deg);
        let (Some(one_s), Some(two_s)) = (inner(1.0), inner(2.0)) else { return false };
        // Times from the edge, outwards positive: the parabola through the last two periods.
        let (a, b) = (sign * (edge_s - one_s), sign * (edge_s - two_s));
        let (near, far) = (-a, a - b);
        if !(near > 0.0 && (far / near - 1.0).abs() < STEADY) {
            return false;
        }
        let rate = (1.0 / near + (1.0 / near - 1.0 / far) * 0.5) * period_deg;
        let way_deg = rate * (sign * (edge_s - t_s));
        if !(way_deg > 0.0 && way_deg <= most_deg) {
            return false;
        }
        let deg = edge_deg - sign * way_deg;
        if sign > 0.0 {
            self.t_s.insert(0, t_s);
            self.deg.insert(0, deg);
        } else {
            self.t_s.push(t_s);
            self.deg.push(deg);
        }
        true
    }

    fn piece(&self, i: usize) -> Option<Piece> {
        let (t0, t1) = (*self.t_s.get(i)?, *self.t_s.get(i + 1)?);
        let (d0, d1) = (*self.deg.get(i)?, *self.deg.get(i + 1)?);
        let secant = (d1 - d0) / (t1 - t0);
        let limit = |slope: f64| slope.clamp(0.0, 3.0 * secant);
        Some(Piece { t0, t1, d0, d1, slope0: limit(self.slope(i)), slope1: limit(self.slope(i + 1)) })
    }

    /// Degrees a second at knot `i`: of the parabola through it and its neighbours, blended with the next ones where
    /// these are at hand, which takes the error from second to fourth order.
    fn slope(&self, i: usize) -> f64 {
        let near = |step: usize| {
            let (a, b) = (i.checked_sub(step)?, i.checked_add(step)?);
            three_point(self.knot(a)?, self.knot(i)?, self.knot(b)?)
        };
        match (near(1), near(2)) {
            (Some(one), Some(two)) => (two.1 * one.0 - one.1 * two.0) / (two.1 - one.1),
            (Some(one), None) => one.0,
            _ => self.end_slope(i),
        }
    }

    fn end_slope(&self, i: usize) -> f64 {
        let (a, b) = if i == 0 { (0, 1) } else { (i - 1, i) };
        let last = self.t_s.len().saturating_sub(1);
        let (Some(from), Some(to)) = (self.knot(a), self.knot(b)) else { return 0.0 };
        let secant = (to.1 - from.1) / (to.0 - from.0);
        // The parabola through the last three knots, else the straight line.
        let inner = if i == 0 { 1 } else { last.saturating_sub(1) };
        match (inner.checked_sub(1).and_then(|j| self.knot(j)), self.knot(inner), self.knot(inner + 1)) {
            (Some(p), Some(q), Some(r)) => three_point(p, q, r).map_or(secant, |(slope, _)| 2.0 * secant - slope),
            _ => secant,
        }
    }

    fn knot(&self, i: usize) -> Option<(f64, f64)> {
        Some((*self.t_s.get(i)?, *self.deg.get(i)?))
    }
}

/// Slope at the middle of three points, of the parabola through them, and the product of the steps, to which its
/// error is in proportion.
fn three_point(a: (f64, f64), b: (f64, f64), c: (f64, f64)) -> Option<(f64, f64)> {
    let (h0, h1) = (b.0 - a.0, c.0 - b.0);
    let slope = ((b.1 - a.1) / h0 * h1 + (c.1 - b.1) / h1 * h0) / (h0 + h1);
    slope.is_finite().then_some((slope, h0 * h1))
}

/// Times of angles of a segment; remembers where the last one lay.
pub struct Times<'a> {
    segment: &'a Segment,
    held: Cell<Option<(usize, Piece)>>,
}

/// Knots looked at one by one from the last place before all are searched: half a turn of a wheel of 60 teeth.
const NEAR_KNOTS: usize = 32;

impl Times<'_> {
    /// As [`Segment::time_at`].
    pub fn time_at(&self, deg: f64) -> Option<f64> {
        if let Some((_, piece)) = self.held.get().filter(|(_, piece)| piece.d0 <= deg && deg < piece.d1) {
            return Some(piece.time_at(deg));
        }
        let knots = &self.segment.deg;
        let near = self.held.get().and_then(|(i, _)| near_interval(knots, i, deg));
        let i = near.or_else(|| interval(knots, deg))?;
        let piece = self.segment.piece(i)?;
        self.held.set(Some((i, piece)));
        Some(piece.time_at(deg))
    }
}

/// Index of the interval that holds `x`, looked for around interval `i`.
fn near_interval(rising: &[f64], i: usize, x: f64) -> Option<usize> {
    let first = i.saturating_sub(NEAR_KNOTS);
    let part = rising.get(first..(i + NEAR_KNOTS).min(rising.len()))?;
    let after = part.partition_point(|&knot| knot <= x);
    (after > 0 && after < part.len()).then(|| first + after - 1)
}

/// Index of the interval of `rising` that holds `x`.
fn interval(rising: &[f64], x: f64) -> Option<usize> {
    let (first, last) = (*rising.first()?, *rising.last()?);
    if rising.len() < 2 || !(first..=last).contains(&x) {
        return None;
    }
    Some(rising.partition_point(|&knot| knot <= x).clamp(1, rising.len() - 1) - 1)
}

/// One cubic of Hermite form; slopes up to three times the secant keep it rising (Fritsch and Carlson, SIAM J. Numer.
/// Anal. 17 (1980) 238-246).
#[derive(Clone, Copy)]
struct Piece {
    t0: f64,
    t1: f64,
    d0: f64,
    d1: f64,
    slope0: f64,
    slope1: f64,
}

impl Piece {
    fn deg_at(&self, t_s: f64) -> f64 {
        self.at((t_s - self.t0) / (self.t1 - self.t0)).0
    }

    /// Value and slope at share `u` of the interval.
    fn at(&self, u: f64) -> (f64, f64) {
        let h = self.t1 - self.t0;
        let (rise, a, b) = (self.d1 - self.d0, self.slope0 * h, self.slope1 * h);
        let (c2, c3) = (3.0 * rise - 2.0 * a - b, a + b - 2.0 * rise);
        (self.d0 + u * (a + u * (c2 + u * c3)), a + u * (2.0 * c2 + 3.0 * u * c3))
    }

    fn time_at(&self, deg: f64) -> f64 {
        // Where the curve ends flat, rounding leaves many times to one angle.
        if deg <= self.d0 || deg >= self.d1 {
            return if deg <= self.d0 { self.t0 } else { self.t1 };
        }
        let (mut low, mut high) = (0.0, 1.0);
        let mut u = ((deg - self.d0) / (self.d1 - self.d0)).clamp(0.0, 1.0);
        for _ in 0..50 {
            let (value, slope) = self.at(u);
            if value < deg {
                low = u;
            } else {
                high = u;
            }
            let newton = u - (value - deg) / slope;
            // Once there, a step stays where it is, which is no longer inside the bracket.
            if (newton - u).abs() < 1e-13 {
                break;
            }
            u = if newton > low && newton < high { newton } else { 0.5 * (low + high) };
        }
        self.t0 + u * (self.t1 - self.t0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ramp() -> Track {
        // 1000 rpm, rising by 600 rpm/s: deg = 6000 t + 1800 t^2.
        let t_s: Vec<f64> = (0..200).map(|i| i as f64 * 0.003).collect();
        let deg = t_s.iter().map(|t| 6000.0 * t + 1800.0 * t * t).collect();
        Track { segments: vec![Segment { t_s, deg, turn_known: true, error_deg: 0.1, ..Segment::default() }] }
    }

    #[test]
    fn a_parabola_is_kept_exactly() {
        let track = ramp();
        let segment = track.segment_at(0.3).expect("inside");
        for t in [0.0, 0.001, 0.2345, 0.5969] {
            let truth = 6000.0 * t + 1800.0 * t * t;
            assert!((segment.deg_at(t).expect("inside") - truth).abs() < 1e-6);
            assert!((segment.time_at(truth).expect("inside") - t).abs() < 1e-9);
        }
        assert!(
            segment.deg_at(0.6).is_none() && track.segment_at(-0.1).is_none() && track.segment_at(f64::NAN).is_none()
        );
    }

    #[test]
    fn a_knots_angle_has_its_time_where_the_curve_is_flat_too() {
        // Four hundred degrees in a tenth of a millisecond, then a tenth of a degree: the curve ends flat to the third order.
        let t_s = vec![1.0, 1.0001, 1.024_487_978_608_391_5];
        let deg = vec![-50.0, 337.546_448_101_810_3, 337.646_448_101_810_3];
        let segment = Segment { t_s, deg, turn_known: false, error_deg: 0.0, ..Segment::default() };
        for (t_s, deg) in segment.t_s.iter().zip(&segment.deg) {
            assert_eq!(segment.time_at(*deg), Some(*t_s));
        }
    }

    #[test]
    fn times_asked_for_one_after_the_other_are_those_asked_for_alone() {
        let track = ramp();
        let segment = &track.segments[0];
        let times = segment.times();
        let (_, last) = segment.span_deg().expect("knots");
        let knots = segment.deg.iter().copied();
        let between = (0..4000).map(|k| f64::from(k * 7919 % 4000) / 3990.0 * last - 3.0);
        for deg in knots.chain(between).chain([last, f64::NAN, -1.0]) {
            assert_eq!(times.time_at(deg), segment.time_at(deg), "{deg}");
        }
    }

    #[test]
    fn a_steady_segment_goes_on_by_a_period_and_no_further() {
        // 1000 rpm: 6000 degrees a second, knots from 0.1 s to 0.7 s.
        let t_s: Vec<f64> = (0..201).map(|i| 0.1 + f64::from(i) * 0.003).collect();
        let deg: Vec<f64> = t_s.iter().map(|t| 6000.0 * t).collect();
        let mut segment = Segment { t_s, deg, turn_known: true, error_deg: 0.1, ..Segment::default() };
        assert!(!segment.go_on(0.0, 360.0, 380.0) && segment.go_on(0.05, 360.0, 380.0));
        assert!((segment.deg_at(0.07).expect("inside") - 420.0).abs() < 1e-6);
        assert!(segment.go_on(0.75, 360.0, 380.0) && (segment.deg_at(0.74).expect("inside") - 4440.0).abs() < 1e-6);
        let t_s: Vec<f64> = (0..200).map(|i| f64::from(i) * 0.003).collect();
        let deg = t_s.iter().map(|t| 6000.0 * t + 18_000.0 * t * t).collect();
        let mut rising = Segment { t_s, deg, turn_known: true, error_deg: 0.1, ..Segment::default() };
        assert!(!rising.go_on(-0.01, 360.0, 380.0), "the speed rises by a third over that turn");
    }

    #[test]
    fn speed_is_the_mean_over_half_a_turn() {
        // By hand: deg(0.3) = 1962; the half turn runs from 1872 to 2052 deg; t = (-6000 + sqrt(3.6e7 + 7200 deg)) / 3600.
        let time = |deg: f64| (-6000.0 + (3.6e7 + 7200.0 * deg).sqrt()) / 3600.0;
        let truth = 180.0 / (6.0 * (time(2052.0) - time(1872.0)));
        assert!((ramp().rpm_at(0.3).expect("inside") - truth).abs() < 1e-4);
    }
}
