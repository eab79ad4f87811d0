//! A sensor that hears an engine's combustions as bursts of noise.

use super::engine::{Engine, Random};

/// Sampling rate of these sensors.
pub const RATE_HZ: f64 = 32_000.0;

/// Noise of a sensor: white, louder after each firing it hears, the more the faster the engine turns. `heard`: share of each
/// cylinder's burst, in firing order. Bursts last 40 to 90 degrees and differ by 1.5 dB from cycle to cycle.
pub fn sensor(engine: &Engine, heard: &[f64], random: &mut Random) -> Vec<f32> {
    let spacing = 720.0 / heard.len() as f64;
    let mut strength = vec![1.0; heard.len()];
    let mut last = usize::MAX;
    (0..(engine.end_s() * RATE_HZ) as usize)
        .map(|i| {
            let t = i as f64 / RATE_HZ;
            let deg = engine.deg_at(t);
            let speed = engine.deg_per_s_at(t) / 18_000.0;
            let place = (deg.rem_euclid(720.0) / spacing) as usize % heard.len();
            if place != last {
                strength[place] = (0.17 * random.normal()).exp();
                last = place;
            }
            let after = deg.rem_euclid(spacing);
            // Rises by 12 degrees after TDC, gone by 60.
            let burst = (after / 12.0).min(1.0) * (-((after - 12.0).max(0.0) / 25.0).powi(2)).exp();
            let level = 0.01 * speed.powf(1.3) * (1.0 + 1.6 * heard[place] * strength[place] * burst) + 0.0003;
            (level * random.normal()) as f32
        })
        .collect()
}
