//! What a column's role is told from, trade by trade, and what a table is told from.
//!
//! check: each role by its name, its unit and its values; names that speak of a role's setting | common practice, no source | exact role, the words of the reason
//! check: units in a row below the names, dashes where there is none | common practice, no source | exact
//! check: which mark parts the cells where two could | the mark that leaves the fewest words (hand count beside each) | exact
//! check: columns that count rows, letters in brackets, rows of another length | common practice, no source; hand count | exact
//! check: records of 1 MiB, fields of 64 KiB, 4096 columns, and one more | the limits that the reader states | exact

use ringdown::error::{Kind, Place};
use ringdown::read::log::{Head, Log};
use ringdown::read::roles::Role;
use ringdown::read::text::{Delimiter, Records, Script};
use std::io::Cursor;

fn log(text: &str) -> Log {
    Log::read("x.csv", Box::new(Cursor::new(text.as_bytes().to_vec())), None).expect("read").value
}

/// Role and reason of a column between a time and a voltage.
fn told(head: &str, cells: [f64; 3]) -> (Role, String) {
    let rows: String = cells.iter().zip(0..).map(|(cell, k)| format!("0.{k};{cell};1{k}.5\n")).collect();
    let column = log(&format!("Time [s];{head};Battery [V]\n{rows}")).columns.swap_remove(1);
    (column.role, column.reason)
}

/// A name of a role with its unit; what the reason calls it; values an engine has; values none can have; names of what is no
/// measured value of it.
struct Case {
    role: Role,
    head: &'static str,
    unit: &'static str,
    what: &'static str,
    usual: &'static [[f64; 3]],
    unusual: &'static [f64],
    others: &'static [&'static str],
}

const CASES: [Case; 11] = [
    Case {
        role: Role::Speed,
        head: "Engine speed",
        unit: "rpm",
        what: "engine speed",
        usual: &[[900.0, 1000.0, 950.0], [0.0, 250.0, 100.0], [14_000.0, 18_000.0, 17_000.0]],
        unusual: &[-500.0, 90_000.0],
        others: &["Wheel speed", "RPM limit", "Vehicle speed", "Turbo speed", "Target RPM"],
    },
    Case {
        role: Role::Load,
        head: "Manifold pressure",
        unit: "kPa",
        what: "load",
        // Absolute, and above ambient: closed throttles pull 80 kPa below it.
        usual: &[[35.0, 98.0, 60.0], [-80.0, 120.0, 0.0]],
        unusual: &[-500.0, 90_000.0],
        others: &["Manifold temperature", "Boost target", "MAP voltage", "Load error", "Ladedruck Soll"],
    },
    Case {
        role: Role::Throttle,
        head: "Throttle",
        unit: "%",
        what: "throttle",
        // Ends not learnt read a little beyond.
        usual: &[[0.0, 100.0, 40.0], [-2.0, 103.0, 50.0]],
        unusual: &[-70.0, 900.0],
        others: &["Throttle target", "Brake pedal", "Drosselklappe Soll", "Clutch pedal"],
    },
    Case {
        role: Role::Ignition,
        head: "Ignition timing",
        unit: "deg",
        what: "ignition angle",
        usual: &[[10.0, 38.0, 25.0], [-15.0, 5.0, 0.0]],
        unusual: &[-170.0, 300.0],
        others: &["Ignition coil voltage", "Ignition switch", "Spark dwell", "Ignition target"],
    },
    Case {
        role: Role::Ignition,
        head: "Output A",
        unit: "°BTDC",
        what: "",
        usual: &[[10.0, 38.0, 25.0], [-15.0, 5.0, 0.0]],
        unusual: &[-170.0, 300.0],
        others: &[],
    },
    Case {
        role: Role::Cut,
        head: "Fuel cut",
        unit: "%",
        what: "a cut",
        usual: &[[0.0, 100.0, 50.0], [0.0, 0.5, 1.0]],
        unusual: &[-50.0, 1e6],
        others: &["Launch rpm setting", "Limiter speed setting"],
    },
    Case {
        role: Role::Fuel,
        head: "Injection time",
        unit: "",
        what: "fuel",
        usual: &[[2.5, 11.0, 7.0], [-20.0, 20.0, 0.0]],
        unusual: &[-1e6, 1e9],
        others: &["Fuel temperature", "Fuel level", "Fuel trim"],
    },
    Case {
        role: Role::Coolant,
        head: "Coolant temperature",
        unit: "°C",
        what: "coolant temperature",
        usual: &[[20.0, 90.0, 60.0], [-30.0, 118.0, 0.0]],
        unusual: &[-250.0, 2000.0],
        others: &["Coolant pressure", "Coolant level", "Water pump", "Water injection"],
    },
    Case {
        role: Role::Air,
        head: "Air temperature",
        unit: "°C",
        what: "air temperature",
        usual: &[[20.0, 60.0, 40.0], [-30.0, 140.0, 0.0]],
        unusual: &[-250.0, 2000.0],
        others: &["IAT correction", "Intake air mass", "Intake air pressure"],
    },
    Case {
        role: Role::Mixture,
        head: "Lambda",
        unit: "lambda",
        what: "mixture",
        usual: &[[0.8, 1.2, 1.0], [0.0, 1.6, 1.0]],
        unusual: &[-8.0, 90_000.0],
        others: &["Lambda target", "Lambda correction", "Lambda heater", "AFR desired"],
    },
    Case {
        role: Role::Gear,
        head: "Gear",
        unit: "",
        what: "gear",
        // Reverse is -1.
        usual: &[[1.0, 6.0, 3.0], [-1.0, 2.0, 0.0]],
        unusual: &[-30.0, 200.0],
        others: &["Gear ratio", "Gear oil", "Gear lever"],
    },
];

