//! Firing TDC of each cylinder.

use super::track::{Segment, Track};
use crate::sparing::push_sparingly;
use crate::stats::order::Arrange;
use serde::{Deserialize, Serialize};

/// Firing angles nearer than this, one turn apart, are the two candidates of one place.
const SAME_DEG: f64 = 1.0;

/// Share of the least angle between firings within which two are one.
const TOO_SOON: f64 = 0.6;

/// One combustion event.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Event {
    /// Firing TDC, seconds from the file's start.
    pub t_s: f64,
    /// Crank degrees of the track at TDC.
    pub deg: f64,
    /// Index of the segment in the track.
    pub segment: u32,
    /// Cylinder, from 1; `None` until the turn is known.
    pub cylinder: Option<u16>,
    /// The two candidates where the turn is not known.
    pub pair: Option<[u16; 2]>,
    /// Channel (from 1) that hears it best, where neither is known.
    pub sensor: Option<u16>,
    /// Speed around TDC, 1/min.
    pub rpm: f32,
    /// Rate of change of speed, 1/min per second.
    pub rpm_per_s: f32,
}

/// How much is known of a segment's angles.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Known {
    /// The turn, hence the cylinder.
    Turn,
    /// The angle modulo a turn.
    Angle,
    /// Only the spacing: angles start at a stand-in.
    Spacing,
    /// Nothing that an event could be tied to.
    Nothing,
}

impl Known {
    /// Of a segment whose turn has become known: its angles count `shift_deg` more.
    pub(super) fn name(&mut self, segment: &mut Segment, shift_deg: f64) {
        segment.deg.iter_mut().for_each(|deg| *deg += shift_deg);
        (segment.turn_known, *self) = (true, Known::Turn);
    }
}

/// A place in the period at which combustion is due.
#[derive(Debug, Clone, Copy)]
struct Place {
    deg: f64,
    cylinder: Option<u16>,
    pair: Option<[u16; 2]>,
}

/// Every firing TDC inside the track. `firing`: (cylinder, degrees) in firing order; `known` for each segment.
///
/// Where the turn is not known, only angles at which both turns have a firing cylinder give events: with an odd number
/// of cylinders every second one would be invented.
pub fn events_of(track: &Track, firing: &[(u16, f64)], cycle_deg: f64, known: &[Known]) -> Vec<Event> {
    let mut events = Vec::new();
    for (index, (segment, &known)) in track.segments.iter().zip(known).enumerate() {
        let (places, period) = match known {
            Known::Turn => (single_places(firing, cycle_deg), cycle_deg),
            Known::Angle => (paired_places(firing, true), 360.0),
            Known::Spacing if cycle_deg > 360.0 => (paired_places(firing, false), 360.0),
            Known::Spacing => (unnamed(single_places(firing, cycle_deg)), cycle_deg),
            Known::Nothing => continue,
        };
        let before = events.len();
        add_events(segment, index as u32, &places, period, &mut events);
        // The teeth before a loss had gone astray where two firings come sooner after each other than any do.
        if let (Some(last), Some(first)) = (before.checked_sub(1).and_then(|at| events.get(at)), events.get(before))
            && 6.0 * f64::from(first.rpm) * (first.t_s - last.t_s) < TOO_SOON * nearest_deg(&places, period)
        {
            events.remove(before - 1);
        }
    }
    events
}

/// The least angle from one place to the next.
fn nearest_deg(places: &[Place], period: f64) -> f64 {
    let next = places.iter().skip(1).map(|place| place.deg).chain(places.first().map(|place| place.deg + period));
    places.iter().zip(next).map(|(place, next)| next - place.deg).fold(period, f64::min)
}

/// Every firing of a segment whose angles are relative to a pattern, with its place in the firing order.
pub fn unnamed_events(segment: &Segment, index: u32, firing: &[(u16, f64)], cycle_deg: f64) -> Vec<(Event, u16)> {
    let mut events = Vec::new();
    add_events(segment, index, &single_places(firing, cycle_deg), cycle_deg, &mut events);
    let placed = |event: Event| (Event { cylinder: None, ..event }, event.cylinder.unwrap_or(0));
    events.into_iter().map(placed).collect()
}

fn single_places(firing: &[(u16, f64)], cycle_deg: f64) -> Vec<Place> {
    let place =
        |&(cylinder, deg): &(u16, f64)| Place { deg: deg.rem_euclid(cycle_deg), cylinder: Some(cylinder), pair: None };
    sorted(firing.iter().map(place).collect())
}

fn paired_places(firing: &[(u16, f64)], named: bool) -> Vec<Place> {
    let mut places = Vec::new();
    for (i, &(first, a)) in firing.iter().enumerate() {
        for &(second, b) in firing.iter().skip(i + 1) {
            let apart = (b - a).rem_euclid(720.0);
            if (apart - 360.0).abs() < SAME_DEG {
                places.push(Place { deg: a.rem_euclid(360.0), cylinder: None, pair: named.then_some([first, second]) });
            }
        }
    }
    sorted(places)
}

fn unnamed(places: Vec<Place>) -> Vec<Place> {
    places.into_iter().map(|place| Place { cylinder: None, ..place }).collect()
}

fn sorted(mut places: Vec<Place>) -> Vec<Place> {
    places.arrange(|a, b| a.deg.total_cmp(&b.deg));
    places
}

fn add_events(segment: &Segment, index: u32, places: &[Place], period: f64, events: &mut Vec<Event>) {
    let Some((from, to)) = segment.span_deg() else { return };
    let mut start = (from / period).floor() * period;
    while start <= to {
        let found = places.iter().filter_map(|place| event(segment, index, *place, start + place.deg));
        found.for_each(|event| push_sparingly(events, event));
        start += period;
    }
}

fn event(segment: &Segment, index: u32, place: Place, deg: f64) -> Option<Event> {
    let t_s = segment.time_at(deg)?;
    let rpm = segment.rpm_between(deg - 90.0, deg + 90.0)?;
    Some(Event {
        t_s,
        deg,
        segment: index,
        cylinder: place.cylinder,
        pair: place.pair,
        sensor: None,
        rpm: rpm as f32,
        rpm_per_s: acceleration(segment, deg).unwrap_or(0.0) as f32,
    })
}

/// From the mean speeds of the turn before and the turn after, cut to the segment.
fn acceleration(segment: &Segment, deg: f64) -> Option<f64> {
    let (first, last) = segment.span_deg()?;
    let (from, to) = ((deg - 360.0).max(first), (deg + 360.0).min(last));
    let rise = segment.rpm_between(deg, to)? - segment.rpm_between(from, deg)?;
    let seconds = segment.time_at(0.5 * (deg + to))? - segment.time_at(0.5 * (from + deg))?;
    (seconds > 0.0).then(|| rise / seconds)
}
