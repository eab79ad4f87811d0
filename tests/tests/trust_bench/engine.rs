//! An engine heard by one or two sensors, made sample by sample: nothing of it comes from the core.
//!
//! Each cylinder sends noise after its firing TDC and a knock of each of its two valves; the sensors hear them over ways of
//! their own (gains, delays, resonances of Q 10 to 40), with noise of the block, orders of the crank, and the input's noise.
//! Faults are put in afterwards, scaled to what stands there, and all is rounded to 16 bits.

use serde_json::{Value, json};
use std::f64::consts::{LN_2, PI};

/// xorshift64* (S. Vigna, ACM Trans. Math. Softw. 42 (2016) 30).
pub struct Random(u64);

impl Random {
    pub fn new(seed: u64) -> Self {
        let mut random = Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
        (0..20).for_each(|_| _ = random.bits());
        random
    }

    fn bits(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_F491_4F6C_DD1D)
    }

    pub fn uniform(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    pub fn pick<T: Copy>(&mut self, of: &[T]) -> T {
        of[(self.uniform() * of.len() as f64) as usize]
    }

    /// Four pieces of 16 bits added: variance 1, tails to 3.5.
    fn noise(&mut self) -> f64 {
        let bits = self.bits();
        let sum: u64 = (0..4).map(|piece| (bits >> (16 * piece)) & 0xFFFF).sum();
        (sum as f64 / 65_536.0 - 2.0) * 3.0_f64.sqrt()
    }
}

/// A resonance with the poles of f0 and Q (impulse invariance) and zeros at 0 and half the sampling rate; gain 1 at f0.
#[derive(Clone)]
pub struct Resonator {
    a: [f64; 2],
    gain: f64,
    x: [f64; 2],
    y: [f64; 2],
}

impl Resonator {
    pub fn new(f0_hz: f64, q: f64, rate_hz: f64) -> Self {
        let (r, turn) = ((-PI * f0_hz / (q * rate_hz)).exp(), 2.0 * PI * f0_hz / rate_hz);
        let a = [2.0 * r * (turn * (1.0 - 0.25 / (q * q)).sqrt()).cos(), -r * r];
        let re = 1.0 - a[0] * turn.cos() - a[1] * (2.0 * turn).cos();
        let im = a[0] * turn.sin() + a[1] * (2.0 * turn).sin();
        Self { a, gain: re.hypot(im) / (2.0 * turn.sin()), x: [0.0; 2], y: [0.0; 2] }
    }

    pub fn step(&mut self, x: f64) -> f64 {
        let y = self.gain * (x - self.x[1]) + self.a[0] * self.y[0] + self.a[1] * self.y[1];
        self.x = [x, self.x[0]];
        self.y = [y, self.y[0]];
        y
    }
}

/// First-order low-pass.
#[derive(Clone)]
struct Low {
    keep: f64,
    y: f64,
}

impl Low {
    fn new(corner_hz: f64, rate_hz: f64) -> Self {
        Self { keep: (-2.0 * PI * corner_hz / rate_hz).exp(), y: 0.0 }
    }

    fn step(&mut self, x: f64) -> f64 {
        self.y = self.keep * self.y + (1.0 - self.keep) * x;
        self.y
    }
}

/// What is wrong with the recording.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Fault {
    Nothing,
    /// This share of the samples of the last sensor lies over its clipping level, which stands anywhere.
    Clipped(f64),
    /// The second sensor reads so many dB more.
    Gain(f64),
    /// 50 or 60 Hz so many dB over the last sensor's floor around it, in 1.2 s.
    Hum(f64),
    /// So many spikes a second.
    Spikes(f64),
    /// The wheel's tooth line so many dB over the last sensor's floor around it, in 85 ms.
    Pickup(f64),
    /// The sensors' wires are swapped.
    Swapped,
    /// Both wires carry the sum.
    Bridged,
    /// The last sensor's input takes its low notes: a high-pass of the first order.
    Loaded,
    /// The last sensor is a resonator.
    Tuned {
        f0_hz: f64,
        q: f64,
    },
}

