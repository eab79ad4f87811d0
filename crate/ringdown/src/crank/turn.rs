//! Which of the two turns, where no cam tells: the sensors hear which cylinder fires.
//!
//! A cylinder is louder in the sensor that the sheet gives to it than in the others, and louder when it fires than when it
//! only changes its gas (common practice, no source). Each place of the turn is compared with the same place of the turns
//! before and after; over the cycles of an unbroken segment the difference must keep its sign by far more than chance.

use super::blind::Loudness;
use super::track::Segment;
use crate::read::sheet::Sheet;

/// Confidence that a turn named so is right, as said on the card.
pub const CONFIDENCE: f64 = 0.999;
/// Standard errors that the mean must lie off zero; with [`FEWEST`] independent cycles Student's t puts 5e-5 beyond.
const CLEAR: f64 = 5.0;
/// Fewest cycles, counted as independent ones.
const FEWEST: f64 = 16.0;
/// Least mean difference, dB: where the sensors' difference is compared, in which the strength of a combustion drops out;
/// where one sensor compares two cylinders, which may differ of themselves; where it compares firing with not firing.
const LEAST_DB: [f64; 3] = [1.0, 4.0, 2.0];
/// A place of the turn, or a stretch of so many cycles, that says the opposite by so many standard errors forbids a name.
const AGAINST: f64 = 2.5;
const STRETCH: usize = 24;
/// The sound of combustion, degrees after TDC.
const HEARD_DEG: [f64; 2] = [5.0, 50.0];
/// Firing angles nearer than this are one place.
const SAME_DEG: f64 = 1.0;
/// How loud a cylinder counts in a sensor that the sheet gives to others.
const FOREIGN: f64 = 0.5;

/// Degrees by which a segment has to be shifted for its turns to be right, 0 or 360; `None` where the sensors do not tell.
pub fn turn(segment: &Segment, sheet: &Sheet, voices: &[(u16, &Loudness)]) -> Option<f64> {
    let places = places(sheet, voices)?;
    let (from, to) = segment.span_deg()?;
    let cycles = ((from / 720.0).ceil() as i64 + 1)..((to / 720.0).floor() as i64 - 1);
    let rows: Vec<Vec<f64>> = cycles
        .filter_map(|cycle| places.iter().map(|place| place.said(segment, voices, cycle as f64 * 720.0)).collect())
        .collect();
    let mean_row: Vec<f64> = rows.iter().map(|row| row.iter().sum::<f64>() / row.len() as f64).collect();
    let whole = Sample::of(&mean_row);
    let sign = whole.mean.signum();
    let least_db = places.iter().map(|place| place.least_db).fold(0.0, f64::max);
    let clear = whole.independent >= FEWEST && sign * whole.mean >= least_db && sign * whole.t() >= CLEAR;
    let opposes = |values: &[f64]| sign * Sample::of(values).t() < -AGAINST;
    let mut by_place = (0..places.len()).map(|k| rows.iter().filter_map(|row| row.get(k).copied()).collect::<Vec<_>>());
    let contradicted = by_place.any(|values| opposes(&values)) || mean_row.chunks(STRETCH).any(opposes);
    (clear && !contradicted).then_some(if sign > 0.0 { 0.0 } else { 360.0 })
}

/// A TDC of the first turn, with what each voice is expected to say of it against the turn after.
struct Place {
    deg: f64,
    /// One a voice: louder here than a turn later, or less.
    weights: Vec<f64>,
    least_db: f64,
}

