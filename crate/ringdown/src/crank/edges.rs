//! Sub-sample edge times by adaptive hysteresis.
//!
//! A running envelope (quick up, slow down) gives the middle and the swing; the state changes 35 % of the half swing
//! beyond the middle, the edge is where the band-limited signal passed the middle. Straight lines between samples
//! are biased at six samples a tooth, so the crossing is found on a windowed-sinc interpolation. Where the signal passes
//! the middle gently, as a reluctance sensor's does at low speed, a line through many samples averages the noise.

use super::clip::{Clip, HalfWave};
use crate::signal::extreme::{higher, lower};
use std::sync::OnceLock;

/// Samples at the end of a half wave that are looked at for a flat top: longer pulses lose little by a fraction of one.
const SHORT: u64 = 64;
/// Samples on each side that the interpolation looks at.
const REACH: usize = 8;
/// Samples that must follow an edge before it is judged: as far as a line may look.
const AHEAD: usize = 256;
/// Share of a half wave to either side of the middle through which the line is laid: a sine is nearly straight there.
const LINE: f64 = 0.16;
/// Times that the line is laid anew around where the last one passed the middle.
const LOOKS: usize = 6;
/// Share of the swing that the line may rise over its length; a sine's rises by a half, a step's by one and a half.
const GENTLE: f64 = 0.85;
/// Samples before a step that are looked at, the least part of the swing that it makes up, and that by which the half wave
/// must have drooped.
const STEP: u64 = 4;
const JUMP: f32 = 0.35;
const DROOPED: f32 = 0.25;
/// Share of a line's rise that it makes from one block of samples to the next: a step makes two thirds.
const STEPPED: f64 = 0.6;
/// Steps between two samples in the table of kernels.
const PHASES: usize = 32;
/// Looks at a crossing along a straight line before it is halved in.
const STRAIGHT_LOOKS: usize = 3;
/// Distance of the trigger from the middle, as a share of the half swing.
const HYSTERESIS: f32 = 0.35;
/// Least distance of the trigger from the middle: below one step of a 16-bit recorder.
const LEAST: f32 = 1e-5;
/// Share by which the envelope falls towards a lower peak at each peak.
const RELEASE: f32 = 0.15;
/// Largest magnitude kept, so that sums stay finite.
const LARGEST: f32 = 1e9;
/// Samples asked about at once while nothing changes.
const BLOCK: usize = 16;
const LANES: usize = 4;
/// Processed samples kept before the buffer is moved up.
const KEEP: usize = 4096;

/// One passage through the middle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RawEdge {
    /// Samples from the start of the signal.
    pub at: f64,
    /// Upwards.
    pub rising: bool,
    /// Mean of the half wave that the edge ends, outwards from the middle, as a share of the half swing.
    pub half_mean: f32,
    /// Change over one sample at the edge, as a share of the full swing.
    pub steep: f32,
    /// Extent of the signal around it, in the signal's own unit.
    pub swing: f32,
}

/// Streaming edge finder of one channel; holds some thousand samples.
#[derive(Debug, Clone)]
pub struct EdgeFinder {
    buffer: Vec<f32>,
    /// Sample number of `buffer[0]`.
    base: u64,
    /// Next sample of the buffer to judge.
    next: usize,
    held: f32,
    high: bool,
    started: bool,
    envelope: Envelope,
    run: Run,
    /// Last sample on the side being left.
    cross: u64,
    /// Where the state last changed, and the lengths of the half waves before.
    changed: u64,
    lengths: [u64; 2],
    last_rising: u64,
    interval: u64,
    deadline: u64,
    longest_wait: u64,
    /// No interval between edges counts as shorter than this: noise between pulses must not teach a quick rhythm.
    shortest: u64,
    clip: Clip,
    /// Where the newest edge lies, before what clipping shifts it by.
    newest: f64,
}

/// Extent of the signal and the triggers that follow from it.
#[derive(Debug, Clone, Copy)]
struct Envelope {
    top: f32,
    bottom: f32,
    level: f32,
    up: f32,
    down: f32,
}

