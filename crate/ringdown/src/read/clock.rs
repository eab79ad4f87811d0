//! Every way of writing time to seconds that never fall.
//!
//! Clock texts: ISO 8601 and RFC 3339 (from memory) and what loggers make of them.

use super::names;
use super::number::Cell;
use super::values::Values;

/// A cell of a clock's column.
pub(super) fn cell(cell: &[u8]) -> Cell {
    match read(cell) {
        Some(seconds) => Cell::Number(seconds),
        None if cell.trim_ascii().is_empty() => Cell::Missing,
        None => Cell::Text,
    }
}

/// Seconds of a clock text: `12:34:56.789`, `01:23.4`, `2024-05-01T12:00:00.5Z`, `1.5.2024 12:00:00,5`, `1:02:03 PM`.
/// With a date, days since 1970 count; offsets from UTC are left out, they are constant in a log.
pub(super) fn read(cell: &[u8]) -> Option<f64> {
    if cell.len() > 64 || !cell.contains(&b':') {
        return None;
    }
    let text = std::str::from_utf8(cell).ok()?.trim();
    let (mut day, mut time_s, mut afternoon) = (0.0, None, None);
    for part in text.split([' ', 'T', '_']).filter(|part| !part.is_empty()) {
        match part.to_ascii_lowercase().as_str() {
            "am" | "a.m." => afternoon = Some(false),
            "pm" | "p.m." => afternoon = Some(true),
            _ if part.contains(':') && time_s.is_none() => time_s = Some(time_of_day(part)?),
            _ => day = date(part)?,
        }
    }
    let hours = match (afternoon, time_s?) {
        (Some(false), t) if t >= 43_200.0 => t - 43_200.0,
        (Some(true), t) if t < 43_200.0 => t + 43_200.0,
        (_, t) => t,
    };
    Some(day * 86_400.0 + hours)
}

fn time_of_day(part: &str) -> Option<f64> {
    let end = part.find(['Z', 'z', '+', '-']).unwrap_or(part.len());
    let mut numbers = Vec::new();
    for piece in part.get(..end)?.split(':') {
        let digits = piece.replace(',', ".");
        let plain = !digits.is_empty() && digits.len() <= 16 && digits.bytes().all(|b| b.is_ascii_digit() || b == b'.');
        numbers.push(plain.then(|| digits.parse::<f64>().ok()).flatten()?);
    }
    match numbers.as_slice() {
        [minutes, seconds] => Some(minutes * 60.0 + seconds),
        [hours, minutes, seconds] => Some(hours * 3600.0 + minutes * 60.0 + seconds),
        [hours, minutes, seconds, millis] => Some(hours * 3600.0 + minutes * 60.0 + seconds + millis / 1000.0),
        _ => None,
    }
}

/// Days since 1970-01-01: year first, or last (day first where dots or the figures say so, else month first).
fn date(part: &str) -> Option<f64> {
    let numbers: Option<Vec<i64>> =
        part.split(['-', '/', '.']).map(|n| n.parse().ok().filter(|n| (0..=9999).contains(n))).collect();
    let (year, month, day) = match *numbers?.as_slice() {
        [year, month, day] if year > 31 => (year, month, day),
        [day, month, year] if part.contains('.') || day > 12 => (year, month, day),
        [month, day, year] => (year, month, day),
        _ => return None,
    };
    let in_range = (1..=12).contains(&month) && (1..=31).contains(&day);
    in_range.then(|| days_from_civil(if year < 100 { year + 2000 } else { year }, month, day) as f64)
}

/// Days since 1970-01-01 in the Gregorian calendar (H. Hinnant, "chrono-compatible low-level date algorithms").
fn days_from_civil(year: i64, month: i64, day: i64) -> i64 {
    let year = year - i64::from(month <= 2);
    let era = year.div_euclid(400);
    let year_of_era = year - era * 400;
    let day_of_year = (153 * (if month > 2 { month - 3 } else { month + 9 }) + 2) / 5 + day - 1;
    era * 146_097 + year_of_era * 365 + year_of_era / 4 - year_of_era / 100 + day_of_year - 719_468
}

