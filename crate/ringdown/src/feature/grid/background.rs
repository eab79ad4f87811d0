//! Level over a background that follows speed, for thousands of cells over the same events: what does not depend on the
//! cell is worked out once.
//!
//! Per group a broken line over speed (least squares on hat functions, knots at equal counts), and one spread: the mean
//! depth of the levels below it times 1.2533, a normal standard deviation that what stands out above does not lift.

use crate::signal::extreme::lower;

/// Fewest background events between two knots.
const PER_PIECE: usize = 60;
/// Most pieces of a group's line.
const MOST_PIECES: usize = 10;
/// Knots lie at least so far apart, 1/min.
const APART_RPM: f32 = 120.0;
/// Weight of the difference between neighbouring knots, in events: keeps a knot that few events touch near its neighbours.
const STIFF: f64 = 1.0;
/// Normal standard deviation over mean deviation: sqrt(pi / 2).
const MEAN_TO_SD: f64 = 1.253_314_137_315_500_3;
/// Narrowest spread, dB: a constant signal has none.
const LEAST_SPREAD_DB: f64 = 0.05;

/// Where an event stands on its group's line.
#[derive(Debug, Clone, Copy)]
pub struct Place {
    /// Knot below it, over all groups.
    knot: u32,
    /// Share of the knot above.
    above: f32,
    group: u16,
}

/// Background events that follow each other between the same two knots.
#[derive(Debug, Clone, Copy)]
struct Piece {
    from: usize,
    to: usize,
    knot: usize,
}

/// The part of the fit that is the same for every cell.
#[derive(Debug, Clone, Default)]
pub struct Background {
    /// Speeds of the knots of each group, and the number of its first knot.
    lines: Vec<(Vec<f32>, usize)>,
    pieces: Vec<Piece>,
    above: Vec<f32>,
    /// Diagonal and what lies beside it of the normal equations.
    diagonal: Vec<f64>,
    beside: Vec<f64>,
    /// First background event of each group, and the one after the last group's.
    firsts: Vec<usize>,
}

/// Levels fitted for one cell: level at each knot, spread of each group.
#[derive(Debug, Clone, Default)]
pub struct Fitted {
    knots: Vec<f32>,
    /// Over the spread of each group.
    inverse: Vec<f32>,
}

impl Background {
    /// From the group (rising) and speed (rising within a group) of each background event.
    pub fn new(events: &[(u16, f32)], groups: usize) -> Self {
        let mut own = Self::default();
        for group in 0..groups {
            let from = events.partition_point(|(other, _)| usize::from(*other) < group);
            let to = events.partition_point(|(other, _)| usize::from(*other) <= group);
            own.firsts.push(from);
            let first_knot = own.diagonal.len();
            let speeds: Vec<f32> = events[from..to].iter().map(|(_, rpm)| *rpm).collect();
            let knots = knots(&speeds);
            own.diagonal.resize(first_knot + knots.len(), 1e-9);
            own.beside.resize(first_knot + knots.len(), 0.0);
            own.lines.push((knots, first_knot));
            speeds.iter().enumerate().for_each(|(index, rpm)| own.add(from + index, group, *rpm));
            own.stiffen(first_knot);
        }
        own.firsts.push(events.len());
        own
    }

    fn add(&mut self, index: usize, group: usize, rpm: f32) {
        let place = self.place(group as u16, rpm, f32::INFINITY).unwrap_or(Place { knot: 0, above: 0.0, group: 0 });
        let (knot, above) = (place.knot as usize, f64::from(place.above));
        self.above.push(place.above);
        self.diagonal[knot] += (1.0 - above) * (1.0 - above);
        if let Some(next) = self.diagonal.get_mut(knot + 1).filter(|_| above > 0.0) {
            *next += above * above;
            self.beside[knot] += above * (1.0 - above);
        }
        match self.pieces.last_mut() {
            Some(piece) if piece.knot == knot && piece.to == index => piece.to += 1,
            _ => self.pieces.push(Piece { from: index, to: index + 1, knot }),
        }
    }

    fn stiffen(&mut self, first: usize) {
        for knot in first..self.diagonal.len().saturating_sub(1) {
            self.diagonal[knot] += STIFF;
            self.diagonal[knot + 1] += STIFF;
            self.beside[knot] -= STIFF;
        }
    }

