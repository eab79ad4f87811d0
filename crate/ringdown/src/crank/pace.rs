//! Speed over half a turn, smoothed as far as the noise of the edges asks and the engine allows.
//!
//! Half a turn between two noisy edges is a noisy speed. A cubic with the ripple of the firings on it, laid through more
//! turns, averages the noise, and at some width what the engine really does. Windows grow as long as what they say agrees
//! with all narrower ones to within their own noise; the widest such is taken. Where edges are sharp that is the half turn
//! itself.
//!
//! Source: intersection of confidence intervals, A. Goldenshluger and A. Nemirovski, Math. Methods Statist. 6 (1997) 135-170
//! (from memory).

use super::ripple::{TERMS, basis, solve};
use super::track::Segment;

/// Degrees to either side; the widest is also the unit of the cubic.
const WINDOWS_DEG: [f64; 6] = [180.0, 270.0, 360.0, 540.0, 720.0, 1080.0];
const WIDEST_DEG: f64 = 1080.0;
/// Standard deviations by which estimates may lie apart.
const APART: f64 = 2.0;
/// Noise of the half turn's speed that is let alone, as a share: far below what is asked of speed.
const LEAST: f64 = 5e-5;
/// Fewest knots of a window.
const FEWEST: usize = 10;

/// How the knots of a segment scatter.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Noise {
    /// Standard deviation of a knot's angle, degrees; 0 where not known.
    pub knot_deg: f64,
    /// Knots to one that has noise of its own: those between coarse teeth have none.
    pub shared: f64,
    /// Firings a turn, 0 where not known.
    pub firings: f64,
}

/// Speed over the half turn around `centre_deg`, 1/min.
pub fn rpm(segment: &Segment, centre_deg: f64) -> Option<f64> {
    let narrow = segment.rpm_between(centre_deg - 90.0, centre_deg + 90.0)?;
    let noise = segment.noise;
    let own = noise.knot_deg * std::f64::consts::SQRT_2 / 180.0;
    let (first, last) = segment.span_deg()?;
    if own.is_nan() || own < LEAST || centre_deg - WINDOWS_DEG[0] < first || centre_deg + WINDOWS_DEG[0] > last {
        return Some(narrow);
    }
    let (mut low, mut high, mut best) = (1.0 - APART * own, 1.0 + APART * own, 1.0);
    let mut window = Window::new(segment, centre_deg, narrow)?;
    for reach_deg in WINDOWS_DEG {
        if centre_deg - reach_deg < first || centre_deg + reach_deg > last {
            break;
        }
        window.widen(reach_deg);
        let Some((share, deviation)) = window.estimate() else { continue };
        (low, high) = (low.max(share - APART * deviation), high.min(share + APART * deviation));
        if low > high {
            break;
        }
        best = share;
    }
    Some(narrow * best)
}

/// Least squares of time over angle, in degrees at the narrow speed from the centre; grows knot by knot.
struct Window<'a> {
    segment: &'a Segment,
    centre_deg: f64,
    centre_s: f64,
    deg_per_s: f64,
    /// Knots inside.
    from: usize,
    to: usize,
    matrix: [[f64; TERMS]; TERMS],
    right: [f64; TERMS],
    square: f64,
}

