//! Logs: many dialects against Python's csv module, the csv-spectrum suite, and laws that hold for any text.
//!
//! check: 73 log dialects, every pair of 13 features | Python's `csv`, `datetime`, `float`; csv-spectrum 2.0.0 | exact text, numbers as parsed, all roles

use outside_truth::{from_base64, numbers, vector, vector_path};
use ringdown::error::{Error, Loaded};
use ringdown::read::Hasher;
use ringdown::read::log::{Head, Log};
use ringdown::read::roles::Role;
use ringdown::read::text::{Delimiter, Records, Script};
use serde_json::Value;
use std::io::Cursor;

fn read(bytes: impl Into<Vec<u8>>) -> Result<Loaded<Log>, Error> {
    Log::read("x.csv", Box::new(Cursor::new(bytes.into())), None)
}

fn role_word(role: Role) -> String {
    serde_json::to_value(role).unwrap().as_str().unwrap().to_owned()
}

/// Texts of a JSON array.
fn texts(value: &Value) -> Vec<String> {
    value.as_array().into_iter().flatten().map(|text| text.as_str().unwrap().to_owned()).collect()
}

/// Equal values, a missing one equal to a missing one.
fn same(a: &[f64], b: &[f64]) -> bool {
    a.len() == b.len() && a.iter().zip(b).all(|(a, b)| a == b || a.is_nan() && b.is_nan())
}

/// Times counted from the start of each block: where the log was started anew, only the distances within are told.
fn within_blocks(t_s: &[f64], blocks: &[f64]) -> Vec<f64> {
    let start = |k: usize| blocks.iter().rev().find(|block| **block as usize <= k).map_or(0, |block| *block as usize);
    t_s.iter().enumerate().map(|(k, t)| t - t_s[start(k)]).collect()
}

/// What differs between a log and its expectation; empty when nothing does.
fn differences(case: &Value) -> Vec<String> {
    let mut wrong = Vec::new();
    let log = match read(from_base64(case["base64"].as_str().unwrap())) {
        Ok(loaded) => loaded.value,
        Err(error) => return vec![error.to_string()],
    };
    let (t_s, found) = (numbers(&case["t_s"]), within_blocks(&log.t_s, &numbers(&case["blocks"])));
    if found.len() != t_s.len() || found.iter().zip(&t_s).any(|(a, b)| (a - b).abs() > 1e-6) {
        wrong.push(format!("times {:?}", log.t_s));
    }
    for (k, expected) in case["columns"].as_array().unwrap().iter().enumerate() {
        match log.columns.get(k + 1) {
            Some(column) if same(&column.values.to_vec(), &numbers(expected)) => {}
            other => wrong.push(format!("column {}: {:?}", k + 2, other.map(|c| (&c.name, &c.values)))),
        }
    }
    let mut compare = |what: &str, expected: Vec<String>, found: Vec<String>| {
        if expected.iter().zip(&found).any(|(a, b)| a != b) || expected.len() > found.len() {
            wrong.push(format!("{what} {found:?}, expected {expected:?}"));
        }
    };
    compare("roles", texts(&case["roles"]), log.columns.iter().map(|c| role_word(c.role)).collect());
    compare("names", texts(&case["names"]), log.columns.iter().map(|c| c.name.clone()).collect());
    let units = log.columns.iter().skip(1).map(|c| c.unit.clone().unwrap_or_default());
    compare("units", texts(&case["units"]), units.collect());
    wrong
}

/// Truth: Python's csv, datetime and float, told each dialect (`vectors/log_dialects.py`).
#[test]
fn logs_of_every_dialect_hold_what_python_reads() {
    let vector = vector("log_dialects");
    let cases = vector["cases"].as_array().unwrap();
    assert!(cases.len() >= 40);
    let wrong: Vec<String> = cases
        .iter()
        .map(|case| (case["features"].to_string(), differences(case)))
        .filter(|(_, wrong)| !wrong.is_empty())
        .map(|(features, wrong)| format!("{features}:\n  {}", wrong.join("\n  ")))
        .collect();
    assert!(wrong.is_empty(), "{} of {}:\n{}", wrong.len(), cases.len(), wrong.join("\n"));
}

