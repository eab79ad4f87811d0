//! What a row of limits is made into before it is typed in. A limit is only ever raised, so that its rate still holds.

use serde::{Deserialize, Serialize};

/// What the user asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Shape {
    /// As learnt.
    #[default]
    AsLearnt,
    /// Never falling with speed.
    Rising,
    /// Without dips: no cell lies under the mean of its two neighbours.
    Smoothed,
}

impl Shape {
    /// The shape of a word of the saved card.
    pub fn of_word(word: &str) -> Option<Shape> {
        match word {
            "as-learnt" => Some(Shape::AsLearnt),
            "rising" => Some(Shape::Rising),
            "smoothed" => Some(Shape::Smoothed),
            _ => None,
        }
    }

    /// A row over rising speeds; empty cells stay empty and part the row.
    pub fn of(self, row: &[Option<f64>]) -> Vec<Option<f64>> {
        match self {
            Shape::AsLearnt => row.to_vec(),
            Shape::Rising => rising(row),
            Shape::Smoothed => smoothed(row),
        }
    }
}

fn rising(row: &[Option<f64>]) -> Vec<Option<f64>> {
    let mut highest = f64::NEG_INFINITY;
    row.iter()
        .map(|cell| {
            highest = cell.map_or(highest, |limit| limit.max(highest));
            cell.map(|_| highest)
        })
        .collect()
}

fn smoothed(row: &[Option<f64>]) -> Vec<Option<f64>> {
    let at = |index: Option<usize>| index.and_then(|index| row.get(index)).copied().flatten();
    let lifted = |(index, cell): (usize, &Option<f64>)| {
        let beside = at(index.checked_sub(1)).zip(at(index.checked_add(1)));
        cell.map(|limit| beside.map_or(limit, |(left, right)| limit.max(0.5 * (left + right))))
    };
    row.iter().enumerate().map(lifted).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shapes_only_raise_and_leave_empty_cells_empty() {
        let row = [Some(-30.0), Some(-34.0), Some(-28.0), None, Some(-29.0)];
        assert_eq!(Shape::AsLearnt.of(&row), row);
        assert_eq!(Shape::Rising.of(&row), [Some(-30.0), Some(-30.0), Some(-28.0), None, Some(-28.0)]);
        assert_eq!(Shape::Smoothed.of(&row), [Some(-30.0), Some(-29.0), Some(-28.0), None, Some(-29.0)]);
    }
}
