//! Control-unit logs: a table of text to series over time.

use super::clock::Axis;
use super::dialect::{self, Dialect};
use super::figures::Figures;
use super::halves::{self, Halves};
use super::roles::{self, Facts, Guess, Role};
use super::table::Table;
use super::text::Delimiter;
use super::values::Values;
use super::{Content, Source, bytes, clock, names, scope};
use crate::error::{Error, Kind, Loaded, Place};
use crate::units::kpa_per;
use serde::{Deserialize, Serialize};

/// A log, read whole.
#[derive(Debug, Clone)]
pub struct Log {
    /// File name as the user knows it.
    pub name: String,
    /// Time of each row, seconds from the first row, never falling.
    pub t_s: Vec<f64>,
    /// All columns, the time column included, in the file's order.
    pub columns: Vec<Column>,
    /// What was assumed about the text.
    pub assumed: Assumed,
    /// Rows a second as told by the user, where no column holds the time.
    pub told_rate_hz: Option<f64>,
    /// See [`Log::rate_hz`].
    rate_hz: Option<f64>,
}

/// How the text of a log was understood.
#[derive(Debug, Clone, Copy)]
pub struct Assumed {
    /// What stands between two cells.
    pub delimiter: Delimiter,
    /// A comma before decimals, not a point.
    pub decimal_comma: bool,
    /// What the head tells.
    pub head: Head,
    /// Lines before the table.
    pub preamble: usize,
    /// The encoding's own name.
    pub encoding: &'static str,
}

/// What the head of a table tells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Head {
    /// There is none: columns are known by number.
    None,
    /// Names, and units in a row below them.
    UnitsBelow,
    /// Names with their units.
    Units,
    /// Names alone.
    Names,
}

/// One column.
#[derive(Debug, Clone)]
pub struct Column {
    /// From 1, counted in the file.
    pub column: usize,
    /// Name as written, without the unit.
    pub name: String,
    /// Unit of the values: as written, or what they were converted to.
    pub unit: Option<String>,
    /// What it is.
    pub role: Role,
    /// Which sensor or cylinder a level, background, limit, flag or correction belongs to, if told by its name.
    pub of: Option<Of>,
    /// Why this role.
    pub reason: String,
    /// One value a row; NaN = missing. Speeds are in 1/min, times in s, temperatures in degC, loads that are pressures in
    /// kPa, each converted from the unit written; levels, backgrounds and limits stay as logged.
    pub values: Values,
    /// Of the values.
    pub figures: Figures,
}

/// What a column belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Of {
    /// Sensor, from 1.
    Sensor(u16),
    /// Cylinder, from 1.
    Cylinder(u16),
}

impl Column {
    /// Other values in place of those read.
    fn take(&mut self, values: Vec<f64>) {
        self.figures = Figures::of(&values);
        self.values = values.into_iter().collect();
    }
}

/// A table of numbers and what its columns are, not yet a log or a recording.
pub(super) struct Parsed {
    pub dialect: Dialect,
    pub table: Table,
    guesses: Vec<Guess>,
}

impl Parsed {
    /// Reads the whole table; `packed_bytes` as in [`super::Told`].
    pub(super) fn read(name: &str, mut source: Box<dyn Source>, packed_bytes: Option<u64>) -> Result<Parsed, Error> {
        let len = bytes::length(name, source.as_mut())?;
        let sample = bytes::slice(name, source.as_mut(), 0, dialect::SAMPLE_BYTES)?;
        if sample.iter().all(u8::is_ascii_whitespace) && sample.len() as u64 == len {
            return Err(Error::new(name, Place::File, Kind::Empty));
        }
        let dialect = dialect::sniff(name, &sample, sample.len() as u64 >= len)?;
        drop(sample);
        let second = if packed_bytes.is_none() { halves::cut(name, source.as_mut(), &dialect, len) } else { None };
        let (dialect, table) = match second {
            Some(second) => Halves::new(dialect, second).read(name, source.as_mut())?,
            None => {
                let table = Table::read(name, source.as_mut(), &dialect, packed_bytes)?;
                (dialect, table)
            }
        };
        Parsed::of(name, dialect, table)
    }

    /// From a table read whole.
    pub(super) fn of(name: &str, dialect: Dialect, table: Table) -> Result<Parsed, Error> {
        if table.rows() == 0 || !table.has_numbers() || table.is_mostly_prose() {
            return Err(dialect::no_numbers(name));
        }
        let guesses = roles::assign(&facts(&dialect, &table));
        Ok(Parsed { dialect, table, guesses })
    }

