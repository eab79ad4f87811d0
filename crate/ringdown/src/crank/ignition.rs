//! The wheel's position from an ignition trigger, and the turn: a logic-level signal whose edge fires one cylinder at an angle
//! that is known.
//!
//! Geometry alone: a spark `deg_btdc` before its cylinder's firing TDC says where that TDC is. Control units aim with the
//! speed before, so that edges scatter while speed changes; their middle minds little.

use super::decode::Note;
use super::events::Known;
use super::pulse::Pulses;
use super::track::{Segment, Track};
use crate::read::sheet::{Edge, Ignition};
use crate::stats::order::Arrange;
use std::f64::consts::TAU;

/// Fewest edges worth a position.
const FEWEST: usize = 20;
/// Half of the edges lie this near to their middle, or the angle was not held, degrees.
const STEADY_DEG: f64 = 3.0;
/// Where the other edge is this much steadier than the sheet's, and that one scatters by more than a control unit does, the
/// other is the one that fires: charging begins a fixed time before, hence at another angle at every speed. The ripple of the speed
/// alone may favour either by less.
const STEADIER: f64 = 0.5;
const SCATTER_DEG: f64 = 2.0;
/// What control units that aim by the speed before, drivers and the reading of a timing mark are off by, degrees to either side:
/// common practice, no source.
const OFF_DEG: f64 = 3.0;
/// An edge this near to where the sheet has it is the cylinder's spark: maps move it by less, and a turn is far more.
const NEAR_DEG: f64 = 45.0;
/// Share of the cycles that fire, of a trigger that fires once in each: a control unit leaves some out.
const MANY: f64 = 0.5;
/// As many sparks in the other turn, or far from where one is due, as a share of these, may be noise.
const STRAY: f64 = 0.1;
/// Cycles that must have fired in a segment before its turns are named.
const FEWEST_CYCLES: usize = 12;

/// Listens to the trigger's channel.
pub(super) struct Trigger {
    sheet: Ignition,
    pulses: Pulses,
}

/// What the trigger's channel held.
pub(super) struct Sparks {
    sheet: Ignition,
    /// Edges that fire by the sheet, and the others, seconds, rising.
    fires_s: Vec<f64>,
    other_s: Vec<f64>,
}

/// The position by the trigger.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Spark {
    /// The reference before cylinder 1's firing TDC, degrees.
    pub deg_btdc: f64,
    /// 95 % interval to either side.
    pub within_deg: f64,
    edges: usize,
}

impl Trigger {
    /// For a channel of `sample_rate_hz`.
    pub fn new(sheet: &Ignition, sample_rate_hz: f64) -> Trigger {
        Trigger { sheet: sheet.clone(), pulses: Pulses::both(sample_rate_hz) }
    }

    /// The next samples.
    pub fn push(&mut self, samples: &[f32]) {
        self.pulses.push(samples);
    }

    /// Ends the channel. Ignition drivers fire as their input falls unless told otherwise (common practice, no source).
    pub fn finish(self) -> Sparks {
        let [rising, falling] = self.pulses.finish().map(|edges| edges.edges_s);
        let (fires_s, other_s) =
            if self.sheet.edge == Some(Edge::Rising) { (rising, falling) } else { (falling, rising) };
        Sparks { sheet: self.sheet, fires_s, other_s }
    }
}

impl Sparks {
    /// Where the reference stands. Angles of the track count from the reference's first edge, `firing` from its first cylinder.
    ///
    /// # Errors
    /// The note to be told where the edges are too few or keep no angle.
    pub fn place(&self, track: &Track, firing: &[(u16, f64)], period_deg: f64) -> Result<Spark, Note> {
        let deg_of = |cylinder: u16| firing.iter().find(|f| f.0 == cylinder).map(|f| f.1);
        let angles = |edges_s: &[f64]| -> Vec<f64> {
            edges_s.iter().filter_map(|&t_s| track.segment_at(t_s)?.deg_at(t_s)).collect()
        };
        let (fires, other) = (angles(&self.fires_s), angles(&self.other_s));
        let unclear = |spread_deg| Note::IgnitionUnclear { edges: fires.len(), spread_deg };
        let middle = Middle::of(&fires, period_deg).ok_or(unclear(f64::INFINITY))?;
        // Without a firing order a single cylinder counts as the first.
        let (own, first) = (deg_of(self.sheet.cylinder).unwrap_or(0.0), deg_of(1).unwrap_or(0.0));
        let wrong_edge =
            Middle::of(&other, period_deg).is_some_and(|other| other.spread_deg < STEADIER * middle.spread_deg);
        if fires.len() < FEWEST || middle.spread_deg > STEADY_DEG || (wrong_edge && middle.spread_deg > SCATTER_DEG) {
            return Err(unclear(middle.spread_deg));
        }
        Ok(Spark {
            deg_btdc: (middle.deg + self.sheet.deg_btdc + first - own).rem_euclid(period_deg),
            within_deg: OFF_DEG.hypot(middle.spread_deg),
            edges: fires.len(),
        })
    }

