//! How well each speed explains a short stretch of loudness: lines at whole multiples of the cycle, more of them expected
//! where the cylinders fire.

use super::Layout;
use super::ear::Loudness;
use crate::signal::fourier::Fourier;
use crate::signal::taper::{Shape, Taper};
use rustfft::num_complex::Complex;

/// Speeds searched, 1/min, and the step between them.
const SLOWEST_RPM: f64 = 400.0;
const FASTEST_RPM: f64 = 11_500.0;
const STEP: f64 = 0.005;
/// Length of the stretch, s: three cycles at 1200 rpm.
const STRETCH_S: f64 = 0.4;
/// Transform length: lines are read at the nearest bin, so bins are four to a line's width.
const LENGTH: usize = 2048;
/// Relative changes of speed tried, 1/s: a gear change at 6000 rpm loses as much.
const CHANGES_PER_S: [f64; 9] = [0.0, 0.25, -0.25, 0.5, -0.5, 1.0, -1.0, 2.0, -2.0];
/// Lines at once looked at, in multiples of the firing frequency.
const MULTIPLES: usize = 3;
/// Expected power of a line over the background: firing frequency, twice, three times it; any other multiple of the cycle.
const FIRING: [f32; MULTIPLES] = [20.0, 8.0, 3.0];
const OTHER: f32 = 2.0;
/// Most that a line's power counts: one line alone must not decide, and strong lines are those of firing.
const MOST: [f32; 2] = [12.0, 200.0];
/// An overtone of firing counts at most so much of the strongest line of firing below it.
const OVERTONE: f32 = 1.5;
/// Half the width of a line, bins, and the share of its power down to which a bin counts as its summit.
const LOBE: usize = 5;
const FLANK: f32 = 0.7;
/// Below this, level changes of the whole engine.
const LOWEST_HZ: f64 = 3.0;

/// Scores speeds; the grid is even in the logarithm.
pub struct Scorer {
    cycle_hz: Vec<f64>,
    rpm_per_hz: f64,
    lines: Vec<Line>,
    taper: Vec<f32>,
    transform: Fourier<f32>,
    stretch: Vec<f32>,
    /// Power spectra of the voices, kept and last tried.
    power: Vec<Vec<f32>>,
    tried: Vec<Vec<f32>>,
    /// Power over the background in the voice that hears all cylinders, for lines of firing.
    firing: Vec<f32>,
    /// What any other line gains, all voices together.
    other: Vec<f32>,
    rate_hz: f64,
    warps: Vec<Vec<f32>>,
    /// Relative change of speed that made the sharpest lines last.
    change_per_s: f64,
}

/// A multiple of the cycle frequency and the power expected there in the voice that hears all cylinders.
struct Line {
    multiple: f64,
    expected: f32,
}

impl Line {
    fn is_firing(&self) -> bool {
        self.expected > OTHER + 0.3
    }

    /// What a power over the background gains.
    fn gain(expected: f32, power: f32) -> f32 {
        power * expected / (1.0 + expected) - expected.ln_1p()
    }
}

impl Scorer {
    /// For loudness of `rate_hz`.
    pub fn new(rate_hz: f64, layout: &Layout) -> Scorer {
        let rpm_per_hz = layout.cycle_deg / 6.0;
        let count = ((FASTEST_RPM / SLOWEST_RPM).ln() / STEP) as usize;
        let cycle_hz = (0..count).map(|i| SLOWEST_RPM / rpm_per_hz * (STEP * i as f64).exp()).collect();
        let firings = layout.firing_deg.len();
        let line = |multiple: usize| {
            let together = layout.together(multiple) as f32;
            let nearest = (multiple as f64 / firings as f64).round().max(1.0) as usize;
            let firing = FIRING[(nearest - 1).min(MULTIPLES - 1)];
            Line { multiple: multiple as f64, expected: OTHER + (firing - OTHER) * together * together }
        };
        // Below the firing frequency cylinders differ; between its multiples there is little to be told.
        let telling = |line: &Line| line.is_firing() || line.multiple < firings as f64;
        let lines = (1..=MULTIPLES * firings).map(line).filter(telling).collect();
        let len = ((STRETCH_S * rate_hz) as usize).clamp(16, LENGTH);
        let taper = Taper::periodic(Shape::Hann, len);
        Scorer {
            cycle_hz,
            rpm_per_hz,
            lines,
            firing: vec![0.0; LENGTH / 2 + 1],
            other: vec![0.0; LENGTH / 2 + 1],
            taper: taper.weights().iter().map(|&w| w as f32).collect(),
            transform: Fourier::new(LENGTH),
            stretch: vec![0.0; len],
            power: Vec::new(),
            tried: Vec::new(),
            rate_hz,
            warps: CHANGES_PER_S.iter().map(|&change| warp(change, len, rate_hz)).collect(),
            change_per_s: 0.0,
        }
    }

    /// Steps of the grid that the speed changed by in `seconds` around the moment last scored.
    pub fn steps_in(&self, seconds: f64) -> i64 {
        (self.change_per_s * seconds / STEP).round() as i64
    }

    /// Speeds of the grid.
    pub fn len(&self) -> usize {
        self.cycle_hz.len()
    }

    /// Cycles a second at a place of the grid, which may lie between two.
    pub fn hz_at(&self, place: f64) -> f64 {
        SLOWEST_RPM / self.rpm_per_hz * (STEP * place).exp()
    }

    /// Place of a speed on the grid.
    pub fn place_of_rpm(&self, rpm: f64) -> f64 {
        (rpm / SLOWEST_RPM).ln() / STEP
    }

    /// Steps of the grid that a ratio of speeds makes.
    pub fn steps_of(ratio: f64) -> f64 {
        ratio.ln() / STEP
    }

