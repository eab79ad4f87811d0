//! A first look into a recording that has not been read yet: some samples here and there.

use super::recording::Recording;
use crate::read::samples::Planes;
use crate::signal::envelope::{Columns, columns_of};
use std::rc::Rc;

/// Samples of a look.
const LOOK: u64 = 512;

/// The last one taken: a page asks again whenever something is said of the file.
pub(super) struct Glance {
    range: [u64; 2],
    looks: u64,
    lanes: Rc<Vec<Columns>>,
}

impl Recording {
    /// Extremes of each channel, [`LOOK`] samples from the middle of each of `looks` stretches of frames `from..to`. `None`
    /// where no place costs as little as another, the stretch is empty, or the file can't be read.
    pub fn glance(&self, [from, to]: [u64; 2], looks: usize) -> Option<Rc<Vec<Columns>>> {
        let mut samples = self.samples.borrow_mut();
        if to <= from || !samples.is_plain() {
            return None;
        }
        let looks = (looks as u64).min(to - from);
        let mut held = self.glance.borrow_mut();
        if let Some(same) = held.as_ref().filter(|held| held.range == [from, to] && held.looks == looks) {
            return Some(Rc::clone(&same.lanes));
        }
        let mut lanes = vec![Columns::default(); samples.channels];
        let mut planes = Planes::new();
        for look in 0..looks {
            let [start, end] = [look, look + 1].map(|at| from + (to - from) * at / looks);
            let first = (start + (end - start) / 2).saturating_sub(LOOK / 2).max(start);
            samples.read(first, LOOK.min(end - first) as usize, &mut planes).ok()?;
            for (lane, plane) in lanes.iter_mut().zip(&planes) {
                let seen = columns_of(plane, 1);
                lane.min.extend(seen.min);
                lane.max.extend(seen.max);
            }
        }
        let lanes = Rc::new(lanes);
        *held = Some(Glance { range: [from, to], looks, lanes: Rc::clone(&lanes) });
        Some(lanes)
    }
}
