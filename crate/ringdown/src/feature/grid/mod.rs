//! Every band and window tried: power of each event over frequency and crank angle, and how far each cell of it
//! separates knock from background.
//!
//! [`map`] turns one event into a small map of power, [`separate`] sums such maps over any band and window and counts.

pub mod background;
pub mod choose;
pub mod common;
pub mod map;
pub mod ring;
pub mod score;
pub mod separate;

/// Width of a frequency bin, Hz; bin `k` is centred at `k` times this (the frame's length makes it so within 0.3 %).
pub const BIN_HZ: f64 = 500.0;
/// First bin mapped: with it the narrowest band at 2 kHz.
pub const FIRST_BIN: usize = 3;
/// Highest frequency searched, Hz: above every mode of interest.
pub const HIGHEST_HZ: f64 = 25_000.0;
/// Lowest centre searched, Hz.
pub const LOWEST_CENTRE_HZ: f64 = 2000.0;
/// Width of an angle step, degrees.
pub const STEP_DEG: f64 = 5.0;
/// Start of the first step, degrees after firing TDC.
pub const FIRST_DEG_ATDC: f64 = -10.0;
/// Angle steps: -10 to 120 degrees.
pub const STEPS: usize = 26;
/// Rows of a map: the reference window of the ratio feature, then the steps.
pub const ROWS: usize = STEPS + 1;
/// Widths tried, bins.
pub const WIDTHS: [usize; 6] = [2, 3, 4, 6, 8, 12];
/// First steps of the windows tried: -5 to 30 degrees after firing TDC.
pub const STARTS: [usize; 6] = [1, 3, 4, 5, 6, 8];
/// Lengths of the windows tried, steps: 10 to 80 degrees.
pub const LENGTHS: [usize; 6] = [2, 4, 6, 9, 12, 16];

/// A band: bins of [`BIN_HZ`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Band {
    /// First bin.
    pub first: usize,
    /// Bins.
    pub bins: usize,
}

impl Band {
    /// Lower and upper edge, Hz.
    pub fn range_hz(self) -> [f64; 2] {
        [self.first as f64 - 0.5, (self.first + self.bins) as f64 - 0.5].map(|bin| bin * BIN_HZ)
    }

    /// Nearest to two edges in Hz among the bins from [`FIRST_BIN`] to before `after`; at least one bin.
    pub fn nearest(low_hz: f64, high_hz: f64, after: usize) -> Self {
        let bin = |hz: f64| ((hz / BIN_HZ + 0.5).round().max(0.0) as usize).clamp(FIRST_BIN, after.max(FIRST_BIN + 1));
        let (first, end) = (bin(low_hz).min(after.max(FIRST_BIN + 1) - 1), bin(high_hz));
        Self { first, bins: end.saturating_sub(first).max(1) }
    }
}

/// A crank-angle window: steps of [`STEP_DEG`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Span {
    /// First step.
    pub first: usize,
    /// Steps.
    pub steps: usize,
}

impl Span {
    /// Start and end, degrees after firing TDC.
    pub fn range_deg_atdc(self) -> [f64; 2] {
        [self.first, self.first + self.steps].map(|step| FIRST_DEG_ATDC + STEP_DEG * step as f64)
    }

    /// Nearest to two angles; at least one step.
    pub fn nearest(start_deg_atdc: f64, end_deg_atdc: f64) -> Self {
        let step = |deg: f64| (((deg - FIRST_DEG_ATDC) / STEP_DEG).round().max(0.0) as usize).min(STEPS);
        let (first, end) = (step(start_deg_atdc).min(STEPS - 1), step(end_deg_atdc));
        Self { first, steps: end.saturating_sub(first).max(1) }
    }
}

/// A band and a window.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs)]
pub struct Cell {
    pub band: Band,
    pub span: Span,
}

/// Bin after the last that a recording at `sample_rate_hz` can carry: up to 0.45 of the rate, 25 kHz at most.
pub fn after_last_bin(sample_rate_hz: f64) -> usize {
    let limit_hz = (0.45 * sample_rate_hz).min(HIGHEST_HZ);
    ((limit_hz / BIN_HZ + 0.5 + 1e-9).floor().max(0.0) as usize).max(FIRST_BIN)
}

/// Bands tried: every width of [`WIDTHS`], the narrowest 500 Hz apart, the others about half their width.
pub fn bands(after: usize) -> Vec<Band> {
    let of_width = |bins: usize| {
        let firsts =
            (FIRST_BIN..=after.saturating_sub(bins)).step_by(if bins < 3 { 1 } else { bins.div_ceil(2).clamp(2, 4) });
        firsts.map(move |first| Band { first, bins })
    };
    let centre_hz = |band: &Band| 0.5 * (band.range_hz()[0] + band.range_hz()[1]);
    WIDTHS.into_iter().flat_map(of_width).filter(|band| centre_hz(band) >= LOWEST_CENTRE_HZ).collect()
}

/// Windows tried: each start with each length that ends within the map.
pub fn spans() -> Vec<Span> {
    let from = |first: usize| LENGTHS.into_iter().map(move |steps| Span { first, steps });
    STARTS.into_iter().flat_map(from).filter(|span| span.first + span.steps <= STEPS).collect()
}