    /// The time column and the seconds one of its steps stands for; `None` without one, or where it holds clock texts.
    pub(super) fn time(&self) -> Option<(usize, f64)> {
        let k = self.guesses.iter().position(|guess| guess.role == Role::Time)?;
        let is_clock = self.dialect.clocks.get(k).copied().unwrap_or(false);
        let (name, unit) = (self.dialect.names.get(k)?, self.dialect.units.get(k)?);
        let values = self.table.columns.get(k).filter(|_| !is_clock)?;
        Some((k, clock::scale(name, unit.as_deref(), values, &mut Vec::new())))
    }

    fn into_log(self, name: &str, rate_hz: Option<f64>) -> Loaded<Log> {
        let rate_hz = rate_hz.filter(|rate_hz| *rate_hz > 0.0 && rate_hz.is_finite());
        assemble(name, &self.dialect, self.table, self.guesses, rate_hz)
    }

    /// A log, unless its rows come too fast for one.
    pub(super) fn into_content(self, name: &str, rate_hz: Option<f64>) -> Result<Loaded<Content>, Error> {
        match self.time() {
            Some((time, scale)) if scope::is_recording(&self.table, time, scale) => {
                Ok(scope::recording(name, &self.dialect, self.table, time, scale)?.map(Content::Recording))
            }
            _ => Ok(self.into_log(name, rate_hz).map(Content::Log)),
        }
    }
}

fn facts<'a>(dialect: &'a Dialect, table: &Table) -> Vec<Facts<'a>> {
    let one = |(k, figures): (usize, &Figures)| Facts {
        name: dialect.names.get(k).map_or("", String::as_str),
        unit: dialect.units.get(k).and_then(Option::as_deref),
        is_clock: dialect.clocks.get(k).copied().unwrap_or(false),
        figures: *figures,
    };
    table.figures.iter().enumerate().map(one).collect()
}

impl Log {
    /// Reads the whole table. `rate_hz`: rows a second, used where the table has no time column.
    ///
    /// # Errors
    /// When the source is empty, no text, holds no table of numbers, or a record breaks the limits (1 MiB a record,
    /// 64 KiB a field, 4096 columns; the error names the line).
    pub fn read(name: &str, source: Box<dyn Source>, rate_hz: Option<f64>) -> Result<Loaded<Log>, Error> {
        Ok(Parsed::read(name, source, None)?.into_log(name, rate_hz))
    }

    /// Median rate of the rows, Hz, from the time column or as told; a column with gaps has a lower one of its own.
    pub fn rate_hz(&self) -> Option<f64> {
        self.rate_hz
    }

    /// Median rate of the samples a column has, Hz: channels logged more slowly leave cells empty.
    pub fn rate_of(&self, column: &Column) -> Option<f64> {
        let rows_hz = self.rate_hz()?;
        if column.figures.count == self.t_s.len() {
            return Some(rows_hz);
        }
        let there =
            self.t_s.iter().zip(column.values.iter()).filter(|(_, value)| value.is_finite()).map(|(t_s, _)| *t_s);
        rate_hz(&there.collect::<Vec<f64>>())
    }

    /// First column of a role.
    pub fn first(&self, role: Role) -> Option<&Column> {
        self.columns.iter().find(|column| column.role == role)
    }
}

/// By the median step of times.
fn rate_hz(t_s: &[f64]) -> Option<f64> {
    clock::median_step(t_s).map(|step_s| 1.0 / step_s).filter(|rate_hz| rate_hz.is_finite())
}

/// Roles, units and time for the columns of a table.
fn assemble(name: &str, dialect: &Dialect, mut table: Table, guesses: Vec<Guess>, told_hz: Option<f64>) -> Loaded<Log> {
    let mut notes = table.notes(name, dialect);
    let mut columns: Vec<Column> = Vec::new();
    let read = std::mem::take(&mut table.columns).into_iter().zip(std::mem::take(&mut table.figures));
    for (k, (guess, (values, figures))) in guesses.into_iter().zip(read).enumerate() {
        let head = dialect.names.get(k).filter(|head| !head.is_empty());
        let unit = dialect.units.get(k).cloned().flatten();
        let mut column = Column {
            column: k + 1,
            name: head.cloned().unwrap_or_else(|| format!("{NAMELESS}{}", k + 1)),
            unit,
            role: guess.role,
            of: head.and_then(|head| names::of(head)).filter(|_| speaks_of_a_sensor(guess.role)),
            reason: guess.reason,
            values,
            figures,
        };
        convert(&mut column);
        columns.push(column);
    }
    let time = columns.iter().position(|column| column.role == Role::Time);
    let t_s = match time.and_then(|k| columns.get(k).zip(dialect.clocks.get(k))) {
        Some((column, is_clock)) => {
            let axis = clock::axis(&column.name, column.unit.as_deref(), *is_clock, &column.values);
            keep_rows(&mut columns, time, axis, &table.lines, name, &mut notes)
        }
        None => {
            if told_hz.is_none() {
                let what = "no time column was found: the rows were placed one second apart".to_owned();
                let remedy = "give the logging rate, or export the log with its time column";
                notes.push(Error::new(name, Place::File, Kind::Noted { what, remedy }));
            }
            clock::even_rows(table.lines.len(), told_hz.unwrap_or(1.0))
        }
    };
    columns.iter_mut().filter(|column| column.role == Role::Level).for_each(|column| column.values.unpack());
    note_double_names(name, &columns, &mut notes);
    let told_rate_hz = told_hz.filter(|_| time.is_none());
    let rate_hz = if time.is_some() { rate_hz(&t_s) } else { told_rate_hz };
    let log = Log { name: name.to_owned(), t_s, columns, assumed: assumed(dialect), told_rate_hz, rate_hz };
    Loaded { value: log, notes }
}