/// A time axis and what was done to get it.
pub(super) struct Axis {
    /// Seconds from the first row kept, never falling; one for each row kept.
    pub t_s: Vec<f64>,
    /// Whether each row of the table is kept; empty when all are.
    pub keep: Vec<bool>,
    /// The time column in seconds, as logged; one for each row of the table.
    pub logged_s: Vec<f64>,
    /// What was assumed or repaired: the row it starts at, and a clause.
    pub notes: Vec<(usize, String)>,
}

/// Rows looked ahead to tell a few misplaced rows from a new start.
const MISPLACED_ROWS: usize = 2;
const HALF_DAY_S: f64 = 43_200.0;

/// Makes the axis from a time column: `values` are seconds for a clock text, else numbers in `unit`.
pub(super) fn axis(name: &str, unit: Option<&str>, is_clock: bool, values: &Values) -> Axis {
    let mut notes = Vec::new();
    let scale = if is_clock { 1.0 } else { scale(name, unit, values, &mut notes) };
    let mut logged_s: Vec<f64> = values.iter().map(|v| v * scale).collect();
    if is_clock {
        carry_midnight(&mut logged_s, &mut notes);
    }
    let (mut t_s, keep) = never_falling(&logged_s, &mut notes);
    spread_repeats(&mut t_s, &mut notes);
    let start = t_s.first().copied().unwrap_or(0.0);
    t_s.iter_mut().for_each(|t| *t -= start);
    Axis { t_s, keep, logged_s, notes }
}

/// The axis of a table without a time column: so many rows a second.
pub(super) fn even_rows(rows: usize, rate_hz: f64) -> Vec<f64> {
    (0..rows).map(|k| k as f64 / rate_hz).collect()
}

/// Seconds a step of one in a time column stands for: told by unit or name, else guessed and noted.
pub(super) fn scale(name: &str, unit: Option<&str>, values: &Values, notes: &mut Vec<(usize, String)>) -> f64 {
    let words = names::plain_words(name);
    let told = unit.and_then(|unit| unit_s(&unit.to_lowercase()));
    if let Some(scale) = told.or_else(|| words.split(' ').find_map(unit_in_name_s)) {
        return scale;
    }
    let (scale, what) = guessed_scale(&values.to_vec());
    notes.push((0, format!("the time column \"{name}\" has no unit; it was taken as {what}")));
    scale
}

fn unit_s(unit: &str) -> Option<f64> {
    match unit.trim() {
        "s" | "sec" | "secs" | "seconds" | "sek" | "second" | "sekunden" | "segundos" | "secondes" => Some(1.0),
        "ms" | "msec" | "millis" | "milliseconds" | "millisekunden" => Some(1e-3),
        "us" | "µs" | "μs" | "usec" | "micros" | "microseconds" => Some(1e-6),
        "ns" => Some(1e-9),
        "min" | "minutes" | "minuten" => Some(60.0),
        "h" | "hours" => Some(3600.0),
        _ => None,
    }
}

/// A unit among the words of a name; single letters say too little there.
fn unit_in_name_s(word: &str) -> Option<f64> {
    unit_s(word).filter(|_| word.len() > 1 && word != "min")
}

/// No unit anywhere: by size and step (common practice, no source).
fn guessed_scale(values: &[f64]) -> (f64, &'static str) {
    let step = median_step(values).unwrap_or(1.0);
    let first = values.iter().copied().find(|v| v.is_finite()).unwrap_or(0.0);
    let whole = values.iter().filter(|v| v.is_finite()).take(1000).all(|v| v.fract() == 0.0);
    match first {
        v if v > 1e17 => (1e-9, "nanoseconds since 1970"),
        v if v > 1e14 => (1e-6, "microseconds since 1970"),
        v if v > 1e11 => (1e-3, "milliseconds since 1970"),
        v if (20_000.0..80_000.0).contains(&v) && step < 0.01 && step * 86_400.0 < 100.0 && !whole && step < 2e-4 => {
            (86_400.0, "days of a spreadsheet")
        }
        _ if whole && step >= 2000.0 => (1e-6, "microseconds"),
        _ if whole && step >= 5.0 => (1e-3, "milliseconds"),
        _ => (1.0, "seconds"),
    }
}

