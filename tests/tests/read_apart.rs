//! Sources that are longer or shorter than they said, columns that are settings, times of too few digits.
//!
//! check: heads of half the columns, flags, labels of marks without end | the formats' own rules | exact
//! check: files cut into parts, files that shrink while they are read | the same bytes in one piece | exact
//! check: columns that set knock control up; the first of a role | common practice, no source | exact
//! check: rates and gaps of recordings as text, times rounded | arithmetic on the times written | exact rate, exact line
//! check: names of the encodings of a text | WHATWG Encoding Standard | exact
//! check: the byte a record starts at, in every encoding | the bytes written before it | exact
//! check: texts that hold the letters of a format, remarks between rows, rates told that are none | the formats' own rules; hand count | exact
//! check: units nobody knows, units of another quantity, mixtures below nothing | common practice, no source | exact role

use outside_truth::vector_path;
use proptest::prelude::*;
use ringdown::error::{Kind, Place};
use ringdown::read::card::FileRole;
use ringdown::read::chain::Chain;
use ringdown::read::joined::{Join, join};
use ringdown::read::log::Log;
use ringdown::read::roles::Role;
use ringdown::read::samples::Samples;
use ringdown::read::text::{Delimiter, Records, Script};
use ringdown::read::values::Values;
use ringdown::read::{self, Content, Source, Told};
use std::io::{Cursor, Read, Seek, SeekFrom};

proptest! {
    /// A part may go on behind its length: what stands there belongs to nobody.
    #[test]
    fn parts_in_a_row_read_as_one_piece(
        lengths in proptest::collection::vec((0_usize..40, 0_usize..5), 0..6),
        moves in proptest::collection::vec((0_usize..200, 0_usize..60), 1..20),
    ) {
        let mut whole: Vec<u8> = Vec::new();
        let mut parts: Vec<(Box<dyn Source>, u64)> = Vec::new();
        for (length, more) in lengths {
            let bytes: Vec<u8> = (0..length).map(|k| (whole.len() + k) as u8).collect();
            whole.extend(&bytes);
            parts.push((Box::new(Cursor::new([bytes, vec![255; more]].concat())), length as u64));
        }
        let mut chain = Chain::new(parts);
        prop_assert_eq!(chain.seek(SeekFrom::End(0)).expect("its end"), whole.len() as u64);
        for (at, count) in moves {
            chain.seek(SeekFrom::Start(at as u64)).expect("a place");
            let mut got = Vec::new();
            chain.by_ref().take(count as u64).read_to_end(&mut got).expect("it reads");
            let from = at.min(whole.len());
            prop_assert_eq!(&got[..], &whole[from..(from + count).min(whole.len())]);
        }
    }
}

/// Says that it is as long as it was, and is not.
struct Shrunk {
    inner: Cursor<Vec<u8>>,
    left: std::rc::Rc<std::cell::Cell<u64>>,
}

impl Read for Shrunk {
    fn read(&mut self, out: &mut [u8]) -> std::io::Result<usize> {
        let most = self.left.get().saturating_sub(self.inner.position()).min(out.len() as u64);
        self.inner.read(&mut out[..most as usize])
    }
}

impl Seek for Shrunk {
    fn seek(&mut self, to: SeekFrom) -> std::io::Result<u64> {
        self.inner.seek(to)
    }
}

/// A header of 44 bytes and frames of two words of 16 bits (Microsoft RIFF 1.0, from memory).
fn wav(frames: u32) -> Vec<u8> {
    let mut bytes = b"RIFF".to_vec();
    bytes.extend((36 + 4 * frames).to_le_bytes());
    bytes.extend(b"WAVEfmt \x10\0\0\0\x01\0\x02\0\x80\xbb\0\0\0\xee\x02\0\x04\0\x10\0data");
    bytes.extend((4 * frames).to_le_bytes());
    bytes.extend(vec![3; 4 * frames as usize]);
    bytes
}

