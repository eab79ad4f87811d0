//! Acoustic modes of the combustion chamber from bore and gas temperature.
//!
//! A flat round chamber rings transversely at f = alpha c / (pi B), alpha a zero of J'm, c the speed of sound of the burned
//! gas, B the bore. Source: C. S. Draper, NACA Report 493 (1935). A real chamber deviates by some percent (R. Hickling et
//! al., J. Acoust. Soc. Am. 73 (1983) 1170): the values are where to look first.

use serde::{Deserialize, Serialize};
use std::f64::consts::PI;

/// Ratio of specific heats of burned gas. With [`GAS_CONSTANT_J_PER_KG_K`] the speed of sound lies within 3.6 % of the
/// frozen one of burned methane and propane at 2220-2630 K and 40 bar (Cantera with GRI-Mech 3.0: gamma 1.246-1.255,
/// R 293-315).
pub const GAMMA: f64 = 1.25;

/// Specific gas constant of burned gas, J/(kg K).
pub const GAS_CONSTANT_J_PER_KG_K: f64 = 293.0;

/// Range of the gas temperature while a knock rings, K: from late in the expansion to shortly after combustion.
pub const GAS_TEMPERATURE_K: [f64; 2] = [1500.0, 2800.0];

/// (m, n, alpha): the first zeros of J'm without the trivial one, ascending.
///
/// Source: Abramowitz & Stegun (1964) table 9.5, here to double precision (`scipy.special.jnp_zeros`).
const ZEROS: [(u32, u32, f64); 6] = [
    (1, 0, 1.841_183_781_340_659_3),
    (2, 0, 3.054_236_928_227_140_4),
    (0, 1, 3.831_705_970_207_512_5),
    (3, 0, 4.201_188_941_210_528),
    (4, 0, 5.317_553_126_083_994),
    (1, 1, 5.331_442_773_525_032_5),
];

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

/// Speed of sound in burned gas, m/s: sqrt(gamma R T).
pub fn sound_speed_m_per_s(gas_temperature_k: f64) -> f64 {
    (GAMMA * GAS_CONSTANT_J_PER_KG_K * gas_temperature_k.max(0.0)).sqrt()
}

/// Frequency of the mode with the zero `alpha` of J'm at a speed of sound, Hz.
pub fn mode_hz(alpha: f64, sound_speed_m_per_s: f64, bore_mm: f64) -> f64 {
    alpha * sound_speed_m_per_s / (PI * bore_mm * 1e-3)
}

/// The first six modes in order of frequency. The edges of the temperature range may come in either order.
pub fn modes(bore_mm: f64, gas_temperature_k: [f64; 2]) -> [Mode; 6] {
    let [a, b] = gas_temperature_k;
    let speeds = [a.min(b), 0.5 * (a + b), a.max(b)].map(sound_speed_m_per_s);
    ZEROS.map(|(m, n, alpha)| {
        let [hz_low, hz, hz_high] = speeds.map(|speed| mode_hz(alpha, speed, bore_mm));
        Mode { m, n, hz, hz_low, hz_high }
    })
}
