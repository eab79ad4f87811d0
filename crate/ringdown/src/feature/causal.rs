//! The level of a combustion event as a control unit would measure it: through a causal band-pass like its own, in a window
//! opened later by what that filter delays.

use super::control::{Control, Settable};
use super::level::{LeftOut, Level, REFERENCE_DEG_ATDC, SLOWEST_RPM, Slice, mean_square};
use crate::crank::{Event, track::Segment};
use crate::signal::filter::Sos;
use crate::units::decibels;

/// Measures events of one channel as the control unit of the sheet does.
pub struct CausalMeter {
    filter: Sos,
    control: Control,
    window_deg_atdc: [f64; 2],
    /// What the filter delays a burst at the band's centre by, s.
    delay_s: f64,
    settle: usize,
}

impl CausalMeter {
    /// A meter for the band set and the window that holds the knock itself, degrees after firing TDC; the window measured
    /// in is [`Control::window_to_set`] at each event's own speed. `None` where the band can't be built at this rate.
    pub fn new(sample_rate_hz: f64, control: &Control, band: Settable, window_deg_atdc: [f64; 2]) -> Option<Self> {
        let filter = control.filter(band, sample_rate_hz)?;
        let delay_s = control.delay_s(band)?;
        let [low_hz, high_hz] = band.edges_hz();
        // As in `level::Meter`: six periods of the bandwidth leave nothing of where the filter was started.
        let settle = (6.0 / (high_hz - low_hz)).clamp(0.0, 0.5) * sample_rate_hz;
        Some(Self { filter, control: control.clone(), window_deg_atdc, delay_s, settle: settle.ceil() as usize })
    }

    /// Level of `event`; what left its zero-phase level out (`as_measured`) leaves this one out too.
    pub fn measure(&self, slice: &Slice, segment: &Segment, event: &Event, as_measured: &Level) -> Level {
        let blank =
            |reason| Level { energy_db: f32::NAN, peak_db: f32::NAN, reference_db: f32::NAN, left_out: Some(reason) };
        if event.rpm < SLOWEST_RPM {
            return blank(LeftOut::TooSlow);
        }
        let rate = self.filter.sample_rate_hz;
        let times = segment.times();
        let at = |deg: f64| Some(times.time_at(event.deg + deg)? * rate - slice.first as f64);
        let [start, end] = self.control.window_to_set(self.window_deg_atdc, self.delay_s, f64::from(event.rpm));
        let (Some(from), Some(to)) = (at(start), at(end)) else { return blank(LeftOut::Outside) };
        if from < 0.0 || to > slice.samples.len() as f64 || to - from < 1.0 {
            return blank(LeftOut::Outside);
        }
        let delayed = |deg: f64| Some(at(deg)? + self.delay_s * rate).filter(|place| *place >= 0.0);
        let reference = delayed(REFERENCE_DEG_ATDC[0]).zip(delayed(REFERENCE_DEG_ATDC[1]));
        let earliest = reference.map_or(from, |(a, _)| a.min(from));
        let first = (earliest as usize).saturating_sub(self.settle);
        let last = (to.ceil() as usize).min(slice.samples.len());
        let mut run = self.filter.start();
        let heard = slice.samples.get(first..last).unwrap_or_default();
        let filtered: Vec<f64> =
            heard.iter().map(|x| run.step(if x.is_finite() { f64::from(*x) } else { 0.0 })).collect();
        let offset = first as f64;
        let (energy, peak) = mean_square(&filtered, from - offset, to - offset);
        let reference = reference.map(|(a, b)| mean_square(&filtered, a - offset, b - offset).0);
        Level {
            energy_db: decibels(energy) as f32,
            peak_db: decibels(peak) as f32,
            reference_db: reference.map_or(f32::NAN, |square| decibels(square) as f32),
            left_out: as_measured.left_out,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::feature::level::Meter;

    /// 6000 rpm = 36 000 degrees a second; a burst at the centre of a band 800 Hz wide, from 12 to 30 degrees. The filter
    /// delays by 1 / (pi 800) s = 14.3 degrees: a window of 10 to 30 degrees, not moved, would lose what comes out after
    /// 30; opened at 24 and closed at 45 it hears most of it.
    #[test]
    fn a_burst_delayed_by_the_filter_is_heard_in_the_window_that_is_moved_with_it() {
        let rate = 96_000.0;
        let t_s: Vec<f64> = (0..=100).map(|knot| f64::from(knot) * 0.001).collect();
        let deg: Vec<f64> = t_s.iter().map(|t| 36_000.0 * t).collect();
        let segment = Segment { t_s, deg, turn_known: true, error_deg: 0.0, ..Segment::default() };
        let burst = |n: i32| {
            let t = f64::from(n) / rate;
            let on = (12.0..30.0).contains(&(36_000.0 * t - 1800.0));
            if on { (0.1 * (std::f64::consts::TAU * 6400.0 * t).sin()) as f32 } else { 0.0 }
        };
        let samples: Vec<f32> = (0..9600).map(burst).collect();
        let slice = Slice { samples: &samples, first: 0, clip: [-1.0, 1.0] };
        let event = Event {
            t_s: 0.05,
            deg: 1800.0,
            segment: 0,
            cylinder: Some(1),
            pair: None,
            sensor: None,
            rpm: 6000.0,
            rpm_per_s: 0.0,
        };
        let control = Control::default();
        let band = Settable { centre_hz: 6400.0, q: 8.0 };
        let plain =
            Meter::new(rate, 6000.0, 6800.0, [10.0, 30.0]).unwrap().measure(&[(slice, &segment, &event)])[0].level;
        let meter = CausalMeter::new(rate, &control, band, [10.0, 30.0]).unwrap();
        let moved = meter.measure(&slice, &segment, &event, &plain);
        // What the same filter puts out inside the window that was not moved.
        let still = CausalMeter { delay_s: 0.0, ..CausalMeter::new(rate, &control, band, [10.0, 30.0]).unwrap() };
        let still = still.measure(&slice, &segment, &event, &plain);
        assert!(moved.energy_db > still.energy_db + 1.0, "{moved:?} {still:?}");
        assert!(moved.peak_db >= still.peak_db && moved.left_out.is_none());
        let early = Event { t_s: 0.0, deg: 0.0, ..event };
        assert_eq!(
            meter.measure(&slice, &segment, &Event { rpm: 100.0, ..early }, &plain).left_out,
            Some(LeftOut::TooSlow)
        );
    }
}
