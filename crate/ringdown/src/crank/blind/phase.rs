//! From a rough course of speed to the phase of the cycle: the lines of the loudness pattern are held still.

use super::Layout;
use super::ear::Loudness;
use rustfft::num_complex::Complex;
use std::f64::consts::TAU;

/// Seconds between knots of the phase.
pub const KNOT_S: f64 = 0.03;
/// Knots on each side that a line's phase is averaged over.
const REACH: usize = 6;
/// Knots on each side that the place of combustion is averaged over.
const FAR: usize = 33;
/// Loudness is taken against its mean over this many knots on each side.
const MEAN_KNOTS: f64 = 5.0;
/// Rounds of holding the lines still.
const ROUNDS: usize = 3;
/// Middle of the noise of a combustion, degrees after its firing TDC: common practice, no source.
pub const NOISE_DEG_ATDC: f64 = 20.0;
/// Shifts tried for the place of combustion, a cycle.
const SHIFTS: usize = 480;

/// Lines half-way between the multiples of the cycle, together, against those at odd quarters, which noise and an unsteady
/// phase make as well: at the true speed up to 1.8 times, at twice it 3.5 times and more (200 engines drawn by chance).
const BETWEEN_NOISE: f64 = 2.5;
/// The strongest of them as a share of the strongest line at all: 0.15 and more at twice the true speed; an engine whose strong
/// and weak combustions take turns has weak ones at the true one.
const BETWEEN_LINES: f64 = 0.12;
const UNCLEAR_LINES: f64 = 0.07;

/// Whether a speed may be twice the true one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Doubled {
    /// The loudness repeats with the cycle.
    No,
    /// It repeats with two cycles only.
    Yes,
    /// It can't be told.
    Unclear,
}

/// Phase of one stretch.
pub struct Phase {
    /// Time of the first knot, s.
    pub from_s: f64,
    /// Cycles at the knots, rising.
    pub cycles: Vec<f64>,
}

impl Phase {
    /// Integrates a speed given in cycles a second at moments `hop_s` apart.
    pub fn integrate(from_s: f64, hop_s: f64, cycle_hz: &[f64]) -> Phase {
        let seconds = hop_s * cycle_hz.len().saturating_sub(1) as f64;
        let at = |t_s: f64| {
            let place = t_s / hop_s;
            let low = (place as usize).min(cycle_hz.len().saturating_sub(1));
            let high = (low + 1).min(cycle_hz.len().saturating_sub(1));
            let share = place - low as f64;
            let [low, high] = [low, high].map(|index| cycle_hz.get(index).copied().unwrap_or(0.0));
            low + (high - low) * share.clamp(0.0, 1.0)
        };
        let mut cycles = vec![0.0];
        for knot in 1..=(seconds / KNOT_S) as usize {
            let middle_s = (knot as f64 - 0.5) * KNOT_S;
            cycles.push(cycles.last().copied().unwrap_or(0.0) + at(middle_s) * KNOT_S);
        }
        Phase { from_s, cycles }
    }

    fn at(&self, t_s: f64) -> Option<f64> {
        let place = (t_s - self.from_s) / KNOT_S;
        let low = place.floor();
        let (a, b) = (self.cycles.get(low as usize)?, self.cycles.get(low as usize + 1)?);
        (place >= 0.0).then_some(a + (b - a) * (place - low))
    }

    /// Block, phase and loudness over its mean of each value of a voice.
    pub(super) fn each(&self, voice: &Loudness, mut take: impl FnMut(usize, f64, f64)) {
        let first = (self.from_s * voice.rate_hz).ceil() as i64;
        let reach = (MEAN_KNOTS * KNOT_S * voice.rate_hz) as i64;
        let mut sum: f64 = (first - reach..=first + reach).map(|index| f64::from(voice.db(index))).sum();
        for index in first.. {
            let t_s = voice.t_s(index);
            let block = ((t_s - self.from_s) / KNOT_S) as usize;
            let Some(phase) = self.at(t_s).filter(|_| block + 1 < self.cycles.len()) else { break };
            let value = f64::from(voice.db(index)) - sum / (2 * reach + 1) as f64;
            sum += f64::from(voice.db(index + reach + 1)) - f64::from(voice.db(index - reach));
            take(block, phase, value);
        }
    }

