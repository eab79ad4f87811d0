//! A long log in two halves, so that two workers can read one each.
//!
//! Where it is cut hangs on the file alone, and one reader takes the same two halves one after the other: whoever reads
//! them, the same values come out, bit by bit. A browser's workers share no memory; the second half crosses as bytes.

use super::dialect::{self, Dialect};
use super::figures::Figures;
use super::log::Parsed;
use super::magic::{self, Promise};
use super::table::{Met, Odd, Table};
use super::text::Delimiter;
use super::values::Values;
use super::{Content, Source, Told, bytes, packed};
use crate::error::{Error, Loaded, Place};
use serde::{Deserialize, Serialize};
use std::ops::Range;

/// Shortest file that is read in two, bytes: a second worker takes some 50 ms to come up, as long as 8 MiB take to read.
const SHORTEST_BYTES: u64 = 16 << 20;
/// A line must end so far behind the middle.
const NEAR_MIDDLE: usize = 1 << 16;

/// A log to be read in two.
pub struct Halves {
    dialect: Dialect,
    /// Where the second half lies.
    second: Range<u64>,
    first: Option<Table>,
}

impl Halves {
    /// Looks at the head of a file; `None` where it is short, no plain text, or can't be cut.
    pub fn of(name: &str, source: &mut dyn Source, told: &Told) -> Option<Halves> {
        let len = bytes::length(name, source).ok()?;
        if len < SHORTEST_BYTES || told.raw.is_some() || told.packed_bytes.is_some() {
            return None;
        }
        let head = bytes::slice(name, source, 0, magic::HEAD_BYTES).ok()?;
        if packed::is_packed(&head) || !matches!(magic::promise(&head), Ok(Promise::Text)) {
            return None;
        }
        let sample = bytes::slice(name, source, 0, dialect::SAMPLE_BYTES).ok()?;
        let dialect = dialect::sniff(name, &sample, false).ok()?;
        let cut = cut(name, source, &dialect, len)?;
        Some(Halves::new(dialect, cut))
    }

    /// Of a text whose second half lies at `second`; see [`cut`].
    pub(super) fn new(dialect: Dialect, second: Range<u64>) -> Halves {
        Halves { dialect, second, first: None }
    }

    /// Reads the first half.
    ///
    /// # Errors
    /// As reading the whole would.
    pub fn read_first(&mut self, name: &str, source: &mut dyn Source) -> Result<(), Error> {
        self.first = Some(Table::read_part(name, source, &self.dialect, 0..self.second.start)?);
        Ok(())
    }

    /// Reads the second half, as another worker does; see [`Halves::open`]. `None` where it can't be read by itself.
    pub fn read_second(&self, name: &str, source: &mut dyn Source) -> Option<Vec<Vec<u8>>> {
        Table::read_part(name, source, &self.dialect, self.second.clone()).ok()?.to_pieces()
    }

    /// What the file is, as [`super::open`] says, with the second half as another worker read it; `second` gives its pieces
    /// one after the other. What was not read, or doesn't fit, is read here.
    ///
    /// # Errors
    /// As [`super::open`].
    pub fn open(
        mut self,
        name: &str,
        mut source: Box<dyn Source>,
        told: &Told,
        second: impl Iterator<Item = Vec<u8>>,
    ) -> Result<Loaded<Content>, Error> {
        let second = Table::of_pieces(second, self.dialect.names.len());
        let table = self.table(name, source.as_mut(), second)?;
        Parsed::of(name, self.dialect, table)?.into_content(name, told.log_rate_hz)
    }

    /// Both halves, those that are missing read here.
    pub(super) fn read(mut self, name: &str, source: &mut dyn Source) -> Result<(Dialect, Table), Error> {
        let table = self.table(name, source, None)?;
        Ok((self.dialect, table))
    }