    /// For each speed, how much better than noise it explains the loudness around `centre_s`: a logarithm of a likelihood
    /// ratio, summed over the voices.
    ///
    /// The first voice hears all cylinders: in it the firing frequency must stand out. Any other may hear some of them only.
    pub fn score(&mut self, voices: &[Loudness], centre_s: f64, out: &mut Vec<f32>) {
        self.sharpest(voices, centre_s);
        self.other.fill(0.0);
        for voice in 0..voices.len() {
            self.listen(voice);
        }
        out.clear();
        out.extend(self.cycle_hz.iter().map(|cycle_hz| self.explained(*cycle_hz)));
    }

    fn explained(&self, cycle_hz: f64) -> f32 {
        let bin_hz = self.rate_hz / LENGTH as f64;
        let mut strongest: Option<f32> = None;
        let mut sum = 0.0;
        for line in &self.lines {
            let hz = line.multiple * cycle_hz;
            let bin = (hz / bin_hz + 0.5) as usize;
            let (Some(&firing), Some(&other)) = (self.firing.get(bin), self.other.get(bin)) else { break };
            if hz < LOWEST_HZ {
                continue;
            }
            if !line.is_firing() {
                sum += other;
                continue;
            }
            // An overtone of firing without firing itself is the mark of half the true speed.
            let power = strongest.map_or(firing, |first| firing.min(OVERTONE * first + 2.0));
            strongest = Some(strongest.map_or(firing, |first| first.max(firing)));
            sum += Line::gain(line.expected, power);
        }
        sum
    }

    /// Keeps the spectra of that change of speed which makes the sharpest lines.
    fn sharpest(&mut self, voices: &[Loudness], centre_s: f64) {
        let mut most = f64::NEG_INFINITY;
        for (warp, change_per_s) in CHANGES_PER_S.into_iter().enumerate() {
            let mut sharp = 0.0;
            for (index, voice) in voices.iter().enumerate() {
                self.transform_warped(voice, centre_s, warp);
                let power = self.transform.output().iter().map(|value| f64::from(value.norm_sqr()));
                let (sum, squares) = power.fold((0.0, 0.0), |(sum, squares), p| (sum + p, squares + p * p));
                sharp += if sum > 0.0 { squares / (sum * sum) } else { 0.0 };
                if self.tried.len() <= index {
                    self.tried.push(Vec::new());
                }
                self.tried[index].clear();
                self.tried[index].extend(self.transform.output().iter().map(Complex::norm_sqr));
            }
            if sharp > most {
                most = sharp;
                self.change_per_s = change_per_s;
                std::mem::swap(&mut self.power, &mut self.tried);
            }
        }
    }

    fn transform_warped(&mut self, voice: &Loudness, centre_s: f64, warp: usize) {
        let centre = centre_s * voice.rate_hz - 0.5;
        for (slot, offset) in self.stretch.iter_mut().zip(&self.warps[warp]) {
            let at = centre + f64::from(*offset);
            let low = at.floor();
            let share = (at - low) as f32;
            *slot = voice.db(low as i64) * (1.0 - share) + voice.db(low as i64 + 1) * share;
        }
        straighten(&mut self.stretch);
        self.transform.run(&self.stretch, &self.taper);
    }

    /// Adds what each class of line would gain from one voice's spectrum.
    fn listen(&mut self, voice: usize) {
        let power = &self.power[voice];
        let lowest = (2.0 * LOWEST_HZ * LENGTH as f64 / self.rate_hz) as usize;
        let mut sorted: Vec<f32> = power.iter().copied().skip(lowest).collect();
        let middle = sorted.len() / 2;
        let (_, median, _) = sorted.select_nth_unstable_by(middle, f32::total_cmp);
        // The median of an exponential law is ln 2 of its mean.
        let noise = (*median / std::f32::consts::LN_2).max(1e-9);
        let summit = |bin: usize, at: f32| {
            let near = power[bin.saturating_sub(LOBE)..(bin + LOBE + 1).min(power.len())].iter();
            at > FLANK * near.fold(0.0, |most, near| near.max(most))
        };
        // A line's flanks are no lines of their own.
        let power_of = |(bin, &at): (usize, &f32)| if summit(bin, at) { at / noise } else { (at / noise).min(1.0) };
        let powers: Vec<f32> = power.iter().enumerate().map(power_of).collect();
        for (bin, power) in powers.into_iter().enumerate() {
            self.other[bin] += Line::gain(OTHER, power.min(MOST[0]));
            if voice == 0 {
                self.firing[bin] = power.min(MOST[1]);
            }
        }
    }
}

/// Takes the straight line of least squares out.
fn straighten(values: &mut [f32]) {
    let count = values.len() as f32;
    let middle = 0.5 * (count - 1.0);
    let mean = values.iter().sum::<f32>() / count;
    let moment: f32 = values.iter().enumerate().map(|(i, value)| (i as f32 - middle) * value).sum();
    let slope = moment * 12.0 / (count * (count * count - 1.0));
    for (i, value) in values.iter_mut().enumerate() {
        *value -= mean + slope * (i as f32 - middle);
    }
}

/// Sample offsets from the middle at which a signal whose speed changes by `change` a second is even in phase.
fn warp(change: f64, len: usize, rate_hz: f64) -> Vec<f32> {
    let offset = |i: usize| {
        let phase_s = (i as f64 - 0.5 * (len as f64 - 1.0)) / rate_hz;
        let t_s = if change == 0.0 { phase_s } else { ((1.0 + 2.0 * change * phase_s).max(0.0).sqrt() - 1.0) / change };
        (t_s * rate_hz) as f32
    };
    (0..len).map(offset).collect()
}
