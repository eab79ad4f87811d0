//! An engine whose crank angle is known at every instant, and what wheel, cam and pulse show of it.
//!
//! Independent of the decoder: speed is given, the angle is its integral (Runge-Kutta), edges are found by bisection,
//! steps are band-limited by the integral of a tapered sinc.

use std::f64::consts::{PI, TAU};

/// Speed over time.
#[derive(Debug, Clone, Copy)]
pub enum Speed {
    /// Same mean throughout, 1/min.
    Steady(f64),
    /// From, to and for how long; then steady.
    Ramp(f64, f64, f64),
    /// Up and down around a mean, with an amplitude and a period in seconds.
    Swing(f64, f64, f64),
    /// Pulls through the gears: from, to, seconds for it, and for the fall to the first again.
    Gears(f64, f64, f64, f64),
    /// Turns, stands for a while, turns again: speed, stop and start time.
    Stop(f64, f64, f64),
    /// Cranking: speed falls to this share at each compression.
    Cranking(f64, f64),
}

impl Speed {
    fn mean_rpm(self, t: f64) -> f64 {
        match self {
            Speed::Steady(rpm) | Speed::Cranking(rpm, _) => rpm,
            Speed::Ramp(from, to, seconds) => from + (to - from) * (t / seconds).clamp(0.0, 1.0),
            Speed::Swing(rpm, by, period) => rpm + by * (TAU * t / period).sin(),
            Speed::Gears(from, to, pull_s, fall_s) => {
                let at = t % (pull_s + fall_s);
                let share = if at < pull_s { at / pull_s } else { 1.0 - (at - pull_s) / fall_s };
                from + (to - from) * share
            }
            Speed::Stop(rpm, stop, start) => {
                // A second to run down, a second to run up.
                let down = (1.0 - (t - stop)).clamp(0.0, 1.0);
                let up = (t - start).clamp(0.0, 1.0);
                rpm * down.max(up)
            }
        }
    }
}

/// Crank angle at every instant.
pub struct Engine {
    step_s: f64,
    deg: Vec<f64>,
    deg_per_s: Vec<f64>,
}

impl Engine {
    /// `firings`: firings a turn; the speed ripples by `ripple` at that frequency.
    pub fn new(speed: Speed, seconds: f64, start_deg: f64, firings: f64, ripple: f64) -> Self {
        let step_s = 5e-5;
        let rate = |t: f64, deg: f64| {
            let ripple = match speed {
                Speed::Cranking(_, share) => -(1.0 - share) / (1.0 + share) * (firings * deg.to_radians()).cos(),
                _ => ripple * (firings * deg.to_radians() + 0.7).cos(),
            };
            6.0 * speed.mean_rpm(t) * (1.0 + ripple)
        };
        let (mut deg, mut deg_per_s) = (vec![start_deg], vec![rate(0.0, start_deg)]);
        let mut at = start_deg;
        for i in 0..(seconds / step_s) as usize + 4 {
            let t = i as f64 * step_s;
            let k1 = rate(t, at);
            let k2 = rate(t + step_s / 2.0, at + step_s / 2.0 * k1);
            let k3 = rate(t + step_s / 2.0, at + step_s / 2.0 * k2);
            let k4 = rate(t + step_s, at + step_s * k3);
            at += step_s / 6.0 * (k1 + 2.0 * k2 + 2.0 * k3 + k4);
            deg.push(at);
            deg_per_s.push(rate(t + step_s, at));
        }
        Self { step_s, deg, deg_per_s }
    }

    pub fn deg_at(&self, t: f64) -> f64 {
        let i = ((t / self.step_s) as usize).min(self.deg.len() - 2);
        let u = t / self.step_s - i as f64;
        let (d0, d1) = (self.deg[i], self.deg[i + 1]);
        let (m0, m1) = (self.deg_per_s[i] * self.step_s, self.deg_per_s[i + 1] * self.step_s);
        let (u2, u3) = (u * u, u * u * u);
        (2.0 * u3 - 3.0 * u2 + 1.0) * d0 + (u3 - 2.0 * u2 + u) * m0 + (3.0 * u2 - 2.0 * u3) * d1 + (u3 - u2) * m1
    }

