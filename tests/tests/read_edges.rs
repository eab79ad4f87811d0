//! Cells, words, clocks and first bytes in every writing that their rules allow, each beside its like that they forbid.
//!
//! check: numbers of a log in every writing; what a decimal mark is told by | the standard library's parser on the plain text, written out anew | exact
//! check: which first bytes are MPEG sound | ISO 11172-3 section 2.4.1.3 (from memory), all headers of three bytes | exact
//! check: a column's clock, units of time, the calendar | arithmetic on the seconds written; days counted one by one | 2e-6 s, the last digit of seconds since 1970

use proptest::prelude::*;
use ringdown::error::{Loaded, Place};
use ringdown::read::log::Log;
use ringdown::read::raw::{self, RawForm, RawWord};
use ringdown::read::roles::Role;
use ringdown::read::{self, Content, Told};
use std::io::Cursor;

fn log(text: &str) -> Loaded<Log> {
    Log::read("x.csv", Box::new(Cursor::new(text.as_bytes().to_vec())), Some(10.0))
        .unwrap_or_else(|e| panic!("{e}: {text}"))
}

fn said<T>(loaded: &Loaded<T>) -> String {
    loaded.notes.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")
}

fn column(loaded: &Loaded<Log>, k: usize) -> Vec<f64> {
    loaded.value.columns[k].values.to_vec()
}

/// Digits in threes from the point on.
fn grouped(whole: &str, mark: &str) -> String {
    let first = (whole.len() + 2) % 3 + 1;
    let rest = whole.as_bytes()[first..].chunks(3).map(|three| String::from_utf8_lossy(three).into_owned());
    std::iter::once(whole[..first].to_owned()).chain(rest).collect::<Vec<_>>().join(mark)
}

proptest! {
    /// A number and the same number as people and loggers write it.
    #[test]
    fn a_number_is_the_same_in_every_writing(
        numbers in proptest::collection::vec((0_u64..10_000_000_000, 0_usize..8, "[0-9]{0,8}", 0_usize..3, 0_usize..6), 4..20),
        comma in any::<bool>(),
        unit in prop_oneof![Just(""), Just(" rpm"), Just("%"), Just(" °C"), Just(" [V]")],
    ) {
        let mark = if comma { "," } else { "." };
        let other = if comma { "." } else { "," };
        let groups = ["", other, " ", "'", "\u{2019}", "\u{a0}", "\u{202f}", "\u{2009}"];
        let (mut text, mut wanted) = ("a;b\n".to_owned(), Vec::new());
        for (whole, group, fraction, sign, power) in numbers {
            let whole = whole.to_string();
            let written = grouped(&whole, groups[group]);
            let powers = ["", "e3", "E-2", "e+1", "d2", "D+02"];
            // Nobody writes groups and powers of ten at once.
            let power = if written == whole { powers[power] } else { "" };
            let tail = if fraction.is_empty() { String::new() } else { format!("{mark}{fraction}") };
            text += &format!("0{mark}5;{}{written}{tail}{power}{unit}\n", ["", "-", "\u{2212}"][sign]);
            let plain = format!("{}{whole}.{fraction}0{}", ["", "-", "-"][sign], power.to_lowercase().replace('d', "e"));
            wanted.push(plain.parse::<f64>().expect("a number"));
        }
        let got = log(&text);
        prop_assert_eq!(got.value.assumed.decimal_comma, comma);
        prop_assert_eq!(column(&got, 1), wanted, "{}", text);
    }
}

