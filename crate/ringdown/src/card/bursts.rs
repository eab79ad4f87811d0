//! Which frequencies come in bursts in provoked running, beside safe running: evidence that needs no label and no limit.

use super::learn::may_knock;
use super::recording::Recording;
use super::{Card, File, FileRole};
use crate::feature::grid::HIGHEST_HZ;
use crate::feature::sensor::Bursts;
use serde::Serialize;

/// One sensor's channel over all recordings of each kind.
#[derive(Debug, Clone)]
pub struct BurstSides {
    /// Channel, from 1.
    pub channel: u16,
    /// Safe running.
    pub safe: Option<Bursts>,
    /// Provoked running.
    pub provoked: Option<Bursts>,
}

/// Where bursts stand out.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Impulsive {
    /// Lower end of the frequencies around the most impulsive one that come at least half as far out.
    pub low_hz: f64,
    /// Upper end.
    pub high_hz: f64,
    /// Largest spectral kurtosis there: provoked, else safe running.
    pub kurtosis: f64,
    /// Safe running at the same frequency; `None` where only one kind was recorded.
    pub safe: Option<f64>,
    /// Surely more impulsive than safe running: twice as much, and by one.
    pub more: bool,
}

/// Below lie the engine's body and its orders, which follow the firings.
pub const BURSTS_ABOVE_HZ: f64 = 1000.0;

impl BurstSides {
    /// Where provoked running comes furthest out of safe running; of one kind alone, where it is most impulsive.
    pub fn most(&self) -> Option<Impulsive> {
        let own = self.provoked.as_ref().or(self.safe.as_ref())?;
        let other = self.provoked.as_ref().and(self.safe.as_ref());
        let other = other.filter(|other| other.bin_hz == own.bin_hz && other.values.len() == own.values.len());
        let beside = |bin: usize| other.map(|other| other.values[bin]);
        let out = |bin: usize| own.values[bin] - beside(bin).unwrap_or(0.0);
        let half_rate_hz = own.bin_hz * own.values.len().saturating_sub(1) as f64;
        let bins = [BURSTS_ABOVE_HZ, HIGHEST_HZ.min(0.9 * half_rate_hz)].map(|hz| (hz / own.bin_hz).round() as usize);
        let inside = |bin: &usize| (bins[0]..=bins[1]).contains(bin) && out(*bin).is_finite();
        let peak = (0..own.values.len()).filter(inside).max_by(|a, b| out(*a).total_cmp(&out(*b)))?;
        let stands = |bin: &usize| inside(bin) && out(*bin) >= 0.5 * out(peak);
        let low = (0..peak).rev().take_while(stands).last().unwrap_or(peak);
        let high = (peak + 1..own.values.len()).take_while(stands).last().unwrap_or(peak);
        let (kurtosis, safe) = (own.values[peak], beside(peak));
        Some(Impulsive {
            low_hz: (low as f64 - 0.5) * own.bin_hz,
            high_hz: (high as f64 + 0.5) * own.bin_hz,
            kurtosis,
            safe,
            more: safe.is_some_and(|safe| kurtosis - safe >= 1.0 && kurtosis >= 2.0 * safe),
        })
    }
}

impl Card {
    /// Bursts of each sensor channel, once the sensors have been listened to.
    pub fn bursts(&self) -> Vec<BurstSides> {
        let all: Vec<(&File, &Recording)> = self.recordings().collect();
        let pooled = self.pooled(&all);
        let heard = |channel: u16, knock: bool| {
            let own = |recording: &'_ Recording| {
                let listened = recording.sensors.as_ref()?.iter().find(|(known, _)| *known == channel);
                listened.and_then(|(_, listened)| listened.features.bursts.clone())
            };
            let own: Vec<Bursts> = pooled
                .iter()
                .filter(|(file, _)| may_knock(file.role) == knock && file.role != FileRole::EngineOff)
                .filter_map(|(_, recording)| own(recording))
                .collect();
            Bursts::mean(own.iter())
        };
        let listened = pooled.iter().filter_map(|(_, recording)| recording.sensors.as_ref());
        let mut channels: Vec<u16> = listened.flatten().map(|(channel, _)| *channel).collect();
        channels.sort_unstable();
        channels.dedup();
        let sides = channels.into_iter().map(|channel| BurstSides {
            channel,
            safe: heard(channel, false),
            provoked: heard(channel, true),
        });
        sides.filter(|sides| sides.safe.is_some() || sides.provoked.is_some()).collect()
    }
}