impl Envelope {
    fn new(top: f32, bottom: f32) -> Self {
        let level = 0.5 * (top + bottom);
        let reach = (HYSTERESIS * 0.5 * (top - bottom)).max(LEAST);
        Self { top, bottom, level, up: level + reach, down: level - reach }
    }

    /// Half way out to a sample beyond the extent.
    fn widened(self, sample: f32) -> Self {
        let top = if sample > self.top { self.top + 0.5 * (sample - self.top) } else { self.top };
        let bottom = if sample < self.bottom { self.bottom + 0.5 * (sample - self.bottom) } else { self.bottom };
        Self::new(top, bottom)
    }
}

/// What the half wave at hand has shown so far.
#[derive(Debug, Clone, Copy)]
struct Run {
    top: f32,
    bottom: f32,
    sum: f64,
    count: u32,
}

impl Run {
    const EMPTY: Run = Run { top: f32::NEG_INFINITY, bottom: f32::INFINITY, sum: 0.0, count: 0 };

    fn take(&mut self, sample: f32) {
        self.top = higher(sample, self.top);
        self.bottom = lower(sample, self.bottom);
        self.sum += f64::from(sample);
        self.count = self.count.saturating_add(1);
    }

    /// Takes a block that does nothing but stay on its side of the middle, inside the envelope, as between the pulses of a
    /// cam; else leaves it, and is false.
    fn take_quiet<const HIGH: bool>(&mut self, block: &[f32; BLOCK], envelope: &Envelope) -> bool {
        let [mut bottom, mut top] = [[block[0]; LANES]; 2];
        let mut sums = [0.0; LANES];
        for part in block.as_chunks::<LANES>().0 {
            for lane in 0..LANES {
                bottom[lane] = lower(part[lane], bottom[lane]);
                top[lane] = higher(part[lane], top[lane]);
                sums[lane] += f64::from(part[lane]);
            }
        }
        let (bottom, top) = (bottom.into_iter().fold(bottom[0], lower), top.into_iter().fold(top[0], higher));
        let inside = if HIGH {
            bottom >= envelope.level && top <= envelope.top
        } else {
            top <= envelope.level && bottom >= envelope.bottom
        };
        if inside {
            self.bottom = lower(bottom, self.bottom);
            self.top = higher(top, self.top);
            self.sum += (sums[0] + sums[1]) + (sums[2] + sums[3]);
            self.count = self.count.saturating_add(BLOCK as u32);
        }
        inside
    }
}

impl EdgeFinder {
    /// For a channel of `sample_rate_hz`.
    pub fn new(sample_rate_hz: f64) -> Self {
        let longest_wait = (sample_rate_hz.clamp(1.0, 1e9) * 1.0) as u64 + 64;
        Self {
            buffer: vec![0.0; REACH],
            base: 0,
            next: REACH,
            held: 0.0,
            high: false,
            started: false,
            envelope: Envelope::new(0.0, 0.0),
            run: Run::EMPTY,
            cross: 0,
            changed: 0,
            lengths: [0; 2],
            last_rising: 0,
            interval: longest_wait / 4,
            deadline: longest_wait / 4,
            longest_wait,
            shortest: 8,
            clip: Clip::default(),
            newest: 0.0,
        }
    }

    /// For a channel with one pulse a turn or cycle, quiet but for noise in between: the envelope is kept over the
    /// 0.3 s between the cam pulses of a slow idle.
    pub fn for_pulses(sample_rate_hz: f64) -> Self {
        let shortest = (0.1 * sample_rate_hz.clamp(1.0, 1e9)) as u64 + 8;
        Self { shortest, ..Self::new(sample_rate_hz) }
    }

    /// Takes the next samples and gives the edges that are settled. Non-finite samples repeat the one before.
    pub fn push(&mut self, samples: &[f32]) -> Vec<RawEdge> {
        let mut edges = Vec::new();
        for part in samples.chunks(KEEP) {
            self.append(part);
            self.judge(&mut edges);
            self.move_up();
        }
        edges
    }

    /// Ends the signal: the last samples are judged as if it stood still after them.
    pub fn finish(&mut self) -> Vec<RawEdge> {
        let held = [self.held; AHEAD];
        let mut edges = Vec::new();
        self.append(&held);
        self.judge(&mut edges);
        edges
    }