#[test]
fn a_role_is_told_by_name_unit_and_values_and_the_reason_says_by_which() {
    for case in &CASES {
        let Case { role, head, unit, what, .. } = case;
        let full = if unit.is_empty() { (*head).to_owned() } else { format!("{head} [{unit}]") };
        for cells in case.usual {
            let (got, reason) = told(&full, *cells);
            assert_eq!(got, *role, "{full} {cells:?}: {reason}");
            assert_eq!(reason.contains(&format!("the name says {what}")), !what.is_empty(), "{full}: {reason}");
            assert_eq!(reason.contains(&format!("the unit {unit} fits")), !unit.is_empty(), "{full}: {reason}");
            assert!(reason.contains("values ") && !reason.contains("unusual"), "{full} {cells:?}: {reason}");
        }
        for value in case.unusual {
            // Name and unit together outweigh values that can't be; either alone does not.
            let (got, reason) = told(&full, [case.usual[0][0], *value, case.usual[0][2]]);
            let outweighs = !unit.is_empty() && !what.is_empty();
            assert_eq!(got == *role, outweighs, "{full} {value}: {reason}");
            assert_eq!(reason.ends_with("are unusual"), outweighs, "{full} {value}: {reason}");
        }
        for other in case.others {
            let (got, reason) = told(other, case.usual[0]);
            assert_ne!(got, *role, "{other}: {reason}");
        }
    }
    let speed = told("Output A [1/min]", [900.0, 1000.0, 950.0]);
    assert_eq!(speed.0, Role::Speed, "{}", speed.1);
    assert_eq!(told("Output A [V]", [0.9, 1.0, 0.95]).0, Role::Other);
    for (head, said) in [
        ("Knock level [V]", "the name says knock level, the unit is V"),
        ("Knock level", "the name says knock level"),
        ("Knock retard [deg]", "the name says what knock control took out, the unit is deg"),
        ("Knock background [mV]", "the name says knock background, the unit is mV"),
    ] {
        assert_eq!(told(head, [0.9, 1.7, 0.95]).1, said);
    }
}