    /// Sums of loudness times each line over the time from knot to knot, for one voice.
    pub(super) fn blocks(&self, voice: &Loudness, lines: usize) -> Vec<Vec<Complex<f64>>> {
        let mut blocks = vec![vec![Complex::default(); lines]; self.cycles.len().saturating_sub(1)];
        self.each(voice, |block, phase, value| {
            let turn = Complex::cis(-TAU * phase);
            let mut line = turn;
            for slot in &mut blocks[block] {
                *slot += line * value;
                line *= turn;
            }
        });
        blocks
    }

    /// Corrects the phase so that the pattern's lines stand still.
    pub fn hold(&mut self, voices: &[Loudness], layout: &Layout) {
        let firings = layout.firing_deg.len();
        for round in 0..ROUNDS {
            let lines = if round == 0 { firings } else { 2 * firings };
            let averaged: Vec<Vec<Vec<Complex<f64>>>> =
                voices.iter().map(|voice| averaged(&self.blocks(voice, lines), REACH)).collect();
            let mut correction = 0.0;
            let mut corrections = vec![0.0];
            for block in 1..self.cycles.len().saturating_sub(1) {
                correction += advance(&averaged, block);
                corrections.push(correction);
            }
            self.shift(&corrections);
        }
    }

    /// Adds corrections that belong to the middles between knots.
    pub(super) fn shift(&mut self, corrections: &[f64]) {
        let at = |index: usize| corrections.get(index.min(corrections.len().saturating_sub(1))).copied().unwrap_or(0.0);
        let mut before = f64::NEG_INFINITY;
        for (knot, cycles) in self.cycles.iter_mut().enumerate() {
            *cycles += 0.5 * (at(knot.saturating_sub(1)) + at(knot));
            // Noise must not turn the engine backwards.
            *cycles = cycles.max(before + 1e-6);
            before = *cycles;
        }
    }

    /// Whether the loudness repeats with two of these cycles only: no engine has lines between the multiples of its cycle, so
    /// strong ones there are the mark of twice the true speed, of valves that strike midway between firings.
    pub fn doubled(&self, voices: &[Loudness], layout: &Layout) -> Doubled {
        let firings = layout.firing_deg.len();
        let lines_at = |share: f64, lines: usize| -> Vec<f64> {
            let slower =
                Phase { from_s: self.from_s, cycles: self.cycles.iter().map(|cycles| share * cycles).collect() };
            let mut sums = vec![0.0; lines];
            for voice in voices {
                let near = averaged(&slower.blocks(voice, lines), FAR);
                let own = swings(&near, voice.rate_hz);
                sums.iter_mut().zip(own).for_each(|(sum, own)| *sum += own);
            }
            sums
        };
        let halves = lines_at(0.5, 4 * firings);
        let quarters = lines_at(0.25, 8 * firings);
        let most = |lines: &[f64], from: usize| lines.iter().skip(from).step_by(2).copied().fold(0.0, f64::max);
        let square = |lines: &[f64]| lines.iter().step_by(2).map(|line| line * line).sum::<f64>();
        // Odd quarters are twice as many.
        let over_noise = (2.0 * square(&halves) / square(&quarters).max(1e-12)).sqrt();
        let share = most(&halves, 0) / most(&halves, 1).max(1e-12);
        if over_noise < BETWEEN_NOISE || share < UNCLEAR_LINES {
            Doubled::No
        } else if share > BETWEEN_LINES {
            Doubled::Yes
        } else {
            Doubled::Unclear
        }
    }

    /// Takes it back to half the speed.
    pub fn halve(&mut self) {
        self.cycles.iter_mut().for_each(|cycles| *cycles *= 0.5);
    }