/// Places at which some voice is expected to hear a difference; `None` where there are none.
fn places(sheet: &Sheet, voices: &[(u16, &Loudness)]) -> Option<Vec<Place>> {
    let firing = sheet.firing().filter(|_| sheet.cycle_deg() > 360.0)?;
    let mut degs: Vec<f64> = Vec::new();
    for (_, deg) in &firing {
        let deg = deg.rem_euclid(360.0);
        if degs.iter().all(|known| apart(*known, deg, 360.0) >= SAME_DEG) {
            degs.push(deg);
        }
    }
    let fires = |deg: f64| firing.iter().find(|firing| apart(firing.1, deg, 720.0) < SAME_DEG).map(|firing| firing.0);
    let listed = |channel: u16| {
        let sensor = sheet.sensors.iter().flatten().find(|sensor| sensor.channel == channel);
        sensor.and_then(|sensor| sensor.cylinders.as_ref())
    };
    let loud = |channel: u16, cylinder: Option<u16>| match (cylinder, listed(channel)) {
        (None, _) => 0.0,
        (Some(cylinder), Some(own)) if !own.contains(&cylinder) => FOREIGN,
        (Some(_), _) => 1.0,
    };
    let place = |deg: f64| {
        let (here, there) = (fires(deg), fires(deg + 360.0));
        let weights: Vec<f64> =
            voices.iter().map(|(channel, _)| loud(*channel, here) - loud(*channel, there)).collect();
        let sum = weights.iter().sum::<f64>().abs();
        let total: f64 = weights.iter().map(|weight| weight.abs()).sum();
        let kind = match () {
            () if here.is_none() || there.is_none() => 2,
            () if sum < 1e-9 => 0,
            () => 1,
        };
        (total > 0.0).then(|| Place {
            deg,
            weights: weights.iter().map(|weight| weight / total).collect(),
            least_db: LEAST_DB[kind],
        })
    };
    let places: Vec<Place> = degs.into_iter().filter_map(place).collect();
    (!places.is_empty()).then_some(places)
}

impl Place {
    /// By how many dB the cycle at `cycle_deg` speaks for its turns as they are counted; the mean of the turns before and
    /// after takes out a steady rise.
    fn said(&self, segment: &Segment, voices: &[(u16, &Loudness)], cycle_deg: f64) -> Option<f64> {
        let mut sum = 0.0;
        for ((_, voice), weight) in voices.iter().zip(&self.weights).filter(|(_, weight)| **weight != 0.0) {
            let level = |turn: f64| loudness(segment, voice, cycle_deg + self.deg + 360.0 * turn);
            sum += weight * (level(0.0)? - 0.5 * (level(-1.0)? + level(1.0)?));
        }
        Some(sum)
    }
}

/// Mean dB after a TDC.
fn loudness(segment: &Segment, voice: &Loudness, deg: f64) -> Option<f64> {
    const POINTS: usize = 12;
    let [from_s, to_s] = HEARD_DEG.map(|after| segment.time_at(deg + after));
    let (from_s, to_s) = (from_s?, to_s?);
    let at = |k: usize| voice.at(from_s + (to_s - from_s) * (k as f64 + 0.5) / POINTS as f64);
    Some((0..POINTS).map(|k| f64::from(at(k))).sum::<f64>() / POINTS as f64)
}

fn apart(a: f64, b: f64, period: f64) -> f64 {
    ((a - b + 0.5 * period).rem_euclid(period) - 0.5 * period).abs()
}

/// Mean and its standard error, with neighbours' likeness allowed for.
struct Sample {
    mean: f64,
    error: f64,
    independent: f64,
}

impl Sample {
    /// # Source
    /// Effective size n (1 - r) / (1 + r) for a first-order autoregressive series of lag-one correlation r: G. V. Bayley and
    /// J. M. Hammersley, Suppl. J. R. Stat. Soc. 8 (1946) 184-197 (from memory). A negative r is not made use of.
    fn of(values: &[f64]) -> Sample {
        let count = values.len() as f64;
        let mean = values.iter().sum::<f64>() / count.max(1.0);
        let off: Vec<f64> = values.iter().map(|value| value - mean).collect();
        let squares: f64 = off.iter().map(|x| x * x).sum();
        let products: f64 = off.iter().zip(off.iter().skip(1)).map(|(a, b)| a * b).sum();
        let alike = if squares > 0.0 { (products / squares).clamp(0.0, 0.95) } else { 0.0 };
        let independent = count * (1.0 - alike) / (1.0 + alike);
        let variance = squares / (count - 1.0).max(1.0);
        Sample { mean, error: (variance / independent.max(1.0)).sqrt(), independent }
    }

    fn t(&self) -> f64 {
        if self.error > 0.0 { self.mean / self.error } else { 0.0 }
    }
}
