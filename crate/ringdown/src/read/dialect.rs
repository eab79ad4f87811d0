//! How a table is written: delimiter, decimal mark, head, units, where its rows start.

use super::number::{self, Cell, Decimal};
use super::text::{COLUMNS, Delimiter, Records, Script};
use super::{clock, names};
use crate::error::{Error, Kind, Place};
use std::io::Cursor;

/// What was found out from the first part of a log.
#[derive(Debug, Clone)]
pub(super) struct Dialect {
    pub script: Script,
    pub delimiter: Delimiter,
    pub decimal: Decimal,
    /// One a column; empty where the head names none.
    pub names: Vec<String>,
    pub units: Vec<Option<String>>,
    /// Columns that hold clock texts.
    pub clocks: Vec<bool>,
    /// The cells of the head as written, to know it again; empty without head.
    pub head: Vec<String>,
    /// Records before the first row.
    pub skip: usize,
    /// Of them, records before the head.
    pub preamble: usize,
    pub units_row: bool,
}

/// Bytes looked at.
pub(super) const SAMPLE_BYTES: usize = 1 << 18;
const SAMPLE_RECORDS: usize = 1000;
const CANDIDATES: [Delimiter; 5] =
    [Delimiter::Byte(b';'), Delimiter::Byte(b'\t'), Delimiter::Byte(b','), Delimiter::Byte(b'|'), Delimiter::Blanks];

type Rows = Vec<Vec<Vec<u8>>>;

/// Finds the dialect of a log from its first bytes. `complete`: the sample is the whole file.
///
/// # Errors
/// When the bytes are no text, a record breaks the limits, or no delimiter gives a table with numbers.
pub(super) fn sniff(name: &str, sample: &[u8], complete: bool) -> Result<Dialect, Error> {
    let script = Script::guess(sample).map_err(|kind| Error::new(name, Place::File, kind))?;
    let mut best: Option<(f64, Delimiter, Rows, Shape)> = None;
    let mut refusal: Option<Error> = None;
    for delimiter in CANDIDATES {
        let rows = match rows(name, sample, complete, script, delimiter) {
            Ok(rows) => rows,
            Err(error) => {
                // with a wrong delimiter a row of very many columns is one long cell
                let counts_columns = matches!(error.kind, Kind::TooLarge { what: COLUMNS, .. });
                refusal = refusal.filter(|_| !counts_columns).or(Some(error));
                continue;
            }
        };
        let Some(shape) = Shape::of(&rows) else { continue };
        let score = shape.score(&rows);
        if best.as_ref().is_none_or(|(most, ..)| score > *most) {
            best = Some((score, delimiter, rows, shape));
        }
    }
    match best {
        Some((_, delimiter, rows, shape)) => Ok(dialect(script, delimiter, &rows, &shape)),
        None => Err(refusal.unwrap_or_else(|| no_numbers(name))),
    }
}

/// The refusal of a text without a table of numbers.
pub(super) fn no_numbers(name: &str) -> Error {
    let looks_like = "text without a table of numbers".to_owned();
    let remedy = "export the log as CSV text: one head line, then one row a sample with its time and values";
    Error::new(name, Place::File, Kind::Unknown { looks_like, remedy })
}

fn rows(name: &str, sample: &[u8], complete: bool, script: Script, delimiter: Delimiter) -> Result<Rows, Error> {
    let mut source = Cursor::new(sample);
    let mut records = Records::new(name, &mut source, script, delimiter)?;
    let mut rows = Rows::new();
    while rows.len() < SAMPLE_RECORDS {
        match records.next() {
            Ok(Some(record)) if record.closed || complete || rows.is_empty() => {
                rows.push(record.fields().map(<[u8]>::to_vec).collect());
            }
            Ok(_) => break,
            Err(error) if rows.is_empty() => return Err(error),
            Err(_) => break, // the reader proper will meet it and say so
        }
    }
    Ok(rows)
}

/// Which records of a sample are rows of numbers.
struct Shape {
    /// Most usual number of fields of a row of numbers.
    columns: usize,
    first_row: usize,
}

/// Numbers, words for nothing, and other texts of one record.
#[derive(Default, Clone, Copy)]
struct Make {
    numbers: usize,
    missing: usize,
    texts: usize,
}

fn make(row: &[Vec<u8>]) -> Make {
    let mut make = Make::default();
    for cell in row {
        match Decimal::Point.read(cell) {
            Cell::Number(_) => make.numbers += 1,
            Cell::Missing => make.missing += 1,
            Cell::Text if clock::read(cell).is_some() || number::looks_numeric(cell) => make.numbers += 1,
            Cell::Text => make.texts += 1,
        }
    }
    make
}

fn is_row(row: &[Vec<u8>]) -> bool {
    let make = make(row);
    make.numbers > 0 && make.numbers * 2 >= make.texts
}

