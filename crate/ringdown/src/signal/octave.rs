//! Octave bands and their fractions.
//!
//! # Source
//! IEC 61260-1:2014, base-ten system: G = 10^(3/10), reference frequency 1000 Hz.

/// Ratio of an octave in the base-ten system, G.
pub const OCTAVE: f64 = 1.995_262_314_968_879_5;
/// Reference frequency, Hz.
const REFERENCE_HZ: f64 = 1000.0;
/// Finest fraction: further ones have no use and would have no end.
const FINEST: u32 = 96;

/// One band.
#[derive(Debug, Clone, Copy, PartialEq)]
#[allow(missing_docs)]
pub struct OctaveBand {
    /// Number of the band, 0 at (for even fractions: just above) the reference frequency.
    pub x: i32,
    pub middle_hz: f64,
    pub low_hz: f64,
    pub high_hz: f64,
}

/// Band `x` of width 1/`fraction` octave: odd fractions have a middle at the reference frequency, even ones an edge.
pub fn octave_band(fraction: u32, x: i32) -> OctaveBand {
    let fraction = fraction.clamp(1, FINEST);
    let b = f64::from(fraction);
    let steps = if fraction % 2 == 1 { f64::from(x) / b } else { (2.0 * f64::from(x) + 1.0) / (2.0 * b) };
    let middle_hz = REFERENCE_HZ * OCTAVE.powf(steps);
    let half = OCTAVE.powf(0.5 / b);
    OctaveBand { x, middle_hz, low_hz: middle_hz / half, high_hz: middle_hz * half }
}

/// Bands with their middle from `low_hz` to `high_hz`, rising; none where the range is empty or not positive.
pub fn octave_bands(fraction: u32, low_hz: f64, high_hz: f64) -> Vec<OctaveBand> {
    if !(low_hz > 0.0 && low_hz <= high_hz && high_hz <= 1e7) {
        return Vec::new();
    }
    let b = f64::from(fraction.clamp(1, FINEST));
    let at = |hz: f64| (b * (hz / REFERENCE_HZ).ln() / OCTAVE.ln()).floor().clamp(-1e4, 1e4) as i32;
    let all = (at(low_hz) - 1..=at(high_hz) + 1).map(|x| octave_band(fraction, x));
    all.filter(|band| (low_hz..=high_hz).contains(&band.middle_hz)).collect()
}

/// Mean square in each band from a one-sided power density whose value `k` belongs to `k * bin_hz`; bins on an edge count
/// by the share inside. `None` for a band that reaches beyond the density.
pub fn band_powers(density: &[f64], bin_hz: f64, bands: &[OctaveBand]) -> Vec<Option<f64>> {
    let top_hz = (density.len() as f64 - 0.5) * bin_hz;
    let power = |band: &OctaveBand| {
        let (from, to) = (band.low_hz / bin_hz + 0.5, band.high_hz / bin_hz + 0.5);
        let share = |bin: usize| ((bin as f64 + 1.0).min(to) - (bin as f64).max(from)).max(0.0);
        let bins = from.max(0.0) as usize..(to.ceil().max(0.0) as usize).min(density.len());
        (band.high_hz <= top_hz).then(|| bins.map(|bin| density[bin] * share(bin) * bin_hz).sum())
    };
    bands.iter().map(power).collect()
}
