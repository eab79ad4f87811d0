//! Speed and combustions without any crank signal: the loudness of the sensors repeats with the cycle.
//!
//! [`Ears`] keep the loudness of channels, [`score`] says how well each speed explains a moment, [`ridge`] finds the most
//! likely course through all moments, [`phase`] holds the pattern still and finds where in it combustion begins, [`settle`]
//! follows what is left of its wandering. Which
//! cylinder fires is not known.

mod ear;
mod phase;
mod ridge;
mod score;
mod settle;

pub use ear::{Ears, Loudness};

use super::track::Segment;
use super::{Crank, Event, Lost, LostReason, Source};
use crate::read::sheet::Sheet;
use phase::{Doubled, KNOT_S, Phase, Rhythm};
use ridge::{Course, Ridge};
use rustfft::num_complex::Complex;
use score::Scorer;
use std::f64::consts::TAU;

/// Seconds from one moment to the next; longer where a recording lasts over [`MOST_MOMENTS`].
const HOP_S: f64 = 0.06;
/// Most moments: an hour. They take 80 MB.
const MOST_MOMENTS: usize = 60_000;
/// Moments overlap: so much of each score is new.
const NEW_SHARE: f32 = 0.35;
/// Score a voice that a speed must reach beyond the best that noise makes.
const ENOUGH_A_VOICE: f32 = 7.0;
/// Slower, two or three times the speed explains the few cycles of a moment as well.
const SLOWEST_RPM: f64 = 620.0;
/// Shortest stretch, s.
const SHORTEST_S: f64 = 0.8;
/// How far a stretch's score must lie over that of any speed in a simple ratio to it, a second.
const CLEAR_A_SECOND: f32 = 40.0;
/// Ratios of speeds that a pattern may be mistaken for.
const RIVALS: [f64; 10] = [0.5, 2.0, 1.0 / 3.0, 3.0, 2.0 / 3.0, 1.5, 0.75, 4.0 / 3.0, 0.25, 4.0];
/// Least swing of the loudness at any line, dB.
const LEAST_SWING_DB: f64 = 0.7;
/// Share of the strongest line that the next one has in bursts; a sine's logarithm makes 0.13.
const BURSTS: f64 = 0.35;
/// Halves of a stretch of hum differ by less of the frequency.
const STEADY: f64 = 0.01;
/// Degrees a crank angle from the pattern may be off: the noise of combustion begins and ends at no fixed angle.
const ERROR_DEG: f64 = 25.0;

/// What is known of the engine beforehand.
#[derive(Debug, Clone, PartialEq)]
pub struct Layout {
    /// Degrees a cycle: 720, two-stroke 360.
    pub cycle_deg: f64,
    /// Firing angles of all cylinders.
    pub firing_deg: Vec<f64>,
}

impl Layout {
    /// `None` where the sheet does not tell how many cylinders fire.
    pub fn of(sheet: &Sheet) -> Option<Layout> {
        let cycle_deg = sheet.cycle_deg();
        let cylinders = usize::from(sheet.cylinders?);
        let even = || (0..cylinders).map(|i| cycle_deg * i as f64 / cylinders as f64).collect();
        let firing_deg = sheet.firing().map_or_else(even, |firing| firing.iter().map(|f| f.1).collect());
        (1..=16).contains(&cylinders).then_some(Layout { cycle_deg, firing_deg })
    }

    /// The line at a multiple of the cycle of pulses at all firings.
    fn comb(&self, multiple: usize) -> Complex<f64> {
        self.firing_deg.iter().map(|deg| Complex::cis(-TAU * multiple as f64 * deg / self.cycle_deg)).sum()
    }

    /// How much of a multiple of the cycle all cylinders make together, 0 to 1.
    fn together(&self, multiple: usize) -> f64 {
        self.comb(multiple).norm() / self.firing_deg.len().max(1) as f64
    }
}

/// Searches a recording moment by moment.
pub struct Blind {
    layout: Layout,
    channels: Vec<u16>,
    voices: Vec<Loudness>,
    scorer: Scorer,
    ridge: Ridge,
    scores: Vec<f32>,
    hop_s: f64,
    next: usize,
    moments: usize,
}

impl Blind {
    /// For the loudness of sensor channels. `None` without any.
    pub fn new(layout: Layout, heard: Vec<(u16, Loudness)>) -> Option<Blind> {
        let (channels, mut voices): (Vec<u16>, Vec<Loudness>) = heard.into_iter().unzip();
        voices.insert(0, Loudness::mean(&voices)?);
        voices.truncate(if channels.len() > 1 { voices.len() } else { 1 });
        let duration_s = voices.first()?.duration_s();
        let hop_s = HOP_S.max(duration_s / MOST_MOMENTS as f64);
        let scorer = Scorer::new(voices.first()?.rate_hz, &layout);
        let ridge = Ridge::new(scorer.len());
        let moments = (duration_s / hop_s) as usize;
        Some(Blind { layout, channels, voices, scorer, ridge, scores: Vec::new(), hop_s, next: 0, moments })
    }

