//! Time <-> crank angle <-> speed, gaps kept.

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
#[derive(Debug, Clone, Default)]
pub struct Segment {
    /// Knot times, seconds, rising.
    pub t_s: Vec<f64>,
    /// Crank degrees at the knots, rising.
    pub deg: Vec<f64>,
    /// Which of the two turns is known.
    pub turn_known: bool,
    /// Estimated error of the angle, degrees, 95 %.
    pub error_deg: f64,
}

impl Track {
    /// Segment that holds `t_s`.
    pub fn segment_at(&self, _t_s: f64) -> Option<&Segment> {
        todo!("crank")
    }
    /// Speed at `t_s`, 1/min, over half a turn around it.
    pub fn rpm_at(&self, _t_s: f64) -> Option<f64> {
        todo!("crank")
    }
}

impl Segment {
    /// Crank degrees at `t_s`, by shape-preserving cubic between knots; `None` outside.
    pub fn deg_at(&self, _t_s: f64) -> Option<f64> {
        todo!("crank")
    }
    /// Time at `deg`; `None` outside.
    pub fn time_at(&self, _deg: f64) -> Option<f64> {
        todo!("crank")
    }
}