#[test]
fn a_file_that_shrank_since_it_was_opened_is_told_with_the_byte_it_ends_at() {
    let left = std::rc::Rc::new(std::cell::Cell::new(u64::MAX));
    let source = Shrunk { inner: Cursor::new(wav(100_000)), left: left.clone() };
    let Content::Recording(mut samples) = read::open("x", Box::new(source), &Told::default()).expect("whole").value
    else {
        panic!("no recording")
    };
    for ends in [44_u64, 1000, 1001, 70_000, 399_999, 400_043] {
        left.set(ends);
        let error = samples.read(0, usize::MAX, &mut Vec::new()).expect_err("it is short");
        assert_eq!(error.place, Place::Byte(ends), "{error}");
        assert!(matches!(error.kind, Kind::Truncated { promised, present } if present < promised), "{error}");
    }
}

fn log(text: &str) -> Log {
    Log::read("x.csv", Box::new(Cursor::new(text.as_bytes().to_vec())), None).expect("read").value
}

#[test]
fn settings_of_knock_control_are_no_level() {
    for name in [
        "Knock sensor gain",
        "Knock window start",
        "Knock filter frequency [kHz]",
        "Klopfsensor Verstärkung",
        "Klopf Fenster Beginn",
        "Knock control enable",
        "Knock sensor fault",
        "Knock error",
    ] {
        let got = log(&format!("Time [s];{name}\n0;1.5\n0.1;2.5\n0.2;1.5\n0.3;1\n0.4;2\n"));
        assert_eq!(got.columns[1].role, Role::Other, "{name}: {}", got.columns[1].reason);
    }
}

/// What is found or not is written as 0 and 1; a column without a value says nothing about that.
#[test]
fn a_column_of_knock_is_a_flag_where_it_holds_nothing_but_0_and_1() {
    for (cells, role) in [
        (["0", "1", "0"], Role::KnockFlag),
        (["0", "0", "0"], Role::KnockFlag),
        (["0", "1", "1.5"], Role::Level),
        (["", "", ""], Role::Level),
    ] {
        let rows: String = cells.iter().zip(0..).map(|(cell, k)| format!("0.{k};{cell};90{k}\n")).collect();
        let got = log(&format!("Time [s];Knock cyl 1;RPM\n{rows}"));
        assert_eq!(got.columns[1].role, role, "{cells:?}: {}", got.columns[1].reason);
    }
}

#[test]
fn the_word_of_each_role_of_a_file_names_it() {
    for role in FileRole::ALL {
        assert_eq!(FileRole::of_word(role.word()), Some(role));
    }
    assert_eq!((FileRole::of_word("knock"), FileRole::of_word("")), (Some(FileRole::Knock), None));
}

/// Words that stand in the file as they are can be read one by one; packed ones and texts can't.
#[test]
fn samples_are_plain_where_no_sample_needs_another() {
    let plain = |name: &str, bytes: Vec<u8>| match read::open(name, Box::new(Cursor::new(bytes)), &Told::default()) {
        Ok(loaded) => match loaded.value {
            Content::Recording(samples) => samples.is_plain(),
            other => panic!("{other:?}"),
        },
        Err(error) => panic!("{error}"),
    };
    let sound = |file: &str| std::fs::read(vector_path(&format!("sound/{file}"))).expect("a vector");
    assert!(plain("x.wav", wav(10)));
    assert!(!plain("x.flac", sound("flac_pcm_16_2.flac")));
}

/// Half of the columns named is a head; fewer is none.
#[test]
fn a_head_may_name_half_of_the_columns() {
    let row = |from: u32| (from..from + 10).map(|k| k.to_string()).collect::<Vec<_>>().join(";");
    for (head, named) in [("a;b;c;d;e", true), ("a;b;c;d", false), ("a;b;c;d;e;f;g;h;i;j", true)] {
        let got = log(&format!("{head}\n{}\n{}\n{}\n", row(1), row(2), row(3)));
        assert_eq!((got.columns.len(), got.t_s.len()), (10, 3));
        assert_eq!(got.columns[0].name == "a", named, "{head}: {}", got.columns[0].name);
    }
}

#[test]
fn values_are_empty_until_there_is_one() {
    let values = |count: u32| (0..count).map(f64::from).collect::<Values>();
    assert!(values(0).is_empty() && !values(1).is_empty() && !values(5000).is_empty());
}

