//! Values that follow one another: how many of them are worth one independent one.

/// Furthest lag looked at.
const MOST_LAGS: usize = 200;
/// A series is held against the mean of each of so many stretches, so that a slow drift does not pass for correlation.
const STRETCHES: usize = 6;
/// No fewer values than this make a stretch.
const LEAST_IN_STRETCH: usize = 30;
/// Most that one independent value is said to cost.
const MOST: f64 = 50.0;

/// Values worth one independent one: `1 + 2 (r1 + r2 + ...)` over the autocorrelations `r` at lag 1, 2, ..., up to the
/// first that is no more than chance (two standard errors, `2 / sqrt(n)`); 1..=50.
///
/// * `series`: each in the order of time; autocorrelations are averaged over them by length. A drift slower than a
///   sixth of a series is taken out first.
///
/// # Source
/// The variance of a mean of correlated values: M. S. Bartlett, J. R. Stat. Soc. Suppl. 8 (1946) 27; for a first-order
/// process it gives `(1 + r) / (1 - r)`. The cut at two standard errors is our choice.
pub fn worth_one(series: impl Into<Vec<Vec<f64>>>) -> f64 {
    let mut level: Vec<Vec<f64>> = series.into();
    level.iter_mut().for_each(|values| take_drift_out(values));
    let count: usize = level.iter().map(Vec::len).sum();
    let power: f64 = level.iter().flatten().map(|v| v * v).sum();
    if power <= 0.0 || count < LEAST_IN_STRETCH {
        return 1.0;
    }
    let at_lag = |lag: usize| -> f64 {
        let products =
            |values: &Vec<f64>| -> f64 { values.iter().zip(values.iter().skip(lag)).map(|(a, b)| a * b).sum() };
        level.iter().map(products).sum::<f64>() / power
    };
    let chance = 2.0 / (count as f64).sqrt();
    let correlated: f64 = (1..=MOST_LAGS).map(at_lag).take_while(|r| *r > chance).sum();
    (1.0 + 2.0 * correlated).min(MOST)
}

fn take_drift_out(values: &mut [f64]) {
    let length = values.len().div_ceil(STRETCHES).max(LEAST_IN_STRETCH);
    for stretch in values.chunks_mut(length) {
        let mean = stretch.iter().sum::<f64>() / stretch.len() as f64;
        stretch.iter_mut().for_each(|v| *v -= mean);
    }
}
