//! Rows of plain numbers, the bulk of any log, straight from the text: no record is cut, no cell is copied.
//!
//! Eight bytes are looked at as one word: where its bytes stop being digits is found by carrying into each byte's highest
//! bit, and up to seven digits become a number by three multiplications (D. Lemire, "Number parsing at a gigabyte per
//! second", Software: Practice and Experience 51 (2021) 1700-1727, section 3). A whole number below 2^53 over a power of
//! ten is correctly rounded, as in [`super::number`], so both ways give the same bits; anything else is left to it.

use super::clock;
use super::number::{Cell, Decimal, MOST_CELL_BYTES, TENS};

/// How the rows of a table are written.
#[derive(Debug, Clone, Copy)]
pub(super) struct Written<'a> {
    /// Stands between cells.
    pub delimiter: u8,
    pub decimal: Decimal,
    /// Columns that hold clock texts.
    pub clocks: &'a [bool],
    /// Cells of a row.
    pub columns: usize,
}

/// Reads rows from the start of `text` on, as long as each is a whole line of the table's width that holds a number and no
/// other text; row by row onto `out`, NaN = missing. Returns the number of rows, at most `most`, and of their bytes.
#[inline(never)] // compiled on its own it is made fast between two calls: a browser doesn't exchange code that is running
pub(super) fn rows(text: &[u8], written: Written, most: usize, out: &mut Vec<f64>) -> (usize, usize) {
    let (mut count, mut at) = (0, 0);
    if written.delimiter == written.decimal.mark() || written.columns == 0 {
        return (0, 0);
    }
    while count < most {
        let held = out.len();
        out.resize(held + written.columns, f64::NAN);
        let Some(next) = row(text, at, written, out.get_mut(held..).unwrap_or_default()) else {
            out.truncate(held);
            break;
        };
        (count, at) = (count + 1, next);
    }
    (count, at)
}

/// Where the next row starts; `None` leaves this one to others. `out`: one place a column.
fn row(text: &[u8], mut at: usize, written: Written, out: &mut [f64]) -> Option<usize> {
    let (last, others) = out.split_last_mut()?;
    let mut filled = false;
    for (k, out) in others.iter_mut().enumerate() {
        let (value, end, stop) = cell(text, at, k, written)?;
        if stop != written.delimiter {
            return None;
        }
        filled |= !value.is_nan();
        *out = value;
        at = end + 1;
    }
    let (value, end, stop) = cell(text, at, written.columns - 1, written)?;
    filled |= !value.is_nan();
    *last = value;
    let next = match stop {
        b'\n' => end + 1,
        b'\r' if text.get(end + 1) == Some(&b'\n') => end + 2,
        _ => return None,
    };
    filled.then_some(next)
}

/// Value and end of the cell at `at`, and the byte there; its end is no more than where it stopped being one.
#[inline(always)] // a call a cell would take as long as the cell
fn cell(text: &[u8], at: usize, column: usize, written: Written) -> Option<(f64, usize, u8)> {
    if written.clocks.get(column) == Some(&true) {
        return any_cell(text, at, written, true);
    }
    let negative = text.get(at) == Some(&b'-');
    let from = at + usize::from(negative);
    let Some(word) = eight(text, from) else { return any_cell(text, at, written, false) };
    match short(word, written.decimal.mark()) {
        Some(Short { value, digits: 1.., end, stop })
            if stop == written.delimiter || stop == b'\n' || text.get(from + end..from + end + 2) == Some(b"\r\n") =>
        {
            Some((f64::from_bits(value.to_bits() | u64::from(negative) << 63), from + end, stop))
        }
        // A row's last cell may be empty before either line end.
        Some(Short { end: 0, stop, .. }) if !negative && (stop == written.delimiter || stop == b'\n') => {
            Some((f64::NAN, at, stop))
        }
        _ => any_cell(text, at, written, false),
    }
}

fn eight(text: &[u8], at: usize) -> Option<u64> {
    text.get(at..)?.first_chunk().map(|bytes| u64::from_le_bytes(*bytes))
}