/// What is no number: groups of another length, two marks, signs within, a unit that nobody knows.
#[test]
fn what_is_nearly_a_number_is_none() {
    let none = [
        "1 23",
        "12 3456",
        "1234 567",
        "1,23,456",
        "0,123,456.5",
        "1.2.3",
        "1,2,3",
        "1-2",
        "--5",
        "5-",
        "e5",
        "1e",
        "1e+",
        "+-1",
        "7 xyzzy",
        "0x",
        "0xG",
        "1:2",
        "0 123",
        "1 234.5.6",
        "1,234,56",
        "1,234.5,6",
        "- 5e",
        "12 345 67",
        "1'23",
    ];
    for cell in none {
        let got = log(&format!("a;b\n0.5;{cell}\n1.5;7.25\n2.5;7.5\n"));
        let values = column(&got, 1);
        assert!(values[0].is_nan() && values[1..] == [7.25, 7.5], "{cell}: {values:?}");
        assert!(said(&got).contains("1 rows hold text where a number should be"), "{cell}: {}", said(&got));
    }
    // Beside them those that are: the least and the most of each rule.
    for (cell, value) in [
        ("1 234", 1234.0),
        ("999 999 999", 999_999_999.0),
        ("1,234,567", 1_234_567.0),
        ("-1,234.5", -1234.5),
        ("1.234,5", 1234.5),
        ("1.234.567", 1_234_567.0),
        ("5 rpm", 5.0),
        ("5 (rpm)", 5.0),
        ("1e5", 1e5),
        ("+1", 1.0),
        ("0x10", 16.0),
        ("0XfF", 255.0),
        ("12345678901234567", 12_345_678_901_234_567.0),
        ("9007199254740993", 9_007_199_254_740_992.0),
        ("0.1e-3", 1e-4),
        ("123456789.12345678", 123_456_789.123_456_78),
        ("9007199254740.993", 9_007_199_254_740.993),
        ("00000000000000001.5", 1.5),
        ("1.0000000000000000000", 1.0),
    ] {
        let got = log(&format!("a;b\n0.5;{cell}\n1.5;7.25\n2.5;7.5\n"));
        assert_eq!(column(&got, 1), [value, 7.25, 7.5], "{cell}");
        assert!(!said(&got).contains("text where"), "{cell}");
    }
}

/// "1,234" alone says nothing; what stands beside it decides, and only in its own column.
#[test]
fn an_unclear_mark_is_told_by_its_column() {
    let cases: [(&str, bool, f64); 12] = [
        ("1,234;5\n2,500;6\n", true, 1.234),
        ("1,234;5\n12;6\n", false, 1234.0),
        ("1,234;5\n999;6\n", false, 1234.0),
        ("1,234;5\n1000;6\n", true, 1.234),
        ("1,234;5\n2,5;6\n", true, 1.234),
        ("1,234;5\n2,5000;6\n", true, 1.234),
        ("1,234;5\n0,500;6\n", true, 1.234),
        ("1,234;5\n1.5;6\n", false, 1234.0),
        ("1,234;5\n1,234,567;6\n", false, 1234.0),
        ("1,234;0.5\n2,500;0,5\n", false, 1234.0),
        ("-1,234;5\n-2,500;6\n", true, -1.234),
        ("1,234;5\n1.234.567;6\n", true, 1.234),
    ];
    for (rows, comma, first) in cases {
        let got = log(&format!("a;b\n{rows}"));
        assert_eq!((got.value.assumed.decimal_comma, column(&got, 0)[0]), (comma, first), "{rows}");
    }
    // A point so placed is no question: it is a decimal point.
    assert_eq!(column(&log("a;b\n1.234;5\n12;6\n"), 0), [1.234, 12.0]);
}

#[test]
fn columns_of_one_name_are_told_once_each() {
    let got = log("a;b;a;c;b;a\n1;2;3;4;5;6\n2;3;4;5;6;7\n");
    let told: Vec<String> =
        got.notes.iter().map(ToString::to_string).filter(|note| note.contains("are named")).collect();
    assert!(told.len() == 2, "{told:?}");
    assert!(told[0].contains("3 columns are named \"a\"") && told[1].contains("2 columns are named \"b\""), "{told:?}");
    let many: String = (0..21).map(|k| format!("c{k};c{k};")).collect();
    let row = "1;".repeat(42);
    let got = log(&format!("{many}z\n{row}1\n{row}2\n"));
    assert_eq!(said(&got).matches("are named").count(), 20);
}

/// Version 01, layer 00 outside ADTS, rates 1111: what ISO 11172-3 reserves. FF FE and FF FF begin texts of 16 bits.
#[test]
fn first_bytes_are_mpeg_sound_where_the_standard_allows() {
    for second in 0..=255_u8 {
        for third in (0..=255_u8).step_by(5) {
            let bytes = vec![0xFF, second, third, 0, 0, 0, 0, 0];
            let said = read::open("x", Box::new(Cursor::new(bytes)), &Told::default()).err().map(|e| e.to_string());
            let sync = second >> 5 == 7;
            let version = second >> 3 & 3;
            let is_text = second >= 0xFE;
            let wanted = sync && version != 1 && third >> 4 != 15 && !is_text;
            let found = said.as_ref().is_some_and(|said| said.contains("an MP3 or AAC sound file"));
            assert_eq!(found, wanted, "{second:#x} {third:#x}: {said:?}");
        }
    }
}

