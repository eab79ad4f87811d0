//! The rows of a log, streamed into columns.

use super::dialect::Dialect;
use super::figures::{Figures, Tally};
use super::number::Cell;
use super::quick::{self, Written};
use super::text::{Delimiter, Record, Records};
use super::values::{STRETCH, Values};
use super::{Source, clock};
use crate::error::{Error, Kind, Place};
use serde::{Deserialize, Serialize};
use std::collections::TryReserveError;
use std::ops::Range;

/// Columns of numbers with what was met on the way.
pub(super) struct Table {
    /// One value a row each; NaN = missing.
    pub columns: Vec<Values>,
    /// Of each column, once all rows are read.
    pub figures: Vec<Figures>,
    tally: Tally,
    /// Line of each row.
    pub lines: Vec<u32>,
    /// The last rows, row by row, not yet in the columns: a column is written to in stretches.
    block: Vec<f64>,
    pub met: Met,
    /// Values held at most, all columns together.
    pub most_values: u64,
    /// Rows come before these: it is the second half of a table.
    follows_rows: bool,
}

/// What was met on the way besides rows.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Met {
    pub odd: Vec<Odd>,
    /// Lines read, those of rows too.
    pub lines: u64,
    pub open_quote: Option<u64>,
    pub half_line: Option<Place>,
    pub other_table: Option<Place>,
}

/// Something met repeatedly: what, how often, where first.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Odd {
    pub what: What,
    pub count: u64,
    pub first: Place,
    pub example: String,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(super) enum What {
    Short,
    Long,
    TextRow,
    HeadAgain,
    TextCell,
}

/// Most values held, all columns together: 1 GiB.
const MOST_VALUES: u64 = 1 << 27;
/// What any packed log may hold, and what it may for each of its packed bytes: measured values take more than a third of a
/// byte however well they are packed, a few bytes that fill the memory take less.
const FREE_PACKED_VALUES: u64 = 1 << 22;
const VALUES_PER_PACKED_BYTE: u64 = 3;

impl Table {
    /// Reads every row of a source; from an archive, `packed_bytes` says how much stood there.
    pub(super) fn read(
        name: &str,
        source: &mut dyn Source,
        dialect: &Dialect,
        packed_bytes: Option<u64>,
    ) -> Result<Table, Error> {
        let mut table = Table::empty(dialect.names.len());
        if let Some(packed) = packed_bytes {
            let most = FREE_PACKED_VALUES.saturating_add(packed.saturating_mul(VALUES_PER_PACKED_BYTE));
            table.most_values = most.min(MOST_VALUES);
        }
        table.read_on(Records::new(name, source, dialect.script, dialect.delimiter)?, name, dialect, dialect.skip)
    }

    /// Reads the rows from one byte of a source to before another; a line starts at both.
    pub(super) fn read_part(
        name: &str,
        source: &mut dyn Source,
        dialect: &Dialect,
        part: Range<u64>,
    ) -> Result<Table, Error> {
        let follows_rows = part.start > 0;
        let skip = if follows_rows { 0 } else { dialect.skip };
        let records = Records::within(name, source, dialect.script, dialect.delimiter, part)?;
        Table { follows_rows, ..Table::empty(dialect.names.len()) }.read_on(records, name, dialect, skip)
    }

    fn read_on(mut self, mut records: Records, name: &str, dialect: &Dialect, skip: usize) -> Result<Table, Error> {
        for _ in 0..skip {
            records.next()?;
        }
        loop {
            self.take_plain(&mut records, name, dialect)?;
            let Some(record) = records.next()? else { break };
            if self.is_cut_off(&record) {
                self.met.half_line = Some(record.place());
                break;
            }
            if self.take(&record, dialect) == Next::Stop {
                self.met.other_table = Some(record.place());
                break;
            }
            let place = record.place();
            self.flush(name, place)?;
        }
        self.met.open_quote = records.open_quote;
        self.met.lines = records.lines_passed();
        self.flush_all(name, Place::File)?;
        self.figures = self.tally.figures().collect();
        Ok(self)
    }

