//! The demo data: the same every time, and true to the story it tells.

use ringdown::synth::{Demo, DemoFile, Evening};
use serde_json::Value;

fn named<'a>(files: &'a [DemoFile], ending: &str) -> &'a [u8] {
    let file = files.iter().find(|file| file.name.ends_with(ending));
    &file.unwrap_or_else(|| panic!("no {ending}")).bytes
}

fn json(files: &[DemoFile], ending: &str) -> Value {
    serde_json::from_slice(named(files, ending)).unwrap_or_else(|error| panic!("{ending}: {error}"))
}

/// One channel (from 0) of 16-bit PCM behind a 44-byte header.
fn channel(wav: &[u8], channels: usize, channel: usize) -> Vec<f64> {
    let frames = wav[44..].chunks_exact(2 * channels);
    frames.map(|f| f64::from(i16::from_le_bytes([f[2 * channel], f[2 * channel + 1]])) / 32_768.0).collect()
}

fn events(truth: &Value) -> Vec<(f64, u64, bool)> {
    let events = truth["events"].as_array().expect("events");
    let event =
        |e: &Value| (e["t_s"].as_f64().unwrap(), e["cylinder"].as_u64().unwrap(), e["knock"].as_bool().unwrap());
    events.iter().map(event).collect()
}

#[test]
fn an_excerpt_is_a_piece_of_its_evening_and_both_come_out_the_same_twice() {
    let whole = Demo::new(Evening::One).finish();
    assert_eq!(whole, Demo::new(Evening::One).finish());
    let excerpt = Demo::excerpt(Evening::One).finish();
    let (wav, piece) = (named(&whole, ".wav"), named(&excerpt, ".wav"));
    assert!(piece.len() < 3_200_000 && wav.windows(8).len() > piece.len());
    let first = &piece[44..44 + 4096];
    let at = (44..wav.len() - 4096).step_by(8).find(|&at| &wav[at..at + 4096] == first).expect("inside");
    assert_eq!(&piece[44..], &wav[at..at + piece.len() - 44]);
    assert_eq!(named(&whole, ".csv"), named(&excerpt, ".csv"));
    // The truth is moved by the same time.
    let moved_s = (at - 44) as f64 / 8.0 / 48_000.0;
    let (long, short) = (events(&json(&whole, ".truth.json")), events(&json(&excerpt, ".truth.json")));
    let start = long.iter().position(|event| event.0 >= moved_s).expect("events inside");
    for (a, b) in long[start..].iter().zip(&short) {
        assert!((a.0 - moved_s - b.0).abs() < 2e-7 && a.1 == b.1 && a.2 == b.2, "{a:?} {b:?}");
    }
}

/// The sheet puts the first tooth after the gap 84 degrees, that is 14 tooth pitches, before cylinder 1's firing TDC.
#[test]
fn true_tdc_lies_14_teeth_after_the_gap() {
    let files = Demo::excerpt(Evening::Two).finish();
    let wheel = channel(named(&files, ".wav"), 4, 2);
    let middle = 0.33;
    let mut edges_s = Vec::new();
    for (k, pair) in wheel.windows(2).enumerate() {
        if pair[0] < middle && pair[1] >= middle {
            edges_s.push((k as f64 + (middle - pair[0]) / (pair[1] - pair[0])) / 48_000.0);
        }
    }
    let after_gap = |k: &usize| {
        let (before, gap) = (edges_s[k - 1] - edges_s[k - 2], edges_s[*k] - edges_s[k - 1]);
        gap > 2.2 * before
    };
    let turns: Vec<f64> = (2..edges_s.len() - 14).filter(after_gap).map(|k| edges_s[k + 14]).collect();
    let truth = events(&json(&files, ".truth.json"));
    let tdcs: Vec<f64> = truth.iter().filter(|e| e.1 == 1 && e.0 > 0.3 && e.0 < 7.6).map(|e| e.0).collect();
    assert!(tdcs.len() > 150, "{}", tdcs.len());
    for tdc in tdcs {
        let error_s = turns.iter().map(|t| (t - tdc).abs()).fold(f64::INFINITY, f64::min);
        // A tenth of a sample: 0.08 degrees at 6400 rpm.
        assert!(error_s < 2.1e-6, "{tdc}: {error_s}");
    }
}

