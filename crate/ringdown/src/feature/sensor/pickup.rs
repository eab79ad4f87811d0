//! The crank wheel's signal leaking into a sensor's wire.
//!
//! A copy of the wheel's signal keeps its phase to it at every speed: in short segments the sensor's spectrum is compared
//! with the wheel's own around the tooth frequency. Vibration locked to the crank does that too, but fills all orders; so
//! the tooth line must also stand out of what lies beside it.

use crate::signal::fourier::Fourier;
use crate::signal::taper::{Shape, Taper};
use rustfft::num_complex::Complex;
use serde::{Deserialize, Serialize};

/// The wheel's signal in a sensor's.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Pickup {
    /// Lines a turn of the crank; `None` where the speed is not known.
    pub order: Option<f64>,
    /// How far its line stands over the neighbourhood, dB, geometric mean over segments.
    pub db: f64,
    /// Lower end of the 95 % interval of that mean, dB.
    pub low_db: f64,
    /// Upper end, dB.
    pub high_db: f64,
    /// Coherence with the wheel at the line, 0..=1, chance taken off.
    pub coherence: f64,
}

/// The tooth line is looked for above this: below lie the orders that the engine shakes at.
const ABOVE_HZ: f64 = 300.0;
/// Bins of the wheel's line hold at least this share of its largest; at most so many on each side.
const LINE_SHARE: f32 = 0.1;
const LINE_REACH: usize = 40;
/// A phase may creep with frequency: classes three to the octave keep it together.
const CLASSES: usize = 24;
/// Fewest segments of a class, and of all.
const LEAST_IN_CLASS: f64 = 4.0;
const LEAST_SEGMENTS: f64 = 10.0;

#[derive(Debug, Clone, Copy, Default)]
struct Class {
    sum: Complex<f64>,
    count: f64,
}

/// What one sensor has gathered.
#[derive(Default)]
struct Gathered {
    classes: [Class; CLASSES],
    db: f64,
    db_squared: f64,
    count: f64,
}

/// Compares sensors with the wheel, one segment a slice.
pub struct PickupScan {
    sample_rate_hz: f64,
    weights: Vec<f32>,
    wheel: Fourier<f32>,
    sensor: Fourier<f32>,
    orders: Vec<f64>,
    gathered: Vec<Gathered>,
}

/// Orders remembered.
const MOST_ORDERS: usize = 1024;

impl PickupScan {
    /// For slices of some 0.1 s of `sensors` channels.
    pub fn new(sample_rate_hz: f64, sensors: usize) -> Self {
        let len = 1 << ((0.09 * sample_rate_hz) as usize).clamp(64, 1 << 17).ilog2();
        let weights = Taper::periodic(Shape::Hann, len).weights().iter().map(|weight| *weight as f32).collect();
        Self {
            sample_rate_hz,
            weights,
            wheel: Fourier::new(len),
            sensor: Fourier::new(len),
            orders: Vec::new(),
            gathered: (0..sensors).map(|_| Gathered::default()).collect(),
        }
    }

    /// Adds a slice; one shorter than a segment is left out.
    pub fn push(&mut self, wheel: &[f32], sensors: &[&[f32]], rpm: Option<f64>) {
        let len = self.weights.len();
        let Some(wheel) = wheel.get(..len) else { return };
        let wheel = self.wheel.run(wheel, &self.weights);
        let bin_hz = self.sample_rate_hz / len as f64;
        let Some((from, to)) = line_of(wheel, bin_hz) else { return };
        let hz = centre(&wheel[from..to], from) * bin_hz;
        if let Some(rpm) = rpm.filter(|rpm| *rpm > 300.0 && self.orders.len() < MOST_ORDERS) {
            self.orders.push(hz * 60.0 / rpm);
        }
        let class = ((3.0 * (hz / ABOVE_HZ).log2()).max(0.0) as usize).min(CLASSES - 1);
        for (gathered, samples) in self.gathered.iter_mut().zip(sensors) {
            let Some(samples) = samples.get(..len) else { continue };
            gathered.add(wheel, self.sensor.run(samples, &self.weights), [from, to], class);
        }
    }