proptest! {
    /// A column may be looked at in pieces: the ends of rows a to b are those of what was put there, of whatever digits.
    #[test]
    fn extremes_between_two_rows_are_those_of_what_was_put_there(
        put in proptest::collection::vec(prop_oneof![
            (-9_999_i32..9_999).prop_map(|whole| f64::from(whole) / 100.0),
            Just(f64::NAN),
            any::<f64>(),
        ], 0..1200),
        from in 0_usize..1300,
        count in 0_usize..700,
    ) {
        let values: Values = put.iter().copied().collect();
        let bits = |values: &[f64]| values.iter().map(|x| if x.is_nan() { u64::MAX } else { x.to_bits() }).collect::<Vec<_>>();
        let (a, b) = (from.min(put.len()), (from + count).min(put.len()));
        let mut sorted: Vec<f64> = put[a..b].iter().copied().filter(|x| !x.is_nan()).collect();
        sorted.sort_by(f64::total_cmp);
        let ends = sorted.first().zip(sorted.last()).map(|(least, most)| [*least, *most]);
        let found = values.extremes(from, from + count);
        prop_assert_eq!(Some(found).filter(|found| !found[0].is_nan()), ends);
        prop_assert_eq!(found[0].is_nan(), found[1].is_nan());
        prop_assert_eq!(bits(&values.to_vec()), bits(&put));
    }
}

/// Which encoding was read is told, for names that look wrong.
#[test]
fn the_encoding_of_a_log_is_told_by_its_own_name() {
    let text = "Zeit [s];Öl [°C]\n0;90\n0.1;91\n0.2;92\n";
    let wide = |of: fn(u16) -> [u8; 2]| text.encode_utf16().flat_map(of).collect::<Vec<u8>>();
    // Every letter of it is below 256, where Windows-1252 is Latin-1.
    let single: Vec<u8> = text.chars().map(|letter| letter as u8).collect();
    for (bytes, name) in [
        (text.as_bytes().to_vec(), "UTF-8"),
        ([b"\xef\xbb\xbf", text.as_bytes()].concat(), "UTF-8"),
        ([vec![0xff, 0xfe], wide(u16::to_le_bytes)].concat(), "UTF-16LE"),
        (wide(u16::to_le_bytes), "UTF-16LE"),
        ([vec![0xfe, 0xff], wide(u16::to_be_bytes)].concat(), "UTF-16BE"),
        (single, "windows-1252"),
    ] {
        let got = Log::read("x.csv", Box::new(Cursor::new(bytes)), None).expect("read").value;
        assert_eq!((got.assumed.encoding, got.columns[1].name.as_str()), (name, "Öl"));
    }
}

/// A name is enough with any unit but that of another quantity; a unit alone only with values it can have.
#[test]
fn a_unit_that_nobody_knows_says_nothing_and_one_of_another_quantity_speaks_against_a_role() {
    let role = |head: &str, cells: [&str; 3]| {
        let rows: String = cells.iter().zip(0..).map(|(cell, k)| format!("0.{k};{cell};1{k}.5\n")).collect();
        log(&format!("Time [s];{head};Battery [V]\n{rows}")).columns[1].role
    };
    for (unit, wanted) in [
        ("", Role::Speed),
        (" [rpm]", Role::Speed),
        (" [turns per minute]", Role::Speed),
        (" [per min]", Role::Speed),
        (" [bar]", Role::Other),
        (" [°C]", Role::Other),
    ] {
        assert_eq!(role(&format!("rpm{unit}"), ["900", "1000", "950"]), wanted, "rpm{unit}");
    }
    assert_eq!(role("Bank 1 [lambda]", ["0.98", "1.02", "0.99"]), Role::Mixture);
    assert_eq!(role("Bank 1 [lambda]", ["-0.02", "0.02", "-0.01"]), Role::Other, "a deviation");
    assert_eq!(role("Bank 1 [lambda]", ["41", "44", "49"]), Role::Other);
}