    pub fn deg_per_s_at(&self, t: f64) -> f64 {
        let i = ((t / self.step_s) as usize).min(self.deg.len() - 2);
        let u = t / self.step_s - i as f64;
        self.deg_per_s[i] * (1.0 - u) + self.deg_per_s[i + 1] * u
    }

    pub fn time_at(&self, deg: f64) -> f64 {
        let i = self.deg.partition_point(|&d| d < deg).clamp(1, self.deg.len() - 1) - 1;
        let (mut low, mut high) = (i as f64 * self.step_s, (i + 1) as f64 * self.step_s);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if self.deg_at(middle) < deg { low = middle } else { high = middle }
        }
        0.5 * (low + high)
    }

    pub fn end_s(&self) -> f64 {
        (self.deg.len() - 4) as f64 * self.step_s
    }

    /// Angles `first + period * n` passed, with their times.
    pub fn passages(&self, first: f64, period: f64) -> Vec<f64> {
        let (from, to) = (self.deg[0], self.deg_at(self.end_s()));
        let n0 = ((from - first) / period).ceil() as i64;
        (n0..).map(|n| first + period * n as f64).take_while(|&d| d < to).map(|d| self.time_at(d)).collect()
    }
}

/// Small generator of pseudo-random numbers (PCG-XSH-RR 64/32, O'Neill 2014), so that each case repeats.
pub struct Random(pub u64);

impl Random {
    pub fn uniform(&mut self) -> f64 {
        let old = self.0;
        self.0 = old.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let shifted = (((old >> 18) ^ old) >> 27) as u32;
        f64::from(shifted.rotate_right((old >> 59) as u32)) / 4_294_967_296.0
    }

    pub fn normal(&mut self) -> f64 {
        (-2.0 * (1.0 - self.uniform()).ln()).sqrt() * (TAU * self.uniform()).cos()
    }
}

/// Pulses: rise and fall times in seconds, rising.
pub type Pulses = Vec<(f64, f64)>;

/// A missing-tooth wheel whose first tooth after the gap rises at `first_deg`; teeth are `width_deg` wide.
pub fn wheel(engine: &Engine, teeth: usize, missing: usize, first_deg: f64, width_deg: f64) -> Pulses {
    let pitch = 360.0 / teeth as f64;
    let mut pulses: Pulses = (0..teeth - missing)
        .flat_map(|tooth| {
            let at = first_deg + tooth as f64 * pitch;
            pulses_at(engine, at, 360.0, width_deg)
        })
        .collect();
    pulses.sort_by(|a, b| a.0.total_cmp(&b.0));
    pulses
}

/// Pulses that rise at `first_deg + period_deg * n`.
pub fn pulses_at(engine: &Engine, first_deg: f64, period_deg: f64, width_deg: f64) -> Pulses {
    let rises = engine.passages(first_deg, period_deg);
    rises.into_iter().map(|t| (t, engine.time_at(engine.deg_at(t) + width_deg))).collect()
}

/// Leaves out and adds this share of pulses.
pub fn spoil(pulses: Pulses, share: f64, random: &mut Random) -> Pulses {
    let mut spoilt = Vec::new();
    for pair in pulses.windows(2) {
        let (this, next) = (pair[0], pair[1]);
        if random.uniform() >= share {
            spoilt.push(this);
        }
        if random.uniform() < share {
            let gap = next.0 - this.1;
            let at = this.1 + gap * (0.1 + 0.6 * random.uniform());
            spoilt.push((at, at + 0.2 * gap));
        }
    }
    spoilt
}

