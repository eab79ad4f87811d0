//! What a logged level saw: the peak since the last row, or only the last combustion before it.

use super::drive::{Drive, held};
use super::logged::{LevelColumn, to_statistics};
use super::stretch::Stretches;
use crate::read::log::Column;
use crate::stats::moments::standard_deviation;
use crate::stats::order::Arrange;
use crate::stats::robust::median;

/// What a sample stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shown {
    /// The loudest combustion since the last row.
    HeldPeak,
    /// One combustion; those between two rows are not seen.
    Snapshot,
    /// Nothing in the log tells.
    Unknown,
}

/// What told it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Told {
    /// The column's name.
    Name,
    /// How far the level stands over the logged background, at slow and at fast speeds.
    Background,
    /// Nothing.
    Nothing,
}

const PEAK_WORDS: [&str; 8] = ["peak", "max", "hold", "held", "spitze", "pic ", "pico", "crete"];
const SNAPSHOT_WORDS: [&str; 5] = ["snapshot", "current", "moment", "instant", "aktuell"];
/// The highest of twice as many normal levels lies 0.56, 0.47, 0.39 standard deviations higher (of 1, 2, 4; order
/// statistics of the normal law, H. L. Harter, Biometrika 48 (1961) 151, from memory): a rise per octave of speed over
/// the first figure is a held peak's, one under the second no peak's.
const PEAK_RISE: f64 = 0.25;
const SNAPSHOT_RISE: f64 = 0.1;
const FEWEST: usize = 200;

/// Combustions of one cylinder from row to row (four-stroke).
pub fn cycles_per_row(rpm: f64, step_s: f64) -> f64 {
    rpm / 120.0 * step_s
}

/// Tells a held peak from a snapshot.
pub fn shown(drive: &Drive, stretches: &Stretches, level: &LevelColumn, background: Option<&Column>) -> (Shown, Told) {
    let name = format!("{} ", level.name.to_lowercase());
    if PEAK_WORDS.iter().any(|word| name.contains(word)) {
        return (Shown::HeldPeak, Told::Name);
    }
    if SNAPSHOT_WORDS.iter().any(|word| name.contains(word)) {
        return (Shown::Snapshot, Told::Name);
    }
    let rise = background.and_then(|background| rise_per_octave(drive, stretches, level, background));
    match rise {
        Some(rise) if rise > PEAK_RISE => (Shown::HeldPeak, Told::Background),
        Some(rise) if rise < SNAPSHOT_RISE => (Shown::Snapshot, Told::Background),
        _ => (Shown::Unknown, Told::Nothing),
    }
}

/// How much further the level stands over the background for each doubling of the speed, in its own scatter; `None`
/// where speeds with more than one combustion a row span less than an octave.
fn rise_per_octave(drive: &Drive, stretches: &Stretches, level: &LevelColumn, background: &Column) -> Option<f64> {
    let background = held(drive.t_s, background);
    let over = |row: usize| -> Option<(f64, f64)> {
        let cycles = cycles_per_row(*drive.rpm.get(row)?, drive.step_s);
        let below = to_statistics(*background.get(row)?, level.linear)?;
        (stretches.is_learnt_from(row) && cycles >= 0.8).then_some((cycles.log2(), level.at(row)? - below))
    };
    let stride = drive.t_s.len() / 20_000 + 1;
    let mut pairs: Vec<(f64, f64)> = (0..drive.t_s.len()).step_by(stride).filter_map(over).collect();
    if pairs.len() < FEWEST {
        return None;
    }
    pairs.arrange(|a, b| a.0.total_cmp(&b.0));
    let third = pairs.len() / 3;
    let middle = |part: &[(f64, f64)]| -> Option<(f64, f64)> {
        let of = |pick: fn(&(f64, f64)) -> f64| median(&part.iter().map(pick).collect::<Vec<_>>());
        Some((of(|pair| pair.0)?, of(|pair| pair.1)?))
    };
    let (slow, fast) = (middle(pairs.get(..third)?)?, middle(pairs.get(pairs.len() - third..)?)?);
    let quiet: Vec<f64> = pairs.iter().map(|pair| pair.1 - slow.1).filter(|over| over.abs() < 6.0).collect();
    let scatter = standard_deviation(&quiet).filter(|scatter| *scatter > 0.0)?;
    (fast.0 - slow.0 >= 0.7).then(|| (fast.1 - slow.1) / (fast.0 - slow.0) / scatter)
}