    /// Works through the next `moments`; false once all are done.
    pub fn step(&mut self, moments: usize) -> bool {
        let enough = ENOUGH_A_VOICE * self.voices.len() as f32;
        for moment in self.next..(self.next + moments).min(self.moments) {
            self.scorer.score(&self.voices, (moment as f64 + 0.5) * self.hop_s, &mut self.scores);
            self.scores.iter_mut().for_each(|score| *score = ((*score - enough) * NEW_SHARE).max(-20.0));
            self.ridge.push(&self.scores, self.scorer.steps_in(self.hop_s));
            self.next = moment + 1;
        }
        self.next < self.moments
    }

    /// Share done.
    pub fn share(&self) -> f64 {
        self.next as f64 / self.moments.max(1) as f64
    }

    /// Speed, angles relative to the pattern, and a combustion for each firing.
    pub fn finish(self) -> Crank {
        let Blind { layout, channels, voices, scorer, ridge, hop_s, .. } = self;
        let slowest = scorer.place_of_rpm(SLOWEST_RPM);
        let mut course = ridge.finish();
        course.places.iter_mut().for_each(|place| *place = place.filter(|place| f64::from(*place) >= slowest));
        let duration_s = voices.first().map_or(0.0, Loudness::duration_s);
        let mut crank = Crank { source: Source::Blind, ..Crank::default() };
        let mut known_to_s = 0.0;
        for stretch in stretches(&course.places) {
            let (from_s, to_s) = ((stretch.start as f64 + 0.5) * hop_s, (stretch.end as f64 - 0.5) * hop_s);
            if to_s - from_s < SHORTEST_S {
                continue;
            }
            if rival(&course, stretch.clone()) > -CLEAR_A_SECOND * (to_s - from_s) as f32 {
                lose(&mut crank, &mut known_to_s, [from_s, to_s], LostReason::Ambiguous);
                continue;
            }
            let hz: Vec<f64> = stretch
                .clone()
                .filter_map(|moment| Some((moment, usize::from((*course.places.get(moment)?)?))))
                .map(|(moment, place)| scorer.hz_at(course.summit(moment, place)))
                .collect();
            let mut phase = Phase::integrate(from_s, hop_s, &smooth(&hz));
            phase.hold(&voices, &layout);
            phase.settle(&voices, &layout);
            let mut doubled = phase.doubled(&voices, &layout);
            if doubled == Doubled::Yes {
                phase.halve();
                phase.hold(&voices, &layout);
                phase.settle(&voices, &layout);
                doubled = phase.doubled(&voices, &layout);
            }
            if doubled != Doubled::No {
                lose(&mut crank, &mut known_to_s, [from_s, to_s], LostReason::Ambiguous);
                continue;
            }
            let rhythm = phase.place(&voices, &layout);
            let Rhythm { lines, .. } = &rhythm;
            if !is_engine(&rhythm, &phase, &layout) {
                continue;
            }
            if from_s > known_to_s {
                crank.lost.push(Lost { from_s: known_to_s, to_s: from_s, reason: LostReason::NoPattern });
            }
            crank.confidence.extend(stretch.clone().filter_map(|moment| {
                let score = course.score(moment, usize::from((*course.places.get(moment)?)?))?;
                Some(((moment as f64 + 0.5) * hop_s, confidence(score)))
            }));
            let segment = segment(&phase, &layout);
            known_to_s = segment.t_s.last().copied().unwrap_or(known_to_s);
            let index = crank.track.segments.len() as u32;
            crank.events.extend(combustions(
                &segment,
                index,
                &layout,
                &loudest(lines.get(lines.len() - channels.len()..).unwrap_or(&[]), &layout, &channels),
            ));
            crank.track.segments.push(segment);
        }
        if duration_s > known_to_s {
            crank.lost.push(Lost { from_s: known_to_s, to_s: duration_s, reason: LostReason::NoPattern });
        }
        crank
    }
}

fn lose(crank: &mut Crank, known_to_s: &mut f64, [from_s, to_s]: [f64; 2], reason: LostReason) {
    if from_s > *known_to_s {
        crank.lost.push(Lost { from_s: *known_to_s, to_s: from_s, reason: LostReason::NoPattern });
    }
    crank.lost.push(Lost { from_s, to_s, reason });
    *known_to_s = to_s;
}

/// Parabolas of least squares through the values around each: the grid's steps are no changes of speed.
fn smooth(values: &[f64]) -> Vec<f64> {
    const REACH: i64 = 2;
    let at = |index: i64| values.get(index.clamp(0, values.len() as i64 - 1) as usize).copied().unwrap_or(0.0);
    // Weights of Savitzky and Golay, Anal. Chem. 36 (1964) 1627, for 5 points: (17 - 5 i^2) / 35.
    let one = |middle: i64| (-REACH..=REACH).map(|i| at(middle + i) * (17 - 5 * i * i) as f64 / 35.0).sum();
    (0..values.len() as i64).map(one).collect()
}

