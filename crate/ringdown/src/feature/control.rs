//! What the user's control unit can be set to, and what its own filter does to the signal.

use crate::signal::filter::{Pass, Sos, butterworth};
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

/// Order of a band-pass where the sheet names none: one pair of poles (common practice, no source).
const USUAL_ORDER: usize = 2;
/// Sampling rate over the centre at which the filter's delay is worked out: far enough from half of it.
const RATE_PER_CENTRE: f64 = 40.0;

/// The `control` part of an engine sheet; an empty list: anything can be set.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Control {
    /// Band centres, Hz.
    pub centre_hz: Vec<f64>,
    /// Qualities, centre over half-power width.
    pub q: Vec<f64>,
    /// Gains, dB.
    pub gain_db: Vec<f64>,
    /// Poles of its band-pass, where named.
    pub order: Option<usize>,
    /// Steps of its window's edges, degrees.
    pub window_step_deg: Option<f64>,
    /// Steps of its limits.
    pub resolution: Option<f64>,
    /// One limit for each sensor, not for each cylinder.
    pub per_sensor: bool,
}

/// A band the control unit can be set to.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Settable {
    /// Centre, Hz.
    pub centre_hz: f64,
    /// Centre over half-power width.
    pub q: f64,
}

impl Settable {
    /// Half-power edges, Hz.
    pub fn edges_hz(self) -> [f64; 2] {
        match Pass::around(self.centre_hz, self.q) {
            Pass::Band { low_hz, high_hz } => [low_hz, high_hz],
            _ => [self.centre_hz; 2],
        }
    }
}

impl Control {
    /// From the sheet's map, whose numbers are checked when the sheet is read.
    pub fn of(map: &Map<String, Value>) -> Control {
        let list = |key: &str| -> Vec<f64> {
            match map.get(key) {
                Some(Value::Array(values)) => values.iter().filter_map(Value::as_f64).collect(),
                Some(value) => value.as_f64().into_iter().collect(),
                None => Vec::new(),
            }
        };
        let step = |key: &str| list(key).first().copied().filter(|step| *step > 0.0);
        let order = map.get("filter").and_then(|filter| filter.get("order")).and_then(Value::as_u64);
        Control {
            centre_hz: list("centre_hz"),
            q: list("q"),
            gain_db: list("gain_db"),
            order: order.and_then(|order| usize::try_from(order).ok()).filter(|order| (1..=16).contains(order)),
            window_step_deg: step("window_step_deg"),
            resolution: step("resolution"),
            per_sensor: map.get("per").and_then(Value::as_str) == Some("sensor"),
        }
    }

    /// The nearest band it can be set to, by ratio of frequencies; where it can be set to anything, the band itself.
    pub fn nearest_band(&self, low_hz: f64, high_hz: f64) -> Settable {
        let centre_hz = nearest_ratio(&self.centre_hz, (low_hz * high_hz).sqrt());
        Settable { centre_hz, q: nearest_ratio(&self.q, centre_hz / (high_hz - low_hz)) }
    }

    /// Time by which its causal band-pass delays a burst at the band's centre, s: the group delay there, `order / 2` pole
    /// pairs to each side as a Butterworth design has them. One pair: `1 / (pi * width)`. `None` where no such filter can be.
    pub fn delay_s(&self, band: Settable) -> Option<f64> {
        let filter = self.filter(band, RATE_PER_CENTRE * band.centre_hz)?;
        Some(filter.group_delay_s(band.centre_hz)).filter(|delay_s| delay_s.is_finite())
    }

    /// Its band-pass, as a Butterworth design; `None` where no such filter can be at this rate.
    pub fn filter(&self, band: Settable, sample_rate_hz: f64) -> Option<Sos> {
        let order = self.order.unwrap_or(USUAL_ORDER).div_ceil(2);
        butterworth(order, Pass::around(band.centre_hz, band.q), sample_rate_hz).ok()
    }

    /// The window to set, degrees after firing TDC, so that what its filter delays is still inside: both edges moved by the
    /// delay at that speed, then outwards to its steps.
    pub fn window_to_set(&self, [start, end]: [f64; 2], delay_s: f64, rpm: f64) -> [f64; 2] {
        let delay_deg = degrees(delay_s, rpm);
        let step = self.window_step_deg;
        [down_to(start + delay_deg, step), up_to(end + delay_deg, step)]
    }

    /// The limit to type in: upwards to its steps, so that the false-alarm rate still holds.
    pub fn limit_to_type(&self, limit: f64) -> f64 {
        up_to(limit, self.resolution)
    }
}

/// Crank degrees that pass in a time.
pub fn degrees(time_s: f64, rpm: f64) -> f64 {
    6.0 * rpm * time_s
}

fn nearest_ratio(allowed: &[f64], wanted: f64) -> f64 {
    let apart = |value: &f64| (value / wanted).ln().abs();
    let usable = allowed.iter().copied().filter(|value| *value > 0.0);
    usable.min_by(|a, b| apart(a).total_cmp(&apart(b))).unwrap_or(wanted)
}

/// Rounding noise of a value that already stands on a step must not move it a step on.
const ON_STEP: f64 = 1e-9;

fn up_to(value: f64, step: Option<f64>) -> f64 {
    step.map_or(value, |step| (value / step - ON_STEP).ceil() * step)
}

fn down_to(value: f64, step: Option<f64>) -> f64 {
    step.map_or(value, |step| (value / step + ON_STEP).floor() * step)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn control(json: &str) -> Control {
        Control::of(&serde_json::from_str(json).unwrap())
    }

    /// A second-order band of 600 to 1000 Hz delays 1 / (pi 600) to 1 / (pi 1000) s: 19 and 11 degrees at 6000 1/min.
    #[test]
    fn a_narrow_band_delays_by_one_over_pi_times_its_width() {
        let control = control(r#"{"filter":{"kind":"band-pass","order":2}}"#);
        for (width_hz, delay_deg) in [(600.0, 19.10), (1000.0, 11.46)] {
            let delay_s = control.delay_s(Settable { centre_hz: 6000.0, q: 6000.0 / width_hz }).unwrap();
            assert!((delay_s * std::f64::consts::PI * width_hz - 1.0).abs() < 0.01, "{delay_s}");
            assert!((degrees(delay_s, 6000.0) - delay_deg).abs() < 0.2);
        }
    }

    #[test]
    fn bands_windows_and_limits_land_on_what_can_be_set() {
        let control =
            control(r#"{"centre_hz":[4800,5700,6600],"q":[2,4],"window_step_deg":2,"resolution":0.5,"per":"sensor"}"#);
        assert_eq!(control.nearest_band(5000.0, 6200.0), Settable { centre_hz: 5700.0, q: 4.0 });
        assert_eq!(control.window_to_set([10.0, 50.0], 0.0005, 3000.0), [18.0, 60.0]);
        assert_eq!(control.limit_to_type(7.1), 7.5);
        assert_eq!(control.limit_to_type(7.5), 7.5);
        assert!(control.per_sensor);
        let free = Control::default();
        let band = free.nearest_band(5000.0, 7200.0);
        assert!((band.centre_hz - 6000.0).abs() < 1e-9 && (band.q - 6000.0 / 2200.0).abs() < 1e-12);
        assert_eq!(free.limit_to_type(7.13), 7.13);
    }
}
