//! A recording on the card: its surveyed channels, crank events, sensor figures and event levels.

use crate::crank::blind::Loudness;
use crate::crank::{Crank, Source};
use crate::feature::control::Settable;
use crate::feature::cycle_map::CycleMap;
use crate::feature::grid::map::Maps;
use crate::feature::level::{Level, Profile};
pub use crate::feature::sensor::Listened;
use crate::read::sheet::{self, Sheet};
use crate::read::{roles::Role, samples::Samples};
use crate::signal::envelope::Envelope;
use serde::{Deserialize, Serialize};

/// A recording and what has been computed from it so far.
pub struct Recording {
    /// The open file.
    pub samples: std::cell::RefCell<Samples>,
    /// First pass over all samples, once done.
    pub survey: Option<Survey>,
    /// Figures of each sensor channel, once done.
    pub sensors: Option<Vec<(u16, Listened)>>,
    /// Maps of the crank events over frequency and angle, once done.
    pub maps: Option<Maps>,
    /// Level of each crank event, once done.
    pub levels: Option<Levels>,
    /// Map of the whole cycle, where this recording was chosen for it.
    pub cycle: Option<CycleMap>,
    /// Loudness of the channels that may be sensors, where the crank signal told nothing and no search has begun.
    pub(super) heard: Option<Vec<(u16, Loudness)>>,
    pub(super) working: Option<super::work::Working>,
    /// The errand that works out the figures of the sensors.
    pub(super) sensors_away: Option<u32>,
    /// The last first look into it.
    pub(super) glance: std::cell::RefCell<Option<super::glance::Glance>>,
    /// The last order lines asked for.
    pub(super) order_lines: std::cell::RefCell<super::order_lines::Held>,
}

/// What the first pass found.
pub struct Survey {
    /// One per channel.
    pub channels: Vec<ChannelSurvey>,
    /// Crank angle and events; `None` without a usable reference in the sheet.
    pub crank: Option<Crank>,
    /// Frames that could be read.
    pub frames: u64,
}

/// One channel surveyed.
#[derive(Clone, Default, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct ChannelSurvey {
    pub min: f32,
    pub max: f32,
    pub mean: f64,
    /// Square root of the mean square about the mean.
    pub rms: f64,
    /// Fourth moment about the mean over the squared variance: 1 for a square wave, 3 for Gaussian noise.
    pub kurtosis: f64,
    pub envelope: Envelope,
}

impl ChannelSurvey {
    /// How near the channel is to two levels and nothing between: its variance over the most that its extremes and its mean
    /// allow. A train of pulses has 1, a sine 0.5, noise far less.
    ///
    /// # Source
    /// R. Bhatia and C. Davis, A better bound on the variance, Amer. Math. Monthly 107 (2000) 353-357 (from memory).
    fn two_level(&self) -> f64 {
        let most = (f64::from(self.max) - self.mean) * (self.mean - f64::from(self.min));
        if most > 0.0 { self.rms * self.rms / most } else { 0.0 }
    }
}

/// Levels of all events, in the order of `crank.events`.
pub struct Levels {
    /// Band they were measured in, Hz.
    pub band_hz: [f64; 2],
    /// Window they were measured in.
    pub window_deg_atdc: [f64; 2],
    /// One per event.
    pub levels: Vec<Level>,
    /// Band of the control unit's own filter, where the sheet has a control unit and its band can be built.
    pub own_band: Option<Settable>,
    /// Through that filter, one per event; empty without it.
    pub through_own: Vec<Level>,
    /// In the window some degrees earlier and later, one pair per event.
    pub beside: Vec<[Level; 2]>,
    /// One per event.
    pub profiles: Vec<Profile>,
    /// Channel (from 1) each event was measured on.
    pub channels: Vec<u16>,
}

impl Recording {
    /// Nothing computed yet.
    pub fn new(samples: Samples) -> Self {
        let samples = std::cell::RefCell::new(samples);
        Self {
            samples,
            survey: None,
            sensors: None,
            maps: None,
            levels: None,
            cycle: None,
            heard: None,
            working: None,
            sensors_away: None,
            glance: std::cell::RefCell::default(),
            order_lines: std::cell::RefCell::default(),
        }
    }

    /// Length, seconds.
    pub fn duration_s(&self) -> f64 {
        let samples = self.samples.borrow();
        samples.frames as f64 / samples.sample_rate_hz
    }

    /// Sampling rate, Hz.
    pub fn sample_rate_hz(&self) -> f64 {
        self.samples.borrow().sample_rate_hz
    }

    /// Number of channels.
    pub fn channels(&self) -> u16 {
        self.samples.borrow().channels as u16
    }

    /// Crank angle and events, if any.
    pub fn crank(&self) -> Option<&Crank> {
        self.survey.as_ref()?.crank.as_ref()
    }

    pub(super) fn forget_all(&mut self) {
        self.survey = None;
        self.heard = None;
        self.working = None;
        self.sensors = None;
        self.sensors_away = None;
        self.maps = None;
        self.cycle = None;
        self.order_lines.take();
        self.forget_levels();
    }