    fn append(&mut self, samples: &[f32]) {
        if !self.started
            && let Some(ahead) = samples.iter().position(|x| x.is_finite())
        {
            self.start(ahead, samples.get(ahead).copied().unwrap_or(0.0));
        }
        let mut held = self.held;
        // Asked of all at once, which runs side by side; the answer is nearly always yes.
        if samples.iter().fold(true, |plain, x| plain & (x.abs() <= LARGEST)) {
            self.buffer.extend_from_slice(samples);
            self.held = samples.last().copied().unwrap_or(held);
            return;
        }
        self.buffer.extend(samples.iter().map(|&x| {
            if x.is_finite() {
                held = x.clamp(-LARGEST, LARGEST);
            }
            held
        }));
        self.held = held;
    }

    /// The first finite sample, `ahead` samples after what is held, is the level to start from.
    fn start(&mut self, ahead: usize, sample: f32) {
        let first = sample.clamp(-LARGEST, LARGEST);
        (self.held, self.started) = (first, true);
        self.buffer.fill(first);
        self.next = self.buffer.len() + ahead;
        self.envelope = Envelope::new(first, first);
        self.run = Run::EMPTY;
        self.cross = self.base + self.next as u64;
        self.deadline = self.cross + self.longest_wait / 4;
    }

    fn move_up(&mut self) {
        if self.next > 2 * KEEP {
            let gone = self.next - KEEP;
            self.buffer.drain(..gone);
            self.base += gone as u64;
            self.next -= gone;
        }
    }

    fn judge(&mut self, edges: &mut Vec<RawEdge>) {
        let end = self.buffer.len().saturating_sub(AHEAD);
        while self.next < end {
            if let Some(sample) = self.run_on(end) {
                self.change(sample, edges);
            }
        }
    }

    /// Walks on until the state changes, returning the sample that did it, or `end` is reached.
    fn run_on(&mut self, end: usize) -> Option<f32> {
        while self.next < end {
            let stop =
                end.min(self.next.saturating_add(self.deadline.saturating_sub(self.base + self.next as u64) as usize));
            let changed = if self.high { self.walk::<true>(stop) } else { self.walk::<false>(stop) };
            if changed.is_some() {
                return changed;
            }
            if self.base + self.next as u64 >= self.deadline {
                self.overdue();
            }
        }
        None
    }

    fn walk<const HIGH: bool>(&mut self, stop: usize) -> Option<f32> {
        let from = self.next;
        let samples = self.buffer.get(from..stop).unwrap_or(&[]);
        let (mut envelope, mut run) = (self.envelope, self.run);
        let mut cross = None;
        let mut found = None;
        let mut at = 0;
        // Half waves of a wheel's teeth are hardly longer than a block: there nobody looks ahead.
        let long = (self.changed + 2 * BLOCK as u64).saturating_sub(self.base + from as u64);
        while at < samples.len() && found.is_none() {
            let rest = &samples[at..];
            if let Some(block) = rest.first_chunk().filter(|_| at as u64 >= long)
                && run.take_quiet::<HIGH>(block, &envelope)
            {
                at += BLOCK;
                cross = Some(at - 1);
                continue;
            }
            for &sample in rest.iter().take(BLOCK) {
                at += 1;
                if if HIGH { sample < envelope.down } else { sample > envelope.up } {
                    found = Some(sample);
                    break;
                }
                run.take(sample);
                if if HIGH { sample >= envelope.level } else { sample <= envelope.level } {
                    cross = Some(at - 1);
                }
                if if HIGH { sample > envelope.top } else { sample < envelope.bottom } {
                    envelope = envelope.widened(sample);
                }
            }
        }
        if let Some(i) = cross {
            self.cross = self.base + (from + i) as u64;
        }
        self.next = from + at;
        (self.envelope, self.run) = (envelope, run);
        found
    }

