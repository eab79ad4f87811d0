//! The level of each combustion event: band-passed signal in the crank-angle window.

use crate::crank::{Event, track::Segment};
use crate::signal::filter::{Pass, Sos, butterworth};
use crate::signal::filtfilt::filtfilt;
use crate::units::decibels;

/// First crank angle of a profile, degrees after firing TDC.
pub const PROFILE_START_DEG: f64 = -60.0;
/// Degrees a profile bin is wide.
pub const PROFILE_STEP_DEG: f64 = 3.0;
/// Bins of a profile: -60 to 120 degrees.
pub const PROFILE_BINS: usize = 60;
/// Reference window of the ratio feature: the compression stroke just before the spark can have made knock.
pub const REFERENCE_DEG_ATDC: [f64; 2] = [-60.0, -20.0];
/// Longest stretch of signal needed before or after a firing TDC, s: 120 degrees at 200 rpm plus settling.
pub const REACH_S: f64 = 0.12;
/// Slowest speed at which an event is measured, 1/min: below it the window outlasts [`REACH_S`].
pub const SLOWEST_RPM: f32 = 250.0;
/// Speed change beyond which an event is left out, 1/min per second: a free blip of the throttle, not a pull.
pub const TRANSIENT_RPM_PER_S: f32 = 4000.0;

/// Why an event has no level, or one that floor and limits do not use.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum LeftOut {
    /// The window reaches outside the signal or the known crank angle.
    Outside,
    /// A sample in the window stands at the end of the converter's range.
    Clipped,
    /// Speed changes too fast.
    Transient,
    /// Slower than an engine idles.
    TooSlow,
}

/// Measured level of one event, dB re full scale (a full-scale square = 0 dB).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Level {
    /// Mean square in band and window.
    pub energy_db: f32,
    /// Largest square.
    pub peak_db: f32,
    /// Mean square in the reference window.
    pub reference_db: f32,
    /// Not used, and why. `Outside` and `TooSlow` have no levels (NaN).
    pub left_out: Option<LeftOut>,
}

impl Level {
    fn none(reason: LeftOut) -> Self {
        Self { energy_db: f32::NAN, peak_db: f32::NAN, reference_db: f32::NAN, left_out: Some(reason) }
    }
}

/// How far the window is moved to either side to see what a wrong offset would do, degrees.
pub const OFF_DEG: f64 = 10.0;

/// In-band level over crank angle of one event, a step of 0.75 dB from -150 dB; 0 = not measured.
pub type Profile = [u8; PROFILE_BINS];

/// Level of a profile bin, dB; NaN where not measured.
pub fn profile_db(step: u8) -> f32 {
    if step == 0 { f32::NAN } else { f32::from(step) * 0.75 - 150.75 }
}

/// Measures events of one channel in one band and window. The filter runs forwards and backwards, so levels have no
/// delay; it runs over each event's own stretch and a settling margin only.
pub struct Meter {
    filter: Sos,
    sample_rate_hz: f64,
    window_deg_atdc: [f64; 2],
    settle: usize,
}

/// A slice of one channel.
pub struct Slice<'a> {
    /// Samples.
    pub samples: &'a [f32],
    /// Frame number of the first.
    pub first: u64,
    /// Samples at or beyond these stand at the end of the converter's range.
    pub clip: [f32; 2],
}

impl Meter {
    /// A meter for `low_hz..high_hz` and a window in degrees after firing TDC. `None` where the band can't be built.
    pub fn new(sample_rate_hz: f64, low_hz: f64, high_hz: f64, window_deg_atdc: [f64; 2]) -> Option<Self> {
        let filter = butterworth(4, Pass::Band { low_hz, high_hz }, sample_rate_hz).ok()?;
        // A band-pass forgets in a few periods of its bandwidth; six leave less than -80 dB of the start.
        let settle = (6.0 / (high_hz - low_hz) * sample_rate_hz).ceil() as usize;
        let longest = (0.5 * sample_rate_hz) as usize;
        Some(Self { filter, sample_rate_hz, window_deg_atdc, settle: settle.min(longest) })
    }