/// How the engine runs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Running {
    /// Anything.
    Any,
    /// Speed moves.
    Moving,
}

/// A recording as a user would drop it.
pub struct Made {
    pub wav: Vec<u8>,
    pub sheet: Option<Value>,
    pub said: String,
}

struct Engine {
    rate_hz: f64,
    cylinders: usize,
    order: Vec<u16>,
    sensors: usize,
    groups: Vec<Vec<u16>>,
    rpm: Vec<f64>,
    deg: Vec<f64>,
    heard: Vec<Vec<f64>>,
    teeth: usize,
    missing: usize,
}

const STEP_S: f64 = 0.01;

fn speeds(random: &mut Random, seconds: f64, running: Running) -> (String, Vec<f64>) {
    let count = (seconds / STEP_S) as usize + 2;
    let share = |k: usize| k as f64 / count as f64;
    let steady = running == Running::Any && random.uniform() < 0.3;
    if steady {
        let rpm = random.pick(&[850.0, 1500.0, 1485.0, 2200.0, 3000.0, 3600.0, 4500.0]);
        let mut wander = 0.0;
        let rpms = (0..count).map(|_| {
            wander = 0.98 * wander + random.noise();
            rpm * (1.0 + 0.001 * wander)
        });
        return (format!("steady {rpm}"), rpms.collect());
    }
    let (low, high, turns, kind) =
        (random.between(900.0, 1800.0), random.between(4500.0, 7000.0), random.between(1.0, 3.0), random.uniform());
    let rpms = (0..count).map(|k| {
        let along = share(k) * turns;
        let up = match kind {
            k if k < 0.4 => along.fract(),
            k if k < 0.7 => 0.5 - 0.5 * (2.0 * PI * along).cos(),
            _ => ((along.fract() - 0.4) / 0.6).max(0.0),
        };
        low + (high - low) * up
    });
    let mut last = low;
    // an engine falls back within half a second, not at once
    let eased = rpms.map(|rpm| {
        last += (rpm - last).clamp(-120.0, 120.0);
        last
    });
    (format!("{low:.0} to {high:.0}"), eased.collect())
}

impl Engine {
    fn new(random: &mut Random, sensors: usize, seconds: f64, running: Running, fault: Fault) -> (Self, String) {
        let rate_hz = random.pick(&[44_100.0, 44_100.0, 48_000.0, 48_000.0, 96_000.0, 100_000.0, 200_000.0]);
        let cylinders: usize = if sensors == 1 { random.pick(&[1, 2, 3, 4]) } else { random.pick(&[2, 3, 4, 5, 6, 8]) };
        let mut order: Vec<u16> = (1..=cylinders as u16).collect();
        for k in (2..order.len()).rev() {
            order.swap(k, 1 + (random.uniform() * k as f64) as usize);
        }
        let half = cylinders.div_ceil(2) as u16;
        let groups = if sensors == 1 {
            vec![(1..=cylinders as u16).collect()]
        } else {
            vec![(1..=half).collect(), (half + 1..=cylinders as u16).collect()]
        };
        let (said, speeds) = speeds(random, seconds, running);
        let (teeth, missing) = random.pick(&[(60, 2), (36, 1), (60, 2), (36, 2)]);
        let mut deg = random.between(0.0, 720.0);
        let count = (seconds * rate_hz) as usize;
        let mut engine = Self {
            rate_hz,
            cylinders,
            order,
            sensors,
            groups,
            rpm: Vec::with_capacity(count),
            deg: Vec::with_capacity(count),
            heard: Vec::new(),
            teeth,
            missing,
        };
        for n in 0..count {
            let at = n as f64 / rate_hz / STEP_S;
            let (k, part) = (at as usize, at.fract());
            let rpm = speeds[k] + (speeds[(k + 1).min(speeds.len() - 1)] - speeds[k]) * part;
            deg += 6.0 * rpm / rate_hz;
            engine.rpm.push(rpm);
            engine.deg.push(deg);
        }
        engine.hear(random, fault);
        (engine, format!("{rate_hz} Hz, {cylinders} cylinders, {said} rpm, {seconds:.1} s"))
    }

