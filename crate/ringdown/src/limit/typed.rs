//! The table as it is typed in: what its steps and the straight lines between its cells make of the false alarms.

use super::floor::{Floor, Observation};
use super::limits::LimitAt;
use crate::stats::rate::Rate;

/// A table as a control unit holds it.
#[derive(Debug, Clone, PartialEq)]
pub struct Typed<'a> {
    /// Speeds, 1/min, rising.
    pub breakpoints_rpm: &'a [f64],
    /// A row for each group; `None`: nothing is typed in there.
    pub rows: Vec<Vec<Option<f64>>>,
    /// For each group those whose mean floor its values stand over: itself, or all that one sensor hears; empty: values are
    /// levels.
    pub over: Vec<Vec<u16>>,
}

/// One cell for several cylinders that share a limit: the highest level; over the floor the greatest height among them, and no
/// less than the highest level over their mean floor. So none of them passes it more often than its own limit, whether the
/// control unit keeps a background for each cylinder or one for the sensor (the mean of dB: our choice). Empty where one of
/// them is.
pub fn shared<'a>(cells: impl Iterator<Item = &'a LimitAt> + Clone) -> LimitAt {
    let all = |pick: fn(&LimitAt) -> Option<f64>| cells.clone().map(pick).collect::<Option<Vec<f64>>>();
    let most = |values: Vec<f64>| values.into_iter().max_by(f64::total_cmp);
    let limit = all(|cell| cell.limit).and_then(most);
    let own = all(|cell| Some(cell.limit? - cell.floor?)).and_then(most);
    let mean = all(|cell| cell.floor).filter(|floors| !floors.is_empty());
    let mean = mean.map(|floors| floors.iter().sum::<f64>() / floors.len() as f64);
    let floor = match (limit, own, mean) {
        (Some(limit), Some(own), Some(mean)) => Some((limit - own).min(mean)),
        _ => mean,
    };
    LimitAt {
        floor,
        limit,
        cycles: cells.clone().map(|cell| cell.cycles).sum(),
        more_needed: cells.clone().map(|cell| cell.more_needed).max().unwrap_or(0),
    }
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

    /// What the values of a group stand over at a speed; 0 where they are levels.
    fn background(&self, floor: &Floor, group: u16, rpm: f64) -> Option<f64> {
        let Some(heard) = self.over.get(usize::from(group)).filter(|heard| !heard.is_empty()) else { return Some(0.0) };
        let levels: Option<Vec<f64>> = heard.iter().map(|one| Some(floor.at(*one, rpm)?.level)).collect();
        levels.map(|levels| levels.iter().sum::<f64>() / levels.len() as f64)
    }

    /// Safe observations over the table, of those it says something about.
    pub fn false_alarms(&self, floor: &Floor, safe: &[Observation]) -> Rate {
        let over = |o: &Observation| {
            let rpm = f64::from(o.rpm);
            let limit = self.at(o.group, rpm)?;
            Some(f64::from(o.level) - self.background(floor, o.group, rpm)? > limit)
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
        let typed = Typed { breakpoints_rpm: &breakpoints_rpm, rows, over: Vec::new() };
        let at = |rpm: f64| typed.at(0, rpm);
        assert_eq!([at(500.0), at(1000.0), at(1500.0), at(2000.0)], [Some(6.0), Some(6.0), Some(7.0), Some(8.0)]);
        assert_eq!([at(2500.0), at(3500.0), at(4000.0), at(9000.0)], [None, None, Some(5.0), Some(5.0)]);
        assert_eq!(typed.at(1, 1000.0), None);
    }

    #[test]
    fn a_shared_cell_covers_each_cylinder_over_its_own_and_over_the_common_background() {
        let cell =
            |floor: f64, limit: f64| LimitAt { floor: Some(floor), limit: Some(limit), cycles: 9.0, more_needed: 0 };
        // The louder one decides over the mean of -40 and -36: -28 + 38 = 10, more than each one's own 7 and 8.
        let louder = shared([cell(-40.0, -33.0), cell(-36.0, -28.0)].iter());
        assert_eq!((louder.limit, louder.floor, louder.cycles), (Some(-28.0), Some(-38.0), 18.0));
        // The quieter one stands further out of its own: 12, and over the mean 11.
        let wider = shared([cell(-40.0, -28.0), cell(-38.0, -29.0)].iter());
        assert_eq!((wider.limit, wider.floor), (Some(-28.0), Some(-40.0)));
        let lacking = LimitAt { floor: Some(-38.0), limit: None, cycles: 2.0, more_needed: 6 };
        let empty = shared([cell(-40.0, -28.0), lacking].iter());
        assert_eq!((empty.limit, empty.floor, empty.more_needed), (None, Some(-39.0), 6));
        assert_eq!(shared([].iter()).limit, None);
    }
}