impl<'a> Window<'a> {
    fn new(segment: &'a Segment, centre_deg: f64, narrow_rpm: f64) -> Option<Window<'a>> {
        let at = segment.deg.partition_point(|deg| *deg < centre_deg);
        let mut matrix = [[0.0; TERMS]; TERMS];
        // A trace keeps the equations solvable; of a ripple whose frequency is not known nothing is fitted.
        let ripple = if segment.noise.firings > 0.0 { 1e-9 } else { 1e12 };
        (0..TERMS).for_each(|i| matrix[i][i] = if i < TERMS - 2 { 1e-9 } else { ripple });
        Some(Window {
            segment,
            centre_deg,
            centre_s: segment.time_at(centre_deg)?,
            deg_per_s: 6.0 * narrow_rpm,
            from: at,
            to: at,
            matrix,
            right: [0.0; TERMS],
            square: 0.0,
        })
    }

    fn widen(&mut self, reach_deg: f64) {
        let knots = &self.segment.deg;
        while self.from > 0 && knots[self.from - 1] >= self.centre_deg - reach_deg {
            self.from -= 1;
            self.add(self.from);
        }
        while self.to < knots.len() && knots[self.to] <= self.centre_deg + reach_deg {
            self.add(self.to);
            self.to += 1;
        }
    }

    fn add(&mut self, knot: usize) {
        let basis = self.basis(self.segment.deg[knot] - self.centre_deg);
        let at = (self.segment.t_s[knot] - self.centre_s) * self.deg_per_s;
        for (row, a) in self.matrix.iter_mut().zip(basis) {
            row.iter_mut().zip(basis).for_each(|(sum, b)| *sum += a * b);
        }
        self.right.iter_mut().zip(basis).for_each(|(sum, a)| *sum += a * at);
        self.square += at * at;
    }

    fn basis(&self, deg: f64) -> [f64; TERMS] {
        basis(deg, WIDEST_DEG, self.segment.noise.firings, self.centre_deg)
    }

    /// Speed as a share of the narrow one, and its standard deviation.
    fn estimate(&self) -> Option<(f64, f64)> {
        let count = self.to - self.from;
        if count < FEWEST {
            return None;
        }
        let [after, before] = [90.0, -90.0].map(|deg| self.basis(deg));
        let way: [f64; TERMS] = std::array::from_fn(|i| after[i] - before[i]);
        let dot = |a: &[f64; TERMS], b: &[f64; TERMS]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
        let terms = solve(self.matrix, self.right)?;
        let passed_deg = dot(&way, &terms);
        let left_deg = ((self.square - dot(&terms, &self.right)).max(0.0) / (count - TERMS) as f64).sqrt();
        // Noise that the window itself does not show, as at low speed, excuses no difference.
        let knot_deg = self.segment.noise.knot_deg.min(left_deg);
        let spread = (dot(&way, &solve(self.matrix, way)?) * self.segment.noise.shared.max(1.0)).max(0.0).sqrt();
        let share = 180.0 / passed_deg;
        (share.is_finite() && (0.5..2.0).contains(&share)).then_some((share, knot_deg * spread / 180.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Knots every 18 degrees; `wave_deg` swings over a turn and a half, which no window's model holds.
    fn segment(noise_deg: f64, wave_deg: f64, firings: f64) -> Segment {
        let mut state = 7_u64;
        let mut random = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) as f64 / (1_u64 << 31) as f64 - 0.5
        };
        let deg: Vec<f64> = (0..600).map(|i| 18.0 * f64::from(i)).collect();
        let off = |deg: f64| 0.8 * (firings * deg).to_radians().sin() + wave_deg * (deg / 1.5).to_radians().sin();
        // 3000 rpm: 18 000 degrees a second; a uniform law of this width has the deviation asked for.
        let t_s = deg.iter().map(|d| (d + off(*d) + noise_deg * 12_f64.sqrt() * random()) / 18_000.0).collect();
        let noise = Noise { knot_deg: noise_deg, shared: 1.0, firings };
        Segment { t_s, deg, noise, ..Segment::default() }
    }

    fn worst(segment: &Segment, wave_deg: f64, firings: f64) -> (f64, f64) {
        let off = |deg: f64| 0.8 * (firings * deg).to_radians().sin() + wave_deg * (deg / 1.5).to_radians().sin();
        let centres = (0..300).map(|i| 1000.0 + 27.3 * f64::from(i));
        let errors = |deg: f64| {
            let truth = 180.0 / (180.0 + off(deg + 90.0) - off(deg - 90.0)) * 3000.0;
            let narrow = segment.rpm_between(deg - 90.0, deg + 90.0).expect("inside");
            [(narrow / truth - 1.0).powi(2), (rpm(segment, deg).expect("inside") / truth - 1.0).powi(2)]
        };
        let sums = centres.map(errors).fold([0.0; 2], |sum, e| [sum[0] + e[0], sum[1] + e[1]]);
        ((sums[0] / 300.0).sqrt(), (sums[1] / 300.0).sqrt())
    }

    #[test]
    fn noise_is_averaged_over_turns_of_steady_running() {
        for firings in [1.5, 2.0, 3.0] {
            let (narrow, smoothed) = worst(&segment(0.2, 0.0, firings), 0.0, firings);
            assert!(narrow > 1e-3 && smoothed < 0.4 * narrow, "{firings}: {narrow} {smoothed}");
        }
    }

    #[test]
    fn what_the_engine_does_is_kept_where_it_stands_out_of_the_noise() {
        let (narrow, smoothed) = worst(&segment(0.02, 1.0, 2.0), 1.0, 2.0);
        assert!(smoothed < 1.5 * narrow, "{narrow} {smoothed}");
        let (_, sharp) = worst(&segment(0.0, 1.0, 2.0), 1.0, 2.0);
        assert!(sharp < 2e-5, "{sharp}");
    }
}