/// A list of 4096 labels is read, those behind it are nobody's: a file could hold hundreds of millions.
#[test]
fn labels_of_marks_are_read_as_far_as_there_is_room() {
    let chunk = |id: &[u8], body: &[u8]| [id, &(body.len() as u32).to_le_bytes(), body].concat();
    for (before, found) in [(0, "late"), (4095, "late"), (4096, "")] {
        let point = [1_u32, 0, 0, 0, 0, 5].iter().flat_map(|word| word.to_le_bytes()).collect::<Vec<u8>>();
        let cue = chunk(b"cue ", &[&1_u32.to_le_bytes()[..], &point].concat());
        let others: Vec<u8> = (0..before).flat_map(|_| chunk(b"labl", &9_u32.to_le_bytes())).collect();
        let late = chunk(b"labl", &[&1_u32.to_le_bytes()[..], b"late"].concat());
        let list = chunk(b"LIST", &[&b"adtl"[..], &others, &late].concat());
        let bytes = [wav(10), cue, list].concat();
        let Content::Recording(samples) =
            read::open("x", Box::new(Cursor::new(bytes)), &Told::default()).expect("read").value
        else {
            panic!("no recording")
        };
        let cues: Vec<(u64, &str)> = samples.cues.iter().map(|cue| (cue.frame, cue.label.as_str())).collect();
        assert_eq!(cues, [(5, found)], "{before}");
    }
}

#[test]
fn the_first_column_of_a_role_is_the_one_furthest_left() {
    let got = log("Time [s];Knock level 2 [V];RPM;Knock level 1 [V]\n0;1.5;900;2\n0.1;2.5;910;3\n0.2;1.5;905;4\n");
    let column = |role| got.first(role).map(|column| column.column);
    assert_eq!((column(Role::Level), column(Role::Speed), column(Role::Time)), (Some(2), Some(3), Some(1)));
    assert_eq!(column(Role::Load), None);
}

/// A column of times and one of volts.
fn opened(times: &[String]) -> Result<Content, ringdown::error::Error> {
    let rows: String =
        times.iter().zip(0..).map(|(t, k)| format!("{t},{}\n", f64::from(k * 37 % 200) / 100.0)).collect();
    let bytes = format!("Time [s],A [V]\n{rows}").into_bytes();
    read::open("x.csv", Box::new(Cursor::new(bytes)), &Told::default()).map(|loaded| loaded.value)
}

#[test]
fn a_rate_is_whole_unless_the_times_say_otherwise() {
    for (rate_hz, rows, whole) in [
        (7000.0, 4000, 7000.0),
        (7000.0, 64, 7000.0),
        (7000.4, 64, 7000.0),
        (7000.4, 20_000, 7000.4),
        (7000.4, 9000, 7000.4),
    ] {
        let times: Vec<String> = (0..rows).map(|k| format!("{:.12}", f64::from(k) / rate_hz)).collect();
        let Content::Recording(samples) = opened(&times).expect("even") else { panic!("no recording") };
        let off = (samples.sample_rate_hz - whole).abs();
        assert!(if whole == 7000.0 { off == 0.0 } else { off < 1e-3 }, "{rate_hz} {rows}: {}", samples.sample_rate_hz);
    }
}

/// 30 kHz in times of five places: steps of 3 and 4 in the last. One sample left out is a step of 6 or 7.
#[test]
fn a_gap_shows_through_times_of_too_few_digits() {
    let mut times: Vec<String> = (0..3000).map(|k| format!("{:.5}", f64::from(k) / 30_000.0)).collect();
    let Content::Recording(samples) = opened(&times).expect("even but for its digits") else { panic!("no recording") };
    assert!((samples.sample_rate_hz / 30_000.0 - 1.0).abs() < 1e-4, "{}", samples.sample_rate_hz);
    for gap in [2_usize, 1502, 2000] {
        let step = |k: usize| times[k + 1].parse::<f64>().unwrap_or(0.0) - times[k - 1].parse::<f64>().unwrap_or(0.0);
        let gap = (gap..).find(|k| step(*k) > 6.5e-5).expect("a step of 7");
        let held = times.remove(gap);
        let error = opened(&times).expect_err("a gap");
        // The head is line 1.
        assert_eq!(error.place, Place::Row { line: gap as u64 + 2 }, "{error}");
        assert!(error.to_string().contains("even sampling"), "{error}");
        times.insert(gap, held);
    }
}