    /// Where an event of a group stands; `None` beyond `reach_rpm` outside the background's speeds.
    pub fn place(&self, group: u16, rpm: f32, reach_rpm: f32) -> Option<Place> {
        let (knots, first) = self.lines.get(usize::from(group))?;
        let (low, high) = (*knots.first()?, *knots.last()?);
        if !(rpm >= low - reach_rpm && rpm <= high + reach_rpm) {
            return None;
        }
        let piece = knots.partition_point(|knot| *knot <= rpm).saturating_sub(1).min(knots.len().saturating_sub(2));
        let above = match (knots[piece], knots.get(piece + 1)) {
            (from, Some(to)) => ((rpm - from) / (to - from)).clamp(0.0, 1.0),
            _ => 0.0,
        };
        Some(Place { knot: (first + piece) as u32, above, group })
    }

    /// Fits the levels of the background events (dB, in the order of [`Background::new`]). `rounds` further times what
    /// lies more than 1.5 spreads above is drawn down to there: for a background that holds knock.
    pub fn fit(&self, levels: &[f32], rounds: usize, fitted: &mut Fitted, rest: &mut Vec<f32>) {
        rest.clear();
        rest.extend_from_slice(levels);
        self.solve(rest, fitted);
        for _ in 0..rounds {
            let spreads = std::mem::take(&mut fitted.inverse);
            for (ends, inverse) in self.firsts.windows(2).zip(spreads) {
                let most = 1.5 / inverse;
                for (rest, level) in rest[ends[0]..ends[1]].iter_mut().zip(&levels[ends[0]..ends[1]]) {
                    *rest = lower(*rest, most) + level - *rest;
                }
            }
            self.solve(rest, fitted);
            rest.clear();
            rest.extend_from_slice(levels);
            self.take_off(fitted, rest);
            self.spreads(rest, fitted);
        }
        self.scale(fitted, rest);
    }

    /// Solves for the knots, leaves the residuals in `levels`, works out the spreads.
    fn solve(&self, levels: &mut [f32], fitted: &mut Fitted) {
        let mut right = vec![0.0; self.diagonal.len()];
        for piece in &self.pieces {
            let (sum, above) = sums(&levels[piece.from..piece.to], &self.above[piece.from..piece.to]);
            right[piece.knot] += sum - above;
            if let Some(next) = right.get_mut(piece.knot + 1) {
                *next += above;
            }
        }
        fitted.knots = tridiagonal(&self.diagonal, &self.beside, right);
        self.take_off(fitted, levels);
        self.spreads(levels, fitted);
    }

    fn take_off(&self, fitted: &Fitted, levels: &mut [f32]) {
        for piece in &self.pieces {
            let from = fitted.knots[piece.knot];
            let rise = fitted.knots.get(piece.knot + 1).map_or(0.0, |to| to - from);
            for (level, above) in levels[piece.from..piece.to].iter_mut().zip(&self.above[piece.from..piece.to]) {
                *level -= from + above * rise;
            }
        }
    }

    fn spreads(&self, rest: &[f32], fitted: &mut Fitted) {
        let spread = |own: &[f32]| {
            let (depth, count) = depth(own);
            (MEAN_TO_SD * depth / count.max(1.0)).max(LEAST_SPREAD_DB)
        };
        let inverse = self.firsts.windows(2).map(|ends| (1.0 / spread(&rest[ends[0]..ends[1]])) as f32);
        fitted.inverse = inverse.collect();
    }

    fn scale(&self, fitted: &Fitted, rest: &mut [f32]) {
        for (ends, inverse) in self.firsts.windows(2).zip(&fitted.inverse) {
            rest[ends[0]..ends[1]].iter_mut().for_each(|level| *level *= inverse);
        }
    }
}

impl Fitted {
    /// Level over the line, in spreads.
    #[inline]
    pub fn over(&self, level: f32, place: Place) -> f32 {
        let from = self.knots[place.knot as usize];
        let to = self.knots.get(place.knot as usize + 1).copied().unwrap_or(from);
        (level - from - place.above * (to - from)) * self.inverse[usize::from(place.group)]
    }
}

/// Speeds at equal counts, [`APART_RPM`] apart at least; none without events.
fn knots(rising: &[f32]) -> Vec<f32> {
    let (Some(&low), Some(&high)) = (rising.first(), rising.last()) else { return Vec::new() };
    let pieces = (rising.len() / PER_PIECE).clamp(1, MOST_PIECES);
    let mut knots = vec![low];
    for piece in 1..pieces {
        let rpm = rising[piece * rising.len() / pieces];
        if rpm - knots[knots.len() - 1] >= APART_RPM && high - rpm >= APART_RPM {
            knots.push(rpm);
        }
    }
    if high > low {
        knots.push(high);
    }
    knots
}

