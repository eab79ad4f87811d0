//! Which missing-tooth wheel a row of edges looks like, with no sheet.

use std::collections::VecDeque;

/// Different wheels kept in mind.
const MOST: usize = 16;
/// Intervals the pitch is told from.
const NEAR: usize = 3;
/// Gaps in a row that must agree.
const AGREE: u32 = 4;

/// Watches intervals and counts which spacing of gaps repeats.
#[derive(Debug, Clone, Default)]
pub struct Recogniser {
    before: Option<f64>,
    pitches: VecDeque<f64>,
    run: u32,
    last: Option<(u32, u32)>,
    tally: Vec<((u32, u32), u32)>,
    /// Intervals seen.
    pub intervals: u64,
    /// Intervals that are a whole number of pitches, or nearly.
    pub regular: u64,
}

impl Recogniser {
    /// The next edge, in samples.
    pub fn take(&mut self, at: f64) {
        let Some(before) = self.before.replace(at) else { return };
        let length = at - before;
        self.intervals += 1;
        let Some(pitch) = self.pitch() else { return self.restart(length) };
        let pitches = length / pitch;
        if (0.7..1.5).contains(&pitches) {
            self.run = self.run.saturating_add(1);
            self.remember(length);
        } else if (1.5..5.5).contains(&pitches) && self.run >= 2 {
            self.gap(pitches.round() as u32);
            self.remember(length / pitches.round());
        } else {
            self.restart(length);
            return;
        }
        self.regular += 1;
    }

    /// Teeth (with the missing ones) and missing of the best fit, when it explains most of the edges.
    pub fn best(&self) -> Option<(u16, u16)> {
        let &((run, gap), count) = self.tally.iter().max_by_key(|entry| entry.1)?;
        let explained = u64::from(count) * u64::from(run + 1);
        let teeth = u16::try_from(run + gap).ok()?;
        (count >= AGREE && explained * 2 > self.intervals).then_some((teeth, gap as u16 - 1))
    }

    /// Median of the last intervals; of two the longer.
    fn pitch(&self) -> Option<f64> {
        let mut near = [f64::INFINITY; NEAR];
        near.iter_mut().zip(&self.pitches).for_each(|(place, pitch)| *place = *pitch);
        near.sort_unstable_by(f64::total_cmp);
        near.get(self.pitches.len() / 2).copied().filter(|pitch| pitch.is_finite())
    }

    fn remember(&mut self, pitch: f64) {
        self.pitches.push_back(pitch);
        if self.pitches.len() > NEAR {
            self.pitches.pop_front();
        }
    }

    fn restart(&mut self, length: f64) {
        self.pitches.clear();
        self.pitches.push_back(length);
        (self.run, self.last) = (0, None);
    }

    fn gap(&mut self, pitches: u32) {
        let this = (self.run, pitches);
        if self.last == Some(this) {
            if let Some(entry) = self.tally.iter_mut().find(|entry| entry.0 == this) {
                entry.1 += 1;
            } else if self.tally.len() < MOST {
                self.tally.push((this, 1));
            }
        }
        self.last = Some(this);
        self.run = 0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn turns(teeth: u32, missing: u32) -> Recogniser {
        let mut recogniser = Recogniser::default();
        for tooth in (0..teeth * 12).filter(|tooth| tooth % teeth < teeth - missing) {
            recogniser.take(f64::from(tooth) * 13.7);
        }
        recogniser
    }

    #[test]
    fn common_wheels_are_told_apart() {
        for (teeth, missing) in [(60, 2), (36, 1), (36, 2), (24, 1), (12, 1), (32, 2)] {
            assert_eq!(turns(teeth, missing).best(), Some((teeth as u16, missing as u16)));
        }
    }

    #[test]
    fn even_teeth_are_no_missing_tooth_wheel() {
        assert_eq!(turns(60, 0).best(), None);
    }
}
