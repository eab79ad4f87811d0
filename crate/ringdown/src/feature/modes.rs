//! Acoustic modes of the combustion chamber from bore and gas temperature.

use serde::{Deserialize, Serialize};

/// One transverse mode (m circumferential, n radial order).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Mode {
    pub m: u32,
    pub n: u32,
    /// At the middle of the temperature range (mean of the edges' speeds of sound is not used: the value belongs to the
    /// mean temperature).
    pub hz: f64,
    /// At the lowest temperature.
    pub hz_low: f64,
    /// At the highest temperature.
    pub hz_high: f64,
}

/// The first six modes in order of frequency.
pub fn modes(_bore_mm: f64, _gas_temperature_k: [f64; 2]) -> [Mode; 6] {
    todo!("signal")
}
