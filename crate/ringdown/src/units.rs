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

/// kPa in one of a pressure's unit, as logs write it (brackets and case do not matter); `None` for what is no pressure.
/// Factors of NIST Special Publication 811 (2008), appendix B.8 (from memory): psi 6.894 757, conventional inch of mercury
/// 3.386 389.
pub fn kpa_per(unit: &str) -> Option<f64> {
    let unit = unit.trim_matches(['[', ']', '(', ')', ' ']).to_lowercase();
    Some(match unit.as_str() {
        "kpa" => 1.0,
        "hpa" | "mbar" => 0.1,
        "bar" => 100.0,
        "psi" | "psia" => 6.894_757,
        "inhg" => 3.386_389,
        "pa" => 1e-3,
        _ => return None,
    })
}