    /// What each sensor would put out without faults.
    fn hear(&mut self, random: &mut Random, fault: Fault) {
        let rate = self.rate_hz;
        let interval_deg = 720.0 / self.cylinders as f64;
        let loud: Vec<f64> = (0..self.cylinders).map(|_| 10.0_f64.powf(random.between(-0.1, 0.1))).collect();
        let (growth, hiss, knock) = (random.between(0.8, 1.8), random.between(0.05, 0.3), random.between(0.3, 2.0));
        let (start_deg, width_deg) = (random.between(3.0, 10.0), random.between(15.0, 35.0));
        let valves = [random.between(200.0, 330.0), random.between(400.0, 600.0)];
        let valve_s = random.between(2e-4, 6e-4);
        // what sounds at the cylinders, each on a line of its own, and in the block
        let mut sources: Vec<Vec<f32>> = vec![vec![0.0; self.deg.len()]; self.cylinders];
        for (place, source) in sources.iter_mut().enumerate() {
            let (mut strike, mut last) = (0.0, [0_i64; 2]);
            let mut strength = 1.0;
            for (n, sample) in source.iter_mut().enumerate() {
                let own = self.deg[n] - place as f64 * interval_deg;
                let after = own.rem_euclid(720.0);
                let mut level = 0.0;
                if (start_deg..start_deg + 3.0 * width_deg).contains(&after) {
                    level = (-0.5 * ((after - start_deg - width_deg) / (0.5 * width_deg)).powi(2)).exp();
                } else {
                    strength = 1.0 + 0.2 * random.noise();
                }
                for (valve, last) in valves.iter().zip(&mut last) {
                    let turn = ((own - valve) / 720.0).floor() as i64;
                    if turn != *last {
                        (*last, strike) = (turn, knock * random.between(0.7, 1.3));
                    }
                }
                strike *= (-1.0 / (valve_s * rate)).exp();
                *sample = ((strength * level + strike) * loud[place] * random.noise()) as f32;
            }
        }
        let (mix, corner_hz) = (random.between(0.2, 1.0), random.between(1500.0, 12_000.0));
        let shakes: Vec<(f64, f64, f64)> = (1..=12)
            .map(|half| {
                (0.5 * f64::from(half), 10.0_f64.powf(random.between(-2.2, -0.8)), random.between(0.0, 2.0 * PI))
            })
            .collect();
        for sensor in 0..self.sensors {
            let way: Vec<(f64, usize)> = (1..=self.cylinders as u16)
                .map(|cylinder| {
                    let own = self.groups[sensor].contains(&cylinder);
                    let gain = if own { random.between(0.8, 1.2) } else { random.between(0.25, 0.5) };
                    (gain, (random.between(2e-5, if own { 1e-4 } else { 3e-4 }) * rate) as usize)
                })
                .collect();
            let clear = |f0_hz: f64| match fault {
                Fault::Tuned { f0_hz: tuned_hz, q } => (f0_hz - tuned_hz).abs() > 1.5 * tuned_hz / q,
                _ => true,
            };
            let mut block: Vec<(Resonator, f64)> = (0..2 + (random.uniform() * 5.0) as usize)
                .map(|_| {
                    let (hz, q) = (random.between(1200.0, (0.42 * rate).min(19_000.0)), random.between(10.0, 40.0));
                    let most_db = if matches!(fault, Fault::Tuned { .. }) { 9.0 } else { 18.0 };
                    (hz, Resonator::new(hz, q, rate), 10.0_f64.powf(random.between(3.0, most_db) / 20.0) - 1.0)
                })
                .filter(|(hz, ..)| clear(*hz))
                .map(|(_, resonator, gain)| (resonator, gain))
                .collect();
            let mut low = Low::new(corner_hz, rate);
            let mut out = Vec::with_capacity(self.deg.len());
            for n in 0..self.deg.len() {
                let share = (self.rpm[n] / 6000.0).powf(growth);
                let mut force = hiss * random.noise();
                for (place, cylinder) in self.order.iter().enumerate() {
                    let (gain, delay) = way[usize::from(*cylinder) - 1];
                    force += gain * f64::from(sources[place][n.saturating_sub(delay)]);
                }
                force *= share;
                force = (1.0 - mix) * force + 2.0 * mix * low.step(force);
                let mut felt = force;
                for (resonator, gain) in &mut block {
                    felt += *gain * resonator.step(force);
                }
                let turn = self.deg[n].to_radians();
                let shaken: f64 = shakes.iter().map(|(order, size, phase)| size * (order * turn + phase).sin()).sum();
                out.push(felt + share * share * shaken);
            }
            self.heard.push(out);
        }
    }