    fn change(&mut self, sample: f32, edges: &mut Vec<RawEdge>) {
        let here = self.base + self.next as u64 - 1;
        let edge = self.edge(here);
        self.note_half(here, edge.at);
        edges.push(edge);
        self.lengths = [here - self.changed, self.lengths[0]];
        self.changed = here;
        let Envelope { mut top, mut bottom, .. } = self.envelope;
        // Nothing has been seen since the envelope was last lowered: its top and bottom are not finite then.
        let seen = self.run.count > 0;
        if self.high {
            top += if seen { RELEASE * (self.run.top - top).min(0.0) } else { 0.0 };
        } else {
            bottom += if seen { RELEASE * (self.run.bottom - bottom).max(0.0) } else { 0.0 };
            let interval = here - self.last_rising;
            self.interval = interval.max(self.interval - self.interval / 10).clamp(self.shortest, self.longest_wait);
            self.last_rising = here;
        }
        self.high = !self.high;
        self.envelope = Envelope::new(top, bottom).widened(sample);
        self.run = Run::EMPTY;
        self.run.take(sample);
        self.cross = here;
        self.deadline = here + (self.interval * 7 / 2).min(self.longest_wait);
    }

    /// No edge for several intervals: the envelope may stand too high after a spike, or the signal has become small.
    fn overdue(&mut self) {
        self.deadline = self.base + self.next as u64 + (self.interval * 7 / 2).min(self.longest_wait);
        if self.run.count == 0 {
            return;
        }
        let Envelope { top, bottom, level, .. } = self.envelope;
        let quarter = 0.25 * (top - bottom);
        let top = self.run.top.max(level + quarter).min(top.max(self.run.top));
        let bottom = self.run.bottom.min(level - quarter).max(bottom.min(self.run.bottom));
        self.envelope = Envelope::new(top, bottom);
        self.run = Run::EMPTY;
    }

    /// Tells the half wave that ends at sample `here`, by an edge at `at`.
    fn note_half(&mut self, here: u64, at: f64) {
        let from = self.changed.max(here.saturating_sub(SHORT)).saturating_sub(self.base) as usize;
        let samples = self.buffer.get(from..here.saturating_sub(self.base) as usize).unwrap_or(&[]);
        let extreme = if self.high { self.run.top } else { self.run.bottom };
        let flat = samples.iter().filter(|sample| **sample == extreme).count();
        let flat = if flat > 1 { flat as f64 / samples.len() as f64 } else { 0.0 };
        let mean = self.run.sum / f64::from(self.run.count.max(1));
        self.clip.take(&HalfWave { high: self.high, flat, length: (at - self.newest).max(0.0), mean });
        self.newest = at;
    }

    fn edge(&self, here: u64) -> RawEdge {
        let half = (0.5 * (self.envelope.top - self.envelope.bottom)).max(LEAST);
        let mean = self.run.sum as f32 / self.run.count.max(1) as f32 - self.envelope.level;
        let outwards = if self.high { 1.0 } else { -1.0 };
        let cross = self.cross.min(here.saturating_sub(1));
        let stepped = |(cross, level): (u64, f32)| {
            let (at, steep) = self.refine(cross, level);
            (at + self.clip.early(!self.high, f64::from(level), f64::from(2.0 * half)), steep)
        };
        let (at, steep) = self
            .step(cross, here, half)
            .map(stepped)
            .or_else(|| self.line(cross, here - self.changed, half))
            .unwrap_or_else(|| stepped((cross, self.envelope.level)));
        RawEdge {
            at: (at - REACH as f64).max(0.0),
            rising: !self.high,
            half_mean: outwards * mean / half,
            steep: steep / (2.0 * half),
            swing: 2.0 * half,
        }
    }