fn speaks_of_a_sensor(role: Role) -> bool {
    matches!(
        role,
        Role::Level
            | Role::Background
            | Role::LoggedLimit
            | Role::KnockFlag
            | Role::Correction
            | Role::Ignition
            | Role::Other
    )
}

/// Keeps the rows that have a place on the time axis; the time column becomes seconds as logged.
fn keep_rows(
    columns: &mut [Column],
    time: Option<usize>,
    axis: Axis,
    lines: &[u32],
    name: &str,
    notes: &mut Vec<Error>,
) -> Vec<f64> {
    if let Some(column) = time.and_then(|k| columns.get_mut(k)) {
        column.take(axis.logged_s);
    }
    for (row, what) in axis.notes {
        let line = u64::from(lines.get(row).copied().unwrap_or(0));
        let place = if row == 0 { Place::File } else { Place::Row { line } };
        let remedy = "check the logger's clock if that is not what it should have done";
        notes.push(Error::new(name, place, Kind::Noted { what, remedy }));
    }
    if !axis.keep.is_empty() {
        for column in columns {
            let kept = column.values.iter().zip(&axis.keep).filter(|(_, keep)| **keep);
            column.take(kept.map(|(value, _)| value).collect());
        }
    }
    axis.t_s
}

/// To the units the rest works in; see [`Column::values`]. The reason keeps what was written.
fn convert(column: &mut Column) {
    let Some(written) = column.unit.clone() else { return };
    let Some((factor, offset, unit)) = conversion(column.role, &written) else { return };
    if (factor, offset) != (1.0, 0.0) {
        column.take(column.values.iter().map(|value| value * factor + offset).collect());
        column.reason.push_str(&format!("; converted from {written} to {unit}"));
    }
    column.unit = Some(unit.to_owned());
}

/// Factor and offset from a unit as written to that of [`Column::values`], and that one's name.
fn conversion(role: Role, written: &str) -> Option<(f64, f64, &'static str)> {
    let unit = names::without_brackets(written).to_lowercase();
    Some(match (role, unit.as_str()) {
        (Role::Speed, "krpm" | "rpm x1000") => (1000.0, 0.0, "1/min"),
        (Role::Speed, "1/s" | "rps" | "hz") => (60.0, 0.0, "1/min"),
        (Role::Speed, "rad/s") => (30.0 / std::f64::consts::PI, 0.0, "1/min"),
        (Role::Coolant | Role::Air, "°f" | "ºf" | "degf" | "deg f" | "f") => (5.0 / 9.0, -160.0 / 9.0, "°C"),
        (Role::Coolant | Role::Air, "k" | "kelvin") => (1.0, -273.15, "°C"),
        (Role::Load, _) => (kpa_per(&unit)?, 0.0, "kPa"),
        _ => return None,
    })
}

fn note_double_names(name: &str, columns: &[Column], notes: &mut Vec<Error>) {
    let mut seen = std::collections::BTreeMap::new();
    columns.iter().for_each(|column| *seen.entry(column.name.as_str()).or_insert(0) += 1);
    for (head, count) in seen.iter().filter(|(_, count)| **count > 1).take(20) {
        let what = format!("{count} columns are named \"{head}\": they are told apart by their number");
        notes.push(Error::new(
            name,
            Place::File,
            Kind::Noted { what, remedy: "nothing, if both are what they should be" },
        ));
    }
}

/// How the text was understood.
fn assumed(dialect: &Dialect) -> Assumed {
    Assumed {
        delimiter: dialect.delimiter,
        decimal_comma: dialect.decimal == super::number::Decimal::Comma,
        head: match (dialect.head.is_empty(), dialect.units_row) {
            (true, _) => Head::None,
            (_, true) => Head::UnitsBelow,
            _ if dialect.units.iter().any(Option::is_some) => Head::Units,
            _ => Head::Names,
        },
        preamble: dialect.preamble,
        encoding: dialect.script.encoding_name(),
    }
}

/// Before the number of a column whose head names it not.
const NAMELESS: &str = "column ";

/// The number of a column that is known by it alone.
pub fn nameless(name: &str) -> Option<usize> {
    name.strip_prefix(NAMELESS)?.parse().ok()
}