#[test]
fn a_time_is_told_by_name_and_unit_unless_something_else_takes_that_time() {
    let first = |head: &str, cells: [&str; 4]| {
        let rows: String = cells.iter().zip(0..).map(|(cell, k)| format!("{cell};1{k}.5\n")).collect();
        log(&format!("{head};Battery [V]\n{rows}")).columns.swap_remove(0)
    };
    let time = first("Time [s]", ["0", "0.1", "0.2", "0.3"]);
    assert_eq!(time.role, Role::Time);
    assert!(time.reason.contains("the name says time, the unit s fits, values 0 to 0.3"), "{}", time.reason);
    assert!(first("Time [s]", ["-0.2", "-0.1", "0", "0.1"]).reason.contains("unusual"));
    for other in ["Injector open time [ms]", "Dwell time [ms]", "Lap time [s]", "Delay [ms]"] {
        let (role, reason) = told(other, [1.0, 1.1, 1.2]);
        assert_ne!(role, Role::Time, "{other}: {reason}");
    }
}

#[test]
fn a_dash_in_the_row_of_units_is_no_unit() {
    let got = log("Time;RPM [1/min];Flag;Bits;TPS\ns;-;--;;%\n0;900;1;3;20\n0.1;910;0;4;21\n0.2;905;1;3;22\n");
    let units: Vec<Option<&str>> = got.columns.iter().map(|column| column.unit.as_deref()).collect();
    assert_eq!(units, [Some("s"), Some("1/min"), None, None, Some("%")]);
    assert_eq!((got.assumed.head, got.assumed.preamble, got.t_s.len()), (Head::UnitsBelow, 0, 3));
    // Names of groups above the names are no names, and the names no units.
    let got = log("Clock;Engine;Engine\nTime;RPM;TPS\n0;900;20\n0.1;910;21\n0.2;905;22\n");
    let names: Vec<&str> = got.columns.iter().map(|column| column.name.as_str()).collect();
    assert_eq!((names, got.assumed.preamble), (vec!["Time", "RPM", "TPS"], 1));
}

/// Numbers less twice the words they leave, in a row: the greater count says how the cells are parted.
#[test]
fn cells_are_parted_by_the_mark_that_leaves_the_fewest_words() {
    for (row, delimiter, columns) in [
        // By semicolons three numbers and a word; by commas four numbers and two words.
        ("0.1;900;50;a,1,2,3,4,b", b';', 4),
        // By commas three numbers and a word; by semicolons a number and a word.
        ("0.1,900,50,2;7", b',', 4),
    ] {
        let got = log(&format!("{row}\n").repeat(6));
        assert_eq!((got.assumed.delimiter, got.columns.len()), (Delimiter::Byte(delimiter), columns), "{row}");
    }
    // By semicolons three numbers and a word in each row; by commas two and a half more numbers than words count, in rows of eight lengths.
    let lists = (3..11).map(|count| (1..=count).map(|k| format!("{k},")).collect::<String>());
    let rows: String = lists.map(|list| format!("0.1;900;50;a,{list}b\n")).collect();
    let got = log(&rows.repeat(3));
    assert_eq!((got.assumed.delimiter, got.columns.len()), (Delimiter::Byte(b';'), 4), "rows of one length");
}

#[test]
fn records_and_fields_are_read_up_to_their_limits_and_not_a_byte_further() {
    let read = |text: &str| {
        let bytes = text.as_bytes();
        let script = Script::guess(&bytes[..100]).expect("text");
        let mut source = Cursor::new(bytes);
        let mut records = Records::new("x", &mut source, script, Delimiter::Byte(b',')).expect("it opens");
        match records.next() {
            Ok(record) => Ok(record.map_or(0, |record| record.len())),
            Err(error) => match error.kind {
                Kind::TooLarge { what, asked, allowed } => Err((what, asked, allowed)),
                other => panic!("{other:?}"),
            },
        }
    };
    const MIB: usize = 1 << 20;
    // Fifteen fields of 64 KiB less one with their commas, and one of 64 KiB: 1 MiB.
    let mib = [vec!["1".repeat((1 << 16) - 1); 15], vec!["1".repeat(1 << 16)]].concat().join(",");
    assert_eq!(mib.len(), MIB);
    assert_eq!((read(&mib), read(&format!("{mib}\n2,3\n"))), (Ok(16), Ok(16)));
    for longer in [format!("{mib},"), format!("{mib},\n2,3\n")] {
        assert_eq!(read(&longer), Err(("bytes of one record", MIB as u64 + 1, MIB as u64)));
    }
    let field = "1".repeat(1 << 16);
    assert_eq!(read(&format!("2,{field}\n")), Ok(2));
    assert_eq!(read(&format!("2,{field}1\n")), Err(("bytes of one field", (1 << 16) + 1, 1 << 16)));
    let columns = |count: usize| vec!["1"; count].join(",") + "\n";
    assert_eq!((read(&columns(4096)), read(&columns(4097))), (Ok(4096), Err(("columns", 4097, 4096))));
}

