//! The program as a process: exit status, standard error and output on good and bad input.

use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;

/// A folder of its own for one test.
fn folder(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    let _ = std::fs::remove_dir_all(&folder);
    std::fs::create_dir_all(&folder).expect("a folder to write into");
    folder
}

fn demo(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../demo-logs").join(name)
}

fn demo_bytes(name: &str) -> Vec<u8> {
    std::fs::read(demo(name)).expect("demo-logs is committed")
}

struct Ended {
    status: i32,
    out: String,
    err: String,
}

/// Runs `ringdown` in `folder` with the words of `line`; `@name` is a file of `demo-logs`.
fn run(folder: &Path, line: &str) -> Ended {
    let words = line.split_whitespace().map(|word| match word.strip_prefix('@') {
        Some(name) => demo(name).into_os_string(),
        None => word.into(),
    });
    let output = Command::new(env!("CARGO_BIN_EXE_ringdown")).args(words).current_dir(folder).output().expect("runs");
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("UTF-8");
    Ended { status: output.status.code().unwrap_or(-1), out: text(output.stdout), err: text(output.stderr) }
}

fn json(path: &Path) -> Value {
    serde_json::from_slice(&std::fs::read(path).expect("a result was written")).expect("it is JSON")
}

fn array<'a>(value: &'a Value, key: &str) -> &'a [Value] {
    value[key].as_array().unwrap_or_else(|| panic!("{key} is no array"))
}

/// A WAV header of 16-bit mono at 48 kHz whose sizes claim `claimed` bytes of samples, and `samples` bytes behind it.
/// Layout: Microsoft multimedia RIFF specification.
fn wav(claimed: u32, samples: usize) -> Vec<u8> {
    let mut bytes = Vec::new();
    bytes.extend(b"RIFF");
    bytes.extend(claimed.saturating_add(36).to_le_bytes());
    bytes.extend(b"WAVEfmt \x10\0\0\0\x01\0\x01\0");
    bytes.extend(48_000_u32.to_le_bytes());
    bytes.extend(96_000_u32.to_le_bytes());
    bytes.extend(b"\x02\0\x10\0data");
    bytes.extend(claimed.to_le_bytes());
    bytes.extend((0..samples).map(|k| (k % 7) as u8));
    bytes
}