/// Median of the rising steps.
pub(super) fn median_step(times: &[f64]) -> Option<f64> {
    let stride = (times.len() / 50_000).max(1);
    let pairs = times.windows(2).step_by(stride);
    let mut steps: Vec<f64> = pairs.filter_map(|w| Some(w.get(1)? - w.first()?)).filter(|d| *d > 0.0).collect();
    let middle = steps.len() / 2;
    if steps.is_empty() {
        return None;
    }
    Some(*steps.select_nth_unstable_by(middle, f64::total_cmp).1).filter(|step| step.is_finite())
}

/// A clock without a date that falls by more than half a day has passed midnight.
fn carry_midnight(times: &mut [f64], notes: &mut Vec<(usize, String)>) {
    let (mut carried, mut before) = (0.0, f64::NAN);
    for (row, t) in times.iter_mut().enumerate().filter(|(_, t)| t.is_finite()) {
        if *t + carried < before - HALF_DAY_S && before < 86_400.0 * 366.0 {
            carried += 86_400.0;
            notes.push((row, "the clock passes midnight".into()));
        }
        *t += carried;
        before = *t;
    }
    notes.truncate(20);
}

/// Cuts rows without a time and single rows out of order; where time starts anew, the rest follows after a gap.
fn never_falling(times: &[f64], notes: &mut Vec<(usize, String)>) -> (Vec<f64>, Vec<bool>) {
    let gap_s = (median_step(times).unwrap_or(0.1) * 10.0).max(1.0);
    let mut tally = Tally::default();
    let (mut t_s, mut keep) = (Vec::with_capacity(times.len()), vec![true; times.len()]);
    let (mut shift, mut last) = (0.0, f64::NEG_INFINITY);
    for (row, (time, keep)) in times.iter().zip(keep.iter_mut()).enumerate() {
        let mut t = time + shift;
        if !t.is_finite() {
            tally.without.add(row);
            *keep = false;
            continue;
        }
        if t < last {
            let ahead = times.iter().skip(row + 1).take(MISPLACED_ROWS);
            if ahead.into_iter().any(|later| later + shift > last) {
                tally.misplaced.add(row);
                *keep = false;
                continue;
            }
            tally.restarts.add(row);
            shift = last + gap_s - time;
            t = time + shift;
        }
        last = last.max(t);
        t_s.push(last);
    }
    tally.say(gap_s, notes);
    if t_s.len() == times.len() {
        keep.clear();
    }
    (t_s, keep)
}

#[derive(Default)]
struct Tally {
    without: Rows,
    misplaced: Rows,
    restarts: Rows,
}

/// How many rows, and the first of them.
#[derive(Default)]
struct Rows {
    count: usize,
    first: usize,
}

impl Rows {
    fn add(&mut self, row: usize) {
        if self.count == 0 {
            self.first = row;
        }
        self.count += 1;
    }
}

impl Tally {
    fn say(&self, gap_s: f64, notes: &mut Vec<(usize, String)>) {
        let mut say = |rows: &Rows, what: String| {
            if rows.count > 0 {
                notes.push((rows.first, format!("{} {what}", rows.count)));
            }
        };
        say(&self.without, "rows without a readable time were left out".into());
        say(&self.misplaced, "rows whose time steps back were left out".into());
        let restart =
            format!("times the clock starts anew: what follows was placed {gap_s:.3} s after what came before");
        say(&self.restarts, restart);
    }
}