/// Runs of moments with a place.
fn stretches(places: &[Option<u16>]) -> Vec<std::ops::Range<usize>> {
    let mut out: Vec<std::ops::Range<usize>> = Vec::new();
    for (moment, _) in places.iter().enumerate().filter(|(_, place)| place.is_some()) {
        match out.last_mut() {
            Some(last) if last.end == moment => last.end += 1,
            _ => out.push(moment..moment + 1),
        }
    }
    out
}

/// By how much the best speed in a simple ratio to the course explains it better; negative where it explains it worse.
fn rival(course: &Course, stretch: std::ops::Range<usize>) -> f32 {
    let against = |ratio: f64| -> f32 {
        let steps = Scorer::steps_of(ratio).round() as i64;
        let one = |moment: usize| {
            let place = i64::from((*course.places.get(moment)?)?);
            let own = course.score(moment, usize::try_from(place).ok()?)?;
            let near = (-2..=2).filter_map(|step| course.score(moment, usize::try_from(place + steps + step).ok()?));
            Some(near.max_by(f32::total_cmp).unwrap_or(-7.0) - own)
        };
        stretch.clone().filter_map(one).sum()
    };
    RIVALS.map(against).into_iter().fold(f32::NEG_INFINITY, f32::max)
}

/// Chance that the speed of a moment is right, from how much better than noise it explains the loudness.
fn confidence(score: f32) -> f32 {
    1.0 / (1.0 + (-0.8 * (score + 2.0)).exp())
}

/// Combustions swing the loudness, and do so in bursts. What swings little or not at all, and what swings like a sine in
/// time with the mains, is no engine.
fn is_engine(rhythm: &Rhythm, phase: &Phase, layout: &Layout) -> bool {
    let firings = layout.firing_deg.len();
    let swing = |line: usize| rhythm.swings_db.get(line.wrapping_sub(1)).copied().unwrap_or(0.0);
    let most = |lines: std::ops::Range<usize>| lines.map(swing).fold(0.0, f64::max);
    let bursts = most(1..firings).max(most(firings + 1..2 * firings + 1)) > BURSTS * most(1..2 * firings + 1);
    let hz = |from: usize, to: usize| {
        let turned = phase.cycles.get(to).zip(phase.cycles.get(from)).map_or(0.0, |(last, first)| last - first);
        firings as f64 * turned / (KNOT_S * to.saturating_sub(from).max(1) as f64)
    };
    let last = phase.cycles.len().saturating_sub(1);
    let [first_hz, last_hz, whole_hz] = [hz(0, last / 2), hz(last / 2, last), hz(0, last)];
    // A speed that rises or falls has a mean like the mains by chance.
    let steady = (last_hz - first_hz).abs() < STEADY * whole_hz;
    let with_mains =
        |mains: f64| steady && (whole_hz / mains - (whole_hz / mains).round()).abs() < 0.001 * whole_hz / mains;
    most(1..2 * firings + 1) > LEAST_SWING_DB && (bursts || !(with_mains(50.0) || with_mains(60.0)))
}

fn segment(phase: &Phase, layout: &Layout) -> Segment {
    let t_s = (0..phase.cycles.len()).map(|knot| phase.from_s + knot as f64 * KNOT_S).collect();
    let deg = phase.cycles.iter().map(|cycles| cycles * layout.cycle_deg).collect();
    Segment { t_s, deg, turn_known: false, error_deg: ERROR_DEG, ..Segment::default() }
}

/// For each firing of the cycle, the channel that hears it most over its own mean.
fn loudest(lines: &[Vec<Complex<f64>>], layout: &Layout, channels: &[u16]) -> Vec<Option<u16>> {
    let level = |voice: &[Complex<f64>], deg: f64| -> f64 {
        let cycles = (deg + phase::NOISE_DEG_ATDC) / layout.cycle_deg;
        voice.iter().enumerate().map(|(index, line)| (line * Complex::cis(TAU * (index + 1) as f64 * cycles)).re).sum()
    };
    let heard = |deg: &f64| {
        let by = lines.iter().zip(channels).map(|(voice, channel)| (level(voice, *deg), *channel));
        by.max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, channel)| channel)
    };
    layout.firing_deg.iter().map(heard).collect()
}

fn combustions(segment: &Segment, index: u32, layout: &Layout, heard: &[Option<u16>]) -> Vec<Event> {
    let firing: Vec<(u16, f64)> = layout.firing_deg.iter().enumerate().map(|(i, deg)| (i as u16, *deg)).collect();
    let mut events = super::events::unnamed_events(segment, index, &firing, layout.cycle_deg);
    for (event, place) in &mut events {
        event.sensor = heard.get(usize::from(*place)).copied().flatten();
    }
    events.into_iter().map(|(event, _)| event).collect()
}