/// Every two values of two features stand together in some dialect, or are listed with the reason why they can't.
#[test]
fn the_dialects_cover_every_pair_of_features() {
    let vector = vector("log_dialects");
    let cases = vector["cases"].as_array().unwrap();
    let excluded = vector["excluded"].as_array().unwrap();
    let values = vector["values"].as_object().unwrap();
    for (k, (a, ones)) in values.iter().enumerate() {
        for (b, others) in values.iter().skip(k + 1) {
            for (x, y) in
                ones.as_array().unwrap().iter().flat_map(|x| others.as_array().unwrap().iter().map(move |y| (x, y)))
            {
                let together = cases.iter().any(|case| case["features"][a] == *x && case["features"][b] == *y);
                let told = |[a, x, b, y]: [&Value; 4]| {
                    excluded.iter().any(|row| row[0] == *a && row[1] == *x && row[2] == *b && row[3] == *y)
                };
                let (a, b) = (Value::from(a.as_str()), Value::from(b.as_str()));
                assert!(together || told([&a, x, &b, y]) || told([&b, y, &a, x]), "{a} {x} with {b} {y}");
            }
        }
    }
    assert!(excluded.len() < 20);
}

/// Truth: the JSON beside each file of csv-spectrum 2.0.0.
#[test]
fn csv_spectrum_gives_its_records() {
    let names = [
        "comma_in_quotes",
        "empty",
        "empty_crlf",
        "escaped_quotes",
        "json",
        "location_coordinates",
        "newlines",
        "newlines_crlf",
        "quotes_and_newlines",
        "simple",
        "simple_crlf",
        "utf8",
    ];
    for name in names {
        let bytes = std::fs::read(vector_path(&format!("open-data/csv-spectrum/{name}.csv"))).unwrap();
        let json = std::fs::read_to_string(vector_path(&format!("open-data/csv-spectrum/{name}.json"))).unwrap();
        let expected = match serde_json::from_str(&json).unwrap() {
            Value::Array(rows) => rows,
            one => vec![one],
        };
        let mut rows: Vec<Vec<String>> = Vec::new();
        let script = Script::guess(b"").unwrap();
        let mut source = Cursor::new(bytes);
        let mut records = Records::new(name, &mut source, script, Delimiter::Byte(b',')).unwrap();
        while let Some(record) = records.next().unwrap() {
            rows.push(record.fields().map(|field| String::from_utf8_lossy(field).into_owned()).collect());
        }
        let head = rows.remove(0);
        assert_eq!(rows.len(), expected.len(), "{name}");
        for (row, object) in rows.iter().zip(&expected) {
            let object = object.as_object().unwrap();
            assert_eq!(row.len(), object.len(), "{name}");
            // the suite's own answer for this one column holds another telephone number than its CSV
            let answered = head.iter().zip(row).filter(|(key, _)| *key != "Contact Phone Number");
            for (key, value) in answered {
                assert_eq!(Some(value.as_str()), object[key].as_str(), "{name}: {key}");
            }
        }
    }
}

fn notes(loaded: &Loaded<Log>) -> String {
    loaded.notes.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")
}

