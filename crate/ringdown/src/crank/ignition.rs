//! The wheel's position from an ignition trigger: a logic-level signal whose edge fires one cylinder at an angle that is known.
//!
//! Geometry alone: a spark `deg_btdc` before its cylinder's firing TDC says where that TDC is. Control units aim with the
//! speed before, so that edges scatter while speed changes; their middle minds little.

use super::decode::Note;
use super::pulse::Pulses;
use super::track::Track;
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

/// Listens to the trigger's channel.
pub(super) struct Trigger {
    sheet: Ignition,
    fires: Pulses,
    other: Pulses,
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
    /// Ignition drivers fire as their input falls unless told otherwise (common practice, no source).
    pub fn new(sheet: &Ignition, sample_rate_hz: f64) -> Trigger {
        let fires = sheet.edge.unwrap_or(Edge::Falling);
        let other = if fires == Edge::Falling { Edge::Rising } else { Edge::Falling };
        let pulses = |edge| Pulses::new(Some(edge), None, sample_rate_hz);
        Trigger { sheet: sheet.clone(), fires: pulses(fires), other: pulses(other) }
    }

    /// The next samples.
    pub fn push(&mut self, samples: &[f32]) {
        self.fires.push(samples);
        self.other.push(samples);
    }

    /// Where the reference stands. Angles of the track count from the reference's first edge, `firing` from its first cylinder.
    ///
    /// # Errors
    /// The note to be told where the edges are too few or keep no angle.
    pub fn place(self, track: &Track, firing: &[(u16, f64)], period_deg: f64) -> Result<Spark, Note> {
        let deg_of = |cylinder: u16| firing.iter().find(|f| f.0 == cylinder).map(|f| f.1);
        let angles = |edges_s: &[f64]| -> Vec<f64> {
            edges_s.iter().filter_map(|&t_s| track.segment_at(t_s)?.deg_at(t_s)).collect()
        };
        let [fires, other] = [self.fires, self.other].map(|pulses| angles(&pulses.finish().edges_s));
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