    /// Per sensor; `None` where there was too little.
    pub fn finish(&self) -> Vec<Option<Pickup>> {
        let order = crate::stats::robust::median(&self.orders).map(f64::round);
        self.gathered.iter().map(|gathered| gathered.pickup(order)).collect()
    }
}

impl Gathered {
    fn add(&mut self, wheel: &[Complex<f32>], sensor: &[Complex<f32>], [from, to]: [usize; 2], class: usize) {
        let (mut product, mut wheel_power, mut power) = (Complex::<f64>::default(), 0.0, 0.0);
        for (w, s) in wheel[from..to].iter().zip(&sensor[from..to]) {
            product += Complex::new(f64::from(w.re), -f64::from(w.im)) * Complex::new(f64::from(s.re), f64::from(s.im));
            wheel_power += f64::from(w.norm_sqr());
            power += f64::from(s.norm_sqr());
        }
        let Some(around) = around(sensor, [from, to]) else { return };
        if power <= 0.0 || wheel_power <= 0.0 || around <= 0.0 {
            return;
        }
        let class = &mut self.classes[class];
        class.sum += product / (power * wheel_power).sqrt();
        class.count += 1.0;
        let db = 10.0 * (power / (to - from) as f64 / around).log10();
        self.db += db;
        self.db_squared += db * db;
        self.count += 1.0;
    }

    fn pickup(&self, order: Option<f64>) -> Option<Pickup> {
        let held = || self.classes.iter().filter(|class| class.count >= LEAST_IN_CLASS);
        let count: f64 = held().map(|class| class.count).sum();
        if count < LEAST_SEGMENTS {
            return None;
        }
        // |sum|^2 of n random phases is n on average: taken off
        let share = |class: &Class| (class.sum.norm_sqr() - class.count) / (class.count - 1.0);
        let coherence = (held().map(share).sum::<f64>() / count).clamp(0.0, 1.0);
        let db = self.db / self.count;
        let error = 1.96 * ((self.db_squared / self.count - db * db).max(0.0) / self.count).sqrt();
        Some(Pickup { order, db, low_db: db - error, high_db: db + error, coherence })
    }
}

/// The bins of the wheel's strongest line.
fn line_of(wheel: &[Complex<f32>], bin_hz: f64) -> Option<(usize, usize)> {
    let first = (ABOVE_HZ / bin_hz) as usize;
    let last = (0.8 * wheel.len() as f64) as usize;
    let at = (first..last).max_by(|a, b| wheel[*a].norm_sqr().total_cmp(&wheel[*b].norm_sqr()))?;
    let least = LINE_SHARE * wheel[at].norm_sqr();
    if least.is_nan() || least <= 0.0 {
        return None;
    }
    let inside = |bin: &usize| wheel[*bin].norm_sqr() >= least;
    let from = (first..=at).rev().take(LINE_REACH).take_while(inside).last()?;
    let to = (at..last).take(LINE_REACH).take_while(inside).last()? + 1;
    Some((from, to))
}

/// Centre of gravity of power.
fn centre(line: &[Complex<f32>], from: usize) -> f64 {
    let power = || line.iter().map(|bin| f64::from(bin.norm_sqr()));
    let moment: f64 = power().enumerate().map(|(k, p)| (from + k) as f64 * p).sum();
    moment / power().sum::<f64>().max(f64::MIN_POSITIVE)
}

/// Mean power beside the line as its median tells it: that of exponentially distributed powers is ln 2 of their mean.
fn around(sensor: &[Complex<f32>], [from, to]: [usize; 2]) -> Option<f64> {
    let width = (2 * (to - from)).max(12);
    let below = sensor.get(from.saturating_sub(width + 4)..from.saturating_sub(4))?;
    let above = sensor.get(to + 4..(to + 4 + width).min(sensor.len()))?;
    let powers: Vec<f64> = below.iter().chain(above).map(|bin| f64::from(bin.norm_sqr())).collect();
    Some(crate::stats::robust::median(&powers)? / std::f64::consts::LN_2)
}
