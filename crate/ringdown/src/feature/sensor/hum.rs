//! Hum: mains frequency and its harmonics, which stand still while the engine's orders move.

use crate::signal::filter::{Pass, Running, butterworth};
use crate::signal::segments::Segments;
use crate::signal::stft::Stft;
use crate::signal::taper::{Shape, Taper};
use serde::Serialize;

/// The strongest mains line.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Hum {
    /// Mains frequency: 50 or 60 Hz.
    pub mains_hz: f64,
    /// The line that stands out most: `mains_hz` or one of its first six harmonics.
    pub hz: f64,
    /// Level over the median of its neighbourhood (3 to 12 Hz off), median over time, dB. Chance alone gives some 0-5 dB.
    pub db: f64,
}

const MAINS_HZ: [f64; 2] = [50.0, 60.0];
const HARMONICS: usize = 6;
const LINES: usize = MAINS_HZ.len() * HARMONICS;

/// Rate the signal is brought down to, Hz: lines up to 360 Hz, the low-pass at 450 Hz keeps what would fold out of them.
const LOW_RATE_HZ: f64 = 1600.0;
const KEEP_BELOW_HZ: f64 = 450.0;

/// Bins of 0.5 dB from 0 dB.
const BINS: usize = 160;
const BIN_DB: f64 = 0.5;

/// Collects how far mains lines stand out, segment by segment of about a second.
pub struct HumScan {
    low_pass: Option<Running>,
    every: usize,
    phase: usize,
    segments: Segments,
    stft: Stft,
    power: Vec<f32>,
    bin_hz: f64,
    histograms: [[u32; BINS]; LINES],
}

impl HumScan {
    pub fn new(sample_rate_hz: f64) -> Self {
        let every = ((sample_rate_hz / LOW_RATE_HZ) as usize).max(1);
        let rate_hz = sample_rate_hz / every as f64;
        let len = ((rate_hz * 1.2) as usize).clamp(64, 1 << 14);
        let stft = Stft::new(&Taper::periodic(Shape::Hann, len));
        Self {
            low_pass: butterworth(6, Pass::Low { edge_hz: KEEP_BELOW_HZ }, sample_rate_hz).ok().map(|f| f.start()),
            every,
            phase: 0,
            segments: Segments::new(len, len / 2),
            power: vec![0.0; stft.bins()],
            stft,
            bin_hz: rate_hz / len as f64,
            histograms: [[0; BINS]; LINES],
        }
    }

    pub fn push(&mut self, samples: &[f32], rpm: Option<f64>) {
        let Some(low_pass) = &mut self.low_pass else { return };
        for sample in samples {
            let low = low_pass.step(if sample.is_finite() { f64::from(*sample) } else { 0.0 }) as f32;
            self.phase += 1;
            if self.phase < self.every {
                continue;
            }
            self.phase = 0;
            self.segments.push(&[low], |segment| {
                self.stft.power(segment, &mut self.power);
                add_lines(&self.power, self.bin_hz, rpm, &mut self.histograms);
            });
        }
    }

    pub fn gap(&mut self) {
        self.segments.clear();
        if let Some(low_pass) = &mut self.low_pass {
            low_pass.rest();
        }
    }

    /// The line with the highest median; `None` where no segment could be used.
    pub fn finish(&self) -> Option<Hum> {
        (0..LINES)
            .filter_map(|line| {
                let db = median_db(&self.histograms[line])?;
                Some(Hum { mains_hz: mains_hz(line), hz: line_hz(line), db })
            })
            .max_by(|a, b| a.db.total_cmp(&b.db))
    }
}

fn mains_hz(line: usize) -> f64 {
    MAINS_HZ[line / HARMONICS]
}

fn line_hz(line: usize) -> f64 {
    mains_hz(line) * (line % HARMONICS + 1) as f64
}

/// Half orders of a four-stroke within 1.2 Hz of a line, wider than a bin, would pass for it.
fn order_is_near(hz: f64, rpm: Option<f64>) -> bool {
    let Some(half_order_hz) = rpm.filter(|rpm| *rpm > 300.0).map(|rpm| rpm / 120.0) else { return false };
    let order = (hz / half_order_hz).round().max(1.0);
    (order * half_order_hz - hz).abs() < 1.2
}

fn add_lines(power: &[f32], bin_hz: f64, rpm: Option<f64>, histograms: &mut [[u32; BINS]; LINES]) {
    for (line, histogram) in histograms.iter_mut().enumerate() {
        let hz = line_hz(line);
        if order_is_near(hz, rpm) {
            continue;
        }
        let Some(db) = prominence_db(power, bin_hz, hz) else { continue };
        histogram[((db / BIN_DB) as usize).min(BINS - 1)] += 1;
    }
}

/// Largest power within 1 Hz of the line over the median 3 to 12 Hz off, dB, at least 0.
fn prominence_db(power: &[f32], bin_hz: f64, hz: f64) -> Option<f64> {
    let bin = |hz: f64| (hz / bin_hz).round().max(0.0) as usize;
    let at = power.get(bin(hz - 1.0)..=bin(hz + 1.0))?.iter().copied().fold(0.0_f32, f32::max);
    let [below, above] = [power.get(bin(hz - 12.0)..bin(hz - 3.0))?, power.get(bin(hz + 3.0)..bin(hz + 12.0))?];
    let mut around = [0.0_f32; 64];
    let mut count = 0;
    for (into, value) in around.iter_mut().zip(below.iter().chain(above)) {
        *into = *value;
        count += 1;
    }
    let around = &mut around[..count];
    around.sort_unstable_by(f32::total_cmp);
    let median = f64::from(*around.get(count / 2)?).max(1e-30);
    Some((10.0 * (f64::from(at) / median).log10()).max(0.0))
}

fn median_db(histogram: &[u32; BINS]) -> Option<f64> {
    let all: u32 = histogram.iter().sum();
    let mut below = 0;
    let bin = histogram.iter().position(|count| {
        below += count;
        2 * below >= all
    })?;
    (all > 0).then_some((bin as f64 + 0.5) * BIN_DB)
}
