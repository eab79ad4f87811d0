//! Local straight lines: the building block of robust smooth curves.

/// Tricube weight of a distance in bandwidths: 1 at 0, 0 from 1 on (W. S. Cleveland, J. Am. Stat. Assoc. 74 (1979) 829).
pub fn tricube(distance: f64) -> f64 {
    let u = distance.abs();
    if u < 1.0 { (1.0 - u * u * u).powi(3) } else { 0.0 }
}

/// Bisquare weight of a residual in units of its cut-off: 1 at 0, 0 from 1 on (Cleveland, as above).
pub fn bisquare(residual: f64) -> f64 {
    let u = residual.abs();
    if u < 1.0 { (1.0 - u * u).powi(2) } else { 0.0 }
}

/// Weighted sums from which a straight line follows. Sums of disjoint data add up, so binned data need one walk.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Sums {
    weight: f64,
    x: f64,
    xx: f64,
    y: f64,
    xy: f64,
    squared_weight: f64,
    squared_x: f64,
    squared_xx: f64,
}

/// A straight line through weighted points, read at `x = 0`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Value at 0.
    pub value: f64,
    /// Slope.
    pub slope: f64,
    /// Sum of the squares of the shares that single points have in `value`: its variance in units of theirs. Its
    /// inverse is an effective count.
    pub variance: f64,
    /// Share of a point at 0 with unit weight in `value`: its leverage.
    pub leverage: f64,
}

impl Sums {
    /// Adds one point at `x` from where the line will be read.
    pub fn add(&mut self, x: f64, y: f64, weight: f64) {
        self.weight += weight;
        self.x += weight * x;
        self.xx += weight * x * x;
        self.y += weight * y;
        self.xy += weight * x * y;
        self.squared_weight += weight * weight;
        self.squared_x += weight * weight * x;
        self.squared_xx += weight * weight * x * x;
    }

    /// Adds `other`, whose points lie `shift` further right, with all its weights times `factor`.
    pub fn add_moved(&mut self, other: &Sums, shift: f64, factor: f64) {
        let square = factor * factor;
        self.weight += factor * other.weight;
        self.x += factor * (other.x + shift * other.weight);
        self.xx += factor * (other.xx + 2.0 * shift * other.x + shift * shift * other.weight);
        self.y += factor * other.y;
        self.xy += factor * (other.xy + shift * other.y);
        self.squared_weight += square * other.squared_weight;
        self.squared_x += square * (other.squared_x + shift * other.squared_weight);
        self.squared_xx +=
            square * (other.squared_xx + 2.0 * shift * other.squared_x + shift * shift * other.squared_weight);
    }

    /// Weighted mean of `y`, and its variance in units of the single variance.
    pub fn mean(&self) -> Option<Line> {
        let w = self.weight;
        (w > 0.0).then(|| Line {
            value: self.y / w,
            slope: 0.0,
            variance: self.squared_weight / (w * w),
            leverage: 1.0 / w,
        })
    }

    /// Weighted least-squares line; the mean where all points share one `x`; `None` without weight.
    pub fn line(&self) -> Option<Line> {
        if self.weight.is_nan() || self.weight <= 0.0 {
            return None;
        }
        let centre = self.x / self.weight;
        let width = self.xx - self.x * centre;
        if width <= 1e-12 * self.xx {
            return self.mean();
        }
        let slope = (self.xy - centre * self.y) / width;
        // Share of point i in the value at 0: w_i (1 / W - c (x_i - c) / S) = w_i (flat - tilt x_i).
        let flat = 1.0 / self.weight + centre * centre / width;
        let tilt = centre / width;
        let variance =
            flat * flat * self.squared_weight - 2.0 * flat * tilt * self.squared_x + tilt * tilt * self.squared_xx;
        Some(Line { value: self.y / self.weight - slope * centre, slope, variance, leverage: flat })
    }
}
