//! The rows of a log, streamed into columns.

use super::dialect::Dialect;
use super::number::Cell;
use super::text::{Record, Records};
use super::{Source, clock};
use crate::error::{Error, Kind, Place};

/// Columns of numbers with what was met on the way.
pub(super) struct Table {
    /// One value a row each; NaN = missing.
    pub columns: Vec<Vec<f64>>,
    /// Line of each row.
    pub lines: Vec<u32>,
    odd: Vec<Odd>,
    open_quote: Option<u64>,
    half_line: Option<Place>,
    other_table: Option<Place>,
    /// Values held at most, all columns together.
    most_values: u64,
}

/// Something met repeatedly: what, how often, where first.
struct Odd {
    what: What,
    count: u64,
    first: Place,
    example: String,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum What {
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
    /// Reads every row; from an archive, `packed_bytes` says how much stood there.
    pub(super) fn read(
        name: &str,
        source: &mut dyn Source,
        dialect: &Dialect,
        packed_bytes: Option<u64>,
    ) -> Result<Table, Error> {
        let mut records = Records::new(name, source, dialect.script, dialect.delimiter)?;
        let mut table = Table::empty(dialect.names.len());
        if let Some(packed) = packed_bytes {
            let most = FREE_PACKED_VALUES.saturating_add(packed.saturating_mul(VALUES_PER_PACKED_BYTE));
            table.most_values = most.min(MOST_VALUES);
        }
        for _ in 0..dialect.skip {
            records.next()?;
        }
        let mut row = Vec::new();
        while let Some(record) = records.next()? {
            if table.is_cut_off(&record) {
                table.half_line = Some(record.place());
                break;
            }
            if table.take(&record, dialect, &mut row) == Next::Stop {
                table.other_table = Some(record.place());
                break;
            }
            table.reserve(name, record.place())?;
        }
        table.open_quote = records.open_quote;
        Ok(table)
    }

    fn empty(columns: usize) -> Table {
        Table {
            columns: vec![Vec::new(); columns],
            lines: Vec::new(),
            odd: Vec::new(),
            open_quote: None,
            half_line: None,
            other_table: None,
            most_values: MOST_VALUES,
        }
    }

    /// Number of rows.
    pub(super) fn rows(&self) -> usize {
        self.lines.len()
    }

    /// Whether any value is there.
    pub(super) fn has_numbers(&self) -> bool {
        self.columns.iter().any(|column| column.iter().any(|value| !value.is_nan()))
    }

    /// Far more lines without a number than rows: a text that happens to hold a few figures.
    pub(super) fn is_mostly_prose(&self) -> bool {
        let remarks = self.odd.iter().find(|odd| odd.what == What::TextRow).map_or(0, |odd| odd.count);
        remarks > 2 * self.rows() as u64
    }

    /// A last line without its end and with fewer fields than a row: the logger stopped inside it.
    fn is_cut_off(&self, record: &Record) -> bool {
        !record.closed && record.len() < self.columns.len() && self.rows() > 0
    }

    /// Memory for the next rows, asked for before it is used.
    fn reserve(&mut self, name: &str, place: Place) -> Result<(), Error> {
        if self.columns.first().is_none_or(|column| column.len() < column.capacity()) {
            return Ok(());
        }
        let more = (self.rows() / 2).clamp(64, 1 << 20);
        let asked = (self.rows() + more) as u64 * self.columns.len() as u64;
        let failed = asked > self.most_values || self.columns.iter_mut().any(|c| c.try_reserve_exact(more).is_err());
        if failed {
            let kind = Kind::TooLarge { what: "values", asked, allowed: self.most_values };
            return Err(Error::new(name, place, kind));
        }
        Ok(())
    }

    /// Takes one record as a row, or tells why not.
    fn take(&mut self, record: &Record, dialect: &Dialect, row: &mut Vec<f64>) -> Next {
        let (mut numbers, mut text) = (0, None);
        row.clear();
        for (k, cell) in record.fields().take(self.columns.len()).enumerate() {
            let value =
                if dialect.clocks.get(k) == Some(&true) { clock_cell(cell) } else { dialect.decimal.read(cell) };
            match value {
                Cell::Number(number) => {
                    numbers += 1;
                    row.push(number);
                }
                Cell::Missing => row.push(f64::NAN),
                Cell::Text => {
                    text = text.or(Some(k));
                    row.push(f64::NAN);
                }
            }
        }
        if numbers == 0 {
            return self.skip(record, dialect, text);
        }
        self.note_length(record);
        if let Some(k) = text {
            let cell = record.fields().nth(k).unwrap_or_default();
            self.odd(What::TextCell, record, Some(k), cell);
        }
        row.resize(self.columns.len(), f64::NAN);
        self.columns.iter_mut().zip(row.iter()).for_each(|(column, value)| column.push(*value));
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
        if let Some(odd) = self.odd.iter_mut().find(|odd| odd.what == what) {
            odd.count += 1;
            return;
        }
        let shown: String = String::from_utf8_lossy(cell).trim().chars().take(30).collect();
        let example = column.map_or(shown.clone(), |k| format!("{shown}\" in column {}", k + 1));
        self.odd.push(Odd { what, count: 1, first: record.place(), example });
    }

    /// What was assumed, skipped or missing, each with the first line it concerns.
    pub(super) fn notes(&self, name: &str, dialect: &Dialect) -> Vec<Error> {
        let note = |place: Place, what: String, remedy| Error::new(name, place, Kind::Noted { what, remedy });
        let mut notes: Vec<Error> =
            self.odd.iter().map(|odd| note(odd.first.clone(), odd.in_words(), odd.remedy())).collect();
        if let Some(line) = self.open_quote {
            let what = "a quote opens that never closes; from here on quotes were read as letters".to_owned();
            notes.push(note(Place::Row { line }, what, "look at that line in a text editor"));
        }
        if let Some(place) = &self.half_line {
            let what = "the last line stops half way and was left out".to_owned();
            notes.push(note(place.clone(), what, "nothing; the logger was switched off while writing"));
        }
        if let Some(place) = &self.other_table {
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

fn clock_cell(cell: &[u8]) -> Cell {
    match clock::read(cell) {
        Some(seconds) => Cell::Number(seconds),
        None if cell.trim_ascii().is_empty() => Cell::Missing,
        None => Cell::Text,
    }
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
