//! One cell of a table to a number.
//!
//! Short decimal numbers are read exactly without the general parser: a whole number below 2^53 divided by a power of
//! ten up to 10^22 is correctly rounded, because both are exact (W. D. Clinger, PLDI 1990).

use super::names;

/// What a cell holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Cell {
    /// A finite number; words like "on" and "off" are 1 and 0.
    Number(f64),
    /// Nothing, or a word for nothing.
    Missing,
    /// Something else.
    Text,
}

/// How numbers are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) enum Decimal {
    #[default]
    Point,
    Comma,
}

impl Decimal {
    pub(super) fn mark(self) -> u8 {
        if self == Decimal::Point { b'.' } else { b',' }
    }

    fn other(self) -> u8 {
        if self == Decimal::Point { b',' } else { b'.' }
    }

    /// Reads one cell.
    pub(super) fn read(self, cell: &[u8]) -> Cell {
        match plain(cell, self.mark()) {
            Some(value) => Cell::Number(value),
            None => self.read_slowly(cell),
        }
    }

    #[cold]
    fn read_slowly(self, cell: &[u8]) -> Cell {
        let text = String::from_utf8_lossy(cell.get(..MOST_CELL_BYTES).unwrap_or(cell));
        let text = text.trim_matches(|c: char| c.is_whitespace() || c == '\u{feff}' || c == '\'');
        word(text).or_else(|| hexadecimal(text)).or_else(|| self.general(text)).unwrap_or(Cell::Text)
    }

    /// Exponents, thousands marks, the other decimal mark, a unit behind the number.
    fn general(self, text: &str) -> Option<Cell> {
        let mut clean = String::with_capacity(text.len());
        for c in text.chars() {
            match c {
                '\u{2212}' => clean.push('-'),
                '\'' | '\u{2019}' | '\u{a0}' | '\u{202f}' | '\u{2009}' => clean.push(' '),
                c => clean.push(c),
            }
        }
        let end = number_end(clean.as_bytes());
        let (number, unit) = (clean.get(..end)?.trim_end(), clean.get(end..)?.trim());
        (unit.is_empty() || names::is_unit(unit)).then_some(())?;
        // Fortran writes the exponent of a double with a D
        let value: f64 = self.without_groups(number)?.replace(['d', 'D'], "e").parse().ok()?;
        Some(if value.is_finite() { Cell::Number(value) } else { Cell::Missing })
    }

    /// The number with a decimal point and no thousands marks; `None` when it is no number.
    fn without_groups(self, number: &str) -> Option<String> {
        let (mark, other) = (char::from(self.mark()), char::from(self.other()));
        number.bytes().any(|b| b.is_ascii_digit()).then_some(())?;
        if let Some(plain) = ungrouped(number, mark, other).or_else(|| ungrouped(number, mark, ' ')) {
            return Some(plain);
        }
        if number.contains(' ') {
            return None;
        }
        match (number.matches(mark).count(), number.matches(other).count()) {
            (0 | 1, 0) => Some(number.replace(mark, ".")),
            (0, 1) => Some(number.replace(other, ".")), // a column that keeps the other mark
            _ => ungrouped(number, other, mark),
        }
    }
}

/// Longest cell looked at as a number.
pub(super) const MOST_CELL_BYTES: usize = 64;

/// `1,234,567.8` with `,` as group mark: the number without groups and with a point.
fn ungrouped(number: &str, mark: char, group: char) -> Option<String> {
    let digits = number.trim_start_matches(['+', '-']);
    let (whole, fraction) = digits.split_once(mark).map_or((digits, None), |(whole, rest)| (whole, Some(rest)));
    let mut parts = whole.split(group);
    let first = parts.next()?;
    let all_digits = |text: &str| text.bytes().all(|b| b.is_ascii_digit());
    let groups: Vec<&str> = parts.collect();
    let well_formed = (1..=3).contains(&first.len())
        && all_digits(first)
        && !first.starts_with('0')
        && !groups.is_empty()
        && groups.iter().all(|part| part.len() == 3 && all_digits(part))
        && fraction.is_none_or(all_digits);
    let sign = if number.starts_with('-') { "-" } else { "" };
    well_formed.then(|| format!("{sign}{first}{}.{}", groups.concat(), fraction.unwrap_or("0")))
}