/// A clock coarser than the rows repeats itself: the rows between two of its ticks are spread evenly.
fn spread_repeats(t_s: &mut [f64], notes: &mut Vec<(usize, String)>) {
    let repeats = t_s.windows(2).filter(|w| w.first() == w.last()).count();
    if repeats == 0 {
        return;
    }
    if repeats * 3 < t_s.len() || t_s.first() == t_s.last() {
        let first = t_s.windows(2).position(|w| w.first() == w.last()).unwrap_or(0);
        notes.push((first + 1, format!("{repeats} rows repeat the time of the row before")));
        return;
    }
    let tick = median_step(t_s).unwrap_or(0.0);
    let mut from = 0;
    while let Some(start) = t_s.get(from).copied() {
        let run = t_s.iter().skip(from).take_while(|t| **t == start).count();
        let room = t_s.get(from + run).map_or(tick, |next| (next - start).min(tick * 1.5));
        for (k, t) in t_s.iter_mut().skip(from).take(run).enumerate() {
            *t = start + room * k as f64 / run as f64;
        }
        from += run.max(1);
    }
    notes.push((0, format!("the clock ticks every {tick} s, slower than the rows: rows between were spread evenly")));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn clock_texts_give_seconds() {
        let cases = [
            ("12:34:56.5", 45_296.5),
            ("00:01,25", 1.25),
            ("1970-01-02T00:00:01Z", 86_401.0),
            ("1970-01-02 00:00:01.5+02:00", 86_401.5),
            ("2.1.1970 00:00:01", 86_401.0),
            ("1/2/1970 12:00:01 AM", 86_401.0),
            ("1:00:00 PM", 46_800.0),
            ("10:20:30:250", 37_230.25),
        ];
        for (text, seconds) in cases {
            assert_eq!(read(text.as_bytes()), Some(seconds), "{text}");
        }
        for text in ["12", "a:b", ":", "1:2:3:4:5", "12:", "x 12:00:00"] {
            assert_eq!(read(text.as_bytes()), None, "{text}");
        }
    }

    /// Truth: Unix time of 2024-02-29T12:00:00Z is 1709208000 (GNU date).
    #[test]
    fn leap_days_count() {
        assert_eq!(read(b"2024-02-29T12:00:00Z"), Some(1_709_208_000.0));
    }

    #[test]
    fn time_never_falls_and_each_repair_is_told() {
        let axis = axis(
            "t",
            Some("s"),
            false,
            &Values::from_iter([0.0, 0.1, 0.2, 0.15, 0.3, f64::NAN, 0.4, 0.0, 0.1, 0.2, 0.3, 0.35, 0.38]),
        );
        assert!(axis.t_s.is_sorted());
        assert_eq!(axis.keep.iter().filter(|keep| !**keep).count(), 2);
        assert_eq!(axis.t_s.len(), 11);
        assert_eq!(axis.notes.len(), 3, "{:?}", axis.notes);
    }

    #[test]
    fn a_clock_in_whole_seconds_is_spread() {
        let axis = axis("t", Some("s"), false, &Values::from_iter([0.0, 0.0, 1.0, 1.0, 2.0, 2.0]));
        assert_eq!(axis.t_s, [0.0, 0.5, 1.0, 1.5, 2.0, 2.5]);
    }

    /// Python's datetime.date, counted from 1970.
    #[test]
    fn days_are_those_of_the_calendar() {
        let days = [
            ((1604, 2, 29), -133_620),
            ((1900, 3, 1), -25_508),
            ((1999, 12, 31), 10_956),
            ((2000, 2, 29), 11_016),
            ((2000, 3, 1), 11_017),
            ((2024, 1, 1), 19_723),
            ((2100, 2, 28), 47_540),
            ((9999, 12, 31), 2_932_896),
        ];
        for ((year, month, day), expected) in days {
            assert_eq!(days_from_civil(year, month, day), expected, "{year}-{month}-{day}");
        }
        let same = ["2031-12-13", "13.12.2031", "13.12.31", "13/12/2031", "12/13/31", "2031/12/13"];
        for text in same {
            assert_eq!(date(text), Some(days_from_civil(2031, 12, 13) as f64), "{text}");
        }
        // Day and month are told apart only where one is over 12; with points the day stands first.
        assert_eq!((date("3.4.2020"), date("3/4/2020")), (date("2020-04-03"), date("2020-03-04")));
        for text in
            ["2020-13-01", "2020-00-01", "2020-01-00", "2020-01-32", "2020-01", "1-2-3-4", "10000-01-01", "x-1-1"]
        {
            assert_eq!(date(text), None, "{text}");
        }
    }

    /// Twelve at noon and at midnight, a zone, a fraction by either mark, milliseconds of their own.
    #[test]
    fn times_of_day_are_read_to_their_ends() {
        let cases = [
            ("12:00:00 am", 0.0),
            ("12:00:00 pm", 43_200.0),
            ("11:59:59 p.m.", 86_399.0),
            ("11:59:59 a.m.", 43_199.0),
            ("23:59:59,999", 86_399.999),
            ("10:00:00-05:00", 36_000.0),
            ("10:00:00z", 36_000.0),
            ("1:02:03:004", 3723.004),
        ];
        for (text, seconds) in cases {
            let read = read(text.as_bytes()).unwrap_or(f64::NAN);
            assert!((read - seconds).abs() < 1e-9, "{text}: {read}");
        }
        let long = format!("{}1:00:00", " ".repeat(57));
        assert_eq!((long.len(), read(long.as_bytes())), (64, Some(3600.0)));
        assert_eq!(read(format!(" {long}").as_bytes()), None);
        assert_eq!(read(b"1:00:0000000000000001"), Some(3601.0), "16 digits");
        assert_eq!(read(b"1:00:00000000000000001"), None, "17 digits");
        assert!(
            matches!(cell(b"1:00"), Cell::Number(60.0))
                && matches!(cell(b"  "), Cell::Missing)
                && matches!(cell(b"x"), Cell::Text)
        );
    }

    /// SI prefixes of the second, and what else is counted in.
    #[test]
    fn a_unit_of_time_is_told_by_the_column_or_by_its_name() {
        let units = [
            (1.0, vec!["s", "sec", "secs", "seconds", "second", "sek", "Sekunden", "segundos", "secondes"]),
            (1e-3, vec!["ms", "msec", "millis", "milliseconds", "Millisekunden"]),
            (1e-6, vec!["us", "\u{b5}s", "\u{3bc}s", "usec", "micros", "microseconds"]),
            (1e-9, vec!["ns"]),
            (60.0, vec!["min", "minutes", "Minuten"]),
            (3600.0, vec!["h", "hours"]),
        ];
        for (expected, words) in units {
            for unit in words {
                assert_eq!(scale("t", Some(unit), &Values::from_iter([0.0, 1.0]), &mut Vec::new()), expected, "{unit}");
            }
        }
        let named = |name| (scale(name, None, &Values::from_iter([0.0, 20.0, 40.0]), &mut Vec::new()), name);
        assert_eq!(named("time ms"), (1e-3, "time ms"));
        assert_eq!(named("seconds running"), (1.0, "seconds running"));
        // "min" and single letters in a name are no units: what is left is whole steps of 20.
        assert_eq!((named("t h").0, named("t min").0), (1e-3, 1e-3));
    }

    /// Counts since 1970 by their size (now is some 1.8e9 s), days of a spreadsheet, else by the step (common practice, no
    /// source).
    #[test]
    fn a_scale_nobody_tells_is_guessed_and_told() {
        let guess = |first: f64, step: f64| guessed_scale(&[first, first + step, first + 2.0 * step]).0;
        for (first, step, expected) in [
            (1.8e18, 1e7, 1e-9),
            (1.8e15, 1e4, 1e-6),
            (1.8e12, 10.0, 1e-3),
            (1.8e9, 0.5, 1.0),
            (46_000.25, 1e-5, 86_400.0),
            (20_000.0, 1e-5, 86_400.0),
            (80_000.0, 1e-5, 1.0),
            (19_999.5, 1e-5, 1.0),
            (46_000.25, 3e-4, 1.0),
            (0.0, 2000.0, 1e-6),
            (0.0, 1999.0, 1e-3),
            (0.0, 5.0, 1e-3),
            (0.0, 4.0, 1.0),
            (0.5, 20.0, 1.0),
            (0.5, 5000.0, 1.0),
            (0.0, 0.02, 1.0),
        ] {
            assert_eq!(guess(first, step), expected, "{first} by {step}");
        }
        assert_eq!(guessed_scale(&[f64::NAN, 1.8e12, 1.8e12 + 10.0]).0, 1e-3, "the first that is there");
        let mut notes = Vec::new();
        scale("t", None, &Values::from_iter([0.0, 0.1]), &mut notes);
        assert_eq!(notes, [(0, "the time column \"t\" has no unit; it was taken as seconds".to_owned())]);
        assert_eq!((median_step(&[1.0]), median_step(&[2.0, 2.0, 1.0])), (None, None));
        assert_eq!(median_step(&[0.0, 1.0, 1.0, 4.0, 6.0, 5.0]), Some(2.0), "of the steps forward: 1, 2, 3");
    }

    #[test]
    fn midnight_is_passed_and_a_small_step_back_is_not_midnight() {
        let of = |values: &[f64]| axis("t", None, true, &values.iter().copied().collect());
        let night = of(&[86_399.0, 0.5, 1.5, f64::NAN, 86_398.0, 1.0]);
        assert_eq!(night.t_s, [0.0, 1.5, 2.5, 86_399.0, 86_402.0]);
        assert_eq!(
            night.notes.iter().filter(|note| note.1.contains("midnight")).map(|note| note.0).collect::<Vec<_>>(),
            [1, 5]
        );
        // Half a day back to the second is none; what follows is a clock started anew, placed ten steps (here 10 s) later.
        let anew = of(&[43_201.0, 43_202.0, 2.0, 3.0, 4.0, 5.0]);
        assert_eq!(anew.t_s, [0.0, 1.0, 11.0, 12.0, 13.0, 14.0]);
        assert!(anew.notes.iter().any(|note| note.0 == 2
            && note.1.starts_with("1 times the clock starts anew")
            && note.1.contains("10.000 s")));
    }

    #[test]
    fn rows_that_step_back_alone_are_left_out() {
        let axis = axis("t", Some("s"), false, &Values::from_iter([0.0, 1.0, 2.0, 0.5, 0.6, 3.0, f64::INFINITY, 4.0]));
        assert_eq!(axis.t_s, [0.0, 1.0, 2.0, 3.0, 4.0]);
        assert_eq!(axis.keep, [true, true, true, false, false, true, false, true]);
        assert_eq!(axis.notes.iter().map(|note| (note.0, &note.1[..1])).collect::<Vec<_>>(), [(6, "1"), (3, "2")]);
        // Three rows in a row that step back are a clock started anew; steps of 1 s, so a gap of 10 s.
        let anew = super::axis("t", Some("s"), false, &Values::from_iter([0.0, 1.0, 2.0, 0.5, 0.6, 0.7]));
        assert_eq!((anew.t_s.len(), anew.t_s[3], anew.keep.len()), (6, 12.0, 0));
    }

    /// A third of the rows must repeat before a clock is taken for a coarse one; a last tick has room for one more.
    #[test]
    fn repeats_are_told_or_spread() {
        let of = |values: &[f64]| axis("t", Some("s"), false, &values.iter().copied().collect());
        let few = of(&[0.0, 1.0, 1.0, 2.0, 2.0, 3.0, 3.0, 4.0, 5.0, 6.0]);
        assert_eq!(few.t_s[1..3], [1.0, 1.0]);
        assert_eq!(few.notes, [(2, "3 rows repeat the time of the row before".to_owned())]);
        let many = of(&[0.0, 1.0, 1.0, 2.0, 2.0, 3.0, 3.0, 3.0, 3.0]);
        assert_eq!(many.t_s, [0.0, 1.0, 1.5, 2.0, 2.5, 3.0, 3.25, 3.5, 3.75]);
        assert!(many.notes[0].1.contains("ticks every 1 s"), "{:?}", many.notes);
        // After a pause rows stay within one and a half ticks.
        assert_eq!(of(&[0.0, 0.0, 9.0, 9.0, 10.0, 10.0, 11.0, 11.0]).t_s[..3], [0.0, 0.75, 9.0]);
        assert_eq!(of(&[4.0, 4.0, 4.0]).t_s, [0.0; 3], "a clock that stands");
        assert_eq!(even_rows(3, 4.0), [0.0, 0.25, 0.5]);
    }
}