    /// The wheel's teeth at the given angles as a square wave, edges placed within a sample.
    fn wheel(&self, gap_deg_btdc: f64) -> Vec<f64> {
        let pitch = 360.0 / self.teeth as f64;
        let at = |n: usize| {
            let per_sample = 6.0 * self.rpm[n] / self.rate_hz;
            let turned = (self.deg[n] + gap_deg_btdc).rem_euclid(360.0);
            let (tooth, within) = ((turned / pitch) as usize, turned % pitch);
            if tooth >= self.teeth - self.missing {
                // the last tooth's falling edge lies in its own pitch: low throughout the gap
                return -0.4;
            }
            let rise = (within / per_sample - 0.5).clamp(-0.5, 0.5);
            let fall = ((0.5 * pitch - within) / per_sample - 0.5).clamp(-0.5, 0.5);
            0.8 * rise.min(fall)
        };
        (0..self.deg.len()).map(at).collect()
    }

    fn cam(&self, deg_btdc: f64) -> Vec<f64> {
        self.deg.iter().map(|deg| if (deg + deg_btdc).rem_euclid(720.0) < 25.0 { 0.4 } else { -0.1 }).collect()
    }
}

/// Mean square of the Hann-tapered signal at a frequency, and the sum of the taper.
fn bin(samples: &[f64], hz: f64, rate_hz: f64) -> (f64, f64) {
    let (mut re, mut im, mut sum) = (0.0, 0.0, 0.0);
    let turn = 2.0 * PI * hz / rate_hz;
    for (n, sample) in samples.iter().enumerate() {
        let weight = 0.5 - 0.5 * (2.0 * PI * n as f64 / samples.len() as f64).cos();
        re += weight * sample * (turn * n as f64).cos();
        im += weight * sample * (turn * n as f64).sin();
        sum += weight;
    }
    (re * re + im * im, sum)
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_unstable_by(f64::total_cmp);
    values[values.len() / 2]
}

/// Median over stretches of the mean bin power beside a frequency.
fn floor_beside(samples: &[f64], hz: f64, offsets_hz: &[f64], len: usize, rate_hz: f64) -> (f64, f64) {
    let mut sum = 1.0;
    let stretches = samples.chunks_exact(len).map(|stretch| {
        let powers = offsets_hz.iter().map(|off| {
            let (power, weights) = bin(stretch, hz + off, rate_hz);
            sum = weights;
            power
        });
        median(powers.collect()) / LN_2
    });
    (median(stretches.collect()), sum)
}

fn rms(samples: &[f64]) -> f64 {
    (samples.iter().map(|x| x * x).sum::<f64>() / samples.len() as f64).sqrt()
}

