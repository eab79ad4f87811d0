//! Median, quantiles and scales that a few wild values can't move.

/// Makes the median absolute deviation estimate a normal standard deviation: 1 / quantile(0.75) of the standard
/// normal law, 1.4826 in print.
pub const MAD_TO_SD: f64 = 1.482_602_218_505_602;
/// Makes the distance between the quartiles estimate a normal standard deviation: 1 / (2 quantile(0.75)).
pub const IQR_TO_SD: f64 = 0.741_301_109_252_801;
/// Makes Qn estimate a normal standard deviation: 1 / (sqrt(2) quantile(5/8)). The paper of 1993 prints 2.2219.
pub const QN_TO_SD: f64 = 2.219_144_465_985_076;

/// Which sample quantile (R. J. Hyndman, Y. Fan, Am. Statistician 50 (1996) 361).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Definition {
    /// Type 7: linear between order statistics, the default of R and numpy.
    Linear,
    /// Type 8: nearly median-unbiased for any law, which the paper recommends.
    MedianUnbiased,
}

/// Ascending copy by total order.
pub fn sorted(values: &[f64]) -> Vec<f64> {
    let mut values = values.to_vec();
    values.sort_unstable_by(f64::total_cmp);
    values
}

/// Quantile at `share` (clamped to 0..=1) of ascending values; `None` of nothing or a NaN share.
pub fn quantile(ascending: &[f64], share: f64, definition: Definition) -> Option<f64> {
    if share.is_nan() {
        return None;
    }
    let n = ascending.len() as f64;
    let share = share.clamp(0.0, 1.0);
    // Position counted from 1.
    let at = match definition {
        Definition::Linear => 1.0 + (n - 1.0) * share,
        Definition::MedianUnbiased => 1.0 / 3.0 + (n + 1.0 / 3.0) * share,
    };
    // One part in 1e-14 below a whole number is rounding, not position (numpy and R do the same).
    let whole = (at + 4.0 * f64::EPSILON * at.abs()).floor();
    let part = if (at - whole).abs() < 4.0 * f64::EPSILON * at.abs() { 0.0 } else { at - whole };
    let pick = |k: f64| ascending.get((k.clamp(1.0, n.max(1.0)) - 1.0) as usize).copied();
    let (low, high) = (pick(whole)?, pick(whole + 1.0)?);
    Some(if part == 0.0 || low == high { low } else { low + part * (high - low) })
}

/// Median of ascending values.
pub fn median_of_sorted(ascending: &[f64]) -> Option<f64> {
    quantile(ascending, 0.5, Definition::Linear)
}

/// Median.
pub fn median(values: &[f64]) -> Option<f64> {
    median_of_sorted(&sorted(values))
}

/// Median absolute deviation from the median, unscaled; times [`MAD_TO_SD`] it estimates a standard deviation.
pub fn mad(values: &[f64]) -> Option<f64> {
    let centre = median(values)?;
    let apart: Vec<f64> = values.iter().map(|v| (v - centre).abs()).collect();
    median(&apart)
}

/// Distance between the quartiles (type 7), unscaled; times [`IQR_TO_SD`] it estimates a standard deviation.
pub fn interquartile_range(values: &[f64]) -> Option<f64> {
    let ascending = sorted(values);
    Some(quantile(&ascending, 0.75, Definition::Linear)? - quantile(&ascending, 0.25, Definition::Linear)?)
}

/// Qn: [`QN_TO_SD`] times the `h (h - 1) / 2`-th smallest distance of all pairs, `h = n / 2 + 1`; no finite-sample
/// factor. `None` below two values or with a non-finite one.
///
/// The order statistic is exact: bisection over the bits of the answer, each step a walk with two pointers, so
/// `64 n` steps after sorting.
///
/// # Source
/// P. J. Rousseeuw, C. Croux, J. Am. Stat. Assoc. 88 (1993) 1273.
pub fn qn(values: &[f64]) -> Option<f64> {
    if values.len() < 2 || values.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let ascending = sorted(values);
    let h = (ascending.len() / 2 + 1) as u64;
    let wanted = h * (h - 1) / 2;
    let (mut low, mut high) = (0_u64, f64::MAX.to_bits());
    while low < high {
        let middle = low + (high - low) / 2;
        if pairs_within(&ascending, f64::from_bits(middle)) >= wanted {
            high = middle;
        } else {
            low = middle + 1;
        }
    }
    Some(QN_TO_SD * f64::from_bits(low))
}

fn pairs_within(ascending: &[f64], distance: f64) -> u64 {
    let mut lower = ascending.iter().enumerate().peekable();
    let mut pairs = 0;
    for (index, value) in ascending.iter().enumerate() {
        while lower.next_if(|(_, low)| value - **low > distance).is_some() {}
        let first = lower.peek().map_or(index, |(at, _)| *at);
        pairs += (index - first.min(index)) as u64;
    }
    pairs
}
