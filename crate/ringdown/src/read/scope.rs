//! Oscilloscope text: a time column and one or more signals, sampled far faster than any log.
//!
//! The table itself is read as a log's is; here its time column becomes a rate, or the first place where the sampling is
//! not uniform. The values are held in memory: text gives no random access.

use super::dialect::Dialect;
use super::names;
use super::samples::{Body, Coding, Label, Planes, Samples};
use super::table::Table;
use super::values::Values;
use crate::error::{Error, Kind, Loaded, Place};

/// A table of more rows a second than this is a recording; loggers stay far below, and knock needs more.
const LEAST_RATE_HZ: f64 = 4000.0;
/// How far a sample may stand from its place on an even grid, in steps, beyond what the digits of the time column leave open.
const TOLERANCE: f64 = 0.5;
/// Rows from which a table can be a recording.
const LEAST_ROWS: usize = 64;
/// Signals held.
const MOST_SIGNALS: usize = 32;

/// An even time axis.
struct Grid {
    step_s: f64,
    /// Root mean square of the distances from the grid, steps.
    jitter: f64,
}

/// Whether the table is a recording: the column `time` (seconds times `scale`) rises in steps too small for a log.
pub(super) fn is_recording(table: &Table, time: usize, scale: f64) -> bool {
    let Some(times) = table.columns.get(time).filter(|times| times.len() >= LEAST_ROWS) else { return false };
    let finite = || times.iter().filter(|t| t.is_finite());
    let (Some(first), Some(last)) = (finite().next(), finite().next_back()) else { return false };
    let step_s = (last - first) * scale / (times.len() - 1) as f64;
    step_s > 0.0 && step_s < 1.0 / LEAST_RATE_HZ
}

/// Makes a recording of the table.
///
/// # Errors
/// No signal beside the time, or sampling that is not uniform, with the first line where it is not.
pub(super) fn recording(
    name: &str,
    dialect: &Dialect,
    table: Table,
    time: usize,
    scale: f64,
) -> Result<Loaded<Samples>, Error> {
    let mut notes = table.notes(name, dialect);
    let times = table.columns.get(time).map(Values::to_vec).unwrap_or_default();
    let grid = grid(&times).map_err(|fault| fault.error(name, &table.lines, scale))?;
    let note = |what: String, remedy| Error::new(name, Place::File, Kind::Noted { what, remedy });
    if grid.jitter > 0.01 {
        let what = format!("the samples stand {:.1} % of a step off an even grid (rms)", 100.0 * grid.jitter);
        notes.push(note(what, "nothing, if the time column has few digits; else record with a steady clock"));
    }
    let mut memory = Memory { planes: Vec::new() };
    let mut labels = Vec::new();
    for (k, column) in table.columns.into_iter().enumerate().filter(|(k, _)| *k != time) {
        let column = column.to_vec();
        let is_time = same_clock(&column, &times);
        if is_time || column.iter().all(|value| value.is_nan()) || labels.len() >= MOST_SIGNALS {
            continue;
        }
        let head = dialect.names.get(k).cloned().unwrap_or_default();
        let unit = dialect.units.get(k).cloned().flatten();
        let missing = column.iter().filter(|value| value.is_nan()).count();
        if missing > 0 {
            let what = format!("{missing} samples of column {} are missing and were taken as 0", k + 1);
            notes.push(note(what, "look at the file in a text editor"));
        }
        let full_scale = full_scale(&column);
        let one = |value: f64| if value.is_nan() { 0.0 } else { (value / full_scale) as f32 };
        memory.planes.push(column.into_iter().map(one).collect());
        labels.push(Label {
            name: head,
            unit: unit.map(|u| names::without_brackets(&u).to_owned()),
            full_scale: Some(full_scale),
        });
    }
    if labels.is_empty() {
        let found = "a time column and nothing beside it".to_owned();
        let remedy = "export time and volts of the sensor's channel";
        let expected = "at least one column of volts";
        return Err(Error::new(name, Place::File, Kind::Malformed { found, expected, remedy }));
    }
    let scales: Vec<String> = labels.iter().map(|l| format!("{}", l.full_scale.unwrap_or(1.0))).collect();
    let what = format!("text tells no full scale; taken as {} (next round value over the largest)", scales.join(", "));
    notes.push(note(what, "compare levels only with recordings of the same instrument and range"));
    let value = Samples {
        name: name.to_owned(),
        sample_rate_hz: round_rate(1.0 / (grid.step_s * scale), times.len()),
        channels: labels.len(),
        frames: times.len() as u64,
        form: Coding::Text.into(),
        bits: 0,
        step: None,
        cues: Vec::new(),
        labels,
        time_reference: None,
        body: Box::new(memory),
    };
    Ok(Loaded { value, notes })
}

/// A time column written again beside another signal.
fn same_clock(column: &[f64], times: &[f64]) -> bool {
    column.len() == times.len() && column.iter().zip(times).all(|(a, b)| a == b)
}

/// A rate is a whole number of hertz unless the column says otherwise beyond its rounding.
fn round_rate(rate_hz: f64, frames: usize) -> f64 {
    let whole = rate_hz.round();
    if (rate_hz - whole).abs() * (frames as f64) < 0.5 * whole { whole } else { rate_hz }
}