/// Mean over stretches of 0.1 s of the level between 2 and 15 kHz, dB (Butterworth sections of the second order by the
/// bilinear transform).
fn band_db(samples: &[f64], rate_hz: f64) -> f64 {
    let section = |hz: f64, high: bool| {
        let k = (PI * hz / rate_hz).tan();
        let norm = 1.0 / (1.0 + k * 2.0_f64.sqrt() + k * k);
        let b = if high { [norm, -2.0 * norm, norm] } else { [k * k * norm, 2.0 * k * k * norm, k * k * norm] };
        (b, [2.0 * (k * k - 1.0) * norm, (1.0 - k * 2.0_f64.sqrt() + k * k) * norm])
    };
    let mut through = samples.to_vec();
    for (b, a) in [section(2000.0, true), section(15_000.0_f64.min(0.45 * rate_hz), false)] {
        let (mut x, mut y) = ([0.0; 2], [0.0; 2]);
        for sample in &mut through {
            let now = b[0] * *sample + b[1] * x[0] + b[2] * x[1] - a[0] * y[0] - a[1] * y[1];
            (x, y) = ([*sample, x[0]], [now, y[0]]);
            *sample = now;
        }
    }
    let stretches: Vec<f64> =
        through.chunks_exact((0.1 * rate_hz) as usize).map(|stretch| 20.0 * rms(stretch).log10()).collect();
    stretches.iter().sum::<f64>() / stretches.len() as f64
}

const GAP_DEG_BTDC: f64 = 84.0;
const CAM_DEG_BTDC: f64 = 60.0;

/// Makes a recording. Without `crank` there is neither wheel nor sheet.
pub fn make(seed: u64, sensors: usize, crank: bool, running: Running, fault: Fault) -> Made {
    let mut random = Random::new(seed);
    let seconds = random.pick(&[5.0, 5.0, 6.0, 8.0, 10.0]);
    let (mut engine, mut said) = Engine::new(&mut random, sensors, seconds, running, fault);
    let rate = engine.rate_hz;
    let wheel = engine.wheel(GAP_DEG_BTDC);
    let mut heard = std::mem::take(&mut engine.heard);
    let last = heard.len() - 1;
    match fault {
        Fault::Tuned { f0_hz, q } => {
            let mut sensor = Resonator::new(f0_hz, q, rate);
            heard[last].iter_mut().for_each(|x| *x = sensor.step(*x));
        }
        Fault::Loaded => {
            let corner_hz = random.between(3400.0, 16_000.0);
            let mut low = Low::new(corner_hz, rate);
            heard[last].iter_mut().for_each(|x| *x -= low.step(*x));
            said += &format!(", corner {corner_hz:.0} Hz");
        }
        Fault::Swapped => heard.swap(0, 1),
        _ => {}
    }
    if sensors == 2 {
        let apart_db = band_db(&heard[1], rate) - band_db(&heard[0], rate) + random.between(-0.2, 0.2);
        let gain_db = if let Fault::Gain(db) = fault { db } else { 0.0 };
        heard[1].iter_mut().for_each(|x| *x *= 10.0_f64.powf((gain_db - apart_db) / 20.0));
    }
    if fault == Fault::Bridged {
        let sum: Vec<f64> = heard[0].iter().zip(&heard[1]).map(|(a, b)| 0.5 * (a + b)).collect();
        let gain = 10.0_f64.powf(random.between(-0.15, 0.15));
        heard[1] = sum.iter().map(|x| gain * x).collect();
        heard[0] = sum;
    }
    let own = &mut heard[last];
    match fault {
        Fault::Hum(db) => {
            let hz = random.pick(&[50.0, 60.0]);
            let offsets = [-11.0, -9.0, -7.0, -5.5, -4.0, 4.0, 5.5, 7.0, 9.0, 11.0];
            let (floor, weights) = floor_beside(own, hz, &offsets, (1.2 * rate) as usize, rate);
            let size = 2.0 * (10.0_f64.powf(0.1 * db) * floor).sqrt() / weights;
            let turn = 2.0 * PI * hz * 1.0002 / rate;
            own.iter_mut().enumerate().for_each(|(n, x)| *x += size * (turn * n as f64).sin());
            said += &format!(", {hz} Hz");
        }
        Fault::Spikes(per_s) => {
            let (level, mut t_s) = (rms(own), random.between(0.0, 1.0) / per_s);
            while t_s < seconds - 0.01 {
                let (at, width) = (t_s * rate, random.between(1e-5, 4e-5) * rate);
                let size = level * random.between(12.0, 30.0) * if random.uniform() < 0.5 { -1.0 } else { 1.0 };
                for n in at as usize..((at + width) as usize + 1).min(own.len()) {
                    own[n] += size;
                }
                t_s += random.between(0.6, 1.4) / per_s;
            }
        }
        Fault::Pickup(db) => {
            let len = (0.085 * rate) as usize;
            let ratios = (0..own.len() / len).map(|k| {
                let part = k * len..(k + 1) * len;
                let hz = engine.teeth as f64 * engine.rpm[part.start + len / 2] / 60.0;
                let beside: Vec<f64> = [-90.0, -75.0, -60.0, 60.0, 75.0, 90.0]
                    .map(|off| bin(&own[part.clone()], hz + off, rate).0)
                    .to_vec();
                median(beside) / LN_2 / bin(&wheel[part], hz, rate).0
            });
            let gain = (10.0_f64.powf(0.1 * db) * median(ratios.collect())).sqrt();
            own.iter_mut().zip(&wheel).for_each(|(x, tooth)| *x += gain * tooth);
        }
        _ => {}
    }
    let peak = heard.iter().flatten().fold(0.0_f64, |most, x| most.max(x.abs()));
    let full = 10.0_f64.powf(-random.between(2.0, 14.0) / 20.0) / peak;
    let noise = 10.0_f64.powf(-random.between(66.0, 85.0) / 20.0);
    for (sensor, samples) in heard.iter_mut().enumerate() {
        let cut = match fault {
            Fault::Clipped(share) if sensor == last => {
                let mut sizes: Vec<f64> = samples.iter().map(|x| x.abs()).collect();
                sizes.sort_unstable_by(f64::total_cmp);
                sizes[((1.0 - share) * sizes.len() as f64) as usize]
            }
            _ => f64::INFINITY,
        };
        samples.iter_mut().for_each(|x| *x = full * x.clamp(-cut, cut) + noise * random.noise());
    }
    let mut planes = heard;
    if crank {
        planes.push(wheel);
        planes.push(engine.cam(CAM_DEG_BTDC));
    }
    let sheet = crank.then(|| sheet(&engine));
    Made { wav: wav(&planes, rate), sheet, said }
}