    /// Forgets a speed found in, or being searched in, the sensors alone, and all that hangs on it.
    pub(super) fn forget_blind(&mut self) {
        let searching = matches!(self.working, Some(super::work::Working::Blind(_)));
        if searching || self.crank().is_some_and(|crank| crank.source == Source::Blind) {
            self.forget_all();
        }
    }

    pub(super) fn forget_sensors(&mut self) {
        self.sensors = None;
        self.sensors_away = None;
        if matches!(self.working, Some(super::work::Working::Sensors(_))) {
            self.working = None;
        }
    }

    pub(super) fn forget_levels(&mut self) {
        self.levels = None;
        // A search for the engine's rhythm hangs on no band or window, and what it listens to is not kept twice.
        if !matches!(self.working, Some(super::work::Working::Blind(_))) {
            self.working = None;
        }
    }

    /// Role of a channel (from 1): as the sheet says, else told by its own signal.
    pub fn role(&self, channel: u16, sheet: Option<&Sheet>) -> Role {
        if let Some(sheet) = sheet {
            if crank_channel(sheet).is_some_and(|(wheel, _)| wheel == channel) {
                return if matches!(
                    sheet.crank,
                    Some(sheet::Crank::PulsePerTurn { .. } | sheet::Crank::PulsePerCycle { .. })
                ) {
                    Role::Pulse
                } else {
                    Role::Wheel
                };
            }
            if let Some(sheet::Cam::PulsePerCycle { channel: cam, .. }) = sheet.cam
                && cam == channel
            {
                return Role::Cam;
            }
            if sheet.ignition.as_ref().is_some_and(|ignition| ignition.channel == channel) {
                return Role::Pulse;
            }
            if let Some(sensors) = &sheet.sensors {
                return if sensors.iter().any(|sensor| sensor.channel == channel) { Role::Sensor } else { Role::Other };
            }
        }
        match self.survey.as_ref().and_then(|survey| survey.channels.get(usize::from(channel) - 1)) {
            // Between the 1 of a square wave and the 3 of noise; a sine has 1.5.
            Some(survey) if survey.rms > 0.0 && survey.kurtosis < 1.45 => Role::Wheel,
            Some(survey) if survey.two_level() > 0.8 => Role::Pulse,
            _ => Role::Sensor,
        }
    }

    /// Sensor channels (from 1), those of the sheet that this recording has, else those that look like sensors.
    pub fn sensor_channels(&self, sheet: Option<&Sheet>) -> Vec<u16> {
        (1..=self.channels()).filter(|&channel| self.role(channel, sheet) == Role::Sensor).collect()
    }
}

/// Channel and edge of the crank reference.
pub fn crank_channel(sheet: &Sheet) -> Option<(u16, Option<sheet::Edge>)> {
    match sheet.crank.as_ref()? {
        sheet::Crank::MissingTooth { channel, edge, .. }
        | sheet::Crank::EvenTeeth { channel, edge, .. }
        | sheet::Crank::EdgeList { channel, edge, .. }
        | sheet::Crank::PulsePerTurn { channel, edge, .. }
        | sheet::Crank::PulsePerCycle { channel, edge, .. } => Some((*channel, *edge)),
        sheet::Crank::None => None,
    }
}

/// Channel (from 1) of the sensor that hears a cylinder: the first of the sheet that lists it; without lists, the
/// first sensor there is.
pub fn sensor_of(sheet: &Sheet, available: &[u16], cylinders: &[u16]) -> Option<u16> {
    let listed = sheet.sensors.iter().flatten().find(|sensor| {
        available.contains(&sensor.channel)
            && sensor.cylinders.as_ref().is_some_and(|heard| cylinders.iter().any(|cylinder| heard.contains(cylinder)))
    });
    listed.map(|sensor| sensor.channel).or_else(|| available.first().copied())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The definitions, term by term.
    fn surveyed(samples: &[f64]) -> ChannelSurvey {
        let count = samples.len() as f64;
        let mean = samples.iter().sum::<f64>() / count;
        let rms = (samples.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / count).sqrt();
        let [min, max] = [f64::min, f64::max].map(|pick| samples.iter().copied().reduce(pick).unwrap_or(0.0) as f32);
        ChannelSurvey { min, max, mean, rms, ..ChannelSurvey::default() }
    }

    #[test]
    fn short_pulses_are_two_levels_and_a_sine_or_noise_is_not() {
        let pulses: Vec<f64> = (0..10_000).map(|at| if at % 500 < 7 { 0.9 } else { -0.1 }).collect();
        assert!((surveyed(&pulses).two_level() - 1.0).abs() < 1e-6);
        let sine: Vec<f64> = (0..10_000).map(|at| (std::f64::consts::TAU * f64::from(at) / 100.0).sin()).collect();
        assert!((surveyed(&sine).two_level() - 0.5).abs() < 1e-3);
        let mut seed = 1_u32;
        let mut even = || {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            f64::from(seed) / f64::from(u32::MAX) - 0.5
        };
        let noise: Vec<f64> = (0..10_000).map(|_| (0..12).map(|_| even()).sum()).collect();
        assert!(surveyed(&noise).two_level() < 0.3, "{}", surveyed(&noise).two_level());
        assert!(surveyed(&[0.25; 8]).two_level() < 1e-12);
    }
}
