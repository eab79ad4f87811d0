//! Where in frequency and crank angle the cycles over the limit stand out from their neighbours at like speed.

use super::recording::Recording;
use super::windows::{Rung, WindowAt, windows};
use super::{Card, File, FileId, FileRole, Judged};
use crate::crank::Event;
use crate::feature::level::{PROFILE_BINS, PROFILE_START_DEG, PROFILE_STEP_DEG, profile_db};
use crate::read::samples::Planes;
use crate::signal::stft::Stft;
use crate::signal::taper::{Shape, Taper};
use crate::stats::order::Arrange;
use crate::units::decibels;

/// Loud cycles against quiet ones of the same cylinder at like speed.
#[derive(Debug, Clone, Default)]
pub struct Evidence {
    /// Pairs compared.
    pub pairs: usize,
    /// Spacing of the spectra, Hz.
    pub bin_hz: f64,
    /// Mean power spectrum of the loud cycles, dB re a full-scale sine.
    pub loud_db: Vec<f32>,
    /// The same of their quiet neighbours.
    pub quiet_db: Vec<f32>,
    /// Mean in-band level over crank angle of the loud cycles, dB; NaN where not measured.
    pub loud_profile_db: Vec<f32>,
    /// The same of their quiet neighbours.
    pub quiet_profile_db: Vec<f32>,
    /// The window over speed; empty where one is all that the pairs support.
    pub windows: Vec<WindowAt>,
}

/// Most pairs read: more would not move the mean by a tenth of a decibel.
const MOST_PAIRS: usize = 300;
/// Fewest pairs worth a mean.
const FEWEST_PAIRS: usize = 5;
/// Length of a spectrum, s: a ring dies within a few milliseconds.
const SPECTRUM_S: f64 = 0.005;
/// A quiet neighbour lies within this share of the loud one's speed.
const LIKE_SPEED: f32 = 0.08;

/// Middle of each profile bin, degrees after firing TDC.
pub fn profile_angles() -> impl Iterator<Item = f64> {
    (0..PROFILE_BINS).map(|bin| PROFILE_START_DEG + PROFILE_STEP_DEG * (bin as f64 + 0.5))
}

impl Evidence {
    /// Mean power of the loud over that of the quiet cycles within `low_hz..high_hz`, dB.
    pub fn contrast_db(&self, low_hz: f64, high_hz: f64) -> Option<f64> {
        if self.pairs < FEWEST_PAIRS || self.bin_hz <= 0.0 {
            return None;
        }
        let inside = |(bin, _): &(usize, &f32)| (low_hz..=high_hz).contains(&(*bin as f64 * self.bin_hz));
        let power = |spectrum: &[f32]| -> f64 {
            spectrum.iter().enumerate().filter(inside).map(|(_, level)| 10f64.powf(f64::from(*level) / 10.0)).sum()
        };
        let (loud, quiet) = (power(&self.loud_db), power(&self.quiet_db));
        (loud > 0.0 && quiet > 0.0).then(|| decibels(loud / quiet))
    }

    /// Share of the loud cycles' excess over the quiet ones that falls into a window; the angle where it is largest.
    pub fn excess_in(&self, start_deg_atdc: f64, end_deg_atdc: f64) -> Option<(f64, f64)> {
        if self.pairs < FEWEST_PAIRS {
            return None;
        }
        let power = |level: f32| if level.is_nan() { 0.0 } else { 10f64.powf(f64::from(level) / 10.0) };
        let (mut all, mut inside, mut peak) = (0.0, 0.0, (0.0, 0.0));
        for ((deg, loud), quiet) in profile_angles().zip(&self.loud_profile_db).zip(&self.quiet_profile_db) {
            let excess = (power(*loud) - power(*quiet)).max(0.0);
            all += excess;
            if (start_deg_atdc..end_deg_atdc).contains(&deg) {
                inside += excess;
            }
            if excess > peak.0 {
                peak = (excess, deg);
            }
        }
        (all > 0.0).then(|| (inside / all, peak.1))
    }
}

struct Pair {
    file: FileId,
    loud: usize,
    quiet: usize,
    channel: u16,
}

