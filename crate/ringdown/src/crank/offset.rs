//! The wheel's position against the noise of combustion: heard where the sheet has none, doubted where it says otherwise.

use super::blind::Loudness;
use super::burst::Burst;
use super::decode::{Crank, Note};
use super::pattern::{Anchor, Pattern};
use crate::read::sheet::Sheet;

/// Where the noise of combustion passes half its height, degrees after firing TDC, and how far engines and ignition angles
/// differ in it. It is strongest some 10 to 15 degrees after TDC, passes half its height a little before, and both later where it
/// burns slowly (common practice, no source).
const RISE_DEG_ATDC: f64 = 10.0;
const WITHIN_DEG: f64 = 15.0;
/// How sure it must be that combustion is heard and not two blows, standard errors: to count from it, and to doubt the sheet.
const SURE_TO_COUNT: f64 = 3.0;
const SURE_TO_DOUBT: f64 = 4.0;

/// Where the firing TDCs are by the noise of combustion.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Heard {
    /// They lie so many degrees later than the track's angles have them, modulo `every_deg`.
    pub late_deg: f64,
    /// 95 % interval to either side: what engines differ by, and what the halves of the recording do.
    pub within_deg: f64,
    /// Angle after which firings look alike.
    pub every_deg: f64,
}

impl Heard {
    /// Whether the track's angles lie inside the interval.
    pub fn agrees(&self) -> bool {
        self.late_deg.abs() <= self.within_deg
    }
}

/// Compares, says what was found, and moves angles that count from a stand-in.
pub(super) fn listen(crank: &mut Crank, sheet: &Sheet, voices: &[&Loudness]) -> Option<Heard> {
    let pattern = Pattern::new(sheet.crank.as_ref()?, sheet.cycle_deg())?;
    let stands_in = matches!(pattern.anchor, Anchor::Turn | Anchor::Cycle) && pattern.first_deg.is_none();
    let stands_in = stands_in && !crank.notes.iter().any(|note| matches!(note, Note::OffsetFromIgnition { .. }));
    if !stands_in && crank.notes.contains(&Note::OffsetUnknown) {
        // A pattern that repeats within the turn, without its cam: each segment counts from another tooth.
        return None;
    }
    let order = sheet.firing()?;
    let whole = crank.track.segments.iter().all(|segment| segment.turn_known) || pattern.anchor == Anchor::Cycle;
    let period_deg = if whole { sheet.cycle_deg() } else { 360.0 };
    let firing_deg: Vec<f64> = order.iter().map(|(_, deg)| deg.rem_euclid(period_deg)).collect();
    let burst = Burst::find(&crank.track, voices, &firing_deg, period_deg)?;
    let half_deg = 0.5 * burst.repeat_deg;
    let heard = Heard {
        late_deg: (burst.rise_deg - RISE_DEG_ATDC + half_deg).rem_euclid(burst.repeat_deg) - half_deg,
        within_deg: WITHIN_DEG.hypot(burst.spread_deg),
        every_deg: burst.repeat_deg,
    };
    if stands_in {
        if burst.common < SURE_TO_COUNT {
            return None;
        }
        for segment in &mut crank.track.segments {
            segment.deg.iter_mut().for_each(|deg| *deg -= heard.late_deg);
            segment.error_deg = segment.error_deg.hypot(heard.within_deg);
        }
        let first_deg = order.iter().find(|firing| firing.0 == 1).map_or(0.0, |firing| firing.1);
        let deg_btdc = (heard.late_deg + first_deg).rem_euclid(heard.every_deg.min(period_deg));
        crank.notes.retain(|note| *note != Note::OffsetUnknown);
        crank.notes.push(Note::OffsetHeard { deg_btdc, within_deg: heard.within_deg, every_deg: heard.every_deg });
    } else if !heard.agrees() && burst.common >= SURE_TO_DOUBT {
        crank.notes.push(Note::OffsetDoubtful {
            late_deg: heard.late_deg,
            within_deg: heard.within_deg,
            every_deg: heard.every_deg,
        });
    }
    Some(heard)
}