    fn table(&mut self, name: &str, source: &mut dyn Source, second: Option<Table>) -> Result<Table, Error> {
        let first = match self.first.take() {
            Some(first) => first,
            None => Table::read_part(name, source, &self.dialect, 0..self.second.start)?,
        };
        // A quote that is open at the cut may close behind it.
        let is_whole = first.met.open_quote.is_none() && first.rows() > 0;
        if is_whole && first.met.other_table.is_some() {
            return Ok(first); // nothing is read after it
        }
        let joined = if is_whole {
            let read = || Table::read_part(name, source, &self.dialect, self.second.clone()).ok();
            second.or_else(read).filter(|second| second.rows() > 0).and_then(|second| first.join(second))
        } else {
            drop(first); // or two tables would be held
            None
        };
        // What can't be told in halves is told by reading on from the start.
        joined.map_or_else(|| Table::read(name, source, &self.dialect, None), Ok)
    }
}

/// Where the second half of a text lies: from the start of a line near the middle on. `None` where it is short or can't be
/// cut.
pub(super) fn cut(name: &str, source: &mut dyn Source, dialect: &Dialect, len: u64) -> Option<Range<u64>> {
    let can = len >= SHORTEST_BYTES && dialect.script.has_plain_lines() && dialect.delimiter != Delimiter::Blanks;
    let after = if can { bytes::slice(name, source, len / 2, NEAR_MIDDLE).ok()? } else { return None };
    Some(len / 2 + 1 + memchr::memchr(b'\n', &after)? as u64..len)
}

/// What crosses with the columns.
#[derive(Serialize, Deserialize)]
struct Head {
    met: Met,
    figures: Vec<[u64; Figures::WORDS]>,
}

impl Table {
    /// With the rows of `later` behind these; `None` where they are too many.
    fn join(mut self, mut later: Table) -> Option<Table> {
        let rows = (self.rows() + later.rows()) as u64;
        if rows * self.columns.len() as u64 > self.most_values || later.columns.len() != self.columns.len() {
            return None;
        }
        let line = self.met.lines;
        for ((own, own_figures), (values, figures)) in
            self.columns.iter_mut().zip(&mut self.figures).zip(later.columns.drain(..).zip(later.figures))
        {
            let there = |value: &f64| value.is_finite();
            let last = own.iter().rev().find(there).unwrap_or(f64::NAN);
            let first = values.iter().find(there).unwrap_or(f64::NAN);
            *own_figures = own_figures.join(figures, [last, first]);
            own.join(values).ok()?;
        }
        self.lines.try_reserve_exact(later.lines.len()).ok()?;
        self.lines.extend(later.lines.iter().map(|own| own.saturating_add(u32::try_from(line).unwrap_or(u32::MAX))));
        self.met.join(later.met);
        Some(self)
    }

    /// As pieces of bytes: what was met, the line of each row, then column by column. `None` where it can't be told so.
    fn to_pieces(&self) -> Option<Vec<Vec<u8>>> {
        let figures = self.figures.iter().map(Figures::words).collect();
        let head = serde_json::to_vec(&Head { met: self.met.clone(), figures }).ok()?;
        let lines = self.lines.iter().flat_map(|line| line.to_le_bytes()).collect();
        Some([head, lines].into_iter().chain(self.columns.iter().map(Values::to_bytes)).collect())
    }

    /// From such pieces, each let go of before the next.
    fn of_pieces(mut pieces: impl Iterator<Item = Vec<u8>>, columns: usize) -> Option<Table> {
        let Head { met, figures } = serde_json::from_slice(&pieces.next()?).ok()?;
        let mut table = Table::empty(columns);
        (table.figures, table.met) = (figures.iter().map(Figures::of_words).collect(), met);
        let lines = pieces.next()?;
        table.lines = lines.as_chunks().0.iter().map(|line| u32::from_le_bytes(*line)).collect();
        for own in &mut table.columns {
            *own = Values::of_bytes(&pieces.next()?).filter(|values| values.len() == table.lines.len())?;
        }
        (table.figures.len() == columns).then_some(table)
    }
}