impl Card {
    /// Reads the loud and quiet cycles and compares them; empty where nothing is over its limit.
    pub(super) fn gather_evidence(&self) -> Evidence {
        let pairs = self.pairs();
        if pairs.len() < FEWEST_PAIRS {
            return Evidence { pairs: pairs.len(), ..Evidence::default() };
        }
        let windows = windows(self.rungs(&pairs), [self.window().low, self.window().high]);
        let keep = pairs.len().div_ceil(MOST_PAIRS).max(1);
        let pairs: Vec<Pair> = pairs.into_iter().step_by(keep).collect();
        let rate = pairs
            .iter()
            .filter_map(|pair| self.recording(pair.file))
            .map(Recording::sample_rate_hz)
            .fold(0.0, f64::max);
        let length = ((SPECTRUM_S * rate) as usize).next_power_of_two().clamp(64, 1 << 14);
        let mut spectra = [Mean::new(length / 2 + 1), Mean::new(length / 2 + 1)];
        let mut profiles = [Mean::new(PROFILE_BINS), Mean::new(PROFILE_BINS)];
        let mut stft = Stft::new(&Taper::periodic(Shape::Hann, length));
        let mut planes = Planes::new();
        let mut power = vec![0.0; length / 2 + 1];
        let start_deg = self.window().low;
        for pair in &pairs {
            let Some(recording) = self.recording(pair.file) else { continue };
            if recording.sample_rate_hz() != rate {
                continue;
            }
            let (Some(crank), Some(levels)) = (recording.crank(), &recording.levels) else { continue };
            for (side, index) in [pair.loud, pair.quiet].into_iter().enumerate() {
                let Some(event) = crank.events.get(index) else { continue };
                let first = (start_s(event, start_deg) * rate).max(0.0) as u64;
                let read = recording.samples.borrow_mut().read(first, length, &mut planes);
                if !matches!(read, Ok(count) if count == length) {
                    continue;
                }
                let Some(plane) = planes.get(usize::from(pair.channel).wrapping_sub(1)) else { continue };
                stft.power(plane, &mut power);
                spectra[side].add(power.iter().map(|value| f64::from(*value)));
                let profile = levels.profiles.get(index).into_iter().flatten();
                profiles[side].add(profile.map(|step| 10f64.powf(f64::from(profile_db(*step)) / 10.0)));
            }
        }
        let [loud, quiet] = spectra.map(Mean::levels_db);
        let [loud_profile, quiet_profile] = profiles.map(Mean::levels_db);
        Evidence {
            pairs: pairs.len(),
            bin_hz: rate / length as f64,
            loud_db: loud,
            quiet_db: quiet,
            loud_profile_db: loud_profile,
            quiet_profile_db: quiet_profile,
            windows,
        }
    }

    fn rungs(&self, pairs: &[Pair]) -> Vec<Rung> {
        let rung = |pair: &Pair| {
            let recording = self.recording(pair.file)?;
            let profile = |index: usize| recording.levels.as_ref()?.profiles.get(index).copied();
            let rpm = f64::from(recording.crank()?.events.get(pair.loud)?.rpm);
            Some(Rung { rpm, loud: profile(pair.loud)?, quiet: profile(pair.quiet)? })
        };
        pairs.iter().filter_map(rung).collect()
    }

    fn recording(&self, id: FileId) -> Option<&Recording> {
        self.recordings().find(|(file, _)| file.id == id).map(|(_, recording)| recording)
    }

    /// Each event over its limit with the quiet event of the same group nearest to it in speed, same file.
    fn pairs(&self) -> Vec<Pair> {
        let Some(outcome) = self.outcome() else { return Vec::new() };
        let provoked: Vec<&File> = self.files().iter().filter(|file| file.role == FileRole::Knock).collect();
        let mut pairs = Vec::new();
        for file in provoked {
            let (Some(judged), Some(recording)) = (outcome.of(file.id), self.recording(file.id)) else { continue };
            let (Some(crank), Some(levels)) = (recording.crank(), &recording.levels) else { continue };
            let mut quiet: Vec<(u16, f32, usize)> = judged
                .iter()
                .zip(&crank.events)
                .enumerate()
                .filter(|(_, (event, _))| event.used && event.knock() == Some(false))
                .map(|(index, (judgement, event))| (judgement.group, event.rpm, index))
                .collect();
            quiet.arrange(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
            let loud = |(_, event): &(usize, &Judged)| event.used && event.knock() == Some(true);
            for (index, judgement) in judged.iter().enumerate().filter(loud) {
                let rpm = crank.events[index].rpm;
                let at = quiet.partition_point(|(group, speed, _)| (*group, *speed) < (judgement.group, rpm));
                let near = [at.wrapping_sub(1), at].into_iter().filter_map(|at| quiet.get(at));
                let nearest = near
                    .filter(|(group, speed, _)| *group == judgement.group && (speed - rpm).abs() < LIKE_SPEED * rpm)
                    .min_by(|a, b| (a.1 - rpm).abs().total_cmp(&(b.1 - rpm).abs()));
                if let Some((_, _, other)) = nearest {
                    pairs.push(Pair { file: file.id, loud: index, quiet: *other, channel: levels.channels[index] });
                }
            }
        }
        pairs
    }
}

/// Time of an angle after an event's TDC at its own speed.
fn start_s(event: &Event, deg_atdc: f64) -> f64 {
    event.t_s + deg_atdc / (6.0 * f64::from(event.rpm).max(1.0))
}

/// Mean of spectra or profiles; NaN values are left out place by place.
struct Mean {
    sums: Vec<f64>,
    counts: Vec<f64>,
}

impl Mean {
    fn new(length: usize) -> Self {
        Self { sums: vec![0.0; length], counts: vec![0.0; length] }
    }

    fn add(&mut self, powers: impl Iterator<Item = f64>) {
        for ((sum, count), power) in self.sums.iter_mut().zip(&mut self.counts).zip(powers) {
            if power.is_finite() {
                *sum += power;
                *count += 1.0;
            }
        }
    }

    fn levels_db(self) -> Vec<f32> {
        let level = |(sum, count): (f64, f64)| if count > 0.0 { decibels(sum / count) as f32 } else { f32::NAN };
        self.sums.into_iter().zip(self.counts).map(level).collect()
    }
}
