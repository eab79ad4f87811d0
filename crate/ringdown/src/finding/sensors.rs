//! Whether a recorded sensor's signal can be trusted, and what speaks against it.

use crate::feature::modes::Mode;
use crate::feature::sensor::{Difference, Gain, Listened, SensorFeatures};
use serde::Serialize;

/// What was found of a sensor, with its figures.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum Kind {
    /// `share` of the running it carries no engine.
    Dead {
        share: f64,
    },
    Clipped {
        share: f64,
    },
    Quantised {
        bits: f64,
    },
    Offset {
        value: f64,
    },
    Hum {
        hz: f64,
        db: f64,
        low: f64,
        high: f64,
    },
    Spikes {
        per_s: f64,
        low: f64,
        high: f64,
    },
    /// The crank wheel's signal; `order`: lines a turn, where the speed is known.
    Pickup {
        order: Option<f64>,
        db: f64,
        low: f64,
        high: f64,
    },
    /// `against`: channel of the sensor it was compared with; `None`: told by its own slope.
    Loaded {
        db_per_octave: f64,
        low: f64,
        high: f64,
        against: Option<u16>,
    },
    /// `cylinders`: those it really hears best; `db` by how much.
    Swapped {
        cylinders: Vec<u16>,
        db: f64,
        low: f64,
        high: f64,
    },
    /// `with`: channel of the other sensor.
    Bridged {
        coherence: f64,
        with: u16,
    },
    SharplyTuned {
        f0_hz: f64,
        q: f64,
        half_power_hz: f64,
    },
    Unequal {
        db: f64,
        low: f64,
        high: f64,
    },
    LowRate {
        modes_lost: usize,
    },
    LossySource {
        cut_hz: f64,
    },
    /// `share` of the time it stands still, or holds nothing.
    Stuck {
        share: f64,
    },
    Saturated {
        share: f64,
    },
    FollowsSpeed {
        correlation: f64,
        low: f64,
        high: f64,
    },
    /// Against the first level column: in its unit where that is dB, else 20 log10 of the ratio.
    Imbalanced {
        db: f64,
        low: f64,
        high: f64,
    },
    Slow {
        rate_hz: f64,
    },
    /// `share` of samples far under the usual level of their speed.
    Snapshot {
        share: f64,
    },
}

/// How much a finding weighs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Weight {
    /// Worth saying.
    Noted,
    /// Check it before trusting what follows.
    Look,
    /// The signal can't be trusted.
    Distrust,
}

/// Share of clipped samples from which on single cycles may be cut.
const CLIPPED_SHARE: f64 = 1e-4;
/// Share from which on the signal can't be trusted: about one cycle in ten has a clipped window.
const CLIPPED_BADLY: f64 = 1e-2;
/// Fewer effective bits bury the background in converter steps.
const FEWEST_BITS: f64 = 7.0;
/// Offset that eats a noticeable part of the range.
const OFFSET: f64 = 0.05;
/// Hum that stands this far out is heard in the band's skirts, dB.
const HUM_DB: f64 = 6.0;
/// Gain difference worth saying, dB, and the least its interval may hold.
const UNEQUAL_DB: f64 = 1.0;
const UNEQUAL_LEAST_DB: f64 = 0.3;
/// Fewer spikes are a door slammed near the wire: how many, and how often.
const FEWEST_SPIKES: u64 = 5;
const SPIKES_PER_S: f64 = 0.25;
/// The wheel's line is a copy of the wheel's signal from this coherence and this height on.
const PICKUP_COHERENCE: f64 = 0.4;
const PICKUP_DB: f64 = 3.0;
/// One signal on two wires is alike in phase over nearly all of the spectrum.
const BRIDGED: f64 = 0.85;
/// A capacitive sensor on too low a resistance loses 6 dB an octave below the corner the two make. No engine's own noise
/// rises like that from 200 Hz to 2 kHz, and two sensors on one block differ by less (common practice, no source).
const LOADED_ALONE: [f64; 2] = [4.5, 8.0];
const LOADED_AGAINST: f64 = 3.0;
/// A channel that moves so little (dB) while another moves so much hears no engine.
const STANDS_DB: f64 = 1.5;
const MOVES_DB: f64 = 6.0;
/// Sensors are swapped if each hears the other's cylinders better by this, dB, and by so many standard errors: over all of
/// the combustion's sound and over its later part, since valves of other cylinders may close in either, as loud as it.
const SWAPPED_DB: f64 = 1.0;
const SWAPPED_ERRORS: f64 = 4.0;
/// Fewest combustions of a cylinder for that; the error of a mean takes 1.96 for its 95 % interval.
const FEWEST_EVENTS: u64 = 10;