/// Every word, after bytes to be left out and with bytes left over.
#[test]
fn bytes_left_over_behind_raw_samples_are_told_with_their_place() {
    for (word, bytes) in RawWord::ALL.into_iter().zip([1, 1, 2, 2, 3, 3, 4, 4, 4, 4, 8, 8]) {
        for (skip, channels, left) in [(0_u64, 1_u16, 0_u64), (10, 3, 0), (10, 3, 1), (7, 2, 2 * bytes - 1)] {
            let frame = bytes * u64::from(channels);
            let left = left.min(frame - 1);
            let whole = vec![0_u8; (skip + 5 * frame + left) as usize];
            let form = RawForm { sample_rate_hz: 48_000.0, channels, word, skip };
            assert_eq!(RawWord::named(word.name()), Some(word));
            let got = raw::open("x", Box::new(Cursor::new(whole)), &form).expect("read");
            let value = &got.value;
            assert_eq!((value.frames, u64::from(value.bits), value.form.is_bare), (5, 8 * bytes, true), "{word:?}");
            assert_eq!(got.notes.len(), usize::from(left > 0));
            for note in &got.notes {
                assert_eq!(note.place, Place::Byte(skip + 5 * frame), "{note}");
                assert!(note.to_string().contains(&format!("{left} bytes after the last whole frame")), "{note}");
            }
            let short = vec![0_u8; (skip + frame - 1) as usize];
            assert!(raw::open("x", Box::new(Cursor::new(short)), &form).is_err());
        }
    }
}

/// Civil date of a day since 1970, counted on day by day.
fn civil(days: i64) -> (i64, i64, i64) {
    let (mut year, mut month, mut rest) = (1970, 1, days);
    let leap = |year: i64| year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    let length = |year: i64, month: i64| match month {
        2 => 28 + i64::from(leap(year)),
        4 | 6 | 9 | 11 => 30,
        _ => 31,
    };
    while rest >= length(year, month) {
        rest -= length(year, month);
        (year, month) = if month == 12 { (year + 1, 1) } else { (year, month + 1) };
    }
    (year, month, rest + 1)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    /// Steps of a clock in every writing, over the ends of days, months, leap days and centuries.
    #[test]
    fn a_clock_runs_on_in_every_writing(
        day in prop_oneof![Just(10_956_i64), Just(11_015), Just(11_016), Just(19_722), Just(19_781), Just(47_540), 11_000_i64..60_000],
        from_ms in prop_oneof![0_i64..86_400_000, Just(86_399_500), Just(43_199_000), Just(0)],
        step_ms in prop_oneof![Just(100_i64), Just(500), Just(1000), Just(20_000)],
        form in 0_usize..7,
    ) {
        let mut text = "Time;RPM\n".to_owned();
        for k in 0..30 {
            let ms = day * 86_400_000 + from_ms + k * step_ms;
            let (year, month, day) = civil(ms.div_euclid(86_400_000));
            let ms = ms.rem_euclid(86_400_000);
            let (h, m, s, rest) = (ms / 3_600_000, ms / 60_000 % 60, ms / 1000 % 60, ms % 1000);
            let twelve = if h % 12 == 0 { 12 } else { h % 12 };
            let half = if h < 12 { "AM" } else { "p.m." };
            text += &match form {
                0 => format!("{year}-{month:02}-{day:02}T{h:02}:{m:02}:{s:02}.{rest:03}Z"),
                1 => format!("{day}.{month}.{year} {h}:{m:02}:{s:02},{rest:03}"),
                2 => format!("{month}/{day}/{year} {twelve}:{m:02}:{s:02}.{rest:03} {half}"),
                3 => format!("{year}/{month}/{day} {h:02}:{m:02}:{s:02}:{rest:03}"),
                4 => format!("{h:02}:{m:02}:{s:02}.{rest:03}"),
                // Two digits are a year of this century.
                5 if (2000..2100).contains(&year) => format!("{:02}.{:02}.{:02} {h:02}:{m:02}:{s:02}.{rest:03}+02:00", day, month, year % 100),
                _ => format!("{year}-{month:02}-{day:02} {twelve}:{m:02}:{s:02}.{rest:03} {half}"),
            };
            text += &format!(";{}\n", 900 + k % 7);
        }
        let got = log(&text);
        prop_assert_eq!(got.value.columns[0].role, Role::Time);
        prop_assert_eq!(got.value.t_s.len(), 30, "{}\n{}", text, said(&got));
        for (k, t_s) in got.value.t_s.iter().enumerate() {
            prop_assert!((t_s - k as f64 * step_ms as f64 / 1000.0).abs() < 2e-6, "{} {}\n{}", k, t_s, text);
        }
    }
}