/// The next of 1, 2, 5, 10 ... above the largest value, so that nothing looks clipped that is not.
fn full_scale(values: &[f64]) -> f64 {
    let most = values.iter().map(|value| value.abs()).filter(|value| value.is_finite()).fold(0.0, f64::max);
    if most <= 0.0 {
        return 1.0;
    }
    let decade = 10f64.powf(most.log10().floor());
    [1.0, 2.0, 5.0, 10.0, 20.0].into_iter().map(|k| k * decade).find(|full| *full > 1.001 * most).unwrap_or(most * 2.0)
}

/// Where sampling stops being uniform.
struct Fault {
    row: usize,
    found: f64,
    step: f64,
}

impl Fault {
    fn error(&self, name: &str, lines: &[u32], scale: f64) -> Error {
        let line = u64::from(lines.get(self.row).copied().unwrap_or(0));
        let found = format!("a step of {:.4e} s", self.found * scale);
        let remedy = "export the samples as recorded, with a time column of enough digits; no gaps, no thinning";
        let kind = if self.found.is_nan() {
            Kind::Malformed { found: "a row without a time".into(), expected: "a time in every row", remedy }
        } else {
            let found = format!("{found} where the others are {:.4e} s", self.step * scale);
            Kind::Malformed { found, expected: "even sampling, each sample within half a step of its place", remedy }
        };
        Error::new(name, Place::Row { line }, kind)
    }
}

/// The even grid through the times: by least squares, each time within the tolerance of it.
fn grid(times: &[f64]) -> Result<Grid, Fault> {
    if let Some(row) = times.iter().position(|t| !t.is_finite()) {
        return Err(Fault { row, found: f64::NAN, step: 0.0 });
    }
    let (typical, resolution) = usual_step(times);
    let allowed = TOLERANCE * typical + resolution;
    // A gap shows against the neighbours, before it can bend the line through all.
    let steps = times.windows(2).map(|pair| match pair {
        [a, b] => b - a,
        _ => typical,
    });
    if let Some((row, step)) = steps.enumerate().find(|(_, step)| (step - typical).abs() > allowed) {
        return Err(Fault { row: row + 1, found: step, step: typical });
    }
    let (start, slope) = line(times);
    let apart = |(k, t): (usize, &f64)| t - (start + slope * k as f64);
    let off = times.iter().enumerate().position(|pair| apart(pair).abs() > TOLERANCE * slope + resolution);
    if let Some(row) = off {
        let before = row.checked_sub(1).and_then(|k| times.get(k)).copied().unwrap_or(start);
        let found = times.get(row).copied().unwrap_or(start) - before;
        return Err(Fault { row, found, step: slope });
    }
    let square: f64 = times.iter().enumerate().map(|pair| apart(pair).powi(2)).sum();
    Ok(Grid { step_s: slope, jitter: (square / times.len() as f64).sqrt() / slope })
}

/// Least squares through (row, time), taken about the middle so that nothing cancels.
fn line(times: &[f64]) -> (f64, f64) {
    let count = times.len() as f64;
    let middle = (count - 1.0) / 2.0;
    let mean = times.iter().sum::<f64>() / count;
    let (mut across, mut along) = (0.0, 0.0);
    for (k, t) in times.iter().enumerate() {
        let x = k as f64 - middle;
        across += x * (t - mean);
        along += x * x;
    }
    let slope = across / along.max(1.0);
    (mean - slope * middle, slope)
}

/// The usual step, and how far rounding may have moved a time: nothing where the steps are alike, the worth of the last
/// digit where many differ because the column has too few digits for its rate.
fn usual_step(times: &[f64]) -> (f64, f64) {
    let steps: Vec<f64> = times.windows(2).filter_map(|pair| Some(pair.last()? - pair.first()?)).collect();
    let mut sorted = steps.clone();
    let middle = sorted.len() / 2;
    if sorted.is_empty() {
        return (0.0, 0.0);
    }
    let median = *sorted.select_nth_unstable_by(middle, f64::total_cmp).1;
    let mean = times.last().zip(times.first()).map_or(0.0, |(last, first)| (last - first) / steps.len() as f64);
    let differing = steps.iter().filter(|step| (*step - median).abs() > 0.1 * mean).count();
    let resolution = resolution(times);
    let rounded = differing * 5 > steps.len() && resolution > 0.1 * mean;
    if rounded { (mean, resolution) } else { (median, 0.0) }
}

/// Smallest distance the digits of the column can show: a power of ten that all times are multiples of, in the stretch
/// where they have the fewest digits.
fn resolution(times: &[f64]) -> f64 {
    let largest = times.iter().map(|t| t.abs()).fold(0.0, f64::max);
    if largest <= 0.0 {
        return 0.0;
    }
    let far = || times.iter().filter(|t| t.abs() > 0.5 * largest).take(2000);
    let top = largest.log10().floor() as i32;
    let shown = |power: i32| {
        let unit = 10f64.powi(power);
        far().all(|t| (t / unit - (t / unit).round()).abs() < 1e-6 + 1e-12 * (t / unit).abs())
    };
    (top - 15..=top).rev().find(|power| shown(*power)).map_or(0.0, |power| 10f64.powi(power))
}

/// Samples in memory.
struct Memory {
    planes: Vec<Vec<f32>>,
}

impl Body for Memory {
    fn fill(&mut self, first: u64, count: usize, planes: &mut Planes) -> Result<(), Error> {
        for (out, held) in planes.iter_mut().zip(&self.planes) {
            let part = usize::try_from(first).ok().and_then(|first| held.get(first..first + count)).unwrap_or_default();
            out.iter_mut().zip(part).for_each(|(out, value)| *out = *value);
        }
        Ok(())
    }

    fn non_finite(&self) -> u64 {
        0
    }
}