/// Where the number at the start of `text` ends: digits, marks, signs, blanks between digits, an exponent.
fn number_end(text: &[u8]) -> usize {
    let digit_at = |k: usize| text.get(k).is_some_and(u8::is_ascii_digit);
    let (mut k, mut end) = (0, 0);
    while let Some(byte) = text.get(k) {
        let sign_follows = matches!(text.get(k + 1), Some(b'+' | b'-')) && digit_at(k + 2);
        match byte {
            b'0'..=b'9' => end = k + 1,
            b'.' | b',' => end = k + 1,
            b' ' if digit_at(k + 1) => {}
            b'+' | b'-' if k == 0 => {}
            b'e' | b'E' | b'd' | b'D' if end > 0 && (sign_follows || digit_at(k + 1)) => k += usize::from(sign_follows),
            _ => break,
        }
        k += 1;
    }
    end
}

fn word(text: &str) -> Option<Cell> {
    if text.len() > 16 {
        return None;
    }
    match text.to_lowercase().as_str() {
        "" | "-" | "--" | "---" | "n/a" | "na" | "#n/a" | "#nv" | "#n/v" | "nan" | "-nan" | "1.#qnan" | "null"
        | "none" | "nil" | "?" | "*" | "inf" | "-inf" | "+inf" | "infinity" | "-infinity" | "k.a." | "invalid"
        | "error" | "no data" | "nodata" | "." => Some(Cell::Missing),
        "on" | "true" | "yes" | "ein" | "an" | "ja" | "wahr" | "oui" | "vrai" | "marche" | "si" | "sí"
        | "verdadero" | "active" | "aktiv" | "actif" | "activo" | "high" => Some(Cell::Number(1.0)),
        "off" | "false" | "no" | "aus" | "nein" | "falsch" | "non" | "faux" | "arret" | "arrêt" | "falso"
        | "inactive" | "inaktiv" | "inactif" | "inactivo" | "low" => Some(Cell::Number(0.0)),
        _ => None,
    }
}

fn hexadecimal(text: &str) -> Option<Cell> {
    let digits = text.strip_prefix("0x").or_else(|| text.strip_prefix("0X"))?;
    let value = u64::from_str_radix(digits, 16).ok()?;
    Some(Cell::Number(value as f64))
}

/// Powers of ten, each exact.
pub(super) const TENS: [f64; 20] =
    [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19];

/// Sign, digits, mark, digits and nothing else, blanks around; `None` leaves the cell to the general parser.
fn plain(cell: &[u8], mark: u8) -> Option<f64> {
    let cell = cell.trim_ascii();
    let (negative, digits) = match cell.split_first()? {
        (b'-', rest) => (true, rest),
        (b'+', rest) => (false, rest),
        _ => (false, cell),
    };
    if digits.is_empty() || digits.len() > 17 {
        return None;
    }
    let (mut value, mut after, mut seen_mark) = (0u64, 0usize, false);
    for byte in digits {
        let digit = byte.wrapping_sub(b'0');
        if digit < 10 {
            value = value * 10 + u64::from(digit);
            after += usize::from(seen_mark);
        } else if *byte == mark && !seen_mark {
            seen_mark = true;
        } else {
            return None;
        }
    }
    if value > 1 << 53 || (seen_mark && digits.len() == 1) {
        return None;
    }
    let value = value as f64 / TENS.get(after)?;
    Some(if negative { -value } else { value })
}

/// Whether a cell is written like a number, whatever its marks.
pub(super) fn looks_numeric(cell: &[u8]) -> bool {
    [Decimal::Point, Decimal::Comma].iter().any(|decimal| matches!(decimal.read(cell), Cell::Number(_)))
}

/// Which decimal mark the cells of a table use. Each item: column and cell.
///
/// "1.5" and "0,25" tell; "1,234" may be either. Such cells count as thousands only where the same column also holds
/// short whole numbers, because a logger with three decimals writes them always.
pub(super) fn vote<'a>(cells: impl Iterator<Item = (usize, &'a [u8])>) -> Decimal {
    let mut votes = Votes::default();
    cells.for_each(|(column, cell)| votes.count(column, cell));
    votes.decide()
}

#[derive(Default)]
struct Votes {
    point: u32,
    comma: u32,
    /// Columns with a cell like "1,234".
    unclear_comma: std::collections::BTreeSet<usize>,
    /// Columns with a whole number of one to three digits, or an empty fraction.
    short_whole: std::collections::BTreeSet<usize>,
}