const fn each(byte: u8) -> u64 {
    u64::from_le_bytes([byte; 8])
}

/// A number at the start of a word.
struct Short {
    value: f64,
    digits: u32,
    /// Byte after it, and where that stands.
    stop: u8,
    end: usize,
}

/// Digits and at most one mark before the first other byte of a word; `None` where it holds no other byte.
#[inline(always)]
fn short(word: u64, mark: u8) -> Option<Short> {
    let digits = word ^ each(b'0');
    // bit 7 of each byte that is no digit
    let others = (((digits & each(0x7f)) + each(0x80 - 10)) | digits) & each(0x80);
    if others == 0 {
        return None;
    }
    let first = others.trailing_zeros() & !7;
    let stop = (word >> first) as u8;
    if stop != mark {
        let value = f64::from(number(digits, first));
        return Some(Short { value, digits: first / 8, stop, end: (first / 8) as usize });
    }
    let rest = others & (others - 1);
    if rest == 0 {
        return None;
    }
    let end = rest.trailing_zeros() & !7;
    let whole = digits & ((1 << first) - 1);
    let joined = whole | (digits >> first >> 8) << first;
    let after = (end - first) / 8 - 1;
    let value = f64::from(number(joined, end - 8)) / TENS.get(after as usize)?;
    Some(Short { value, digits: end / 8 - 1, stop: (word >> end) as u8, end: (end / 8) as usize })
}

/// The first `bits / 8` bytes of a word, each 0 to 9 and the first the highest, as a number; at most seven.
fn number(digits: u64, bits: u32) -> u32 {
    let digits = (digits << 8) << (56 - bits.min(56));
    let pairs = digits.wrapping_mul((10 << 8) + 1) >> 8 & 0x00ff_00ff_00ff_00ff;
    let fours = pairs.wrapping_mul((100 << 16) + 1) >> 16 & 0x0000_ffff_0000_ffff;
    (fours.wrapping_mul((10_000 << 32) + 1) >> 32) as u32
}

