//! What sensors hear of an engine of known crank angle: noise that swells after each firing, and valves that strike.

use super::engine::{Engine, Random};
use ringdown::crank::blind::{Ears, Loudness};

/// Noise of combustion.
#[derive(Debug, Clone, Copy)]
pub struct Combustion {
    /// Begins so many degrees after TDC.
    pub from_deg: f64,
    pub rise_deg: f64,
    pub fall_deg: f64,
    /// Of its peak over the steady noise, dB.
    pub height_db: f64,
    /// From cycle to cycle, dB.
    pub spread_db: f64,
}

/// A blow once a cycle and cylinder.
#[derive(Debug, Clone, Copy)]
pub struct Valve {
    pub deg_atdc: f64,
    pub decay_s: f64,
    pub height_db: f64,
}

/// Everything a sensor may hear; cylinders in firing order.
pub struct Sound {
    pub firing_deg: Vec<f64>,
    /// `None`: the engine is motored.
    pub combustion: Option<Combustion>,
    pub valves: Vec<Valve>,
    /// Loudness of each cylinder itself, dB.
    pub own_db: Vec<f64>,
}

fn ratio(db: f64) -> f64 {
    10f64.powf(db / 20.0)
}

impl Sound {
    /// Bursts of usual shape, drawn anew for each engine, and two valves a cylinder that strike anywhere away from firing.
    pub fn drawn(firing_deg: &[f64], random: &mut Random) -> Sound {
        let mut between = |low: f64, high: f64| low + (high - low) * random.uniform();
        let combustion = Combustion {
            from_deg: between(-2.0, 8.0),
            rise_deg: between(6.0, 16.0),
            fall_deg: between(18.0, 30.0),
            height_db: between(8.0, 18.0),
            spread_db: between(0.5, 2.0),
        };
        let mut valve = |from: f64, to: f64| Valve {
            deg_atdc: between(from, to),
            decay_s: between(2e-4, 7e-4),
            height_db: between(4.0, 14.0),
        };
        let valves = vec![valve(340.0, 390.0), valve(560.0, 620.0)];
        let own_db = firing_deg.iter().map(|_| between(-1.5, 1.5)).collect();
        Sound { firing_deg: firing_deg.to_vec(), combustion: Some(combustion), valves, own_db }
    }

    /// One channel; `near_db`: how much of each cylinder reaches it.
    pub fn sensor(&self, engine: &Engine, near_db: &[f64], rate_hz: f64, random: &mut Random) -> Vec<f32> {
        let count = self.firing_deg.len();
        let mut strength = vec![1.0; count];
        let mut rings = vec![0.0; count * self.valves.len()];
        let mut last = vec![f64::NEG_INFINITY; count * self.valves.len()];
        let mut cycles = vec![i64::MIN; count];
        (0..(engine.end_s() * rate_hz) as usize)
            .map(|n| {
                let deg = engine.deg_at(n as f64 / rate_hz);
                let mut power = 1.0;
                for (place, firing) in self.firing_deg.iter().enumerate() {
                    let gain = ratio(near_db[place] + self.own_db[place]);
                    if let Some(burst) = self.combustion {
                        let at = deg - firing - burst.from_deg;
                        let after = at.rem_euclid(720.0);
                        let cycle = (at / 720.0).floor() as i64;
                        if cycle != cycles[place] {
                            cycles[place] = cycle;
                            strength[place] = ratio(burst.spread_db * random.normal());
                        }
                        let shape = if after < burst.rise_deg {
                            after / burst.rise_deg
                        } else {
                            ((burst.rise_deg - after) / burst.fall_deg).exp()
                        };
                        power += (gain * strength[place] * ratio(burst.height_db) * shape).powi(2);
                    }
                    for (index, valve) in self.valves.iter().enumerate() {
                        let slot = place * self.valves.len() + index;
                        let cycle = ((deg - firing - valve.deg_atdc) / 720.0).floor();
                        if cycle != last[slot] {
                            last[slot] = cycle;
                            rings[slot] = gain * ratio(valve.height_db + 1.5 * random.normal());
                        }
                        rings[slot] *= (-1.0 / (valve.decay_s * rate_hz)).exp();
                        power += rings[slot] * rings[slot];
                    }
                }
                let speed = (engine.deg_per_s_at(n as f64 / rate_hz) / 18_000.0).powf(1.2);
                (0.003 * speed * power.sqrt() * random.normal()) as f32
            })
            .collect()
    }
}

/// As a survey keeps it.
pub fn loudness(samples: &[f32], rate_hz: f64) -> Loudness {
    let mut ears = Ears::new(rate_hz, vec![1]).expect("a usable rate");
    samples.chunks(4096).for_each(|part| ears.push(&vec![part.to_vec()]));
    ears.finish().remove(0).1
}