/// Each: what is odd about the log, its text, the rows expected, and what a note must speak of.
#[test]
fn odd_logs_are_read_and_what_was_odd_is_told() {
    let cases = [
        ("half line", "Time [s],RPM\n0,900\n0.1,950\n0.2,1000\n0.3", 3, "half way"),
        ("short row", "Time [s],RPM,Load\n0,900,40\n0.1,950\n0.2,1000,41\n", 3, "line 3"),
        ("long row", "Time [s],RPM\n0,900\n0.1,950,7\n0.2,1000\n", 3, "more cells"),
        ("head again", "Time [s],RPM\n0,900\n0.1,950\nTime [s],RPM\n0.2,1000\n", 3, "head line comes again"),
        ("remark", "Time [s],RPM\n0,900\nmarker,pulled over\n0.1,950\n0.2,1000\n", 3, "marker"),
        ("text cell", "Time [s],RPM\n0,900\n0.1,err!\n0.2,1000\n", 3, "err!"),
        ("time repeats", "Time [s],RPM\n0,900\n0.1,950\n0.1,960\n0.2,1000\n0.3,1000\n", 5, "repeat"),
        ("row out of order", "Time [s],RPM\n0,900\n0.1,950\n0.05,960\n0.2,1000\n0.3,1000\n", 4, "steps back"),
        ("two runs", "Time [s],RPM\n0,900\n0.1,950\n0.2,960\n0,1000\n0.1,1000\n0.2,1010\n", 6, "starts anew"),
        ("no time", "RPM,Load [kPa]\n900,40\n950,41\n940,42\n", 3, "logging rate"),
        ("same name twice", "Time [s],Knock,Knock\n0,1.5,2\n0.1,1.25,3\n", 2, "told apart by their number"),
        ("open quote", "Time [s],RPM\n0,900\n0.1,\"950\n0.2,1000\n", 3, "quote"),
        ("no head", "0,900\n0.1,950\n0.2,940\n", 3, "by number"),
        ("other table", "Time [s],RPM,Load\n0,900,40\n0.1,950,41\nLap,Driver,Sector\n1,2,3\n", 2, "another table"),
    ];
    for (what, text, rows, told) in cases {
        let loaded = read(text).unwrap_or_else(|error| panic!("{what}: {error}"));
        let log = &loaded.value;
        assert_eq!(log.t_s.len(), rows, "{what}: rows, {}", notes(&loaded));
        assert!(log.columns.iter().all(|column| column.values.len() == rows), "{what}: columns");
        assert!(log.t_s.is_sorted(), "{what}: times fall");
        assert!(notes(&loaded).contains(told), "{what}: {}", notes(&loaded));
    }
}

#[test]
fn empty_cells_and_words_for_nothing_are_missing_not_zero() {
    let log = read("Time [s],RPM,Load\n0,900,\n0.1,NaN,-\n0.2,n/a,40\n0.3,0x3E8,41\n").unwrap().value;
    assert!(log.columns[1].values.get(1).unwrap().is_nan() && log.columns[1].values.get(2).unwrap().is_nan());
    assert!(log.columns[2].values.get(0).unwrap().is_nan() && log.columns[2].values.get(1).unwrap().is_nan());
    assert_eq!(log.columns[1].values.get(3).unwrap(), 1000.0);
}

/// Roles of ordinary trade words in four languages: name and unit, role, sensor or cylinder (0: none).
#[test]
fn trade_words_give_roles() {
    let cases = [
        ("Engine RPM", "speed", ""),
        ("Motordrehzahl [1/min]", "speed", ""),
        ("Vehicle speed [km/h]", "other", ""),
        ("Knock threshold cyl 2 [V]", "logged-limit", "cylinder 2"),
        ("Klopfgrenze Zyl 3 [V]", "logged-limit", "cylinder 3"),
        ("Knock noise sensor 1 [V]", "background", "sensor 1"),
        ("Klopfen Grundgeräusch 2 [V]", "background", "sensor 2"),
        ("Knock retard cyl 4 [deg]", "correction", "cylinder 4"),
        ("Klopfregelung Zyl 1 [°KW]", "correction", "cylinder 1"),
        ("Knock detected", "knock-flag", ""),
        ("KS1 volts [V]", "level", "sensor 1"),
        ("Knock level 2 [dB]", "level", "sensor 2"),
        ("Cliquetis cylindre 3 [V]", "level", "cylinder 3"),
        ("Picado cilindro 1 [V]", "level", "cylinder 1"),
        ("KnockRet", "correction", ""),
        ("KR Cyl1 (°)", "correction", "cylinder 1"),
        ("kr_2", "correction", ""),
        ("Température air", "air", ""),
        ("knk_cyl_2 [V]", "level", "cylinder 2"),
        ("Ignition angle [deg]", "ignition", ""),
        ("Zündwinkel [°KW]", "ignition", ""),
        ("Avance allumage [deg]", "ignition", ""),
        ("MAP [kPa]", "load", ""),
        ("Luftmasse [mg/Hub]", "load", ""),
        ("Pression collecteur [kPa]", "load", ""),
        ("Presión del colector [kPa]", "load", ""),
        ("iat_f", "air", ""),
        ("TPS [%]", "throttle", ""),
        ("Coolant temp [°C]", "coolant", ""),
        ("Kühlwassertemperatur [°C]", "coolant", ""),
        ("IAT [°C]", "air", ""),
        ("Ansauglufttemperatur [°C]", "air", ""),
        ("Lambda", "mixture", ""),
        ("AFR", "mixture", ""),
        ("Gear", "gear", ""),
        ("Gang", "gear", ""),
        ("Fuel cut", "cut", ""),
        ("Schubabschaltung", "cut", ""),
        ("Injection time [ms]", "fuel", ""),
        ("Battery [V]", "other", ""),
        ("Oil pressure [bar]", "other", ""),
    ];
    for (head, role, of) in cases {
        let text = format!("Time [s];{head}\n0;1\n0.1;2\n0.2;1\n0.3;1\n0.4;2\n");
        let log = read(text).unwrap().value;
        let column = &log.columns[1];
        let found = match column.of {
            Some(ringdown::read::log::Of::Sensor(n)) => format!("sensor {n}"),
            Some(ringdown::read::log::Of::Cylinder(n)) => format!("cylinder {n}"),
            None => String::new(),
        };
        assert_eq!((role_word(column.role).as_str(), found.as_str()), (role, of), "{head}: {}", column.reason);
        assert_eq!(log.columns[0].role, Role::Time, "{head}");
    }
}

