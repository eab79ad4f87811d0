//! Floors before and after over speed, on one pair of axes: dashed before, solid after, a colour a group.

use super::*;
use crate::out::section::group_name;

const STEP_RPM: f64 = 50.0;

pub(super) fn compare(card: &Card) -> Option<Figure> {
    let comparison = card.comparison()?;
    let mut layers = Vec::new();
    let mut ends = (Vec::new(), Vec::new());
    for (which, side) in comparison.sides.iter().enumerate() {
        let side = side.as_ref()?;
        let range = extent(side.learnt_from.iter().map(|one| f64::from(one.rpm)))?;
        // A log against a recording has no common zero: both about their own mean.
        let shift = if comparison.shape_only() { mean_floor(side, range)? } else { 0.0 };
        for (index, group) in side.groups.iter().enumerate() {
            let speeds: Vec<f64> =
                (0..=((range.1 - range.0) / STEP_RPM) as usize).map(|k| range.0 + k as f64 * STEP_RPM).collect();
            let level = |rpm: &f64| side.floor.at(index as u16, *rpm).map_or(f64::NAN, |at| at.level - shift);
            let levels: Vec<f64> = speeds.iter().map(level).collect();
            ends.0.extend(speeds.iter().zip(&levels).filter(|(_, level)| level.is_finite()).map(|(rpm, _)| *rpm));
            ends.1.extend(levels.iter().copied());
            let (dash, label) = if which == 0 {
                (Dash::Dashed, format!("{}, {}", group_name(group), text("compare.before")))
            } else {
                (Dash::Solid, format!("{}, {}", group_name(group), text("compare.after")))
            };
            layers.push(line(numbers(speeds), numbers(levels), Ink::Set(index as u8), dash, Some(label)));
        }
    }
    let (left, right) = extent(ends.0)?;
    let (low, high) = extent(ends.1)?;
    let unit = if comparison.shape_only() { "chart.compare.shape" } else { "chart.compare.level" };
    Some(Figure {
        id: "compare".into(),
        summary: text("chart.compare.summary"),
        x: axis("chart.rpm", Quantity::Speed, left.max(0.0), right),
        y: axis(unit, Quantity::Level, low, high),
        layers,
    })
}

fn mean_floor(side: &crate::card::Side, range: (f64, f64)) -> Option<f64> {
    let speeds = (0..=((range.1 - range.0) / STEP_RPM) as usize).map(|k| range.0 + k as f64 * STEP_RPM);
    let all = speeds.flat_map(|rpm| (0..side.groups.len()).filter_map(move |group| side.floor.at(group as u16, rpm)));
    let levels: Vec<f64> = all.map(|at| at.level).collect();
    crate::stats::moments::mean(&levels)
}
