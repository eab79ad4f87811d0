//! Hum: mains frequency and its harmonics, which stand still while the engine's orders move.
//!
//! An order that happens to lie at 50 Hz looks like hum for as long as the speed stands. Where the speed is known, stretches
//! with an order near a line are left out; where it is not, only a line counts that keeps its frequency and its power
//! while the level of the engine moves.

use crate::signal::filter::{Pass, Running, butterworth};
use crate::signal::segments::Segments;
use crate::signal::stft::Stft;
use crate::signal::taper::{Shape, Taper};
use crate::stats::order::Arrange;
use crate::stats::robust::{Definition, median, quantile, sorted};
use serde::{Deserialize, Serialize};

/// The strongest mains line.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Hum {
    /// Mains frequency: 50 or 60 Hz.
    pub mains_hz: f64,
    /// The line that stands out most: `mains_hz` or one of its first six harmonics.
    pub hz: f64,
    /// Level over the median of its neighbourhood (3 to 12 Hz off), dB: median over the half of the time in which that lies
    /// lowest. Chance alone gives some 0-3 dB.
    pub db: f64,
    /// Lower end of its 95 % interval, dB.
    pub low_db: f64,
    /// Upper end, dB.
    pub high_db: f64,
}

const MAINS_HZ: [f64; 2] = [50.0, 60.0];
const HARMONICS: usize = 6;
const LINES: usize = MAINS_HZ.len() * HARMONICS;

/// Rate after the first step down, Hz: the filter of the second runs there.
const MIDDLE_RATE_HZ: f64 = 12_800.0;
/// Rate the signal is brought down to, Hz: lines up to 360 Hz, the low-pass at 450 Hz keeps what would fold out of them.
const LOW_RATE_HZ: f64 = 1600.0;
const KEEP_BELOW_HZ: f64 = 450.0;

/// Segments start so many times in each one's length.
const OVERLAPPING: usize = 4;
/// Segments kept; beyond, every second one is dropped and of those to come as well.
const MOST_SEGMENTS: usize = 4096;

/// One line in one segment.
#[derive(Debug, Clone, Copy, Default)]
struct Line {
    /// Power in its bin.
    power: f32,
    /// Where the largest power within 1 Hz lies, Hz off the line.
    off_hz: f32,
    /// Median power 3 to 12 Hz off.
    around: f32,
}

impl Line {
    fn db(&self) -> f64 {
        let ratio = f64::from(self.power) / f64::from(self.around).max(1e-30);
        (10.0 * ratio.max(1.0).log10()).min(120.0)
    }

    fn level_db(&self) -> f64 {
        10.0 * f64::from(self.power).max(1e-30).log10()
    }
}

/// A segment of about a second.
struct Heard {
    /// Lowest and highest speed in it; `None` where not known throughout.
    rpm: Option<[f32; 2]>,
    /// Of the signal below 450 Hz, dB.
    level_db: f32,
    lines: [Line; LINES],
}

/// Collects how far mains lines stand out, segment by segment of about a second.
pub struct HumScan {
    first: Decimator,
    low_pass: Option<Running>,
    every: usize,
    phase: usize,
    segments: Segments,
    stft: Stft,
    power: Vec<f32>,
    bin_hz: f64,
    speeds: Speeds,
    heard: Vec<Heard>,
    stride: usize,
    count: usize,
}

/// Lowest and highest speed of the slices that reach into the present segment.
#[derive(Default)]
struct Speeds {
    /// Samples at the low rate and the speed that held for them, oldest first.
    held: std::collections::VecDeque<(usize, Option<f32>)>,
}

impl Speeds {
    fn add(&mut self, rpm: Option<f32>) {
        match self.held.back_mut() {
            Some((count, last)) if *last == rpm => *count += 1,
            _ => self.held.push_back((1, rpm)),
        }
    }

    fn range(&self) -> Option<[f32; 2]> {
        let mut range = [f32::INFINITY, f32::NEG_INFINITY];
        for (_, rpm) in &self.held {
            let rpm = (*rpm)?;
            range = [range[0].min(rpm), range[1].max(rpm)];
        }
        (range[0] <= range[1]).then_some(range)
    }

    /// Forgets the oldest `samples`.
    fn advance(&mut self, mut samples: usize) {
        while let Some((count, _)) = self.held.front_mut() {
            if *count > samples {
                *count -= samples;
                return;
            }
            samples -= *count;
            self.held.pop_front();
        }
    }
}

impl HumScan {
    pub fn new(sample_rate_hz: f64) -> Self {
        let first = Decimator::new(((sample_rate_hz / MIDDLE_RATE_HZ) as usize).clamp(1, 4096));
        let middle_hz = sample_rate_hz / first.every as f64;
        let every = ((middle_hz / LOW_RATE_HZ) as usize).clamp(1, 4096);
        let rate_hz = middle_hz / every as f64;
        let len = ((rate_hz * 1.2) as usize).clamp(64, 1 << 14);
        let stft = Stft::new(&Taper::periodic(Shape::Hann, len));
        Self {
            first,
            low_pass: butterworth(6, Pass::Low { edge_hz: KEEP_BELOW_HZ }, middle_hz).ok().map(|f| f.start()),
            every,
            phase: 0,
            segments: Segments::new(len, len / OVERLAPPING),
            power: vec![0.0; stft.bins()],
            stft,
            bin_hz: rate_hz / len as f64,
            speeds: Speeds::default(),
            heard: Vec::new(),
            stride: 1,
            count: 0,
        }
    }