    /// The last sample before a step from a level near the middle, and the step's own middle: where a sound input has let the
    /// half wave droop back to rest, the envelope's middle is passed long before, or at the foot of the step.
    fn step(&self, cross: u64, here: u64, half: f32) -> Option<(u64, f32)> {
        if here - self.changed < 2 * STEP {
            return None;
        }
        let from = here.checked_sub(self.base + STEP)? as usize;
        let &[earlier, _, before, _, first, second] = self.buffer.get(from..)?.first_chunk()?;
        let sign = if self.high { -1.0 } else { 1.0 };
        let after = if (second - first) * sign > 0.0 { second } else { first };
        let jump = (after - before) * sign;
        let foot = if self.high { self.envelope.top - before } else { before - self.envelope.bottom };
        let drooped = cross + STEP < here || foot > DROOPED * 2.0 * half;
        // A sine has been on its way before.
        if !drooped || jump < JUMP * 2.0 * half || (before - earlier).abs() > JUMP * jump {
            return None;
        }
        let level = 0.5 * (before + after);
        let way = self.buffer.get(from..from + STEP as usize + 2)?;
        let passed = way.iter().rposition(|x| (x - level) * sign <= 0.0)?;
        Some((self.base + (from + passed) as u64, level))
    }

    /// Where a line through the samples around passes the middle, and its rise over one sample; `None` where the signal
    /// is too steep for one, or the half waves too short. `length`: of the half wave that ends here.
    fn line(&self, cross: u64, length: u64, half: f32) -> Option<(f64, f32)> {
        let shortest = self.lengths.iter().fold(length, |a, &b| a.min(b));
        let reach = ((LINE * shortest as f64) as usize).min(AHEAD - 2 * REACH);
        if reach < 2 {
            return None;
        }
        let first = cross.checked_sub(self.base)? as usize;
        let mut centre = first;
        // The last noisy sample before the middle lies off the line's own crossing.
        for look in 1..=LOOKS {
            let samples = self.buffer.get(centre.checked_sub(reach)?..=centre + reach)?;
            let (mut sum, mut moment) = (0.0, 0.0);
            for (i, x) in samples.iter().enumerate() {
                let x = f64::from(x - self.envelope.level);
                sum += x;
                moment += x * (i as f64 - reach as f64);
            }
            let count = samples.len() as f64;
            let slope = moment / (count * (count * count - 1.0) / 12.0);
            let rise = slope.abs() * count;
            if (slope > 0.0) == self.high || rise > GENTLE * 2.0 * f64::from(half) || largest(samples) > STEPPED * rise
            {
                return None;
            }
            let off = -sum / count / slope;
            // Noise at its ends may have the window hop to and fro between two samples.
            if off.abs() <= if look < LOOKS { 0.5 } else { 2.0 } {
                return Some((self.base as f64 + centre as f64 + off, slope.abs() as f32));
            }
            if off.abs() > 2.0 * reach as f64 {
                return None;
            }
            centre = (centre as f64 + off).round() as usize;
            if centre.abs_diff(first) > 2 * reach || centre > first + REACH {
                return None;
            }
        }
        None
    }

    /// Where the signal passes `level` between sample `cross` and the next, and its change between the two.
    fn refine(&self, cross: u64, level: f32) -> (f64, f32) {
        let Some(around) = cross
            .checked_sub(self.base)
            .and_then(|i| (i as usize + 1).checked_sub(REACH))
            .and_then(|from| self.buffer.get(from..from + 2 * REACH))
        else {
            return (cross as f64 + 0.5, 0.0);
        };
        let (a, b) = (around[REACH - 1] - level, around[REACH] - level);
        if (a > 0.0) == (b > 0.0) {
            return (cross as f64 + if a.abs() < b.abs() { 0.0 } else { 1.0 }, (b - a).abs());
        }
        (cross as f64 + crossing(around, level, a, b), (b - a).abs())
    }
}

/// Largest difference of the means of blocks of samples next to each other but for one.
fn largest(samples: &[f32]) -> f64 {
    let block = (samples.len() / 8).max(1);
    let sum = |part: &[f32]| part.iter().copied().map(f64::from).sum::<f64>();
    let apart = |part: &[f32]| {
        let (first, second) = (part.get(..block).unwrap_or(&[]), part.get(block + 1..).unwrap_or(&[]));
        (sum(second) - sum(first)).abs() / block as f64
    };
    samples.windows(2 * block + 1).map(apart).fold(0.0, f64::max)
}