fn sheet(engine: &Engine) -> Value {
    let sensors: Vec<Value> = engine
        .groups
        .iter()
        .enumerate()
        .map(|(index, cylinders)| json!({"channel": index + 1, "cylinders": cylinders}))
        .collect();
    let wheel = engine.sensors + 1;
    json!({"sheet": 1, "cylinders": engine.cylinders, "strokes": 4, "firing_order": engine.order, "sensors": sensors,
        "crank": {"kind": "missing-tooth", "channel": wheel, "teeth": engine.teeth, "missing": engine.missing,
                  "gap_deg_btdc": GAP_DEG_BTDC, "edge": "rising"},
        "cam": {"kind": "pulse-per-cycle", "channel": wheel + 1, "deg_btdc": CAM_DEG_BTDC, "edge": "rising"}})
}

fn wav(planes: &[Vec<f64>], rate_hz: f64) -> Vec<u8> {
    let (channels, frames) = (planes.len(), planes[0].len());
    let bytes = (2 * channels * frames) as u32;
    let mut out = Vec::with_capacity(44 + bytes as usize);
    out.extend(b"RIFF");
    out.extend((36 + bytes).to_le_bytes());
    out.extend(b"WAVEfmt ");
    out.extend(16_u32.to_le_bytes());
    out.extend(1_u16.to_le_bytes());
    out.extend((channels as u16).to_le_bytes());
    out.extend((rate_hz as u32).to_le_bytes());
    out.extend((rate_hz as u32 * 2 * channels as u32).to_le_bytes());
    out.extend((2 * channels as u16).to_le_bytes());
    out.extend(16_u16.to_le_bytes());
    out.extend(b"data");
    out.extend(bytes.to_le_bytes());
    for n in 0..frames {
        planes
            .iter()
            .for_each(|plane| out.extend(((32_767.0 * plane[n].clamp(-1.0, 1.0)).round() as i16).to_le_bytes()));
    }
    out
}