    /// Names the turn of each segment whose angle is known, where the cylinder fires in every second turn.
    ///
    /// Two cylinders with one coil fire in every turn and name none. What does so now and then, or fires elsewhere too,
    /// is no trigger of one cylinder's: one such segment, and none is named.
    pub fn name_turns(&self, segments: &mut [Segment], known: &mut [Known], firing: &[(u16, f64)]) {
        let Some(own) = firing.iter().find(|f| f.0 == self.sheet.cylinder) else { return };
        let due_deg = own.1 - self.sheet.deg_btdc;
        let turns: Vec<Turns> = segments
            .iter()
            .zip(known.iter())
            .map(|(s, known)| if *known == Known::Angle { self.turns(s, due_deg) } else { Turns::default() })
            .collect();
        let all = turns.iter().fold(Turns::default(), Turns::with);
        if !all.is_sequential() {
            return;
        }
        for ((segment, known), turns) in segments.iter_mut().zip(known).zip(&turns) {
            if turns.is_sequential() && turns.fired[turns.own()] >= FEWEST_CYCLES && !turns.slipped {
                // Angles count so that this cylinder is due in even turns.
                known.name(segment, 360.0 * turns.own() as f64);
            }
        }
    }

    /// In which turns of the segment the cylinder fired where it is due.
    fn turns(&self, segment: &Segment, due_deg: f64) -> Turns {
        let Some((from, to)) = segment.span_deg() else { return Turns::default() };
        let first = ((from + NEAR_DEG - due_deg) / 360.0).ceil() as i64;
        let last = ((to - NEAR_DEG - due_deg) / 360.0).floor() as i64;
        let mut turns = Turns::default();
        let mut fired = vec![false; usize::try_from(last - first + 1).unwrap_or(0)];
        for deg in self.fires_s.iter().filter_map(|&t_s| segment.deg_at(t_s)) {
            let turn = ((deg - due_deg) / 360.0).round();
            let place = usize::try_from(turn as i64 - first).ok().and_then(|place| fired.get_mut(place));
            match place {
                Some(fired) if (deg - due_deg - 360.0 * turn).abs() <= NEAR_DEG => *fired = true,
                Some(_) => turns.elsewhere += 1,
                None => {}
            }
        }
        let parity = |place: usize| (first + place as i64).rem_euclid(2) as usize;
        for (place, fired) in fired.iter().enumerate() {
            turns.all[parity(place)] += 1;
            turns.fired[parity(place)] += usize::from(*fired);
        }
        let other = 1 - turns.own();
        let foreign = |place: usize| parity(place) == other && fired[place];
        turns.slipped = (2..fired.len()).any(|place| foreign(place) && foreign(place - 2));
        turns
    }
}

/// Turns counted from where the cylinder is due, even and odd ones.
#[derive(Debug, Clone, Copy, Default)]
struct Turns {
    all: [usize; 2],
    fired: [usize; 2],
    /// Edges far from where it is due.
    elsewhere: usize,
    /// Those that fired less often did so twice running: the count of turns may have slipped.
    slipped: bool,
}

impl Turns {
    /// 0 where the even turns are those that fire.
    fn own(&self) -> usize {
        usize::from(self.fired[1] > self.fired[0])
    }

    fn is_sequential(&self) -> bool {
        let (own, other) = (self.own(), 1 - self.own());
        let share = |count: usize, of: usize| count as f64 / of.max(1) as f64;
        share(self.fired[own], self.all[own]) >= MANY
            && share(self.fired[other], self.fired[own]) <= STRAY
            && share(self.elsewhere, self.fired[own]) <= STRAY
    }

    /// Those of another segment added, whose even turns may be the odd ones here.
    fn with(self, other: &Turns) -> Turns {
        let at = other.own();
        Turns {
            all: [self.all[0] + other.all[at], self.all[1] + other.all[1 - at]],
            fired: [self.fired[0] + other.fired[at], self.fired[1] + other.fired[1 - at]],
            elsewhere: self.elsewhere + other.elsewhere,
            slipped: false,
        }
    }
}

impl Spark {
    /// What there is to say of it, beside the sheet's position if that has one.
    pub fn against(&self, sheet_deg_btdc: Option<f64>, period_deg: f64) -> Note {
        let Spark { deg_btdc, within_deg, edges } = *self;
        match sheet_deg_btdc.map(|sheet| wrap(sheet - deg_btdc, period_deg)) {
            None => Note::OffsetFromIgnition { deg_btdc, within_deg, edges },
            Some(off_deg) if off_deg.abs() > within_deg => {
                Note::OffsetAgainstIgnition { deg_btdc, within_deg, off_deg }
            }
            Some(_) => Note::OffsetConfirmed { deg_btdc, within_deg },
        }
    }
}

/// Median of angles on a circle, and the median distance from it.
struct Middle {
    deg: f64,
    spread_deg: f64,
}

impl Middle {
    /// Around the mean direction; `None` of none.
    fn of(degs: &[f64], period_deg: f64) -> Option<Middle> {
        let angle = |deg: &f64| TAU * deg / period_deg;
        let (sine, cosine): (f64, f64) =
            (degs.iter().map(|d| angle(d).sin()).sum(), degs.iter().map(|d| angle(d).cos()).sum());
        let mean = sine.atan2(cosine) / TAU * period_deg;
        let median = |values: &mut Vec<f64>| {
            values.arrange(f64::total_cmp);
            values.get(values.len() / 2).copied()
        };
        let mut off: Vec<f64> = degs.iter().map(|deg| wrap(deg - mean, period_deg)).collect();
        let middle = median(&mut off)?;
        let mut apart: Vec<f64> = off.iter().map(|off| (off - middle).abs()).collect();
        Some(Middle { deg: mean + middle, spread_deg: median(&mut apart)? })
    }
}

/// Into -half..half of `period`.
fn wrap(deg: f64, period: f64) -> f64 {
    (deg + 0.5 * period).rem_euclid(period) - 0.5 * period
}
