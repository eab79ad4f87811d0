//! The level of each combustion event: band-passed signal in the crank-angle window.

use crate::crank::Event;
use crate::crank::track::{Segment, Times};
use crate::signal::extreme::higher;
use crate::signal::filter::{Pass, Sos, butterworth};
use crate::signal::filtfilt::filtfilt_together;
use crate::units::decibels;
use serde::{Deserialize, Serialize};
use std::array::from_fn;

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
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
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
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
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
#[derive(Clone, Copy)]
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

    /// Level and profile of each event, whose stretch must lie inside its slice as far as the recording has it, and its
    /// levels in the window [`OFF_DEG`] earlier and later.
    pub fn measure(&self, heard: &[(Slice, &Segment, &Event)]) -> Vec<Measured> {
        let reaches: Vec<_> = heard.iter().map(|(slice, segment, event)| self.reach(slice, segment, event)).collect();
        let mut measured: Vec<Measured> = reaches.iter().map(|reach| Measured::none(reach.as_ref().err())).collect();
        let whole = || reaches.iter().enumerate().filter_map(|(at, reach)| Some((at, reach.as_ref().ok()?)));
        let found: Vec<_> = whole().collect();
        for group in found.chunks(TOGETHER) {
            let stretch = |lane: usize| {
                let (at, reach) = group.get(lane)?;
                heard.get(*at)?.0.samples.get(reach.first..reach.last)
            };
            let filtered =
                filtfilt_together(&self.filter, from_fn::<_, TOGETHER, _>(|lane| stretch(lane).unwrap_or(&[])));
            for ((at, reach), filtered) in group.iter().zip(&filtered) {
                if let (Some((slice, _, event)), Some(into)) = (heard.get(*at), measured.get_mut(*at)) {
                    *into = reach.measured(filtered, slice, event);
                }
            }
        }
        measured
    }

    /// Which samples an event's level hangs on.
    fn reach<'a>(&self, slice: &Slice, segment: &'a Segment, event: &Event) -> Result<Reach<'a>, LeftOut> {
        if event.rpm < SLOWEST_RPM {
            return Err(LeftOut::TooSlow);
        }
        let places =
            Places { times: segment.times(), deg: event.deg, rate_hz: self.sample_rate_hz, first: slice.first };
        let to_sample = |deg: f64| places.at(deg);
        let [start, end] = self.window_deg_atdc;
        let window = to_sample(start).zip(to_sample(end)).ok_or(LeftOut::Outside)?;
        let length = slice.samples.len() as f64;
        if window.0 < 0.0 || window.1 > length || window.1 - window.0 < 1.0 {
            return Err(LeftOut::Outside);
        }
        let profile_end = PROFILE_START_DEG + PROFILE_STEP_DEG * PROFILE_BINS as f64;
        let moved = [-OFF_DEG, OFF_DEG].map(|off| to_sample(start + off).zip(to_sample(end + off)));
        let earliest = moved[0].map_or(window.0, |(from, _)| from.min(window.0));
        let latest = moved[1].map_or(window.1, |(_, to)| to.max(window.1));
        let from = to_sample(PROFILE_START_DEG).unwrap_or(earliest).min(earliest).max(0.0);
        let to = to_sample(profile_end).unwrap_or(latest).max(latest).min(length);
        let first = (from.floor() as usize).saturating_sub(self.settle);
        let last = (to.ceil() as usize + self.settle).min(slice.samples.len());
        Ok(Reach { places, window, moved, from, to, first, last })
    }
}

/// What an event measures.
#[derive(Debug, Clone, Copy)]
pub struct Measured {
    /// In the window.
    pub level: Level,
    /// Over crank angle.
    pub profile: Profile,
    /// In the window [`OFF_DEG`] earlier and later.
    pub beside: [Level; 2],
}

impl Measured {
    /// Nothing, and why.
    fn none(reason: Option<&LeftOut>) -> Self {
        let level = Level::none(reason.copied().unwrap_or(LeftOut::Outside));
        Self { level, profile: [0; PROFILE_BINS], beside: [level; 2] }
    }
}

/// Events filtered side by side.
const TOGETHER: usize = 4;

/// Sample places of an event's angles in a slice.
struct Places<'a> {
    times: Times<'a>,
    deg: f64,
    rate_hz: f64,
    first: u64,
}