#[test]
fn a_units_row_with_a_unit_nobody_listed_is_still_one() {
    let log = read("Zeit;Drehzahl;Zündwinkel\ns;1/min;°KW v. OT\n0;900;12\n0,1;950;13\n0,2;940;13\n").unwrap().value;
    let roles: Vec<Role> = log.columns.iter().map(|column| column.role).collect();
    assert_eq!(roles, [Role::Time, Role::Speed, Role::Ignition]);
    assert_eq!(log.columns[2].unit.as_deref(), Some("°KW v. OT"));
}

#[test]
fn speeds_and_temperatures_come_in_one_unit() {
    let log =
        read("Time [ms];Engine speed [1/s];Coolant [°F];IAT [K]\n0;25;212;293.15\n100;50;32;273.15\n").unwrap().value;
    assert_eq!(log.t_s, [0.0, 0.1]);
    assert_eq!(log.columns[1].values.to_vec(), [1500.0, 3000.0]);
    for (value, expected) in log.columns[2].values.iter().zip([100.0, 0.0]) {
        outside_truth::assert_close(value, expected, 1e-9, "coolant");
    }
    outside_truth::assert_close(log.columns[3].values.get(0).unwrap(), 20.0, 1e-9, "air");
    let log = read("time_s,engine_rpm,ect_f\n0,900,212\n1,900,212\n").unwrap().value;
    outside_truth::assert_close(log.columns[2].values.get(0).unwrap(), 100.0, 1e-9, "a unit behind an underscore");
}

/// Factors: NIST Special Publication 811 (2008), appendix B.8 (from memory).
#[test]
fn loads_that_are_pressures_come_in_kilopascal_and_the_reason_tells_the_unit_written() {
    for (written, value, kpa) in [
        ("kPa", 98.0, 98.0),
        ("KPA", 98.0, 98.0),
        ("hPa", 1013.25, 101.325),
        ("mbar", 1013.25, 101.325),
        ("bar", 1.013_25, 101.325),
        ("psi", 14.695_95, 101.325),
        ("inHg", 29.921_26, 101.325),
    ] {
        let text = format!("Time [s];Engine speed [rpm];MAP [{written}]\n0;2500;{value}\n0.1;2600;{value}\n");
        let log = read(text).unwrap().value;
        let load = &log.columns[2];
        assert_eq!((load.role, load.unit.as_deref()), (Role::Load, Some("kPa")), "{written}");
        outside_truth::assert_close(load.values.get(0).unwrap(), kpa, 1e-4, written);
        assert_eq!(load.reason.contains("converted from"), kpa != value, "{written}: {}", load.reason);
    }
    let log = read("Time [s];Engine speed [rpm];Load [%]\n0;2500;40\n0.1;2600;41\n").unwrap().value;
    assert_eq!((log.columns[2].values.get(0).unwrap(), log.columns[2].unit.as_deref()), (40.0, Some("%")));
}