#[test]
fn the_sweep_knocks_more_with_each_step_and_the_safe_evening_never() {
    let safe = Demo::new(Evening::Two).finish();
    assert!(events(&json(&safe, ".truth.json")).iter().all(|event| !event.2));
    let files = Demo::new(Evening::Three).finish();
    let truth = json(&files, ".truth.json");
    let events = events(&truth);
    let share = |pull: &Value| {
        let (from, to) = (pull["from_s"].as_f64().unwrap(), pull["to_s"].as_f64().unwrap());
        let inside: Vec<_> = events.iter().filter(|e| from <= e.0 && e.0 < to).collect();
        inside.iter().filter(|e| e.2).count() as f64 / inside.len() as f64
    };
    let sweep = truth["pulls"].as_array().expect("pulls").iter().filter(|pull| pull["corrected"] == false);
    let shares: Vec<f64> = sweep.map(share).collect();
    assert!(shares.len() == 6 && shares[0] == 0.0, "{shares:?}");
    assert!(shares.is_sorted() && (0.12..0.25).contains(&shares[5]), "{shares:?}");
    let labels = json(&files, ".card.json")["labels"].as_array().expect("labels").len();
    assert!((150..=250).contains(&labels), "{labels}");
    let errors = truth["label_errors"].as_array().expect("errors").len();
    assert!((2..=6).contains(&errors), "{errors}");
}

#[test]
fn nothing_clips_and_no_sensor_is_silent() {
    for evening in Evening::ALL {
        let files = Demo::excerpt(evening).finish();
        let wav = named(&files, ".wav");
        let channels = usize::from(wav[22]);
        let sensors = if evening == Evening::Stranger { 1 } else { 2 };
        for k in 0..sensors {
            let peak = channel(wav, channels, k).into_iter().map(f64::abs).fold(0.0, f64::max);
            assert!((0.03..0.98).contains(&peak), "{evening:?} sensor {}: {peak}", k + 1);
        }
    }
}

/// The committed folder, seen from this package.
fn demo_logs() -> std::path::PathBuf {
    std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../demo-logs")
}

#[test]
fn the_committed_demo_logs_are_what_the_generator_makes() {
    let made = ringdown::synth::demo_logs();
    let mut names: Vec<String> = made.iter().map(|file| file.name.clone()).collect();
    for file in &made {
        let committed = std::fs::read(demo_logs().join(&file.name)).unwrap_or_default();
        assert!(committed == file.bytes, "{} differs: make it again and read its story again", file.name);
    }
    names.push("README.md".to_owned());
    names.sort();
    let mut present: Vec<String> = std::fs::read_dir(demo_logs())
        .expect("demo-logs")
        .map(|entry| entry.expect("entry").file_name().to_string_lossy().into_owned())
        .collect();
    present.sort();
    assert_eq!(present, names);
    assert!(made.iter().map(|file| file.bytes.len()).sum::<usize>() < 20_000_000);
}

#[test]
fn the_readme_counts_what_the_truth_counts() {
    let readme = std::fs::read_to_string(demo_logs().join("README.md")).expect("README");
    for evening in Evening::ALL {
        let (whole, piece) = (Demo::new(evening).finish(), Demo::excerpt(evening).finish());
        let (whole, piece) = (json(&whole, ".truth.json"), json(&piece, ".truth.json"));
        let name = whole["file"].as_str().expect("file").trim_end_matches(".wav");
        let row = readme.lines().find(|line| line.starts_with(&format!("| {name} |"))).expect("row");
        let counts = format!(
            "| {} | {} | {} | {} |",
            whole["cylinders_fired"], whole["knocks"], piece["cylinders_fired"], piece["knocks"]
        );
        assert!(row.ends_with(&counts), "{row} should end with {counts}");
    }
}

/// The whole recordings and excerpts of the third evening are named in their cards by the digest of what was made.
#[test]
fn the_card_names_its_recording_by_digest() {
    use ringdown::read::Hasher;
    for files in [Demo::new(Evening::Three).finish(), Demo::excerpt(Evening::Three).finish()] {
        let wav = named(&files, ".wav");
        let mut hasher = Hasher::new();
        hasher.update(wav);
        let card = json(&files, ".card.json");
        assert_eq!(card["files"][0]["sha256"], hasher.finish());
        assert_eq!(card["files"][0]["bytes"], wav.len());
    }
}

#[test]
fn the_sheet_is_one_that_ringdown_reads_without_a_note() {
    let files = Demo::excerpt(Evening::One).finish();
    let loaded = ringdown::read::sheet::Sheet::parse("sheet", named(&files, ".sheet.json")).expect("a sheet");
    assert!(loaded.notes.is_empty(), "{:?}", loaded.notes);
    assert_eq!(loaded.value.firing(), Some(vec![(1, 0.0), (3, 180.0), (4, 360.0), (2, 540.0)]));
}