impl Places<'_> {
    /// Of an angle after the event's TDC.
    fn at(&self, deg: f64) -> Option<f64> {
        self.times.time_at(self.deg + deg).map(|t_s| t_s * self.rate_hz - self.first as f64)
    }
}

/// Places in a slice, samples.
struct Reach<'a> {
    places: Places<'a>,
    window: (f64, f64),
    /// The window moved either way, where the crank angle reaches so far.
    moved: [Option<(f64, f64)>; 2],
    /// What the profile and all windows take.
    from: f64,
    to: f64,
    /// What is filtered for it.
    first: usize,
    last: usize,
}

impl Reach<'_> {
    /// From the filtered stretch `first..last`.
    fn measured(&self, filtered: &[f64], slice: &Slice, event: &Event) -> Measured {
        let offset = self.first as f64;
        let square = |(a, b): (f64, f64)| mean_square(filtered, a - offset, b - offset);
        let (energy, peak) = square(self.window);
        let reference = |off: f64| match REFERENCE_DEG_ATDC.map(|deg| self.places.at(deg + off)) {
            [Some(a), Some(b)] if a >= 0.0 => decibels(square((a, b)).0) as f32,
            _ => f32::NAN,
        };
        let mut profile = [0; PROFILE_BINS];
        let mut edge = self.places.at(PROFILE_START_DEG);
        for (bin, step) in profile.iter_mut().enumerate() {
            let next = self.places.at(PROFILE_START_DEG + PROFILE_STEP_DEG * (bin + 1) as f64);
            if let (Some(a), Some(b)) = (edge, next)
                && a >= self.from
                && b <= self.to
            {
                *step = ((decibels(square((a, b)).0) + 150.75) / 0.75).round().clamp(1.0, 255.0) as u8;
            }
            edge = next;
        }
        let length = slice.samples.len();
        let stretch = &slice.samples[self.window.0 as usize..(self.window.1.ceil() as usize).min(length)];
        let clipped = stretch.iter().any(|sample| *sample <= slice.clip[0] || *sample >= slice.clip[1]);
        let left_out = if clipped {
            Some(LeftOut::Clipped)
        } else {
            (event.rpm_per_s.abs() > TRANSIENT_RPM_PER_S).then_some(LeftOut::Transient)
        };
        let level = |(energy, peak): (f64, f64), reference_db| Level {
            energy_db: decibels(energy) as f32,
            peak_db: decibels(peak) as f32,
            reference_db,
            left_out,
        };
        let beside = |(at, off): (Option<(f64, f64)>, f64)| match at.filter(|(a, b)| *a >= 0.0 && *b <= length as f64) {
            Some(window) => level(square(window), reference(off)),
            None => Level::none(LeftOut::Outside),
        };
        Measured {
            level: level((energy, peak), reference(0.0)),
            profile,
            beside: [beside((self.moved[0], -OFF_DEG)), beside((self.moved[1], OFF_DEG))],
        }
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
    let (first_share, last_share) = ((first as f64 + 1.0).min(to) - from, to - (last - 1) as f64);
    let (mut sum, mut largest) = (0.0, 0.0);
    let mut add = |share: f64, sample: f64| {
        let square = sample * sample;
        sum += share * square;
        largest = higher(square, largest);
    };
    if let Some((head, others)) = samples[first..last].split_first() {
        add(first_share, *head);
        if let Some((tail, whole)) = others.split_last() {
            whole.iter().for_each(|sample| add(1.0, *sample));
            add(last_share, *tail);
        }
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
        let segment = Segment { t_s, deg, turn_known: true, error_deg: 0.0, ..Segment::default() };
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
        let Measured { level, profile, .. } = inside.measure(&[(slice, &segment, &event)])[0];
        assert!((level.energy_db + 23.01).abs() < 0.3, "{level:?}"); // 0.1^2 / 2
        assert!((level.peak_db + 20.0).abs() < 0.5, "{level:?}");
        let at = |deg: f64| profile_db(profile[((deg - PROFILE_START_DEG) / PROFILE_STEP_DEG) as usize]);
        assert!(at(25.0) - at(-20.0) > 40.0 && at(25.0) - at(90.0) > 40.0);
        let outside = Meter::new(rate, 4000.0, 8000.0, [70.0, 110.0]).unwrap();
        assert!(outside.measure(&[(slice, &segment, &event)])[0].level.energy_db < -60.0);
    }
}
