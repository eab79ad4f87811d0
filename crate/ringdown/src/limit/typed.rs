//! The table as it is typed in: what its steps and the straight lines between its cells make of the false alarms.

use super::floor::{Floor, Observation};
use crate::stats::rate::Rate;

/// A table as a control unit holds it.
#[derive(Debug, Clone, PartialEq)]
pub struct Typed<'a> {
    /// Speeds, 1/min, rising.
    pub breakpoints_rpm: &'a [f64],
    /// A row for each group; `None`: nothing is typed in there.
    pub rows: Vec<Vec<Option<f64>>>,
    /// Values are heights over the floor, not levels.
    pub over_floor: bool,
}

impl Typed<'_> {
    /// The value in force at a speed: straight between two cells, held beyond the last; `None` beside an empty cell.
    pub fn at(&self, group: u16, rpm: f64) -> Option<f64> {
        let row = self.rows.get(usize::from(group))?;
        let above = self.breakpoints_rpm.partition_point(|breakpoint| *breakpoint <= rpm);
        let cell = |index: usize| row.get(index).copied().flatten();
        let (Some(below), true) = (above.checked_sub(1), above < self.breakpoints_rpm.len()) else {
            return cell(above.saturating_sub(1).min(row.len().checked_sub(1)?));
        };
        let (left, right) = (self.breakpoints_rpm.get(below)?, self.breakpoints_rpm.get(above)?);
        let share = (rpm - left) / (right - left);
        let here = cell(below)?;
        if share == 0.0 { Some(here) } else { Some(here + share * (cell(above)? - here)) }
    }

    /// Safe observations over the table, of those it says something about.
    pub fn false_alarms(&self, floor: &Floor, safe: &[Observation]) -> Rate {
        let over = |o: &Observation| {
            let rpm = f64::from(o.rpm);
            let limit = self.at(o.group, rpm)?;
            let base = if self.over_floor { floor.at(o.group, rpm)?.level } else { 0.0 };
            Some(f64::from(o.level) - base > limit)
        };
        Rate::count(safe.iter().filter_map(over))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn between_cells_the_table_is_straight_and_beside_an_empty_one_it_says_nothing() {
        let breakpoints_rpm = [1000.0, 2000.0, 3000.0, 4000.0];
        let rows = vec![vec![Some(6.0), Some(8.0), None, Some(5.0)]];
        let typed = Typed { breakpoints_rpm: &breakpoints_rpm, rows, over_floor: true };
        let at = |rpm: f64| typed.at(0, rpm);
        assert_eq!([at(500.0), at(1000.0), at(1500.0), at(2000.0)], [Some(6.0), Some(6.0), Some(7.0), Some(8.0)]);
        assert_eq!([at(2500.0), at(3500.0), at(4000.0), at(9000.0)], [None, None, Some(5.0), Some(5.0)]);
        assert_eq!(typed.at(1, 1000.0), None);
    }
}