/// Lanes of the flat sums: they let the compiler use vector instructions without changing the order of additions.
const LANES: usize = 8;

/// Sum of the values, and of the values times their shares.
fn sums(values: &[f32], shares: &[f32]) -> (f64, f64) {
    let (mut plain, mut shared) = ([0.0_f32; LANES], [0.0_f32; LANES]);
    let ((v, v_rest), (s, s_rest)) = (values.as_chunks::<LANES>(), shares.as_chunks::<LANES>());
    for (v, s) in v.iter().zip(s) {
        for ((plain, shared), (v, s)) in plain.iter_mut().zip(&mut shared).zip(v.iter().zip(s)) {
            *plain += v;
            *shared += v * s;
        }
    }
    let rest = v_rest.iter().zip(s_rest);
    let (a, b) = rest.fold((0.0, 0.0), |(a, b), (v, s)| (a + f64::from(*v), b + f64::from(v * s)));
    (a + total(&plain), b + total(&shared))
}

/// Sum of the depths below zero and their count.
fn depth(values: &[f32]) -> (f64, f64) {
    let (mut deep, mut count) = ([0.0_f32; LANES], [0_u32; LANES]);
    let (chunks, rest) = values.as_chunks::<LANES>();
    for chunk in chunks {
        for ((deep, count), value) in deep.iter_mut().zip(&mut count).zip(chunk) {
            // By the sign's bit: with comparisons the compiler takes one value after the other.
            let bits = value.to_bits();
            *deep -= f32::from_bits(bits & (bits as i32 >> 31) as u32);
            *count += bits >> 31;
        }
    }
    let rest = rest.iter().filter(|value| value.is_sign_negative());
    let (a, b) = rest.fold((0.0, 0.0), |(a, b), value| (a - f64::from(*value), b + 1.0));
    (a + total(&deep), b + count.iter().map(|count| f64::from(*count)).sum::<f64>())
}

fn total(lanes: &[f32; LANES]) -> f64 {
    lanes.iter().map(|lane| f64::from(*lane)).sum()
}

/// Solves a symmetric tridiagonal system (Thomas' elimination).
fn tridiagonal(diagonal: &[f64], beside: &[f64], mut right: Vec<f64>) -> Vec<f32> {
    let mut pivots = diagonal.to_vec();
    for row in 1..right.len() {
        let factor = beside[row - 1] / pivots[row - 1];
        pivots[row] -= factor * beside[row - 1];
        right[row] -= factor * right[row - 1];
    }
    for row in (0..right.len()).rev() {
        let next = if row + 1 < right.len() { beside[row] * right[row + 1] } else { 0.0 };
        right[row] = (right[row] - next) / pivots[row];
    }
    right.into_iter().map(|level| level as f32).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_straight_background_leaves_nothing_and_what_stands_out_is_counted_in_spreads() {
        let events: Vec<(u16, f32)> = (0..600).map(|n| ((n / 300) as u16, 1000.0 + 10.0 * (n % 300) as f32)).collect();
        let background = Background::new(&events, 2);
        let level = |group: u16, rpm: f32| f32::from(group) * 6.0 - 60.0 + rpm / 500.0;
        // Two values, as often 2 dB over as under: the mean depth is 2 dB.
        let levels: Vec<f32> = events
            .iter()
            .enumerate()
            .map(|(n, (g, rpm))| level(*g, *rpm) + if n % 2 == 0 { 2.0 } else { -2.0 })
            .collect();
        let (mut fitted, mut rest) = (Fitted::default(), Vec::new());
        background.fit(&levels, 0, &mut fitted, &mut rest);
        let sd = 2.0 * MEAN_TO_SD as f32;
        for (n, over) in rest.iter().enumerate() {
            let wanted = if n % 2 == 0 { 2.0 } else { -2.0 } / sd;
            assert!((over - wanted).abs() < 0.05, "{n}: {over}");
        }
        let place = background.place(1, 2345.0, 0.0).expect("inside the speeds");
        assert!((fitted.over(level(1, 2345.0) + 10.0, place) - 10.0 / sd).abs() < 0.05);
        assert!(background.place(1, 900.0, 50.0).is_none() && background.place(2, 2000.0, 50.0).is_none());
    }
}