    /// Takes all rows of plain numbers that the text at hand begins with.
    fn take_plain(&mut self, records: &mut Records, name: &str, dialect: &Dialect) -> Result<(), Error> {
        let Delimiter::Byte(delimiter) = dialect.delimiter else { return Ok(()) };
        let columns = self.columns.len();
        let written = Written { delimiter, decimal: dialect.decimal, clocks: &dialect.clocks, columns };
        loop {
            let most = STRETCH.saturating_sub(self.block.len() / columns.max(1));
            let (first, count) = records.lines(|text| quick::rows(text, written, most, &mut self.block));
            let lines = (first..).take(count).map(|line| u32::try_from(line).unwrap_or(u32::MAX));
            self.lines.extend(lines);
            if count == 0 {
                return Ok(());
            }
            let place = Place::Line { line: first, byte: records.passed() };
            self.flush(name, place)?;
        }
    }

    pub(super) fn empty(columns: usize) -> Table {
        Table {
            columns: vec![Values::default(); columns],
            figures: Vec::new(),
            tally: Tally::new(columns),
            lines: Vec::new(),
            block: Vec::new(),
            met: Met::default(),
            most_values: MOST_VALUES,
            follows_rows: false,
        }
    }

    /// Number of rows.
    pub(super) fn rows(&self) -> usize {
        self.lines.len()
    }

    /// Whether any value is there.
    pub(super) fn has_numbers(&self) -> bool {
        self.figures.iter().any(|figures| figures.count > 0)
    }

    /// Far more lines without a number than rows: a text that happens to hold a few figures.
    pub(super) fn is_mostly_prose(&self) -> bool {
        let remarks = self.met.odd.iter().find(|odd| odd.what == What::TextRow).map_or(0, |odd| odd.count);
        remarks > 2 * self.rows() as u64
    }

    /// A last line without its end and with fewer fields than a row: the logger stopped inside it.
    fn is_cut_off(&self, record: &Record) -> bool {
        !record.closed && record.len() < self.columns.len() && (self.rows() > 0 || self.follows_rows)
    }

    /// Moves a full block into the columns: as many rows as these pack at once.
    fn flush(&mut self, name: &str, place: Place) -> Result<(), Error> {
        if self.block.len() < STRETCH * self.columns.len() { Ok(()) } else { self.flush_all(name, place) }
    }

    fn flush_all(&mut self, name: &str, place: Place) -> Result<(), Error> {
        let width = self.columns.len().max(1);
        let held = self.columns.first().map_or(0, Values::len);
        let asked = (held + self.block.len() / width) as u64 * width as u64;
        let fits = asked <= self.most_values && self.scatter(width).is_ok();
        if !fits {
            let kind = Kind::TooLarge { what: "values", asked, allowed: self.most_values };
            return Err(Error::new(name, place, kind));
        }
        self.tally.add(&self.block);
        self.block.clear();
        Ok(())
    }

    fn scatter(&mut self, width: usize) -> Result<(), TryReserveError> {
        let mut own = [f64::NAN; STRETCH];
        for rows in self.block.chunks(width * STRETCH) {
            for (k, column) in self.columns.iter_mut().enumerate() {
                let mut held = 0;
                for (own, row) in own.iter_mut().zip(rows.chunks_exact(width)) {
                    *own = row.get(k).copied().unwrap_or(f64::NAN);
                    held += 1;
                }
                column.extend(own.get(..held).unwrap_or_default())?;
            }
        }
        Ok(())
    }

    /// Takes one record as a row, or tells why not.
    fn take(&mut self, record: &Record, dialect: &Dialect) -> Next {
        let (mut numbers, mut text) = (0, None);
        let (held, width) = (self.block.len(), self.columns.len());
        for (k, cell) in record.fields().take(width).enumerate() {
            let value =
                if dialect.clocks.get(k) == Some(&true) { clock::cell(cell) } else { dialect.decimal.read(cell) };
            match value {
                Cell::Number(number) => {
                    numbers += 1;
                    self.block.push(number);
                }
                Cell::Missing => self.block.push(f64::NAN),
                Cell::Text => {
                    text = text.or(Some(k));
                    self.block.push(f64::NAN);
                }
            }
        }
        if numbers == 0 {
            self.block.truncate(held);
            return self.skip(record, dialect, text);
        }
        self.note_length(record);
        if let Some(k) = text {
            let cell = record.fields().nth(k).unwrap_or_default();
            self.odd(What::TextCell, record, Some(k), cell);
        }
        self.block.resize(held + width, f64::NAN);
        self.lines.push(u32::try_from(record.line).unwrap_or(u32::MAX));
        Next::Row
    }

