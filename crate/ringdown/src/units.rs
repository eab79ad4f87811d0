//! Quantities whose mix-up would look plausible.

/// Crank angle relative to a cylinder's firing TDC, in -360..360.
#[derive(Clone, Copy, PartialEq, PartialOrd, Debug)]
pub struct CrankAngle(f64);

impl CrankAngle {
    /// From degrees after firing TDC; wraps modulo 720.
    pub fn from_deg_atdc(deg: f64) -> Self {
        Self((deg + 360.0).rem_euclid(720.0) - 360.0)
    }

    /// Degrees after firing TDC.
    pub fn deg_atdc(self) -> f64 {
        self.0
    }
}

/// `10 log10(power)` of a mean square (full scale = 1); silence is -300 dB, so that no level is infinite.
pub fn decibels(power: f64) -> f64 {
    10.0 * power.max(1e-30).log10()
}