/// A cell of any other kind, cut out and read as everywhere; `None` for texts, and for quotes, which may hide its end.
#[cold]
fn any_cell(text: &[u8], at: usize, written: Written, is_clock: bool) -> Option<(f64, usize, u8)> {
    let rest = text.get(at..)?;
    let rest = rest.get(..MOST_CELL_BYTES + 2).unwrap_or(rest);
    let end = memchr::memchr2(written.delimiter, b'\n', rest)?;
    let cell = rest.get(..end)?;
    let cell = if rest.get(end) == Some(&b'\n') { cell.strip_suffix(b"\r").unwrap_or(cell) } else { cell };
    if memchr::memchr(b'"', cell).is_some() {
        return None;
    }
    let read = if is_clock { clock::cell(cell) } else { written.decimal.read(cell) };
    let value = match read {
        Cell::Number(value) => value,
        Cell::Missing => f64::NAN,
        Cell::Text => return None,
    };
    Some((value, at + cell.len(), *rest.get(cell.len())?))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn written(delimiter: u8, decimal: Decimal, columns: usize) -> Written<'static> {
        Written { delimiter, decimal, clocks: &[], columns }
    }

    /// The slow twin: lines cut at line ends, cells at delimiters, each cell read on its own.
    fn slowly(text: &[u8], written: Written) -> Vec<f64> {
        let mut out = Vec::new();
        for line in text.split_inclusive(|b| *b == b'\n') {
            let Some(line) = line.strip_suffix(b"\n") else { break };
            let line = line.strip_suffix(b"\r").unwrap_or(line);
            let cells: Vec<Cell> = line.split(|b| *b == written.delimiter).map(|c| written.decimal.read(c)).collect();
            let is_plain = cells.len() == written.columns && !line.contains(&b'"') && !cells.contains(&Cell::Text);
            if !is_plain || !cells.iter().any(|cell| matches!(cell, Cell::Number(_))) {
                break;
            }
            out.extend(cells.iter().map(|cell| if let Cell::Number(value) = cell { *value } else { f64::NAN }));
        }
        out
    }

    fn bits(values: &[f64]) -> Vec<u64> {
        // every NaN stands for the same: nothing
        values.iter().map(|value| if value.is_nan() { f64::NAN.to_bits() } else { value.to_bits() }).collect()
    }

    fn same(text: &str, written: Written) {
        let mut out = Vec::new();
        let (count, bytes) = rows(text.as_bytes(), written, usize::MAX, &mut out);
        assert_eq!(out.len(), count * written.columns, "{text:?}");
        let slow = slowly(text.as_bytes(), written);
        assert_eq!(bits(&out), bits(&slow), "{text:?}");
        let lines: usize = text.split_inclusive('\n').take(count).map(str::len).sum();
        assert_eq!(bytes, lines, "{text:?}");
    }

    #[test]
    fn odd_rows_are_read_as_the_slow_twin_reads_them() {
        let texts = [
            "1,2\n",
            "1,2\r\n",
            "1,2",
            "1,\n",
            ",2\n",
            ",\n",
            "1,2,3\n",
            "1\n",
            "-,1\n",
            "-0,-0.0\n",
            ".5,5.\n",
            ".,1\n",
            "1.2.3,4\n",
            "1234567,12345678\n",
            "123456789.5,0.123456789\n",
            "1e3,-1.5E-2\n",
            "0x1F,on\n",
            "nan,1\n",
            "850 rpm,1\n",
            " 1.5 ,\t2\n",
            "\"1\",2\n",
            "1,\"a\nb\"\n",
            "--5,1\n",
            "+4,1\n",
            "\u{2212}7,1\n",
            "1,2\r3\n",
            "1,\r\n",
            "\r\n",
            "1,2\n\n3,4\n",
            "99999999999999999,1\n",
            "1.7976931348623157e308,1e999\n",
            "1;2\n",
            "00000001,0000000.1\n",
            "1,2\n3,x\n",
            "1 234,5\n",
            "-.5,-5.\n",
            "-.,1\n",
            "1,12:30\n",
            "1,-\n",
            "1, \n",
        ];
        for text in texts {
            for columns in 1..4 {
                for delimiter in [b',', b';', b'\t'] {
                    for decimal in [Decimal::Point, Decimal::Comma] {
                        if delimiter != decimal.mark() {
                            same(text, written(delimiter, decimal, columns));
                        }
                    }
                }
            }
        }
    }

    proptest! {
        /// Truth: the standard library's correctly rounded parser, bit by bit.
        #[test]
        fn plain_rows_equal_the_standard_parser(
            cells in proptest::collection::vec("-?[0-9]{1,8}(\\.[0-9]{0,8})?|-?\\.[0-9]{1,6}", 3..40),
            end in "\r?\n",
        ) {
            let text = format!("{}{end}", cells.join(","));
            let mut out = Vec::new();
            let taken = rows(text.as_bytes(), written(b',', Decimal::Point, cells.len()), 9, &mut out);
            prop_assert_eq!(taken, (1, text.len()));
            for (cell, value) in cells.iter().zip(&out) {
                prop_assert_eq!(cell.parse::<f64>().unwrap().to_bits(), value.to_bits(), "{}", cell);
            }
        }

        #[test]
        fn any_rows_are_read_as_the_slow_twin_reads_them(
            text in "([-+0-9.,;e\"xX: \t]{0,12}[,;]){0,6}[-0-9.,; \r]{0,6}\n([0-9.]{0,9};[0-9,]{0,9}\r?\n){0,4}",
            columns in 1usize..6,
        ) {
            same(&text, written(b';', Decimal::Point, columns));
            same(&text, written(b';', Decimal::Comma, columns));
            same(&text, written(b',', Decimal::Point, columns));
        }

        #[test]
        fn any_bytes_are_left_or_read(bytes in proptest::collection::vec(any::<u8>(), 0..80), columns in 0usize..4) {
            let mut out = Vec::new();
            let (count, taken) = rows(&bytes, written(b',', Decimal::Point, columns), 9, &mut out);
            prop_assert!(taken <= bytes.len() && out.len() == count * columns);
        }
    }
}