impl Kind {
    /// How much it weighs.
    pub fn weight(&self) -> Weight {
        match self {
            Kind::Dead { .. }
            | Kind::SharplyTuned { .. }
            | Kind::Stuck { .. }
            | Kind::Bridged { .. }
            | Kind::Swapped { .. } => Weight::Distrust,
            Kind::Clipped { share } if *share >= CLIPPED_BADLY => Weight::Distrust,
            Kind::LowRate { modes_lost } if *modes_lost >= 6 => Weight::Distrust,
            Kind::Unequal { .. } | Kind::LowRate { .. } => Weight::Noted,
            _ => Weight::Look,
        }
    }
}

/// What a recorded sensor is judged by, besides its own figures.
pub struct Context<'a> {
    /// Modes of the bore, if known.
    pub modes: Option<&'a [Mode]>,
    /// Sampling rate.
    pub sample_rate_hz: f64,
    /// All sensors of the recording.
    pub sensors: &'a [(u16, Listened)],
    /// The place of the one judged among them.
    pub own: usize,
    /// The cylinders each should hear, where the sheet says so.
    pub cylinders: &'a [Option<Vec<u16>>],
}

/// Judges a recorded sensor.
pub fn recorded(listened: &Listened, context: &Context<'_>) -> Vec<Kind> {
    let features = &listened.features;
    if features.dead.is_some() || stands_alone(listened, context) {
        return vec![Kind::Dead { share: 1.0 }];
    }
    let mut kinds = Vec::new();
    if let Some(share) = listened.silent_share {
        kinds.push(Kind::Dead { share });
    }
    if let Some(resonance) = &features.resonance {
        let (f0_hz, q) = (resonance.f0_hz, resonance.q);
        kinds.push(Kind::SharplyTuned { f0_hz, q, half_power_hz: f0_hz / q });
    }
    kinds.extend(bridged(listened, context));
    kinds.extend(swapped(context));
    converted(features, &mut kinds);
    disturbed(listened, &mut kinds);
    kinds.extend(loaded(listened, context));
    let too_low = |mode: &&Mode| mode.hz_high > 0.5 * context.sample_rate_hz;
    let modes_lost = context.modes.unwrap_or_default().iter().filter(too_low).count();
    if modes_lost > 0 {
        kinds.push(Kind::LowRate { modes_lost });
    }
    let apart = |gain: &Gain| {
        gain.db.abs() > UNEQUAL_DB && (gain.low_db > UNEQUAL_LEAST_DB || gain.high_db < -UNEQUAL_LEAST_DB)
    };
    if let Some(gain) = listened.gain.filter(apart) {
        kinds.push(Kind::Unequal { db: gain.db, low: gain.low_db, high: gain.high_db });
    }
    kinds
}

/// What the converter and what came before it did.
fn converted(features: &SensorFeatures, kinds: &mut Vec<Kind>) {
    if features.clipped_share > CLIPPED_SHARE {
        kinds.push(Kind::Clipped { share: features.clipped_share });
    }
    if features.bits < FEWEST_BITS {
        kinds.push(Kind::Quantised { bits: features.bits });
    }
    if features.offset.abs() > OFFSET {
        kinds.push(Kind::Offset { value: features.offset });
    }
    if let Some(cut_hz) = features.cut_hz {
        kinds.push(Kind::LossySource { cut_hz });
    }
}

/// What leaked into the wire.
fn disturbed(listened: &Listened, kinds: &mut Vec<Kind>) {
    if let Some(hum) = listened.features.hum.filter(|hum| hum.db >= HUM_DB) {
        kinds.push(Kind::Hum { hz: hum.hz, db: hum.db, low: hum.low_db, high: hum.high_db });
    }
    let often = |spikes: &crate::feature::sensor::Spikes| spikes.count >= FEWEST_SPIKES && spikes.per_s >= SPIKES_PER_S;
    if let Some(spikes) = listened.features.spikes.filter(often) {
        kinds.push(Kind::Spikes { per_s: spikes.per_s, low: spikes.low_per_s, high: spikes.high_per_s });
    }
    let copied = |pickup: &crate::feature::sensor::Pickup| {
        pickup.coherence >= PICKUP_COHERENCE && pickup.low_db > 0.0 && pickup.db >= PICKUP_DB
    };
    if let Some(pickup) = listened.pickup.filter(copied) {
        kinds.push(Kind::Pickup { order: pickup.order, db: pickup.db, low: pickup.low_db, high: pickup.high_db });
    }
}

/// Whether it stands still while another sensor hears the engine get louder and quieter.
fn stands_alone(listened: &Listened, context: &Context<'_>) -> bool {
    let most = context.sensors.iter().filter_map(|(_, other)| other.moves_db).fold(0.0, f64::max);
    listened.moves_db.is_some_and(|own| own < STANDS_DB) && most > MOVES_DB
}