impl Shape {
    fn of(rows: &Rows) -> Option<Shape> {
        let mut counts = std::collections::BTreeMap::new();
        let lens: Vec<usize> = rows.iter().map(|row| if is_row(row) { row.len() } else { 0 }).collect();
        lens.iter().filter(|len| **len > 0).for_each(|len| *counts.entry(*len).or_insert(0usize) += 1);
        // a table may start late in the sample: many columns count for more than a long preamble of "name: value"
        let (columns, _) = counts.into_iter().max_by_key(|(len, count)| (len * count, *len))?;
        let fits = |k: usize| lens.get(k).is_some_and(|len| *len == columns);
        let first_row = (0..rows.len()).find(|k| fits(*k) && (fits(k + 1) || k + 1 >= rows.len()))?;
        Some(Shape { columns, first_row: first_row.min((0..rows.len()).find(|k| fits(*k)).unwrap_or(first_row)) })
    }

    /// How well a delimiter explains the sample: numbers found, less what it leaves as text.
    fn score(&self, rows: &Rows) -> f64 {
        let (mut sum, mut count, mut even) = (0.0, 0usize, 0usize);
        for row in rows.iter().skip(self.first_row).filter(|row| is_row(row)) {
            let make = make(row);
            sum += make.numbers as f64 + 0.5 * make.missing as f64 - 2.0 * make.texts as f64;
            count += 1;
            even += usize::from(row.len() == self.columns);
        }
        let mean = sum / count.max(1) as f64;
        let head = self.first_row.checked_sub(1).and_then(|k| rows.get(k));
        let head_fits =
            head.is_none_or(|head| head.len().abs_diff(self.columns) <= 1 && (head.len() > 1 || self.columns < 2));
        mean * (even as f64 / count.max(1) as f64) * if head_fits { 1.0 } else { 0.4 }
    }
}

fn dialect(script: Script, delimiter: Delimiter, rows: &Rows, shape: &Shape) -> Dialect {
    let head = Head::of(rows, shape);
    let data = rows.get(shape.first_row..).unwrap_or_default();
    let columns = shape.columns.max(head.names.len());
    let decimal =
        number::vote(data.iter().flat_map(|row| row.iter().enumerate().map(|(k, cell)| (k, cell.as_slice()))));
    let clocks = (0..columns).map(|k| is_clock(data, k)).collect();
    let (mut names, mut units) = (head.names, head.units);
    names.resize(columns, String::new());
    units.resize(columns, None);
    Dialect {
        script,
        delimiter,
        decimal,
        names,
        units,
        clocks,
        head: head.cells,
        skip: shape.first_row,
        preamble: head.at.unwrap_or(shape.first_row),
        units_row: head.units_row,
    }
}

fn is_clock(data: &[Vec<Vec<u8>>], column: usize) -> bool {
    let cells = || data.iter().filter_map(|row| row.get(column));
    let clocks = cells().filter(|cell| clock::read(cell).is_some()).count();
    let numbers = cells().filter(|cell| number::looks_numeric(cell)).count();
    clocks > numbers
}

/// The lines that name the columns.
#[derive(Default)]
struct Head {
    names: Vec<String>,
    units: Vec<Option<String>>,
    cells: Vec<String>,
    at: Option<usize>,
    units_row: bool,
}

impl Head {
    fn of(rows: &Rows, shape: &Shape) -> Head {
        let texts = |back: usize| -> Option<Vec<String>> {
            let row = rows.get(shape.first_row.checked_sub(back)?)?;
            Some(row.iter().map(|cell| String::from_utf8_lossy(cell).trim().to_owned()).collect())
        };
        let is_head = |texts: &Vec<String>| {
            let named = texts.iter().filter(|text| !text.is_empty() && !number::looks_numeric(text.as_bytes())).count();
            named * 2 >= shape.columns && named > 0 && texts.len() <= shape.columns * 2 + 1
        };
        let Some(last) = texts(1).filter(|texts| texts.len() * 2 >= shape.columns) else { return Head::default() };
        // a unit nobody listed must not hide the row: most cells decide
        let filled = last.iter().filter(|text| !text.is_empty()).count();
        let units = last.iter().filter(|text| names::is_unit(text)).count();
        let fitting = last.iter().filter(|text| names::fits_unit_row(text)).count();
        let all_units = units > 0 && (fitting == last.len() || units * 2 > filled);
        if let Some(above) = texts(2).filter(|above| all_units && is_head(above)) {
            return Head::named(above, Some(last), shape.first_row - 2);
        }
        if is_head(&last) { Head::named(last, None, shape.first_row - 1) } else { Head::default() }
    }

    fn named(cells: Vec<String>, units_row: Option<Vec<String>>, at: usize) -> Head {
        let (mut names, mut units): (Vec<_>, Vec<_>) = cells.iter().map(|cell| names::split(cell)).unzip();
        while names.last().is_some_and(String::is_empty) {
            names.pop();
            units.pop();
        }
        let has_row = units_row.is_some();
        for (unit, told) in units.iter_mut().zip(units_row.unwrap_or_default()) {
            let told = names::without_brackets(&told);
            if !told.is_empty() && told != "-" && told != "--" {
                *unit = Some(told.to_owned());
            }
        }
        Head { names, units, cells, at: Some(at), units_row: has_row }
    }
}
