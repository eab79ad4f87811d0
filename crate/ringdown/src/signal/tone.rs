//! Tones that fall while they die away: gas that rings and cools does, metal that was struck keeps its pitch.

use super::filter::{Pass, butterworth};
use super::filtfilt::filtfilt;
use super::stft::Stft;
use super::taper::{Shape, Taper};

/// Length of a frame, s: some ten periods of a first mode, and short against the fall of its pitch.
const FRAME_S: f64 = 0.001_92;
/// Frames start so far apart, s.
const HOP_S: f64 = 0.000_16;
/// Hops between two points that must differ in pitch.
const APART: usize = 4;
/// Points in a row that must fall.
const POINTS: usize = 6;
/// A ring starts over this many times the median amplitude of the stretch.
const STANDS_OUT: f64 = 2.0;
/// Lowest and highest pitch at the end over that at the start: gas that cools from 2800 K to 1500 K falls to 0.73.
const FALL: [f64; 2] = [0.73, 0.95];
/// Most that the pitch falls from point to point: more is a jump to another tone.
const STEP: f64 = 0.93;
/// Amplitude left at the end, at most.
const DYING: f64 = 0.6;

/// The strongest tone of a frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tone {
    /// Start of the frame, s from the first sample.
    pub t_s: f64,
    /// Pitch, Hz.
    pub hz: f64,
    /// Root of the mean square of the frame within the band.
    pub rms: f64,
}

/// The strongest tone within `low_hz..high_hz`, frame by frame of 1.92 ms (Hann), 0.16 ms apart. Empty where the band
/// can't be built or there is no whole frame.
pub fn follow(samples: &[f32], sample_rate_hz: f64, low_hz: f64, high_hz: f64) -> Vec<Tone> {
    let Ok(filter) = butterworth(4, Pass::Band { low_hz, high_hz }, sample_rate_hz) else { return Vec::new() };
    let length = (FRAME_S * sample_rate_hz).round() as usize;
    let hop = ((HOP_S * sample_rate_hz).round() as usize).max(1);
    if length < 8 || samples.len() < length {
        return Vec::new();
    }
    let band: Vec<f32> = filtfilt(&filter, samples).into_iter().map(|sample| sample as f32).collect();
    let taper = Taper::periodic(Shape::Hann, length);
    // Eight times as long a transform: the pitch to a sixteenth of the frame's own bin.
    let mut stft = Stft::new(&Taper::periodic(Shape::Rectangle, (8 * length).next_power_of_two()));
    let bin_hz = sample_rate_hz / stft.segment_len() as f64;
    let (mut power, mut tapered) = (vec![0.0; stft.bins()], vec![0.0; length]);
    let one = |(index, frame): (usize, &[f32])| {
        for ((into, sample), weight) in tapered.iter_mut().zip(frame).zip(taper.weights()) {
            *into = sample * *weight as f32;
        }
        stft.power(&tapered, &mut power);
        let bin = (0..power.len()).max_by(|a, b| power[*a].total_cmp(&power[*b])).unwrap_or(0);
        let square = frame.iter().map(|sample| f64::from(*sample).powi(2)).sum::<f64>();
        Tone {
            t_s: (index * hop) as f64 / sample_rate_hz,
            hz: bin as f64 * bin_hz,
            rms: (square / length as f64).sqrt(),
        }
    };
    band.windows(length).step_by(hop).enumerate().map(one).collect()
}

/// Number of each frame from which the tone falls, point by point of 0.64 ms, for 3.2 ms, and dies away.
pub fn falling(track: &[Tone]) -> Vec<usize> {
    let amplitudes: Vec<f64> = track.iter().map(|tone| tone.rms).collect();
    let Some(usual) = crate::stats::robust::median(&amplitudes) else { return Vec::new() };
    let reach = (POINTS - 1) * APART;
    (0..track.len().saturating_sub(reach)).filter(|from| falls(&track[*from..=from + reach], usual)).collect()
}

fn falls(part: &[Tone], usual: f64) -> bool {
    let points: Vec<&Tone> = part.iter().step_by(APART).collect();
    let (Some(first), Some(last)) = (points.first(), points.last()) else { return false };
    let fall = last.hz / first.hz;
    let steady = points.windows(2).all(|two| {
        let step = two[1].hz / two[0].hz;
        (STEP..=1.0).contains(&step) && two[1].rms <= 1.1 * two[0].rms
    });
    first.rms > STANDS_OUT * usual && (FALL[0]..=FALL[1]).contains(&fall) && last.rms < DYING * first.rms && steady
}