/// A failed read or a large field is told by line and byte: letters of one to four bytes stand before.
#[test]
fn a_record_knows_the_byte_it_starts_at_in_every_encoding() {
    let lines = ["Zeit;Öl", "0;1", "ä€😀;2", "ß;\"a\r\nb\"", "", "4;5"];
    let bytes = |line: &str, encoding: &str| -> Vec<u8> {
        let wide = |of: fn(u16) -> [u8; 2]| line.encode_utf16().flat_map(of).collect();
        match encoding {
            "UTF-16LE" => wide(u16::to_le_bytes),
            "UTF-16BE" => wide(u16::to_be_bytes),
            "windows-1252" => {
                line.chars().map(|letter| if (letter as u32) < 256 { letter as u8 } else { b'x' }).collect()
            }
            _ => line.as_bytes().to_vec(),
        }
    };
    for (encoding, mark) in [
        ("UTF-8", &b""[..]),
        ("UTF-8", b"\xef\xbb\xbf"),
        ("UTF-16LE", b"\xff\xfe"),
        ("UTF-16BE", b"\xfe\xff"),
        ("windows-1252", b""),
    ] {
        let (mut whole, mut starts) = (mark.to_vec(), Vec::new());
        for line in lines {
            // An empty line is no record.
            if !line.is_empty() {
                starts.push(whole.len() as u64);
            }
            whole.extend(bytes(&format!("{line}\r\n"), encoding));
        }
        let script = Script::guess(&whole).expect("text");
        assert_eq!(script.encoding_name(), encoding);
        let mut source = Cursor::new(&whole);
        let mut records = Records::new("x", &mut source, script, Delimiter::Byte(b';')).expect("it opens");
        let (mut got, mut line) = (Vec::new(), Vec::new());
        while let Some(record) = records.next().expect("it reads") {
            got.push(record.byte);
            line.push(record.line);
        }
        assert_eq!((got, line), (starts, vec![1, 2, 3, 4, 7]), "{encoding}");
    }
}

#[test]
fn letters_of_a_format_make_no_file_of_it() {
    for head in ["Time s, AIFF level", "Time s, AIFC level", "FORM,Level"] {
        let bytes = format!("{head}\n0,1\n0.1,2\n0.2,1\n").into_bytes();
        let read = read::open("x.csv", Box::new(Cursor::new(bytes)), &Told::default()).map(|loaded| loaded.value);
        assert!(matches!(read, Ok(Content::Log(_))), "{head}: {read:?}");
    }
}

/// Up to twice as many remarks as rows are a logger's; more are a text that holds a few numbers.
#[test]
fn a_table_may_hold_remarks_and_a_text_a_few_numbers() {
    let text = |rows: usize, remarks: usize| {
        let half = |from: usize| (from..from + rows / 2).map(|k| format!("{k};{}\n", 900 + k)).collect::<String>();
        format!("Time [s];RPM\n{}{}{}", half(0), "engine checked\n".repeat(remarks), half(rows / 2))
    };
    for (rows, remarks, good) in [(50, 20, true), (50, 100, true), (50, 101, false), (6, 60, false)] {
        let read = Log::read("x.csv", Box::new(Cursor::new(text(rows, remarks).into_bytes())), None);
        assert_eq!(read.as_ref().map_or(0, |log| log.value.t_s.len()), if good { rows } else { 0 }, "{rows} {remarks}");
    }
}

#[test]
fn a_rate_that_is_none_is_not_used() {
    let read = |rate_hz| {
        let text = b"RPM;TPS\n900;20\n905;21\n910;20\n".to_vec();
        Log::read("x.csv", Box::new(Cursor::new(text)), rate_hz).expect("read").value.told_rate_hz
    };
    assert_eq!(read(Some(20.0)), Some(20.0));
    for none in [0.0, -5.0, f64::INFINITY, f64::NEG_INFINITY, f64::NAN] {
        assert_eq!(read(Some(none)), None, "{none}");
    }
}