/// A square signal between -1 and 1, band-limited below the half of the rate.
pub fn square(pulses: &Pulses, samples: usize, rate_hz: f64) -> Vec<f64> {
    const REACH: i64 = 24;
    const FINE: usize = 64;
    let cut = 0.42;
    // Running integral of a sinc under a Hann taper.
    let n = 2 * REACH as usize * FINE;
    let mut step = vec![0.0; n + 1];
    for i in 0..n {
        let x = (i as f64 + 0.5) / FINE as f64 - REACH as f64;
        let kernel = (TAU * cut * x).sin() / (PI * x) * (0.5 + 0.5 * (PI * x / REACH as f64).cos());
        step[i + 1] = step[i] + kernel / FINE as f64;
    }
    let whole = step[n];
    let at = |x: f64| {
        let place = (x + REACH as f64) * FINE as f64;
        let i = place as usize;
        let u = place - i as f64;
        (step[i] * (1.0 - u) + step[(i + 1).min(n)] * u) / whole
    };
    let mut change = vec![0.0; samples + 1];
    let mut near = vec![0.0; samples];
    let mut add = |t: f64, up: f64| {
        let centre = t * rate_hz;
        let (from, to) = (centre.ceil() as i64 - REACH, centre.floor() as i64 + REACH);
        for i in from.max(0)..to.min(samples as i64) {
            near[i as usize] += up * at((i as f64 - centre).clamp(-(REACH as f64), REACH as f64));
        }
        if to < samples as i64 {
            change[to.max(0) as usize] += up;
        }
    };
    for &(rise, fall) in pulses {
        add(rise, 2.0);
        add(fall, -2.0);
    }
    let mut sum = -1.0;
    near.iter()
        .zip(&change)
        .map(|(near, change)| {
            sum += change;
            sum + near
        })
        .collect()
}

/// Through a sound input: first-order high-pass, then clipping.
pub fn sound_input(signal: &[f64], corner_hz: f64, rate_hz: f64, clip: f64) -> Vec<f64> {
    let keep = (-TAU * corner_hz / rate_hz).exp();
    let (mut out, mut before) = (0.0, signal.first().copied().unwrap_or(0.0));
    signal
        .iter()
        .map(|&x| {
            out = keep * out + 0.5 * (1.0 + keep) * (x - before);
            before = x;
            out.clamp(-clip, clip)
        })
        .collect()
}

/// A variable-reluctance sensor: each tooth is a bump of flux, the voltage its rate of change; the tooth's middle is a
/// rising zero crossing. `teeth` of `pitch_deg` are present where `present` says so.
pub fn reluctance(
    engine: &Engine,
    teeth: usize,
    missing: usize,
    first_deg: f64,
    samples: usize,
    rate_hz: f64,
) -> Vec<f64> {
    let pitch = 360.0 / teeth as f64;
    let width = 0.24 * pitch;
    (0..samples)
        .map(|i| {
            let t = i as f64 / rate_hz;
            let at = (engine.deg_at(t) - first_deg).rem_euclid(360.0) / pitch;
            let slope: f64 = (-3..=3)
                .filter(|near| ((at.round() as i64 + near).rem_euclid(teeth as i64) as usize) < teeth - missing)
                .map(|near| {
                    let x = (at - at.round() - near as f64) * pitch / width;
                    -x * (-0.5 * x * x).exp()
                })
                .sum();
            -slope * engine.deg_per_s_at(t) / 30_000.0
        })
        .collect()
}

/// Adds noise `below_db` under the mean square of the signal.
pub fn noisy(mut signal: Vec<f64>, below_db: f64, random: &mut Random) -> Vec<f64> {
    let power = signal.iter().map(|x| x * x).sum::<f64>() / signal.len().max(1) as f64;
    let rms = (power * 10f64.powf(-below_db / 10.0)).sqrt();
    signal.iter_mut().for_each(|x| *x += rms * random.normal());
    signal
}

pub fn to_f32(signal: &[f64], gain: f64) -> Vec<f32> {
    signal.iter().map(|x| (x * gain) as f32).collect()
}