impl Votes {
    fn count(&mut self, column: usize, cell: &[u8]) {
        let cell = cell.trim_ascii();
        let digits = cell.strip_prefix(b"-").or_else(|| cell.strip_prefix(b"+")).unwrap_or(cell);
        let allowed = |b: &u8| b.is_ascii_digit() || matches!(b, b'.' | b',' | b'\'' | b' ');
        if digits.is_empty() || digits.len() > 24 || !digits.iter().all(allowed) {
            return;
        }
        let marks: Vec<usize> = (0..digits.len()).filter(|k| matches!(digits.get(*k), Some(b'.' | b','))).collect();
        let Some(last) = marks.last() else {
            if digits.len() <= 3 {
                self.short_whole.insert(column);
            }
            return;
        };
        let is_comma = digits.get(*last) == Some(&b',');
        let same = marks.iter().all(|k| digits.get(*k) == digits.get(*last));
        let after = digits.len() - last - 1;
        match marks.len() {
            1 if after == 3 && (1..=3).contains(last) && digits.first() != Some(&b'0') => {
                if is_comma {
                    self.unclear_comma.insert(column);
                }
            }
            n if n > 1 && same => self.add(!is_comma), // repeated: a thousands mark, so the decimal mark is the other
            _ => self.add(is_comma),
        }
    }

    fn add(&mut self, comma: bool) {
        *(if comma { &mut self.comma } else { &mut self.point }) += 1;
    }

    fn decide(&self) -> Decimal {
        let thousands = self.unclear_comma.intersection(&self.short_whole).next().is_some();
        let unclear = !self.unclear_comma.is_empty() && !thousands;
        match self.comma.cmp(&self.point) {
            std::cmp::Ordering::Greater => Decimal::Comma,
            std::cmp::Ordering::Equal if self.point == 0 && unclear => Decimal::Comma,
            _ => Decimal::Point,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn cells_are_read_as_a_person_would() {
        let point = [
            ("12", 12.0),
            (" -3.25 ", -3.25),
            ("1,234.5", 1234.5),
            ("1 234.5", 1234.5),
            ("1'234", 1234.0),
            ("1e3", 1000.0),
            ("-1.5E-2", -0.015),
            ("0x1F", 31.0),
            ("on", 1.0),
            ("Aus", 0.0),
            ("850 rpm", 850.0),
            ("12.5%", 12.5),
            ("90°C", 90.0),
            ("12,5", 12.5),
            (".5", 0.5),
            ("5.", 5.0),
            ("\u{2212}7", -7.0),
            ("+4", 4.0),
        ];
        for (text, value) in point {
            assert_eq!(Decimal::Point.read(text.as_bytes()), Cell::Number(value), "{text}");
        }
        for (text, value) in [("12,5", 12.5), ("1.234,5", 1234.5), ("1.234", 1234.0), ("0.234", 0.234), ("-0,5", -0.5)]
        {
            assert_eq!(Decimal::Comma.read(text.as_bytes()), Cell::Number(value), "{text}");
        }
    }

    #[test]
    fn words_for_nothing_are_missing_and_others_are_text() {
        for text in ["", " ", "-", "NaN", "n/a", "inf", "1e999"] {
            assert_eq!(Decimal::Point.read(text.as_bytes()), Cell::Missing, "{text}");
        }
        for text in ["abc", "1.2.3", "12:30", "1-2", "--5", "0xZZ", "."] {
            assert!(!matches!(Decimal::Point.read(text.as_bytes()), Cell::Number(_)), "{text}");
        }
    }

    proptest! {
        /// Truth: the standard library's correctly rounded parser.
        #[test]
        fn short_numbers_equal_the_standard_parser(text in "[+-]?[0-9]{1,9}(\\.[0-9]{0,9})?") {
            let expected: f64 = text.parse().unwrap();
            prop_assert_eq!(Decimal::Point.read(text.as_bytes()), Cell::Number(expected));
        }

        #[test]
        fn any_cell_is_read_without_panic(cell in proptest::collection::vec(any::<u8>(), 0..80)) {
            for decimal in [Decimal::Point, Decimal::Comma] {
                if let Cell::Number(value) = decimal.read(&cell) {
                    prop_assert!(value.is_finite());
                }
            }
        }
    }
}