/// A chunk of odd length has a pad byte after it, which is no sample (Microsoft RIFF 1.0, from memory).
#[test]
fn the_pad_byte_after_an_odd_number_of_bytes_is_no_sample() {
    for frames in 4_u32..8 {
        let mut bytes = b"RIFF\0\0\0\0WAVEfmt \x10\0\0\0\x01\0\x01\0\x80\xbb\0\0\x80\xbb\0\0\x01\0\x08\0data".to_vec();
        bytes.extend(frames.to_le_bytes());
        bytes.extend(vec![200; frames as usize]);
        bytes.extend(vec![0; frames as usize % 2]);
        for id in [b"note", b"more"] {
            bytes.extend([&id[..], &[12, 0, 0, 0], &[7; 12]].concat());
        }
        let whole = bytes.len() as u32 - 8;
        bytes[4..8].copy_from_slice(&whole.to_le_bytes());
        let loaded = read::open("x.wav", Box::new(Cursor::new(bytes)), &Told::default()).expect("read");
        let Content::Recording(samples) = loaded.value else { panic!("no recording") };
        assert_eq!((samples.frames, loaded.notes.len()), (u64::from(frames), 0), "{:?}", loaded.notes);
    }
    // A recorder stopped at once leaves nothing, and nothing was recovered.
    let said = match read::open("x.wav", Box::new(Cursor::new(wav(0))), &Told::default()) {
        Ok(loaded) => loaded.notes.iter().map(ToString::to_string).collect(),
        Err(error) => error.to_string(),
    };
    assert!(!said.contains("were taken"), "{said}");
}

#[test]
fn marks_of_joined_files_count_from_the_start_of_the_first() {
    let marked = |name: &str, frames: u32, at: u32| {
        let point = [1_u32, 0, 0, 0, 0, at].iter().flat_map(|word| word.to_le_bytes()).collect::<Vec<u8>>();
        let cue = [&b"cue \x1c\0\0\0\x01\0\0\0"[..], &point].concat();
        match read::open(name, Box::new(Cursor::new([wav(frames), cue].concat())), &Told::default())
            .expect("read")
            .value
        {
            Content::Recording(samples) => samples,
            other => panic!("{other:?}"),
        }
    };
    for (how, frames) in [(Join::After, [5, 3003, 4600]), (Join::Beside, [3, 5, 600])] {
        let parts = vec![marked("a", 3000, 5), marked("b", 1000, 3), marked("c", 2000, 600)];
        let frames_of = |samples: &Samples| samples.cues.iter().map(|cue| cue.frame).collect::<Vec<_>>();
        assert_eq!(frames_of(&join(parts, how).expect("joined").value), frames);
    }
}

/// `ltxt`: number of the mark, samples it lasts, purpose and four words of language (Microsoft RIFF 1.0, from memory).
#[test]
fn a_mark_lasts_as_long_as_it_says_and_no_longer_than_the_recording() {
    let chunk = |id: &[u8], body: &[u8]| [id, &(body.len() as u32).to_le_bytes(), body].concat();
    let words = |words: &[u32]| words.iter().flat_map(|word| word.to_le_bytes()).collect::<Vec<u8>>();
    for (told, length) in [(30, 30), (60, 60), (61, 60)] {
        let cue = chunk(b"cue ", &words(&[1, 7, 0, 0, 0, 0, 40]));
        let text = chunk(b"ltxt", &[&words(&[7, told])[..], b"rgn \0\0\0\0\0\0\0\0"].concat());
        let bytes = [wav(100), cue, chunk(b"LIST", &[&b"adtl"[..], &text].concat())].concat();
        let loaded = read::open("x", Box::new(Cursor::new(bytes)), &Told::default()).expect("read");
        let Content::Recording(samples) = loaded.value else { panic!("no recording") };
        let cues: Vec<(u64, u64)> = samples.cues.iter().map(|cue| (cue.frame, cue.length)).collect();
        assert_eq!(cues, [(40, length)], "{told}");
    }
}
