//! How the engine was driven at each moment of a recording, as far as a log laid over it or a marked stretch tells.

use super::align::Alignment;
use super::{Card, File, FileId, Mark};
use crate::feature::drive::Drive;
use crate::feature::stretch::{COLD_DEGC, Stretch, Stretches};

/// The log over a recording, row by row, and the stretches marked with a coolant temperature.
pub(super) struct Driven {
    log: Option<(Alignment, Vec<f64>, Vec<Stretch>)>,
    /// From, to, whether cold.
    marked: Vec<(f64, f64, bool)>,
}

/// Rows of a log further from a moment than this say nothing of it, s.
const NEAR_S: f64 = 1.0;

impl Driven {
    /// Why a cycle of that moment is not learnt from, as a word of [`super::choices::LEFT_OUT`]; `None`: nothing speaks
    /// against it. A mark goes before the log.
    pub(super) fn left_out(&self, t_s: f64) -> Option<&'static str> {
        let marked = self.marked.iter().find(|(from_s, to_s, _)| (*from_s..*to_s).contains(&t_s));
        let stretch = self.stretch(t_s);
        match (marked, stretch) {
            (Some((_, _, true)), _) => Some("cold"),
            (None, Some(Stretch::WarmUp)) => Some("cold"),
            (_, Some(Stretch::Overrun)) => Some("overrun"),
            _ => None,
        }
    }

    fn stretch(&self, t_s: f64) -> Option<Stretch> {
        let (alignment, rows_s, of) = self.log.as_ref()?;
        let at_s = alignment.log_s(t_s);
        let row = rows_s.partition_point(|row_s| *row_s <= at_s).checked_sub(1)?;
        let near = rows_s.get(row).is_some_and(|row_s| at_s - row_s <= NEAR_S);
        of.get(row).copied().filter(|_| near)
    }
}

impl Card {
    /// How the engine was driven through a recording.
    pub(super) fn driven(&self, file: &File) -> Driven {
        let own = self.marks().iter().filter(|mark| mark.file == file.input.name);
        let marked =
            own.filter_map(|mark: &Mark| Some((mark.from_s, mark.to_s, mark.coolant_c? < COLD_DEGC))).collect();
        let over = || {
            let (id, alignment) = self.log_beside(file.id)?;
            let (_, log) = self.logs().find(|(file, _)| file.id == id)?;
            let drive = Drive::of(log)?;
            let of = Stretches::of(&drive).of;
            Some((alignment, drive.t_s.to_vec(), of))
        };
        Driven { log: over(), marked }
    }

    /// Cycles of a recording that a log over it, or a mark, says were cold or of overrun, and which nothing else leaves out.
    pub fn left_out_by_driving(&self, id: FileId) -> [usize; 2] {
        let Some((file, recording)) = self.recordings().find(|(file, _)| file.id == id) else { return [0, 0] };
        let (Some(crank), Some(levels)) = (recording.crank(), &recording.levels) else { return [0, 0] };
        let driven = self.driven(file);
        let sound = crank.events.iter().zip(&levels.levels).filter(|(_, level)| level.left_out.is_none());
        let mut counts = [0, 0];
        for reason in sound.filter_map(|(event, _)| driven.left_out(event.t_s)) {
            counts[usize::from(reason == "overrun")] += 1;
        }
        counts
    }
}
