//! Which of the two turns, where no cam tells: the sensors hear which cylinder fires.
//!
//! A cylinder is louder in the sensor that the sheet gives to it than in the others, and louder when it fires than when it
//! only changes its gas (common practice, no source). Each place of the turn is compared with the same place of the turns
//! before and after. Valves of the cylinder that does not fire close in the same window and say the opposite, loudest
//! without load: only slow cycles with loud combustion are asked, and all but one part of the window have to agree, for a
//! blow is shorter than the window.

use super::blind::Loudness;
use super::track::Segment;
use crate::read::sheet::Sheet;
use crate::stats::special::binomial_at_least;

/// Confidence that a turn named so is right, as said on the card; half of the rest for either turn.
pub const CONFIDENCE: f64 = 0.999;
/// Cycles in a group: its mean has one vote.
const GROUP: usize = 4;
/// Least mean difference, dB: where the sensors' difference is compared, in which the strength of a combustion drops out;
/// where one sensor compares two cylinders, which may differ of themselves; where it compares firing with not firing.
const LEAST_DB: [f64; 3] = [1.0, 4.0, 2.0];
/// All parts of the window but one, and each place of the turn, must have so much of that of their own.
const OWN_SHARE: f64 = 0.3;
/// Faster, a blow rings on through the whole window, 1/min.
const FASTEST_RPM: f64 = 3400.0;
/// How far the sound after the TDCs lies over that before them, dB, in a cycle that is asked.
const LOUD_DB: f64 = 2.0;
/// The sound of combustion, degrees after TDC, in so many parts; and what it is held against.
const HEARD_DEG: [f64; 2] = [5.0, 50.0];
const PARTS: usize = 5;
const BEFORE_DEG: [f64; 2] = [-50.0, -14.0];
/// Firing angles nearer than this are one place.
const SAME_DEG: f64 = 1.0;
/// How loud a cylinder counts in a sensor that the sheet gives to others.
const FOREIGN: f64 = 0.5;

/// Degrees by which a segment has to be shifted for its turns to be right, 0 or 360; `None` where the sensors do not tell.
pub fn turn(segment: &Segment, sheet: &Sheet, voices: &[(u16, &Loudness)]) -> Option<f64> {
    let places = places(sheet, voices)?;
    let (from, to) = segment.span_deg()?;
    let cycles = ((from / 720.0).ceil() as i64 + 1)..((to / 720.0).floor() as i64 - 1);
    let mut asked: Vec<Cycle> = cycles
        .filter_map(|cycle| Cycle::hear(segment, voices, &places, cycle as f64 * 720.0))
        .filter(|cycle| cycle.loud_db >= LOUD_DB)
        .collect();
    let mut loud: Vec<f64> = asked.iter().map(|cycle| cycle.loud_db).collect();
    loud.sort_by(f64::total_cmp);
    let middle = *loud.get(loud.len() / 2)?;
    asked.retain(|cycle| cycle.loud_db >= middle);
    let mean = |said: &dyn Fn(&Cycle) -> f64| asked.iter().map(said).sum::<f64>() / asked.len().max(1) as f64;
    let whole = mean(&Cycle::mean);
    let sign = whole.signum();
    let least_db = places.iter().map(|place| place.least_db).fold(0.0, f64::max);
    let own_db = OWN_SHARE * least_db;
    let by_part = (0..PARTS).filter(|part| sign * mean(&|cycle| cycle.part(*part)) >= own_db).count() >= PARTS - 1;
    let by_place = (0..places.len()).all(|place| sign * mean(&|cycle| cycle.place(place)) >= own_db);
    let votes = asked.chunks_exact(GROUP).map(|group| sign * group.iter().map(Cycle::mean).sum::<f64>() > 0.0);
    let (agreeing, all) = votes.fold((0_u32, 0_u32), |(agreeing, all), vote| (agreeing + u32::from(vote), all + 1));
    // The sign test: were the turn the other one, a group would speak for this one in half of all cases at the most.
    let sure = all > 0 && binomial_at_least(f64::from(agreeing), f64::from(all), 0.5) <= 0.5 * (1.0 - CONFIDENCE);
    (sure && by_part && by_place && sign * whole >= least_db).then_some(if sign > 0.0 { 0.0 } else { 360.0 })
}

/// What one cycle says: by how many dB it speaks for its turns as they are counted, for each place and part of the window.
struct Cycle {
    said: Vec<[f64; PARTS]>,
    /// After the TDCs over before them.
    loud_db: f64,
}

impl Cycle {
    fn hear(segment: &Segment, voices: &[(u16, &Loudness)], places: &[Place], cycle_deg: f64) -> Option<Cycle> {
        if segment.rpm_between(cycle_deg, cycle_deg + 720.0)? > FASTEST_RPM {
            return None;
        }
        let said = places.iter().map(|place| place.said(segment, voices, cycle_deg)).collect::<Option<Vec<_>>>()?;
        let mut over = Vec::new();
        for place in places {
            for deg in [place.deg, place.deg + 360.0] {
                for (_, voice) in voices {
                    let level = |range| loudness(segment, voice, cycle_deg + deg, range);
                    over.push(level(HEARD_DEG)? - level(BEFORE_DEG)?);
                }
            }
        }
        Some(Cycle { said, loud_db: over.iter().sum::<f64>() / over.len().max(1) as f64 })
    }

    fn place(&self, place: usize) -> f64 {
        self.said.get(place).map_or(0.0, |parts| parts.iter().sum::<f64>() / PARTS as f64)
    }

    fn part(&self, part: usize) -> f64 {
        self.said.iter().filter_map(|parts| parts.get(part)).sum::<f64>() / self.said.len().max(1) as f64
    }

    fn mean(&self) -> f64 {
        (0..PARTS).map(|part| self.part(part)).sum::<f64>() / PARTS as f64
    }
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
    /// By how many dB each part of the window speaks for the turns as they are counted; the mean of the turns before and
    /// after takes out a steady rise.
    fn said(&self, segment: &Segment, voices: &[(u16, &Loudness)], cycle_deg: f64) -> Option<[f64; PARTS]> {
        let mut said = [0.0; PARTS];
        let width_deg = (HEARD_DEG[1] - HEARD_DEG[0]) / PARTS as f64;
        for ((_, voice), weight) in voices.iter().zip(&self.weights).filter(|(_, weight)| **weight != 0.0) {
            for (part, sum) in said.iter_mut().enumerate() {
                let from = HEARD_DEG[0] + part as f64 * width_deg;
                let level = |turn: f64| {
                    let deg = cycle_deg + self.deg + 360.0 * turn;
                    loudness(segment, voice, deg, [from, from + width_deg])
                };
                *sum += weight * (level(0.0)? - 0.5 * (level(-1.0)? + level(1.0)?));
            }
        }
        Some(said)
    }
}

/// Mean dB between two angles after a TDC.
fn loudness(segment: &Segment, voice: &Loudness, tdc_deg: f64, [from, to]: [f64; 2]) -> Option<f64> {
    const POINTS: usize = 4;
    let (from_s, to_s) = (segment.time_at(tdc_deg + from)?, segment.time_at(tdc_deg + to)?);
    let at = |k: usize| voice.at(from_s + (to_s - from_s) * (k as f64 + 0.5) / POINTS as f64);
    Some((0..POINTS).map(|k| f64::from(at(k))).sum::<f64>() / POINTS as f64)
}

fn apart(a: f64, b: f64, period: f64) -> f64 {
    ((a - b + 0.5 * period).rem_euclid(period) - 0.5 * period).abs()
}