/// Name, bytes, and what the line must say besides the name: the place or what was found, and what to do.
#[test]
fn what_can_not_be_read_gets_one_line_and_the_rest_its_result() {
    let cases: [(&str, Vec<u8>, &[&str]); 10] = [
        ("empty.wav", Vec::new(), &["is empty", "copy it again"]),
        ("text.wav", b"Dear diary,\nit rained all day.\n".to_vec(), &["without a table", "export the log"]),
        ("claim.wav", wav(4_294_967_000, 0), &["byte 44", "no samples", "record"]),
        ("cut.wav", wav(96_000, 0)[..30].to_vec(), &["cut.wav", "record"]),
        ("silly.json", br#"{"sheet":1,"bore_mm":9400}"#.to_vec(), &["field bore_mm", "9400", "20 to 400", "correct"]),
        ("other.json", br#"{"sheet":1,"bore_mm":80}"#.to_vec(), &["second engine sheet", "drop only one"]),
        ("broken.json", br#"{"sheet":1,"bore_mm":}"#.to_vec(), &["line 1"]),
        ("words.csv", b"a,b,c\nx,y,z\nq,w,e\n".to_vec(), &["without a table of numbers", "export"]),
        ("cut.flac", b"fLaC\0\0\0\x22".to_vec(), &["FLAC", "copy the file again"]),
        ("song.mp3", b"ID3\x04\0\0\0\0\0\0".repeat(20), &["MP3", "record"]),
    ];
    let folder = folder("refused");
    for (name, bytes, said) in cases {
        std::fs::write(folder.join(name), bytes).expect("written");
        let sheet = "@alder-valley.sheet.json";
        let ended = run(&folder, &format!("analyse {sheet} {name} @evening-two.csv --json out.json"));
        let line = ended.err.trim_end();
        assert_eq!(ended.status, 3, "{name}: {line}");
        assert_eq!(line.lines().count(), 1, "{name}: {line}");
        assert!(line.starts_with(name) && line.contains("; "), "{name}: {line}");
        said.iter().for_each(|word| assert!(line.contains(word), "{name}: no \"{word}\" in: {line}"));
        let result = json(&folder.join("out.json"));
        let names: Vec<&str> = array(&result, "files").iter().filter_map(|file| file["name"].as_str()).collect();
        assert_eq!(names, ["alder-valley.sheet.json", "evening-two.csv"], "{name}");
        let filled = array(&result, "limits").iter().filter(|cell| cell["limit"].is_number()).count();
        assert!(filled > 0, "{name}: the log's limits are missing");
    }
}

#[test]
fn a_file_that_is_not_there_and_a_folder_are_named() {
    let folder = folder("absent");
    std::fs::create_dir(folder.join("inner")).expect("made");
    for name in ["nowhere.wav", "inner"] {
        let ended = run(&folder, &format!("inspect {name} @evening-two.csv"));
        assert_eq!(ended.status, 3, "{name}");
        assert!(ended.err.starts_with(name) && ended.err.lines().count() == 1, "{}", ended.err);
        assert!(ended.out.contains("evening-two.csv: log"), "{}", ended.out);
    }
}

/// What is there is read, what was promised is told: 16-bit mono, so half as many samples as bytes.
#[test]
fn a_recording_cut_short_is_read_as_far_as_it_goes() {
    let folder = folder("cut");
    for (name, claimed) in [("short.wav", 960_000), ("huge.wav", 4_294_967_000)] {
        std::fs::write(folder.join(name), wav(claimed, 96_000)).expect("written");
        let ended = run(&folder, &format!("inspect {name} --json out.json"));
        assert_eq!((ended.status, ended.err.as_str()), (0, ""), "{name}");
        let file = json(&folder.join("out.json"))["files"][0].clone();
        assert_eq!(file["channels"][0]["samples"], 48_000, "{name}: {file}");
        assert_eq!(file["duration_s"], 1.0, "{name}: {file}");
        let told = array(&file, "notes").iter().any(|note| note.as_str().is_some_and(|note| note.contains("promises")));
        assert!(told, "{name}: {file}");
    }
}

#[test]
fn a_sheet_without_some_fields_is_fine() {
    let folder = folder("bare");
    std::fs::write(folder.join("bare.json"), r#"{"sheet":1,"bore_mm":94}"#).expect("written");
    let ended = run(&folder, "analyse bare.json --json out.json");
    assert_eq!((ended.status, ended.err.as_str()), (0, ""));
    let result = json(&folder.join("out.json"));
    assert_eq!(array(&result, "modes").len(), 6);
    assert!(!array(&result["findings"][0], "todo").is_empty(), "what the sheet lacks is a to-do");
}

#[test]
fn wrong_use_is_told_apart_from_bad_files() {
    let folder = folder("wrong");
    let lines = [
        ("", "Usage"),
        ("analyse", "FILES"),
        ("repair @evening-two.csv", "repair"),
        ("analyse @evening-two.csv --band 5000", "--band"),
        ("analyse @evening-two.csv --band 5000 4000", "--band"),
        ("analyse @evening-two.csv --window 60 8", "--window"),
        ("analyse @evening-two.csv --false-alarm 2", "--false-alarm"),
        ("analyse @evening-two.csv --false-alarm NaN", "--false-alarm"),
        ("analyse @evening-two.csv --confidence 1", "--confidence"),
        ("analyse @evening-two.csv --breakpoints 3000,2000", "--breakpoints"),
        ("analyse @evening-two.csv --breakpoints fast", "--breakpoints"),
        ("analyse @evening-two.csv --role evening-two.csv=loud", "loud"),
        ("analyse @evening-two.csv --role other.csv=safe", "other.csv"),
        ("analyse @evening-two.csv --json - --limits -", "--limits"),
        ("analyse @evening-two.csv --sheet a.json --card b.json", "--card"),
    ];
    for (line, said) in lines {
        let ended = run(&folder, line);
        assert_eq!(ended.status, 2, "{line}: {}", ended.err);
        assert!(ended.err.contains(said) && ended.out.is_empty(), "{line}: {}", ended.err);
    }
}

#[test]
fn nothing_to_compute_has_a_status_of_its_own() {
    let folder = folder("nothing");
    std::fs::write(folder.join("no-bore.json"), r#"{"sheet":1,"name":"no bore"}"#).expect("written");
    assert_eq!(run(&folder, "analyse no-bore.json").status, 4);
    assert_eq!(run(&folder, "analyse no-bore.json @evening-two.csv").status, 0);
}

#[test]
fn a_result_that_can_not_be_written_is_told() {
    let ended = run(&folder("unwritable"), "analyse @evening-two.csv --json no/such/folder/out.json");
    assert_eq!(ended.status, 3);
    assert!(ended.err.contains("could not be written") && ended.err.lines().count() == 1, "{}", ended.err);
}

#[test]
fn json_to_standard_output_is_json_alone() {
    let folder = folder("stdout");
    for verb in ["inspect", "analyse"] {
        let ended = run(&folder, &format!("{verb} @evening-two.csv --json -"));
        assert_eq!((ended.status, ended.err.as_str()), (0, ""));
        let result: Value = serde_json::from_str(&ended.out).expect("nothing but JSON");
        assert_eq!(result["result"], 1);
        assert_eq!(result["files"][0]["name"], "evening-two.csv");
        let written = run(&folder, &format!("{verb} @evening-two.csv --json out.json"));
        assert_eq!(json(&folder.join("out.json")), result);
        assert!(written.out.contains("evening-two.csv"), "text comes to standard output where JSON does not");
    }
}

const RUN: &str = "analyse @alder-valley.sheet.json @evening-two-excerpt.wav --json out.json";

fn check_choices(result: &Value) {
    let band = &result["band"];
    assert_eq!(
        (&band["low_hz"], &band["high_hz"], &band["chosen_by"]),
        (&5000.0.into(), &6100.0.into(), &"user".into())
    );
    let window = &result["window"];
    let edges = (&window["start_deg_atdc"], &window["end_deg_atdc"], &window["chosen_by"]);
    assert_eq!(edges, (&(-5.0).into(), &45.5.into(), &"user".into()));
    let choices = &result["choices"];
    assert_eq!((&choices["false_alarm"], &choices["confidence"]), (&0.01.into(), &0.9.into()));
    let rpm: Vec<f64> = array(result, "limits").iter().filter_map(|cell| cell["rpm"].as_f64()).collect();
    assert_eq!(rpm, [2750.0, 3100.0, 5250.0].repeat(4), "four cylinders by three speeds");
}

#[test]
fn what_is_asked_for_counts() {
    let folder = folder("choices");
    let asked = "--band 5000 6100 --window -5 45.5 --false-alarm 0.01 --confidence 0.9 --breakpoints 2750,3100,5250";
    assert_eq!(run(&folder, RUN).status, 0);
    let own = json(&folder.join("out.json"));
    assert_eq!(run(&folder, &format!("{RUN} {asked}")).status, 0);
    let result = json(&folder.join("out.json"));
    check_choices(&result);
    assert_ne!(own["events"][500]["level_db"], result["events"][500]["level_db"], "another band, another level");
    // A card has choices of its own; what is asked for stands over them, wherever the card is named.
    for card in ["@evening-three-excerpt.card.json", "--card @evening-three-excerpt.card.json"] {
        let line = format!("analyse {card} @evening-two-excerpt.wav --json out.json {asked}");
        assert_eq!(run(&folder, &line).status, 0, "{line}");
        check_choices(&json(&folder.join("out.json")));
    }
}

#[test]
fn roles_are_taken_by_path_and_by_name() {
    let folder = folder("roles");
    let path = demo("evening-two.csv");
    for file in [path.to_str().expect("UTF-8"), "evening-two.csv"] {
        run(&folder, &format!("analyse @evening-two.csv --json out.json --role {file}=engine-off"));
        assert_eq!(json(&folder.join("out.json"))["files"][0]["role"], "engine-off", "{file}");
    }
}

/// A higher rate of false alarms can't raise a limit.
#[test]
fn more_false_alarms_allowed_lower_the_limits() {
    let folder = folder("rates");
    let limits = |rate: &str| -> Vec<Option<f64>> {
        run(&folder, &format!("{RUN} --breakpoints 3000,4000,5000 --false-alarm {rate}"));
        array(&json(&folder.join("out.json")), "limits").iter().map(|cell| cell["limit"].as_f64()).collect()
    };
    let (strict, loose) = (limits("0.001"), limits("0.01"));
    let both: Vec<(f64, f64)> = strict.iter().zip(&loose).filter_map(|(a, b)| Some(((*a)?, (*b)?))).collect();
    assert!(both.len() >= 6, "{strict:?} {loose:?}");
    assert!(both.iter().all(|(strict, loose)| loose < strict), "{both:?}");
}

/// Blocks of the CSV as grids of cells; a line break inside none of them.
fn blocks(csv: &str) -> Vec<Vec<Vec<String>>> {
    let line = |line: &str| line.split(',').map(|cell| cell.trim_matches('"').to_owned()).collect();
    let mut blocks: Vec<Vec<Vec<String>>> = vec![Vec::new()];
    for text in csv.lines() {
        if text.trim().is_empty() {
            blocks.push(Vec::new());
        } else if let Some(block) = blocks.last_mut() {
            // The head "limit, dB re full scale \ rpm" holds the delimiter inside quotes.
            let text = text.replace("limit, dB", "limit dB").replace("floor, dB", "floor dB");
            block.push(line(&text));
        }
    }
    blocks
}

/// Four decimals in the CSV: equal to half of the last one.
#[test]
fn the_table_of_limits_is_that_of_the_result() {
    let folder = folder("limits");
    assert_eq!(run(&folder, &format!("{RUN} --limits limits.csv")).status, 0);
    let result = json(&folder.join("out.json"));
    let csv = std::fs::read_to_string(folder.join("limits.csv")).expect("written");
    let blocks = blocks(&csv);
    assert_eq!(blocks.len(), 2, "over floor, and dB re full scale: {csv}");
    let mut filled = 0;
    for cell in array(&result, "limits") {
        let (rpm, cylinder) = (cell["rpm"].as_f64().expect("rpm"), cell["cylinder"].as_u64().expect("cylinder"));
        let shown = |block: &[Vec<String>]| -> Option<f64> {
            let column = block[0].iter().position(|head| head.parse() == Ok(rpm)).expect("a column a speed");
            let row = block.iter().find(|row| row[0] == format!("Cylinder {cylinder}")).expect("a row a cylinder");
            row[column].parse().ok()
        };
        let (limit, floor) = (cell["limit"].as_f64(), cell["floor"].as_f64());
        let expected = [limit.zip(floor).map(|(limit, floor)| limit - floor), limit];
        for (block, expected) in blocks.iter().zip(expected) {
            assert_eq!(shown(block).is_some(), expected.is_some(), "{cell}");
            if let Some((shown, expected)) = shown(block).zip(expected) {
                assert!((shown - expected).abs() <= 0.500_001e-4, "{cell}: {shown}");
                filled += 1;
            }
        }
    }
    assert!(filled >= 40, "{filled} cells compared");
    let again = run(&folder, "analyse @alder-valley.sheet.json @evening-two-excerpt.wav --limits -");
    assert_eq!(again.out, csv, "the same to standard output, and nothing else");
}

#[test]
fn synth_writes_the_same_bytes_twice_and_they_are_the_committed_ones() {
    let folder = folder("synth");
    let twice = ["a", "b"].map(|name| {
        let folder = folder.clone();
        std::thread::spawn(move || run(&folder, &format!("synth {name} --excerpts")).status)
    });
    assert_eq!(twice.map(|run| run.join().expect("ran")), [0, 0]);
    let names = |name: &str| -> Vec<std::ffi::OsString> {
        let entries = std::fs::read_dir(folder.join(name)).expect("a folder");
        let mut names: Vec<_> = entries.map(|entry| entry.expect("an entry").file_name()).collect();
        names.sort();
        names
    };
    assert_eq!(names("a"), names("b"));
    assert_eq!(names("a").len(), 14, "all of demo-logs but its README");
    for name in names("a") {
        let bytes = |of: &str| std::fs::read(folder.join(of).join(&name)).expect("a file");
        assert!(bytes("a") == bytes("b"), "{name:?} differs");
        assert!(bytes("a") == demo_bytes(name.to_str().expect("UTF-8")), "{name:?} is not the committed one");
    }
}

#[test]
fn many_files_give_a_line_each_as_alone_and_what_was_stopped_goes_on() {
    let folder = folder("lines");
    let line = "analyse @evening-one-excerpt.wav @evening-two-excerpt.wav @strangers.csv --sheet \
                @alder-valley.sheet.json --band 5246 6557 --window 8 50 --no-search --lines all.jsonl";
    assert_eq!(run(&folder, line).status, 0);
    let all = folder.join("all.jsonl");
    let written = std::fs::read_to_string(&all).unwrap();
    let by_path = |text: &str| -> std::collections::BTreeMap<String, Value> {
        let lines = text.lines().map(|line| serde_json::from_str::<Value>(line).expect("each line is JSON"));
        lines.map(|line| (line["path"].as_str().unwrap().to_owned(), line)).collect()
    };
    let first = by_path(&written);
    assert_eq!((written.lines().count(), first.len()), (3, 3));

    let alone = "analyse @evening-two-excerpt.wav --sheet @alder-valley.sheet.json --band 5246 6557 --window 8 50 \
                 --no-search --json alone.json";
    assert_eq!(run(&folder, alone).status, 0);
    let alone = json(&folder.join("alone.json"));
    let same = &first.iter().find(|(path, _)| path.ends_with("evening-two-excerpt.wav")).expect("its line").1;
    for key in ["files", "sensors", "speed", "events", "band", "window", "limits", "floor", "findings"] {
        assert_eq!(same[key], alone[key], "{key}");
    }
    assert!(alone["search"].is_null() && !array(&alone, "limits").is_empty());

    // Stopped in the middle of the last line: only its file is done again. Asked in another way, all are.
    std::fs::write(&all, &written[..written.len() - 100]).unwrap();
    assert_eq!(run(&folder, line).status, 0);
    let again = std::fs::read_to_string(&all).unwrap();
    let kept = written.trim_end().rfind('\n').expect("three lines");
    assert_eq!((&again[..kept], again.lines().count()), (&written[..kept], 3));
    assert_eq!(by_path(&again), first);
    assert_eq!(run(&folder, &line.replace("8 50", "8 45")).status, 0);
    assert_eq!(std::fs::read_to_string(&all).unwrap().lines().count(), 6);

    std::fs::write(folder.join("broken.wav"), &demo_bytes("evening-one-excerpt.wav")[..30]).unwrap();
    let ended = run(&folder, "analyse broken.wav --lines broken.jsonl");
    assert!(ended.status == 3 && ended.err.contains("broken.wav"), "{}", ended.err);
}