    pub fn push(&mut self, samples: &[f32], rpm: Option<f64>) {
        let Some(low_pass) = &mut self.low_pass else { return };
        let rpm = rpm.map(|rpm| rpm as f32);
        let middle = self.first.push(samples);
        for sample in middle {
            let low = low_pass.step(f64::from(*sample)) as f32;
            self.phase += 1;
            if self.phase < self.every {
                continue;
            }
            self.phase = 0;
            self.speeds.add(rpm);
            self.segments.fill(&[low]);
            let Some(segment) = self.segments.complete() else { continue };
            self.count += 1;
            if self.count.is_multiple_of(self.stride) {
                self.stft.power(segment, &mut self.power);
                self.heard.push(heard(&self.power, self.bin_hz, self.speeds.range()));
            }
            self.segments.advance();
            self.speeds.advance(self.segments.hop());
            if self.heard.len() >= MOST_SEGMENTS {
                thin(&mut self.heard);
                self.stride *= 2;
            }
        }
    }

    pub fn gap(&mut self) {
        self.segments.clear();
        self.speeds.held.clear();
        self.first.clear();
        if let Some(low_pass) = &mut self.low_pass {
            low_pass.rest();
        }
    }

    /// The line with the highest median; `None` where nothing could be told.
    pub fn finish(&self) -> Option<Hum> {
        (0..LINES).filter_map(|line| self.hum_at(line)).max_by(|a, b| a.db.total_cmp(&b.db))
    }

    fn hum_at(&self, line: usize) -> Option<Hum> {
        let known: Vec<&Heard> = self.heard.iter().filter(|heard| heard.is_free(line)).collect();
        let mut all = if known.len() >= LEAST_SEGMENTS { known } else { self.stays_while_level_moves(line)? };
        // the engine buries what is told best when it is quiet
        all.arrange(|a, b| a.lines[line].around.total_cmp(&b.lines[line].around));
        all.truncate((all.len().div_ceil(2)).max(LEAST_SEGMENTS));
        let db = sorted(&all.iter().map(|heard| heard.lines[line].db()).collect::<Vec<_>>());
        let at = |values: &[f64], share: f64| quantile(values, share, Definition::Linear);
        let steady = all.iter().filter(|heard| heard.lines[line].off_hz.abs() <= STEADY_HZ).count();
        let wanders = (steady as f64) < STEADY_SHARE * all.len() as f64;
        // A line that wanders is no mains line, however high: it counts as chance. Of the overlapping segments about every
        // second one is independent; the median's share lies within 1.96 sqrt(1/4n).
        let most = if wanders { CHANCE_DB } else { f64::INFINITY };
        let half = 0.98 / (0.5 * db.len() as f64).sqrt();
        Some(Hum {
            mains_hz: mains_hz(line),
            hz: line_hz(line),
            db: at(&db, 0.5)?.min(most),
            low_db: at(&db, 0.5 - half)?.min(most),
            high_db: at(&db, 0.5 + half)?,
        })
    }

    /// Segments of unknown speed, if the line keeps frequency and power between the loud and the quiet half of them.
    fn stays_while_level_moves(&self, line: usize) -> Option<Vec<&Heard>> {
        let mut all: Vec<&Heard> = self.heard.iter().filter(|heard| heard.rpm.is_none()).collect();
        if all.len() < LEAST_UNKNOWN {
            return None;
        }
        all.arrange(|a, b| a.level_db.total_cmp(&b.level_db));
        let moved = f64::from(all[all.len() * 9 / 10].level_db - all[all.len() / 10].level_db);
        let (quiet, loud) = all.split_at(all.len() / 2);
        let of = |half: &[&Heard], pick: fn(&Line) -> f64| -> f64 {
            median(&half.iter().map(|heard| pick(&heard.lines[line])).collect::<Vec<_>>()).unwrap_or(f64::NAN)
        };
        let apart = |pick: fn(&Line) -> f64| (of(quiet, pick) - of(loud, pick)).abs();
        let stays = moved >= MOVES_DB
            && apart(Line::level_db) <= SAME_POWER_DB
            && apart(|line| f64::from(line.off_hz)) <= SAME_HZ
            && of(loud, Line::db) >= SEEN_DB;
        stays.then_some(all)
    }
}

/// Keeps every second one.
fn thin(heard: &mut Vec<Heard>) {
    let mut keep = true;
    heard.retain(|_| {
        keep = !keep;
        keep
    });
}