    /// A record without a number: the head again, another table, a remark, or a row of nothing.
    fn skip(&mut self, record: &Record, dialect: &Dialect, text: Option<usize>) -> Next {
        let Some(k) = text else { return Next::Row };
        let mut pairs = dialect.head.iter().zip(record.fields());
        let equal = pairs.all(|(head, cell)| head.as_bytes() == cell.trim_ascii());
        if !dialect.head.is_empty() && equal {
            self.odd(What::HeadAgain, record, None, b"");
            return Next::Row;
        }
        let texts = record.fields().filter(|cell| !cell.trim_ascii().is_empty()).count();
        if !dialect.head.is_empty() && record.len() == dialect.head.len() && texts == record.len() && texts > 2 {
            let known = record.fields().filter(|cell| is_in_head(dialect, cell)).count();
            if known * 2 < texts && !self.looks_like_units(record) {
                return Next::Stop;
            }
        }
        if !self.looks_like_units(record) {
            self.odd(What::TextRow, record, None, record.fields().nth(k).unwrap_or_default());
        }
        Next::Row
    }

    fn looks_like_units(&self, record: &Record) -> bool {
        record.fields().all(|cell| super::names::fits_unit_row(&String::from_utf8_lossy(cell)))
    }

    fn note_length(&mut self, record: &Record) {
        let columns = self.columns.len();
        if record.len() < columns {
            self.odd(What::Short, record, None, b"");
        } else if record.fields().skip(columns).any(|cell| !cell.trim_ascii().is_empty()) {
            self.odd(What::Long, record, None, b"");
        }
    }

    fn odd(&mut self, what: What, record: &Record, column: Option<usize>, cell: &[u8]) {
        if let Some(odd) = self.met.odd.iter_mut().find(|odd| odd.what == what) {
            odd.count += 1;
            return;
        }
        let shown: String = String::from_utf8_lossy(cell).trim().chars().take(30).collect();
        let example = column.map_or(shown.clone(), |k| format!("{shown}\" in column {}", k + 1));
        self.met.odd.push(Odd { what, count: 1, first: record.place(), example });
    }

    /// What was assumed, skipped or missing, each with the first line it concerns.
    pub(super) fn notes(&self, name: &str, dialect: &Dialect) -> Vec<Error> {
        let note = |place: Place, what: String, remedy| Error::new(name, place, Kind::Noted { what, remedy });
        let mut notes: Vec<Error> =
            self.met.odd.iter().map(|odd| note(odd.first.clone(), odd.in_words(), odd.remedy())).collect();
        if let Some(line) = self.met.open_quote {
            let what = "a quote opens that never closes; from here on quotes were read as letters".to_owned();
            notes.push(note(Place::Row { line }, what, "look at that line in a text editor"));
        }
        if let Some(place) = &self.met.half_line {
            let what = "the last line stops half way and was left out".to_owned();
            notes.push(note(place.clone(), what, "nothing; the logger was switched off while writing"));
        }
        if let Some(place) = &self.met.other_table {
            let what = "another table with other columns starts here; only the first was read".to_owned();
            notes.push(note(place.clone(), what, "split the file there and drop both parts"));
        }
        if dialect.head.is_empty() {
            let what = "no line names the columns: they are known by number".to_owned();
            notes.push(note(Place::File, what, "give each column its role by hand"));
        }
        notes
    }
}

#[derive(PartialEq, Eq)]
enum Next {
    Row,
    Stop,
}

fn is_in_head(dialect: &Dialect, cell: &[u8]) -> bool {
    dialect.head.iter().any(|head| head.as_bytes() == cell.trim_ascii())
}

impl Odd {
    fn in_words(&self) -> String {
        let Odd { count, example, .. } = self;
        match self.what {
            What::Short => {
                format!("{count} rows have fewer cells than the table has columns; the rest counts as missing")
            }
            What::Long => format!("{count} rows have more cells than the table has columns; the surplus was left out"),
            What::TextRow => format!("lines without a number were left out ({count}), the first \"{example}\""),
            What::HeadAgain => format!("the head line comes again {count} times and was left out"),
            What::TextCell => {
                format!("{count} rows hold text where a number should be, the first \"{example}; it counts as missing")
            }
        }
    }

    fn remedy(&self) -> &'static str {
        match self.what {
            What::HeadAgain => "nothing; check that the parts belong together",
            What::TextRow => "nothing, if these are remarks",
            What::TextCell => "nothing, if these columns are not needed",
            What::Short | What::Long => "look at that line in a text editor",
        }
    }
}