    /// Shifts the phase so that whole cycles begin at the firing TDC of one of the cylinders.
    pub fn place(&mut self, voices: &[Loudness], layout: &Layout) -> Rhythm {
        let lines = 2 * layout.firing_deg.len();
        let comb: Vec<Complex<f64>> = (1..=lines).map(|multiple| layout.comb(multiple)).collect();
        let blocks: Vec<Vec<Vec<Complex<f64>>>> = voices.iter().map(|voice| self.blocks(voice, lines)).collect();
        let near: Vec<Vec<Vec<Complex<f64>>>> = blocks.iter().map(|blocks| averaged(blocks, FAR)).collect();
        let count = self.cycles.len().saturating_sub(1);
        let summed = |block: usize| -> Vec<Complex<f64>> {
            let line = |line: usize| near.iter().filter_map(|voice| voice.get(block)?.get(line)).sum();
            (0..lines).map(line).collect()
        };
        let whole: Vec<Vec<Complex<f64>>> = blocks
            .iter()
            .map(|blocks| (0..lines).map(|line| blocks.iter().filter_map(|block| block.get(line)).sum()).collect())
            .collect();
        let total: Vec<Complex<f64>> = (0..lines).map(|line| whole.iter().filter_map(|w| w.get(line)).sum()).collect();
        let mut shift = best_shift(&total, &comb, 0.5, 0.5);
        let half = 0.25 / layout.firing_deg.len() as f64;
        let noise = NOISE_DEG_ATDC / layout.cycle_deg;
        let shifts: Vec<f64> = (0..count)
            .map(|block| {
                shift = best_shift(&summed(block), &comb, shift, half);
                noise - shift
            })
            .collect();
        self.shift(&shifts);
        let turned = |lines: Vec<Complex<f64>>| {
            let turn =
                |(index, line): (usize, Complex<f64>)| line * Complex::cis(-TAU * (index + 1) as f64 * (noise - shift));
            lines.into_iter().enumerate().map(turn).collect()
        };
        let swings_db = swings(near.first().map_or(&[], Vec::as_slice), voices.first().map_or(1.0, |v| v.rate_hz));
        Rhythm { lines: whole.into_iter().map(turned).collect(), swings_db }
    }
}

/// The pattern of a stretch.
pub struct Rhythm {
    /// Lines of each voice over the whole stretch, from once a cycle.
    pub lines: Vec<Vec<Complex<f64>>>,
    /// How far the loudness of the first voice swings at each line, dB.
    pub swings_db: Vec<f64>,
}

/// Mean amplitude of each line where all neighbouring blocks are there.
fn swings(near: &[Vec<Complex<f64>>], rate_hz: f64) -> Vec<f64> {
    let inner = if near.len() > 2 * FAR { near.get(FAR..near.len() - FAR).unwrap_or(near) } else { near };
    let scale = 2.0 / (rate_hz * KNOT_S * (FAR as f64 + 1.0) * inner.len().max(1) as f64);
    let lines = inner.first().map_or(0, Vec::len);
    (0..lines)
        .map(|line| inner.iter().filter_map(|block| block.get(line)).map(|z| z.norm()).sum::<f64>() * scale)
        .collect()
}

/// Weighted sums over neighbouring blocks.
pub(super) fn averaged(blocks: &[Vec<Complex<f64>>], reach: usize) -> Vec<Vec<Complex<f64>>> {
    let lines = blocks.first().map_or(0, Vec::len);
    let weight = |offset: i64| 0.5 + 0.5 * (std::f64::consts::PI * offset as f64 / (reach as f64 + 1.0)).cos();
    let at = |block: usize| {
        let mut sums = vec![Complex::default(); lines];
        for offset in -(reach as i64)..=reach as i64 {
            let Some(near) = usize::try_from(block as i64 + offset).ok().and_then(|near| blocks.get(near)) else {
                continue;
            };
            for (sum, line) in sums.iter_mut().zip(near) {
                *sum += line * weight(offset);
            }
        }
        sums
    };
    (0..blocks.len()).map(at).collect()
}

/// Cycles by which the lines advance from the block before to this one, the strong ones counting most.
fn advance(voices: &[Vec<Vec<Complex<f64>>>], block: usize) -> f64 {
    let (mut sum, mut weights) = (0.0, 0.0);
    for voice in voices {
        let (Some(before), Some(now)) = (voice.get(block - 1), voice.get(block)) else { continue };
        for (index, (before, now)) in before.iter().zip(now).enumerate() {
            let multiple = (index + 1) as f64;
            let turned = now * before.conj();
            let weight = turned.norm_sqr();
            sum += weight * multiple * turned.arg() / TAU;
            weights += weight * multiple * multiple;
        }
    }
    if weights > 0.0 { sum / weights } else { 0.0 }
}

/// Shift of the cycle, within `reach` of `near`, at which the comb of firings meets the pattern best.
fn best_shift(lines: &[Complex<f64>], comb: &[Complex<f64>], near: f64, reach: f64) -> f64 {
    let fit = |shift: f64| -> f64 {
        let line = |(index, (line, comb)): (usize, (&Complex<f64>, &Complex<f64>))| {
            (line * comb.conj() * Complex::cis(TAU * (index + 1) as f64 * shift)).re
        };
        lines.iter().zip(comb).enumerate().map(line).sum()
    };
    let steps = (reach * SHIFTS as f64) as i64;
    let shifts = (-steps..=steps).map(|step| near + step as f64 / SHIFTS as f64);
    shifts.max_by(|&a, &b| fit(a).total_cmp(&fit(b))).unwrap_or(near)
}