/// Fewest segments a line is judged on, of known and of unknown speed.
const LEAST_SEGMENTS: usize = 5;
const LEAST_UNKNOWN: usize = 8;
/// A line of 6 dB is placed to a tenth of a bin of 0.83 Hz; mains itself wanders by hundredths. The largest of noise within
/// 1 Hz lies so near by chance in one of three segments.
const STEADY_HZ: f32 = 0.35;
const STEADY_SHARE: f64 = 0.7;
const SAME_HZ: f64 = 0.15;
/// Above the limit of no finding, chance reaches this.
const CHANCE_DB: f64 = 3.0;
/// How far the engine's level must move between its 10th and 90th percentile, and how little the line's power, dB.
const MOVES_DB: f64 = 5.0;
const SAME_POWER_DB: f64 = 2.0;
/// How far the line must stand out in the loud half, dB.
const SEEN_DB: f64 = 5.0;

fn mains_hz(line: usize) -> f64 {
    MAINS_HZ[line / HARMONICS]
}

fn line_hz(line: usize) -> f64 {
    mains_hz(line) * (line % HARMONICS + 1) as f64
}

/// Under this speed nothing turns that could have orders.
const TURNS_RPM: f32 = 300.0;
/// Main lobe of the taper, 1.7 Hz at 1.2 s, and what a speed is known to.
const GUARD_HZ: f64 = 2.2;
const GUARD_SHARE: f64 = 0.003;
/// An order that sweeps over more than this raises the neighbourhood as much as the line.
const SWEPT_HZ: f64 = 15.0;

impl Heard {
    /// Whether the speed is known and no half order of a four-stroke lies near the line.
    fn is_free(&self, line: usize) -> bool {
        let Some([low, high]) = self.rpm else { return false };
        if high < TURNS_RPM {
            return true;
        }
        let [low, high] = [f64::from(low.max(0.0)) / 120.0, f64::from(high) / 120.0];
        let hz = line_hz(line);
        let guard_hz = GUARD_HZ + GUARD_SHARE * hz;
        let first = ((hz - guard_hz) / high).ceil().max(1.0);
        let last = if low > 0.0 { ((hz + guard_hz) / low).floor() } else { f64::INFINITY };
        // of all orders that pass the line in this segment the lowest sweeps the least
        first > last || first * (high - low) > SWEPT_HZ
    }
}

fn heard(power: &[f32], bin_hz: f64, rpm: Option<[f32; 2]>) -> Heard {
    let level_db = 10.0 * power.iter().skip(4).sum::<f32>().max(1e-30).log10();
    Heard {
        rpm,
        level_db,
        lines: std::array::from_fn(|line| line_at(power, bin_hz, line_hz(line)).unwrap_or_default()),
    }
}

fn line_at(power: &[f32], bin_hz: f64, hz: f64) -> Option<Line> {
    let bin = |hz: f64| (hz / bin_hz).round().max(0.0) as usize;
    let at = (bin(hz - 1.0)..=bin(hz + 1.0))
        .filter(|at| *at + 1 < power.len())
        .max_by(|a, b| power[*a].total_cmp(&power[*b]))?;
    let [below, above] = [power.get(bin(hz - 12.0)..bin(hz - 3.0))?, power.get(bin(hz + 3.0)..bin(hz + 12.0))?];
    let mut around: Vec<f32> = below.iter().chain(above).copied().collect();
    around.sort_unstable_by(f32::total_cmp);
    let off_hz = (at as f64 + between(power, at)) * bin_hz - hz;
    Some(Line { power: *power.get(bin(hz))?, off_hz: off_hz as f32, around: *around.get(around.len() / 2)? })
}

/// Place of a maximum between bins, of the parabola through the logs around it.
fn between(power: &[f32], at: usize) -> f64 {
    let log = |k: usize| f64::from(power.get(k).copied().unwrap_or(0.0).max(1e-30)).ln();
    let (left, middle, right) = (log(at.saturating_sub(1)), log(at), log(at + 1));
    let bend = left - 2.0 * middle + right;
    if bend < 0.0 { (0.5 * (left - right) / bend).clamp(-0.5, 0.5) } else { 0.0 }
}

/// Every n-th sample after a raised cosine of 4 n, whose zeros lie where rates fold.
struct Decimator {
    every: usize,
    weights: Vec<f32>,
    held: Vec<f32>,
    out: Vec<f32>,
}

impl Decimator {
    fn new(every: usize) -> Self {
        let len = if every == 1 { 1 } else { 4 * every };
        let taper = Taper::periodic(if every == 1 { Shape::Rectangle } else { Shape::Hann }, len);
        let weights = taper.weights().iter().map(|weight| (weight / taper.sum()) as f32).collect();
        Self { every, weights, held: Vec::new(), out: Vec::new() }
    }

    fn push(&mut self, samples: &[f32]) -> &[f32] {
        self.held.extend(samples.iter().map(|x| if x.is_finite() { *x } else { 0.0 }));
        self.out.clear();
        let mut used = 0;
        for piece in self.held.windows(self.weights.len()).step_by(self.every) {
            self.out.push(piece.iter().zip(&self.weights).map(|(x, weight)| x * weight).sum());
            used += self.every;
        }
        self.held.drain(..used);
        &self.out
    }

    fn clear(&mut self) {
        self.held.clear();
    }
}