/// What counts rows is no clock, though it rises as steadily; a first column without such a name is one.
#[test]
fn a_column_that_counts_rows_is_no_time() {
    for (head, role) in [
        ("Index", Role::Other),
        ("Sample", Role::Other),
        ("Row nr", Role::Other),
        ("Satz", Role::Other),
        ("Abscissa", Role::Time),
    ] {
        let got = log(&format!("{head};RPM\n1;900\n2;905\n3;903\n4;910\n5;905\n"));
        assert_eq!(got.columns[0].role, role, "{head}: {}", got.columns[0].reason);
    }
}

/// An engine turns one way, and its speed falls as well as rises.
#[test]
fn a_column_without_a_name_is_a_speed_where_its_values_are_an_engines() {
    for (cells, role) in [
        ([900, 3000, 6500, 2000, 800, 1500], Role::Speed),
        ([-900, 3000, 6500, 2000, 800, 1500], Role::Other),
        ([9, 30, 65, 20, 8, 15], Role::Other),
        ([900, 3000, 65_000, 2000, 800, 1500], Role::Other),
        ([900, 901, 902, 903, 904, 905], Role::Other),
    ] {
        let rows: String = cells.iter().zip(0..).map(|(cell, k)| format!("0.{k};{cell}\n")).collect();
        let got = log(&format!("Time [s];\n{rows}"));
        assert_eq!(got.columns[1].role, role, "{cells:?}: {}", got.columns[1].reason);
    }
}

#[test]
fn letters_in_square_brackets_are_a_unit_unless_they_name_a_place() {
    for (head, name, unit) in [
        ("Power [PS]", "Power", Some("PS")),
        ("Flow [l/100km]", "Flow", Some("l/100km")),
        ("Knock [cyl 2]", "Knock [cyl 2]", None),
        ("Knock [Bank 1]", "Knock [Bank 1]", None),
        ("Knock [3]", "Knock [3]", None),
        ("Flow [as the driver asks]", "Flow [as the driver asks]", None),
    ] {
        let got = log(&format!("Time [s];{head}\n0;1.5\n0.1;2.5\n0.2;1\n"));
        assert_eq!((got.columns[1].name.as_str(), got.columns[1].unit.as_deref()), (name, unit), "{head}");
    }
}

/// A cell too few or too many is told with its line; as many as there are columns, or empty ones behind them, are not.
#[test]
fn rows_of_another_length_are_told_with_the_first_line() {
    let notes = |rows: &str| -> Vec<Place> {
        let text = format!("Time [s];RPM;Remark\n0;900;ok\n0.1;905;ok\n{rows}0.2;903;ok\n");
        let loaded = Log::read("x.csv", Box::new(Cursor::new(text.into_bytes())), None).expect("read");
        loaded.notes.iter().map(|note| note.place.clone()).collect()
    };
    let whole = notes("");
    for (rows, line) in [
        ("0.15;900;ok\n", None),
        ("0.15;900;ok;;\n", None),
        ("0.15;900\n0.16;900\n", Some(4)),
        ("0.15;900;ok\n0.16;900;ok;7\n", Some(5)),
    ] {
        let more: Vec<Place> = notes(rows).into_iter().filter(|place| !whole.contains(place)).collect();
        let told: Vec<u64> = more
            .iter()
            .filter_map(|place| if let Place::Line { line, .. } = place { Some(*line) } else { None })
            .collect();
        assert_eq!((told, more.len()), (line.into_iter().collect(), usize::from(line.is_some())), "{rows}: {more:?}");
    }
}