    /// Level and profile of `event`, whose stretch must lie inside `slice` as far as the recording has it, and its levels in
    /// the window [`OFF_DEG`] earlier and later.
    pub fn measure(&self, slice: &Slice, segment: &Segment, event: &Event) -> (Level, Profile, [Level; 2]) {
        let blank = [0; PROFILE_BINS];
        let none = |reason| (Level::none(reason), blank, [Level::none(reason); 2]);
        if event.rpm < SLOWEST_RPM {
            return none(LeftOut::TooSlow);
        }
        let [start, end] = self.window_deg_atdc;
        let to_sample =
            |deg: f64| segment.time_at(event.deg + deg).map(|t_s| t_s * self.sample_rate_hz - slice.first as f64);
        let (Some(window_from), Some(window_to)) = (to_sample(start), to_sample(end)) else {
            return none(LeftOut::Outside);
        };
        let length = slice.samples.len() as f64;
        if window_from < 0.0 || window_to > length || window_to - window_from < 1.0 {
            return none(LeftOut::Outside);
        }
        let profile_end = PROFILE_START_DEG + PROFILE_STEP_DEG * PROFILE_BINS as f64;
        let moved = [-OFF_DEG, OFF_DEG].map(|off| to_sample(start + off).zip(to_sample(end + off)));
        let earliest = moved[0].map_or(window_from, |(from, _)| from.min(window_from));
        let latest = moved[1].map_or(window_to, |(_, to)| to.max(window_to));
        let from = to_sample(PROFILE_START_DEG).unwrap_or(earliest).min(earliest).max(0.0);
        let to = to_sample(profile_end).unwrap_or(latest).max(latest).min(length);
        let first = (from.floor() as usize).saturating_sub(self.settle);
        let last = (to.ceil() as usize + self.settle).min(slice.samples.len());
        let filtered = filtfilt(&self.filter, &slice.samples[first..last]);
        let offset = first as f64;
        let (energy, peak) = mean_square(&filtered, window_from - offset, window_to - offset);
        let reference = |off: f64| match REFERENCE_DEG_ATDC.map(|deg| to_sample(deg + off)) {
            [Some(a), Some(b)] if a >= 0.0 => decibels(mean_square(&filtered, a - offset, b - offset).0) as f32,
            _ => f32::NAN,
        };
        let mut profile = blank;
        let mut edge = to_sample(PROFILE_START_DEG);
        for (bin, step) in profile.iter_mut().enumerate() {
            let next = to_sample(PROFILE_START_DEG + PROFILE_STEP_DEG * (bin + 1) as f64);
            if let (Some(a), Some(b)) = (edge, next)
                && a >= from
                && b <= to
            {
                let level_db = decibels(mean_square(&filtered, a - offset, b - offset).0);
                *step = ((level_db + 150.75) / 0.75).round().clamp(1.0, 255.0) as u8;
            }
            edge = next;
        }
        let stretch = &slice.samples[window_from as usize..(window_to.ceil() as usize).min(slice.samples.len())];
        let clipped = stretch.iter().any(|sample| *sample <= slice.clip[0] || *sample >= slice.clip[1]);
        let left_out = if clipped {
            Some(LeftOut::Clipped)
        } else {
            (event.rpm_per_s.abs() > TRANSIENT_RPM_PER_S).then_some(LeftOut::Transient)
        };
        let level = Level {
            energy_db: decibels(energy) as f32,
            peak_db: decibels(peak) as f32,
            reference_db: reference(0.0),
            left_out,
        };
        let beside = |(at, off): (Option<(f64, f64)>, f64)| match at.filter(|(a, b)| *a >= 0.0 && *b <= length) {
            Some((a, b)) => {
                let (energy, peak) = mean_square(&filtered, a - offset, b - offset);
                let [energy_db, peak_db] = [energy, peak].map(|square| decibels(square) as f32);
                Level { energy_db, peak_db, reference_db: reference(off), left_out }
            }
            None => Level::none(LeftOut::Outside),
        };
        (level, profile, [beside((moved[0], -OFF_DEG)), beside((moved[1], OFF_DEG))])
    }
}

/// Mean and largest square from sample `from` to `to`, the samples at both ends counted by the share that lies inside,
/// so that the mean does not jump with the fraction of a sample.
pub(super) fn mean_square(samples: &[f64], from: f64, to: f64) -> (f64, f64) {
    let from = from.max(0.0);
    let to = to.min(samples.len() as f64);
    if to <= from {
        return (0.0, 0.0);
    }
    let (first, last) = (from.floor() as usize, (to.ceil() as usize).min(samples.len()));
    let (mut sum, mut largest) = (0.0, 0.0_f64);
    for (index, sample) in samples[first..last].iter().enumerate() {
        let at = (first + index) as f64;
        let share = (at + 1.0).min(to) - at.max(from);
        let square = sample * sample;
        sum += share * square;
        largest = largest.max(square);
    }
    (sum / (to - from), largest)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::crank::track::Segment;

    /// 3000 rpm = 18 000 degrees a second; a 6 kHz burst of amplitude 0.1 from 10 to 40 degrees.
    #[test]
    fn a_burst_in_the_window_measures_its_mean_square_and_nothing_outside_it() {
        let rate = 48_000.0;
        let t_s: Vec<f64> = (0..=100).map(|knot| f64::from(knot) * 0.001).collect();
        let deg: Vec<f64> = t_s.iter().map(|t| 18_000.0 * t).collect();
        let segment = Segment { t_s, deg, turn_known: true, error_deg: 0.0 };
        let samples: Vec<f32> = (0..4800)
            .map(|n| {
                let t = f64::from(n) / rate;
                let deg = 18_000.0 * t - 900.0;
                let on = (10.0..40.0).contains(&deg);
                if on { (0.1 * (std::f64::consts::TAU * 6000.0 * t).sin()) as f32 } else { 0.0 }
            })
            .collect();
        let slice = Slice { samples: &samples, first: 0, clip: [-1.0, 1.0] };
        let event = Event {
            t_s: 0.05,
            deg: 900.0,
            segment: 0,
            cylinder: Some(1),
            pair: None,
            sensor: None,
            rpm: 3000.0,
            rpm_per_s: 0.0,
        };
        let inside = Meter::new(rate, 4000.0, 8000.0, [15.0, 35.0]).unwrap();
        let (level, profile, _) = inside.measure(&slice, &segment, &event);
        assert!((level.energy_db + 23.01).abs() < 0.3, "{level:?}"); // 0.1^2 / 2
        assert!((level.peak_db + 20.0).abs() < 0.5, "{level:?}");
        let at = |deg: f64| profile_db(profile[((deg - PROFILE_START_DEG) / PROFILE_STEP_DEG) as usize]);
        assert!(at(25.0) - at(-20.0) > 40.0 && at(25.0) - at(90.0) > 40.0);
        let outside = Meter::new(rate, 4000.0, 8000.0, [70.0, 110.0]).unwrap();
        assert!(outside.measure(&slice, &segment, &event).0.energy_db < -60.0);
    }
}
