//! The work that is timed, the same for both targets. Each piece returns a figure that its peers must agree with, so that
//! nobody wins by leaving something out.

#[cfg(target_arch = "wasm32")]
mod module;

use ringdown::crank::{Event, track::Segment};
use ringdown::error::Error;
use ringdown::feature::grid::choose::choose;
use ringdown::feature::grid::map::{Mapper, Maps};
use ringdown::feature::grid::separate::{Case, Measure, Separator};
use ringdown::feature::level::Slice;
use ringdown::read::{Source, log::Log, samples::Planes, wave};
use ringdown::signal::filter::{Bank, Pass, Sos, butterworth};
use ringdown::signal::stft::Stft;
use ringdown::signal::taper::{Shape, Taper};

/// Samples of the noise that spectrogram and filters are timed on: ten minutes at 48 kHz.
pub const NOISE_SAMPLES: usize = 28_800_000;
/// Sampling rate the noise stands for, Hz.
pub const RATE_HZ: f64 = 48_000.0;
/// Samples of a transform.
pub const SEGMENT: usize = 1024;
/// Samples between transforms.
pub const HOP: usize = 512;
/// Bands filtered at once: edges in Hz.
pub const BANDS_HZ: [[f64; 2]; 6] = [
    [4_000.0, 5_000.0],
    [5_500.0, 7_000.0],
    [7_000.0, 8_500.0],
    [9_000.0, 11_000.0],
    [12_000.0, 14_000.0],
    [15_000.0, 18_000.0],
];
/// Frames a step takes, as in the card.
const SLICE: usize = 65_536;

/// White noise of deviation 0.1 or so: splitmix64, the sum of two uniform shares. The same on every target.
pub fn noise(count: usize, seed: u64) -> Vec<f32> {
    let mut state = seed;
    let mut share = move || {
        state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 40) as f32 / (1_u32 << 24) as f32
    };
    (0..count).map(|_| 0.25 * (share() - share())).collect()
}

/// Spectrogram in dB into memory that was touched before; returns the mean level, dB.
pub fn spectrogram_mean_db(samples: &[f32], out: &mut Vec<f32>) -> f64 {
    let mut stft = Stft::new(&Taper::periodic(Shape::Hann, SEGMENT));
    let bins = stft.bins();
    out.resize(segments(samples.len()) * bins, 0.0);
    let count = stft.levels_db(samples, HOP, out) * bins;
    mean(&out[..count])
}

/// Eight sums side by side, as in [`squares`].
fn mean(values: &[f32]) -> f64 {
    let mut sums = [0.0_f64; 8];
    let (eights, rest) = values.as_chunks::<8>();
    for eight in eights {
        sums.iter_mut().zip(eight).for_each(|(sum, value)| *sum += f64::from(*value));
    }
    let rest: f64 = rest.iter().map(|value| f64::from(*value)).sum();
    (sums.iter().sum::<f64>() + rest) / values.len().max(1) as f64
}

/// Whole segments in so many samples.
fn segments(samples: usize) -> usize {
    if samples < SEGMENT { 0 } else { (samples - SEGMENT) / HOP + 1 }
}

/// Mean square of each band over stretches of 480 samples, all samples filtered; returns the sum over bands of the mean
/// square, dB.
pub fn bands_db(samples: &[f32]) -> f64 {
    let mut bank = Bank::<f64, { BANDS_HZ.len() }>::new(&filters());
    let mut energies = Vec::with_capacity(samples.len() / 480);
    for stretch in samples.chunks_exact(480) {
        let mut energy = [0.0; BANDS_HZ.len()];
        bank.run(stretch, |outputs| energy.iter_mut().zip(outputs).for_each(|(sum, y)| *sum += y * y));
        energies.push(energy);
    }
    let total: f64 = energies.iter().flatten().sum();
    10.0 * (total / samples.len().max(1) as f64).log10()
}

/// As [`bands_db`] in single precision, energies of a stretch too; two lanes are idle.
pub fn bands_single_db(samples: &[f32]) -> f64 {
    let mut bank = Bank::<f32, 8>::new(&filters());
    let mut energies = Vec::with_capacity(samples.len() / 480);
    for stretch in samples.chunks_exact(480) {
        let mut energy = [0.0; 8];
        bank.run(stretch, |outputs| energy.iter_mut().zip(outputs).for_each(|(sum, y)| *sum += y * y));
        energies.push(energy);
    }
    let total: f64 = energies.iter().flatten().map(|energy: &f32| f64::from(*energy)).sum();
    10.0 * (total / samples.len().max(1) as f64).log10()
}

fn filters() -> Vec<Sos> {
    let band = |&[low_hz, high_hz]: &[f64; 2]| butterworth(4, Pass::Band { low_hz, high_hz }, RATE_HZ).ok();
    BANDS_HZ.iter().filter_map(band).collect()
}

