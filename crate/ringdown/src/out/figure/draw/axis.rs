//! A shown range of values and where each lies in it.

use super::super::{Axis, Scale};

/// Beyond this, differences of two limits would overflow.
const LARGEST: f64 = 1e300;
/// Ranges narrower than this share of their values can't be told apart on a screen.
const NARROWEST: f64 = 1e-9;

/// A range that can be drawn: finite, `low < high`, positive where logarithmic.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Range {
    /// Left or bottom end.
    pub low: f64,
    /// Right or top end.
    pub high: f64,
    /// Linear or logarithmic.
    pub scale: Scale,
}

impl Range {
    /// The range of `axis` that a view shows; whatever can't be drawn gives way to the axis' own range, then to 0..1.
    pub fn shown(axis: &Axis, view: Option<[f64; 2]>) -> Self {
        let [low, high] = view.filter(finite).or(Some([axis.low, axis.high]).filter(finite)).unwrap_or([0.0, 1.0]);
        match axis.scale {
            Scale::Linear => Self::linear(low, high),
            Scale::Log => Self::log(low, high),
        }
    }

    /// A linear range; equal limits are moved apart.
    pub fn linear(low: f64, high: f64) -> Self {
        let (low, high) = (low.min(high).clamp(-LARGEST, LARGEST), low.max(high).clamp(-LARGEST, LARGEST));
        let least = NARROWEST * low.abs().max(high.abs());
        let apart = if low == high { 0.5_f64.max(least) } else { (least - (high - low)).max(0.0) };
        Self { low: low - apart, high: high + apart, scale: Scale::Linear }
    }

    fn log(low: f64, high: f64) -> Self {
        let high = low.max(high).clamp(-LARGEST, LARGEST);
        let high = if high > 1.0 / LARGEST { high } else { 1.0 };
        let low = if low > 1.0 / LARGEST && low < high * (1.0 - NARROWEST) { low } else { high / 1000.0 };
        Self { low, high, scale: Scale::Log }
    }

    /// Where `value` lies: 0 at `low`, 1 at `high`. Not finite for what a logarithm can't hold.
    pub fn share(&self, value: f64) -> f64 {
        match self.scale {
            Scale::Linear => (value - self.low) / (self.high - self.low),
            Scale::Log => libm::log(value / self.low) / libm::log(self.high / self.low),
        }
    }

    /// The value at `share` of the way.
    pub fn value(&self, share: f64) -> f64 {
        match self.scale {
            Scale::Linear => self.low + share * (self.high - self.low),
            Scale::Log => self.low * libm::exp(share * libm::log(self.high / self.low)),
        }
    }
}

fn finite(range: &[f64; 2]) -> bool {
    range.iter().all(|limit| limit.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn any_limits_give_a_range_that_can_be_drawn() {
        let odd = [f64::NAN, f64::INFINITY, -1e308, -5.0, 0.0, 1e-320, 3.0, 3.0 + 1e-13, 1e308];
        for scale in [Scale::Linear, Scale::Log] {
            for (low, high) in odd.iter().flat_map(|low| odd.iter().map(move |high| (*low, *high))) {
                let axis = Axis {
                    label: String::new(),
                    quantity: super::super::super::Quantity::Other,
                    low,
                    high,
                    scale,
                    ticks: vec![],
                };
                let range = Range::shown(&axis, None);
                assert!(range.low < range.high, "{low} {high} {scale:?} -> {range:?}");
                assert!((range.share(range.low).abs() < 1e-9) && (range.share(range.high) - 1.0).abs() < 1e-9);
                assert!((range.share(range.value(0.25)) - 0.25).abs() < 1e-6, "{range:?}");
            }
        }
    }
}