impl Met {
    /// With what was met after it, where lines were counted from the cut.
    fn join(&mut self, later: Met) {
        let before = self.lines;
        let placed = |place: Place| match place {
            Place::Line { line, byte } => Place::Line { line: line + before, byte },
            other => other,
        };
        for odd in later.odd {
            match self.odd.iter_mut().find(|own| own.what == odd.what) {
                Some(own) => own.count += odd.count,
                None => self.odd.push(Odd { first: placed(odd.first.clone()), ..odd }),
            }
        }
        self.lines += later.lines;
        self.open_quote = later.open_quote.map(|line| line + before);
        self.half_line = later.half_line.map(placed);
        self.other_table = later.other_table.map(placed);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::io::Cursor;

    /// Rows of a logger with what else such files hold.
    fn line() -> impl Strategy<Value = String> {
        let number = prop_oneof![
            (-99_999_i32..99_999).prop_map(|whole| format!("{}", f64::from(whole) / 100.0)),
            Just(String::new()),
            Just("1e300".to_owned()),
        ];
        let row = proptest::collection::vec(number, 4);
        prop_oneof![
            40 => row.prop_map(|cells| format!("{},,{}", cells[0], cells[1..].join(","))),
            1 => Just("time,empty,speed,load,level".to_owned()),
            1 => Just("a remark".to_owned()),
            1 => Just("s,,rpm,kPa,dB".to_owned()),
            1 => Just("gear,flap,pump,fan,lamp".to_owned()),
            1 => Just("1,\"2\",3,4,5".to_owned()),
            1 => Just("1,2,\"a word".to_owned()),
            1 => Just("and its end\",4,5".to_owned()),
            1 => Just("1,2,3".to_owned()),
            1 => Just("1,2,3,4,5,6,7".to_owned()),
            1 => Just("1,2,off,4,5".to_owned()),
            1 => Just(String::new()),
        ]
    }

    fn bits(values: &Values) -> Vec<u64> {
        values.iter().map(|value| if value.is_nan() { f64::NAN.to_bits() } else { value.to_bits() }).collect()
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(1000))]
        /// Truth: the same text read from its start to its end.
        #[test]
        fn what_two_read_is_what_one_reads(
            lines in proptest::collection::vec(line(), 1..600),
            crlf in any::<bool>(), closed in any::<bool>(), cut in 0.0..1.0_f64,
        ) {
            let end = if crlf { "\r\n" } else { "\n" };
            let mut text = format!("time,empty,speed,load,level{end}{}{end}", lines.join(end));
            if !closed { text.truncate(text.len() - end.len()); }
            let bytes = text.into_bytes();
            let Ok(dialect) = dialect::sniff("x", &bytes, true) else { return Ok(()) };
            let whole = Table::read("x", &mut Cursor::new(&bytes), &dialect, None).unwrap();
            let starts: Vec<u64> = memchr::memchr_iter(b'\n', &bytes).map(|at| at as u64 + 1).collect();
            let start = starts[(cut * starts.len() as f64) as usize];
            let mut halves = Halves::new(dialect, start..bytes.len() as u64);
            let second = halves.read_second("x", &mut Cursor::new(&bytes)).unwrap();
            let second = Table::of_pieces(second.into_iter(), whole.columns.len()).unwrap();
            let joined = halves.table("x", &mut Cursor::new(&bytes), Some(second)).unwrap();
            prop_assert_eq!(&joined.lines, &whole.lines);
            prop_assert_eq!(&joined.met, &whole.met);
            for (own, other) in joined.columns.iter().zip(&whole.columns) {
                prop_assert_eq!(bits(own), bits(other));
            }
            for (own, other) in joined.figures.iter().zip(&whole.figures) {
                prop_assert_eq!(Figures { sum: 0.0, ..*own }, Figures { sum: 0.0, ..*other });
                prop_assert!(own.sum == other.sum || (own.sum - other.sum).abs() <= 1e-6 * own.high.abs().max(own.low.abs()));
            }
        }
    }
}