/// Combustions in ten minutes of noise that the search is timed on: four cylinders at 3000 rpm or so.
pub const SEARCH_EVENTS: usize = 20_000;

/// The search over band and window from combustions whose angle is known: their maps, all cells, the choice. Half of the
/// events stand for safe running. Returns the mean score of all cells.
pub fn search_score(samples: &[f32]) -> f64 {
    let end_s = samples.len() as f64 / RATE_HZ;
    let deg_per_s = 720.0 * SEARCH_EVENTS as f64 / 4.0 / (end_s - 0.2);
    let segment = Segment {
        t_s: vec![0.0, end_s],
        deg: vec![0.0, deg_per_s * end_s],
        turn_known: true,
        error_deg: 0.0,
        ..Segment::default()
    };
    let slice = Slice { samples, first: 0, clip: [-1.0, 1.0] };
    let Some(mut mapper) = Mapper::new(RATE_HZ) else { return f64::NAN };
    let mut maps = Maps { bins: mapper.bins(), ..Maps::default() };
    let mut times = Vec::new();
    for number in 0..SEARCH_EVENTS {
        let deg = 0.1 * deg_per_s + 180.0 * number as f64;
        let t_s = deg / deg_per_s;
        let rpm = (deg_per_s / 6.0) as f32;
        let event = Event {
            t_s,
            deg,
            segment: 0,
            cylinder: Some(1 + (number % 4) as u16),
            pair: None,
            sensor: None,
            rpm,
            rpm_per_s: 0.0,
        };
        if mapper.measure(&slice, &segment, &event, &mut maps.cells).is_ok() {
            maps.events.push(number as u32);
            times.push(t_s);
        }
    }
    let case = |(at, t_s): (usize, &f64)| {
        let number = *maps.events.get(at)? as usize;
        Some(Case {
            group: (number % 4) as u16,
            rpm: 2000.0 + (number % 4000) as f32,
            t_s: *t_s,
            provoked: number >= SEARCH_EVENTS / 2,
            knock: false,
            map: maps.of(at)?,
            bins: maps.bins,
        })
    };
    let cases: Vec<Case> = times.iter().enumerate().filter_map(case).collect();
    let Some(mut separator) = Separator::new(&cases, 4, maps.bins, Measure::Energy, 1e-3) else { return f64::NAN };
    while separator.advance() {}
    let scores = separator.scores();
    let chosen = choose(separator.bands(), separator.spans(), scores, separator.closer(), separator.positives())
        .map_or(0, |choice| choice.best);
    scores.iter().map(|score| f64::from(score.whole)).sum::<f64>() / scores.len().max(1) as f64 + chosen as f64
}

/// A log read whole, with roles, units and clocks; returns the sum of all values.
pub fn log_sum(source: Box<dyn Source>) -> Result<f64, Error> {
    Ok(sum(&Log::read("log.csv", source, None)?.value))
}

/// Sum of all values of a log.
pub fn sum(log: &Log) -> f64 {
    log.columns.iter().flat_map(|column| column.values.iter()).filter(|value| value.is_finite()).sum()
}

/// One of so many parts of a recording, from 0, read slice by slice to samples; returns the mean of the squares of all of
/// them.
pub fn wave_mean_square(source: Box<dyn Source>, part: u32, of: u32) -> Result<f64, Error> {
    let mut samples = wave::open("sound.wav", source)?.value;
    let [from, to] = [part, part + 1].map(|at| samples.frames * u64::from(at) / u64::from(of.max(1)));
    let mut planes = Planes::new();
    let (mut next, mut sum) = (from, 0.0);
    while next < to {
        let count = samples.read(next, (to - next).min(SLICE as u64) as usize, &mut planes)?;
        if count == 0 {
            break;
        }
        next += count as u64;
        sum += planes.iter().map(|plane| f64::from(squares(plane))).sum::<f64>();
    }
    Ok(sum / ((next - from).max(1) * samples.channels as u64) as f64)
}

/// Eight sums side by side: one alone would wait for each addition.
pub fn squares(plane: &[f32]) -> f32 {
    let mut sums = [0.0_f32; 8];
    for eight in plane.chunks_exact(8) {
        sums.iter_mut().zip(eight).for_each(|(sum, sample)| *sum += sample * sample);
    }
    sums.iter().sum()
}

/// Reads a source in pieces of 32 MiB, the most one call into a browser brings; returns its length, bytes.
pub fn bare_read(source: &mut dyn Source) -> std::io::Result<u64> {
    let mut piece = vec![0; 32 << 20];
    let mut bytes = 0;
    loop {
        match source.read(&mut piece)? {
            0 => return Ok(bytes),
            count => bytes += count as u64,
        }
    }
}
