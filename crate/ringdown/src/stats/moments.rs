//! Mean, standard deviation, lag-1 autocorrelation, to the digits double precision allows.

/// Sum with the rounding errors carried along (A. Neumaier, Z. Angew. Math. Mech. 54 (1974) 39).
pub fn sum(values: impl IntoIterator<Item = f64>) -> f64 {
    let (mut total, mut lost) = (0.0_f64, 0.0);
    for value in values {
        let next = total + value;
        lost += if total.abs() >= value.abs() { (total - next) + value } else { (value - next) + total };
        total = next;
    }
    total + lost
}

/// Arithmetic mean; `None` of nothing.
pub fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| sum(values.iter().copied()) / values.len() as f64)
}

/// Sample standard deviation with `n - 1`; `None` below two values.
///
/// # Source
/// Corrected two-pass algorithm: T. F. Chan, G. H. Golub, R. J. LeVeque, Am. Statistician 37 (1983) 242, eq. 1.7.
pub fn standard_deviation(values: &[f64]) -> Option<f64> {
    if values.len() < 2 {
        return None;
    }
    let n = values.len() as f64;
    let centre = mean(values)?;
    let squares = sum(values.iter().map(|v| (v - centre).powi(2)));
    let drift = sum(values.iter().map(|v| v - centre));
    Some(((squares - drift * drift / n) / (n - 1.0)).max(0.0).sqrt())
}

/// Lag-1 autocorrelation `sum (x[i]-m)(x[i-1]-m) / sum (x[i]-m)^2`, as NIST certifies it; `None` if all are alike.
pub fn lag_one(values: &[f64]) -> Option<f64> {
    let centre = mean(values)?;
    let below = sum(values.iter().map(|v| (v - centre).powi(2)));
    let above = sum(values.windows(2).filter_map(|pair| match pair {
        [a, b] => Some((a - centre) * (b - centre)),
        _ => None,
    }));
    (below > 0.0).then(|| above / below)
}