/// Share of the way from the middle pair's first sample to its second where the interpolation passes `level`;
/// `a` and `b` are the pair less the level, of different sign.
fn crossing(around: &[f32], level: f32, a: f32, b: f32) -> f64 {
    let (mut low, mut high) = (0, PHASES);
    let (mut at_low, mut at_high) = (a, b);
    let mut looks = 0;
    while high - low > 1 {
        // Where a straight line would pass: the curve is so near it that two or three looks do. Else by halves.
        let share = if looks < STRAIGHT_LOOKS { at_low / (at_low - at_high) } else { 0.5 };
        let middle = (low + (share * (high - low) as f32) as usize).clamp(low + 1, high - 1);
        looks += 1;
        let value = interpolate(around, level, middle);
        if (value > 0.0) == (a > 0.0) {
            (low, at_low) = (middle, value);
        } else {
            (high, at_high) = (middle, value);
        }
    }
    let inner = f64::from(at_low) / (f64::from(at_low) - f64::from(at_high));
    let inner = if inner.is_finite() { inner.clamp(0.0, 1.0) } else { 0.5 };
    (low as f64 + inner) / PHASES as f64
}

fn interpolate(around: &[f32], level: f32, phase: usize) -> f32 {
    let (kernel, _) = kernels()[phase % PHASES].as_chunks::<4>();
    let (around, _) = around.as_chunks::<4>();
    let mut sums = [0.0; 4];
    for (x, k) in around.iter().zip(kernel) {
        (0..4).for_each(|lane| sums[lane] += (x[lane] - level) * k[lane]);
    }
    (sums[0] + sums[1]) + (sums[2] + sums[3])
}

type Kernel = [f32; 2 * REACH];

/// Sinc weighted by a Blackman taper, one kernel a phase, each of sum 1.
fn kernels() -> &'static [Kernel; PHASES] {
    static TABLE: OnceLock<[Kernel; PHASES]> = OnceLock::new();
    TABLE.get_or_init(|| std::array::from_fn(|phase| kernel(phase as f64 / PHASES as f64)))
}

fn kernel(shift: f64) -> Kernel {
    use std::f64::consts::PI;
    let weights: [f64; 2 * REACH] = std::array::from_fn(|i| {
        let x = i as f64 - (REACH as f64 - 1.0) - shift;
        let sinc = if x.abs() < 1e-12 { 1.0 } else { (PI * x).sin() / (PI * x) };
        let u = PI * x / REACH as f64;
        sinc * (0.42 + 0.5 * u.cos() + 0.08 * (2.0 * u).cos())
    });
    let sum: f64 = weights.iter().sum();
    weights.map(|w| (w / sum) as f32)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sine(samples_per_period: f64, phase: f64) -> Vec<f32> {
        (0..600).map(|i| (std::f64::consts::TAU * (i as f64 / samples_per_period - phase)).sin() as f32).collect()
    }

    #[test]
    fn zero_crossings_of_a_sine_are_found_to_a_hundredth_of_a_period() {
        for period in [5.1, 6.7, 13.3, 50.0] {
            let mut finder = EdgeFinder::new(48_000.0);
            let mut edges = finder.push(&sine(period, 0.3));
            edges.extend(finder.finish());
            let rising: Vec<f64> = edges.iter().filter(|e| e.rising).map(|e| e.at).collect();
            assert!(rising.len() as f64 > 550.0 / period, "period {period}: {} edges", rising.len());
            // The last edge has no future: interpolation there is cut short.
            let settled = rising.len() - 1;
            let worst = rising[4..settled]
                .iter()
                .map(|at| {
                    let turns = at / period - 0.3;
                    (turns - turns.round()).abs()
                })
                .fold(0.0, f64::max);
            assert!(worst < 0.015, "period {period}: off by {worst} periods");
        }
    }

    #[test]
    fn a_tall_spike_hides_only_a_few_edges() {
        let mut samples: Vec<f32> = (0..4000).map(|i| if i / 10 % 2 == 0 { 1.0 } else { -1.0 }).collect();
        samples[2003] = 8.0;
        let mut finder = EdgeFinder::new(48_000.0);
        let mut edges = finder.push(&samples);
        edges.extend(finder.finish());
        assert!(edges.len() >= 375, "{} of 399 edges", edges.len());
    }
}