#[test]
fn what_can_not_be_a_log_is_refused_in_one_sentence() {
    let long_line = vec![b'x'; 3 << 20];
    let mut long_field = b"Time,RPM\n0,900\n1,\"".to_vec();
    long_field.extend(std::iter::repeat_n(b'1', 70_000));
    long_field.extend(b"\"\n2,3\n");
    let many_columns = format!("{}\n{}\n", "a,".repeat(5000), "1,".repeat(5000)).into_bytes();
    let page = b"# Notes\n\nPlain words here.\nMore of them.\nAnd more.\nLast year, 12, 13\nThe end.\nReally.\nYes.\n"
        .to_vec();
    let cases: [(&str, Vec<u8>, &str); 7] = [
        ("a page of text", page, "without a table of numbers"),
        ("empty", Vec::new(), "empty"),
        ("blank", b" \n\r\n ".to_vec(), "empty"),
        ("prose", b"Dear driver,\nplease call me.\nYours, A. Person\n".to_vec(), "without a table of numbers"),
        ("long line", long_line, "65536"),
        ("long field", long_field, "line 3"),
        ("many columns", many_columns, "4096"),
    ];
    for (what, bytes, told) in cases {
        let error = read(bytes).err().unwrap_or_else(|| panic!("{what} was read"));
        assert!(error.to_string().contains(told), "{what}: {error}");
    }
}

/// A preamble of words with a number here and there is no table, however many columns it has.
#[test]
fn words_before_the_table_are_no_rows() {
    let words = "engine,alder,four,2\ndriver,anne,club,3\ntrack,north,long,4\ntyres,soft,new,5\n";
    let log = read(format!("{words}time,rpm\n0.0,900\n0.1,950\n0.2,1000\n")).unwrap().value;
    assert_eq!((log.assumed.preamble, log.columns.len()), (4, 2));
    assert_eq!(log.columns[1].values.to_vec(), [900.0, 950.0, 1000.0]);
    // As many words as twice the numbers are still a row: a log with names of gears and states.
    let log = read("time,gear,state\n0.0,first,pulling\n0.1,first,pulling\n0.2,second,lifting\n").unwrap().value;
    assert_eq!(log.t_s.len(), 3);
}

#[test]
fn what_the_head_tells_is_told() {
    let rows = "0.0,900\n0.1,950\n0.2,1000\n";
    for (head, expected) in [
        ("", Head::None),
        ("time,speed\n", Head::Names),
        ("time [s],speed [rpm]\n", Head::Units),
        ("time,speed\ns,rpm\n", Head::UnitsBelow),
    ] {
        let log = read(format!("{head}{rows}")).unwrap().value;
        assert_eq!((log.assumed.head, log.t_s.len()), (expected, 3), "{head}");
    }
}

/// Median step of 0.1 s; a channel with every fourth cell filled comes at a quarter of that. One row has no rate.
#[test]
fn rates_of_rows_and_of_sparse_columns_are_those_of_their_steps() {
    let row = |k: u32| {
        let oil = if k.is_multiple_of(4) { "80" } else { "" };
        format!("{:.1},{},{oil}\n", f64::from(k) / 10.0 + if k > 60 { 5.0 } else { 0.0 }, 900 + k)
    };
    let log = read(format!("time [s],rpm,oil\n{}", (0..100).map(row).collect::<String>())).unwrap().value;
    let near = |rate: Option<f64>, hz: f64| rate.is_some_and(|rate| (rate - hz).abs() < 1e-6);
    assert!(near(log.rate_hz(), 10.0), "{:?}", log.rate_hz());
    assert!(near(log.rate_of(&log.columns[1]), 10.0) && near(log.rate_of(&log.columns[2]), 2.5));
    let told =
        Log::read("x.csv", Box::new(Cursor::new("rpm,load\n900,20\n910,21\n920,22\n")), Some(25.0)).unwrap().value;
    assert!(near(told.rate_hz(), 25.0) && told.t_s == [0.0, 0.04, 0.08]);
}

/// FIPS 180-4's examples (from memory): nothing, "abc", and 448 bits in two goes.
#[test]
fn hashes_are_those_of_the_standard() {
    let of = |parts: &[&[u8]]| {
        let mut hasher = Hasher::new();
        parts.iter().for_each(|part| hasher.update(part));
        hasher.finish()
    };
    assert_eq!(of(&[]), "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
    assert_eq!(of(&[b"abc"]), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    assert_eq!(
        of(&[b"abcdbcdecdefdefgefghfghighij", b"hijkijkljklmklmnlmnomnopnopq"]),
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"
    );
}
