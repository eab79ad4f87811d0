//! How tall pulses were before a sound input clipped them, and how much too early their edges seem for it.
//!
//! What has passed a coupling capacitor has no mean: pulses that last a share d of the time stand d of their height below
//! zero between each other, so that the quiet side tells the height. A step through the recorder's low-pass is passed half
//! way up in its true moment; of a clipped one the middle of what is left is passed before. Clipped before the low-pass, as
//! by an amplifier, a pulse keeps its shape and rings at its top; clipped after it, the top is flat to the last bit.

/// Half waves that the averages look back on.
const BACK: f64 = 64.0;
/// Fewest of each side.
const FEWEST: f64 = 8.0;
/// Share of the samples of a half wave that are its very extreme, where it is clipped and where it is not.
const FLAT: f64 = 0.4;
const ROUND: f64 = 0.1;
/// Rise of a step half way up, in its height a sample: twice the share of the rate that a recorder passes (common practice, no
/// source: nine tenths of the half).
const STEEP: f64 = 0.9;
/// Clipped to less of its height it is something else.
const LEAST_SEEN: f64 = 0.25;

/// Running averages of the half waves of a channel.
#[derive(Debug, Clone, Copy, Default)]
pub struct Clip {
    low: Side,
    high: Side,
}

#[derive(Debug, Clone, Copy, Default)]
struct Side {
    count: f64,
    flat: f64,
    length: f64,
    sum: f64,
}

impl Side {
    fn take(&mut self, half: &HalfWave) {
        self.count = (self.count + 1.0).min(BACK);
        let share = 1.0 / self.count;
        self.flat += share * (half.flat - self.flat);
        self.length += share * (half.length - self.length);
        self.sum += share * (half.length * half.mean - self.sum);
    }
}

/// A half wave that has ended.
#[derive(Debug, Clone, Copy)]
pub struct HalfWave {
    pub high: bool,
    /// Share of its samples that are its very extreme.
    pub flat: f64,
    /// Samples from edge to edge.
    pub length: f64,
    /// Mean sample.
    pub mean: f64,
}

impl Clip {
    /// The next half wave.
    pub fn take(&mut self, half: &HalfWave) {
        if half.high { self.high.take(half) } else { self.low.take(half) }
    }

    /// Samples by which an edge, `rising` or not, seems to come too early where the signal passes `level` and its extent
    /// is `seen`; negative: too late.
    pub fn early(&self, rising: bool, level: f64, seen: f64) -> f64 {
        let clipped = |one: &Side, other: &Side| one.flat >= FLAT && other.flat <= ROUND;
        let (pulse, quiet, up) = match () {
            () if clipped(&self.high, &self.low) => (self.high, self.low, true),
            () if clipped(&self.low, &self.high) => (self.low, self.high, false),
            () => return 0.0,
        };
        if pulse.count < FEWEST || quiet.count < FEWEST {
            return 0.0;
        }
        let outwards = if up { 1.0 } else { -1.0 };
        let below = -outwards * quiet.sum / quiet.length;
        let mut early = 0.0;
        // The pulse seems longer by what its two edges are off.
        for _ in 0..4 {
            let share = (pulse.length - 2.0 * early) / (pulse.length + quiet.length);
            let height = below / share;
            if !(share < 0.5 && height > seen && seen > LEAST_SEEN * height) {
                return 0.0;
            }
            let short = 0.5 * height - below - outwards * level;
            early = (short / (STEEP * height)).clamp(0.0, 0.5 / STEEP).min(0.25 * pulse.length);
        }
        if rising == up { early } else { -early }
    }
}