fn bridged(listened: &Listened, context: &Context<'_>) -> Option<Kind> {
    let closest = listened.beside.iter().filter_map(|beside| Some((beside.coherence?, beside.other)));
    let (coherence, other) = closest.max_by(|a, b| a.0.total_cmp(&b.0))?;
    let with = context.sensors.get(other)?.0;
    (coherence >= BRIDGED).then_some(Kind::Bridged { coherence, with })
}

/// A sensor that is tuned rises towards its peak anyhow: nothing is said of its input.
fn loaded(listened: &Listened, context: &Context<'_>) -> Option<Kind> {
    let tuned = |listened: &Listened| listened.features.resonance.is_some();
    if tuned(listened) {
        return None;
    }
    let against = |place: usize, sign: f64| {
        let (late, early) = if sign > 0.0 { (context.own, place) } else { (place, context.own) };
        let (channel, other) =
            context.sensors.get(place).filter(|(_, other)| !tuned(other) && other.features.dead.is_none())?;
        let beside = if sign > 0.0 { listened } else { other };
        let slope = beside.beside.iter().find(|beside| beside.other == early && late > early)?.slope?;
        let [a, b] = [sign * slope.low, sign * slope.high];
        let (low, high) = (a.min(b), a.max(b));
        let db_per_octave = sign * slope.db_per_octave;
        let rises = db_per_octave >= LOADED_AGAINST && low > 0.5 * LOADED_AGAINST;
        rises.then_some(Kind::Loaded { db_per_octave, low, high, against: Some(*channel) })
    };
    let before = (0..context.own).filter_map(|place| against(place, 1.0));
    let after = (context.own + 1..context.sensors.len()).filter_map(|place| against(place, -1.0));
    let alone = || {
        let slope = listened.features.slope?;
        let [least, most] = LOADED_ALONE;
        let rises = (least..=most).contains(&slope.db_per_octave) && slope.low > 0.5 * least;
        rises.then_some(Kind::Loaded {
            db_per_octave: slope.db_per_octave,
            low: slope.low,
            high: slope.high,
            against: None,
        })
    };
    before.chain(after).next().or_else(alone)
}

/// Whether it hears the cylinders of another sensor better than its own, and that one its.
fn swapped(context: &Context<'_>) -> Option<Kind> {
    let own = context.own;
    (0..context.sensors.len()).filter(|other| *other != own).find_map(|other| {
        let [ours, theirs] = [own, other].map(|place| context.cylinders.get(place)?.as_ref());
        let (ours, theirs) = (ours?, theirs?);
        let (late, early) = (own.max(other), own.min(other));
        let (_, listened) = context.sensors.get(late)?;
        if listened.hears.iter().any(|heard| heard.events < FEWEST_EVENTS) {
            return None;
        }
        let beside = listened.beside.iter().find(|beside| beside.other == early)?;
        let sign = if own > other { 1.0 } else { -1.0 };
        // how much better it hears the other's cylinders than its own, compared with the other sensor
        let better = |of: fn(&Difference) -> (f64, f64)| {
            let (ours_db, ours_error) = mean_difference(&beside.by_cylinder, ours, theirs, of)?;
            let (theirs_db, theirs_error) = mean_difference(&beside.by_cylinder, theirs, ours, of)?;
            Some((sign * (theirs_db - ours_db), ours_error.hypot(theirs_error)))
        };
        let both = [better(|one| (one.db, one.error_db))?, better(|one| (one.later_db, one.later_error_db))?];
        let (db, error) = both.into_iter().min_by(|a, b| a.0.total_cmp(&b.0))?;
        let half = 1.96 * error;
        let surely = both.iter().all(|(db, error)| *db > SWAPPED_DB.max(SWAPPED_ERRORS * error));
        surely.then(|| Kind::Swapped { cylinders: theirs.clone(), db, low: db - half, high: db + half })
    })
}

/// Mean over the cylinders of one list that are not in the other, with its standard error.
fn mean_difference(
    by_cylinder: &[Difference],
    of: &[u16],
    not: &[u16],
    pick: fn(&Difference) -> (f64, f64),
) -> Option<(f64, f64)> {
    let held = by_cylinder.iter().filter(|one| of.contains(&one.cylinder) && !not.contains(&one.cylinder));
    let (mut sum, mut squares, mut count) = (0.0, 0.0, 0.0);
    for one in held {
        let (db, error_db) = pick(one);
        sum += db;
        squares += error_db * error_db;
        count += 1.0;
    }
    (count > 0.0).then(|| (sum / count, f64::sqrt(squares) / count))
}