/// A unit's worth in seconds, told by the unit, by the name, or by size and step.
#[test]
fn a_unit_of_time_is_worth_its_seconds() {
    let heads = [
        ("Time [s]", 1.0),
        ("Time [sec]", 1.0),
        ("Zeit [sek]", 1.0),
        ("Time [ms]", 1e-3),
        ("Time [us]", 1e-6),
        ("Time [µs]", 1e-6),
        ("Time [ns]", 1e-9),
        ("Time [min]", 60.0),
        ("Time [h]", 3600.0),
        ("time_ms", 1e-3),
        ("Time ms", 1e-3),
        ("time_us", 1e-6),
    ];
    for (head, worth) in heads {
        let rows: String = (0..20).map(|k| format!("{};{}\n", f64::from(k) * 0.5 / worth, 900 + k % 3)).collect();
        let got = log(&format!("{head};RPM\n{rows}"));
        let off = got.value.t_s.iter().zip(0..).map(|(t, k)| (t - f64::from(k) * 0.5).abs()).fold(0.0, f64::max);
        assert!(off < 1e-9 && !said(&got).contains("has no unit"), "{head}: {off}");
    }
    // Without one: whole steps of 2000 and more are microseconds, of 5 and more milliseconds; epochs by their size.
    let bare: [(f64, f64, f64, &str); 12] = [
        (0.0, 2000.0, 1e-6, "microseconds"),
        (0.0, 1999.0, 1e-3, "milliseconds"),
        (0.0, 5.0, 1e-3, "milliseconds"),
        (0.0, 4.0, 1.0, "seconds"),
        (0.0, 2000.5, 1.0, "seconds"),
        (0.0, 0.1, 1.0, "seconds"),
        (1.7e18, 1e8, 1e-9, "nanoseconds since 1970"),
        (1.7e15, 1e5, 1e-6, "microseconds since 1970"),
        (1.7e12, 100.0, 1e-3, "milliseconds since 1970"),
        (1.7e9, 1.0, 1.0, "seconds"),
        (45_000.0, 1.0 / 86_400.0, 86_400.0, "days of a spreadsheet"),
        (45_000.0, 1e-3, 1.0, "seconds"),
    ];
    for (from, step, worth, what) in bare {
        let rows: String = (0..20).map(|k| format!("{};{}\n", from + f64::from(k) * step, 900 + k % 3)).collect();
        let got = log(&format!("Time;RPM\n{rows}"));
        assert!(said(&got).contains(&format!("it was taken as {what}")), "{from} {step}: {}", said(&got));
        let last = got.value.t_s[19] / (19.0 * step * worth);
        assert!((last - 1.0).abs() < 1e-4, "{from} {step}: {last}");
    }
}

/// Recordings as text begin above 4000 rows a second and at 64 rows.
#[test]
fn a_table_is_a_recording_from_64_rows_and_4000_a_second_on() {
    let opened = |rows: usize, step_us: usize| {
        let rows: String =
            (0..rows).map(|k| format!("{}e-6,{}\n", k * step_us, (k * 7919 % 200) as f64 / 100.0 - 1.0)).collect();
        let bytes = format!("Time [s],A [V]\n{rows}").into_bytes();
        read::open("x.csv", Box::new(Cursor::new(bytes)), &Told::default()).expect("read").value
    };
    for (rows, step_us, is_recording) in
        [(64, 10, true), (63, 10, false), (200, 249, true), (200, 250, false), (200, 251, false)]
    {
        let got = opened(rows, step_us);
        assert_eq!(matches!(got, Content::Recording(_)), is_recording, "{rows} {step_us}");
        if let Content::Recording(samples) = got {
            assert!((samples.sample_rate_hz * step_us as f64 / 1e6 - 1.0).abs() < 1e-3, "{}", samples.sample_rate_hz);
        }
    }
    // The next of 1, 2, 5, 10 above the largest value.
    for (most, full) in [
        (0.99, 1.0),
        (1.0, 2.0),
        (1.9, 2.0),
        (2.0, 5.0),
        (4.99, 5.0),
        (5.0, 10.0),
        (9.0, 10.0),
        (0.03, 0.05),
        (0.0, 1.0),
    ] {
        let rows: String =
            (0..64).map(|k| format!("{}e-6,{}\n", k * 10, if k % 2 == 0 { -most } else { 0.0 })).collect();
        let bytes = format!("Time [s],A [V]\n{rows}").into_bytes();
        let got = read::open("x.csv", Box::new(Cursor::new(bytes)), &Told::default()).expect("read").value;
        let Content::Recording(samples) = got else { panic!("no recording") };
        assert_eq!(samples.labels[0].full_scale, Some(full), "{most}");
    }
}
