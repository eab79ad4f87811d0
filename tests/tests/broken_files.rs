//! Broken files, thousands of them, made from every valid file at hand: whatever comes, the card reads it or refuses it
//! with a sentence, never panics, never hangs, never takes memory that only a header's lie asks for.
//!
//! check: broken files of every kind | the valid files of `vectors/` and `demo-logs/`, broken by `src/breaking.rs` | no panic, none over 20 s, addresses under 1.5 GB
//!
//! Some hundreds by default; `RINGDOWN_LONG=1` breaks 6 000, and says how many were read and how many refused.

use outside_truth::breaking::{Draw, Whole, broken, whole_files};
use ringdown::card::{Card, FileRole, Input};
use ringdown::out::figure::draw::{Scheme, View, svg};
use ringdown::out::{chart, result, section, table};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::{Duration, Instant};

/// A machine under load is ten times slower than a free one; a loop that never ends is slower still.
const LONGEST: Duration = Duration::from_secs(20);
/// Slices of the shortest work on a file of a quarter of a megabyte.
const MOST_STEPS: usize = 20_000;
/// The test program itself, its threads and a card with a short recording.
const MOST_ADDRESSES_KB: u64 = 1_500_000;

fn is_long() -> bool {
    std::env::var_os("RINGDOWN_LONG").is_some()
}

/// Companions that let a broken sheet meet a recording and a broken recording a sheet.
struct Companions {
    sheet: Whole,
    recording: Whole,
    log: Whole,
}

impl Companions {
    fn of(files: &[Whole]) -> Self {
        let named = |name: &str| files.iter().find(|file| file.name == name).expect("the demo is there").clone();
        Self {
            sheet: named("alder-valley.sheet.json"),
            recording: named("evening-two-excerpt.wav"),
            log: named("evening-two.csv"),
        }
    }

    fn beside(&self, name: &str) -> Vec<&Whole> {
        if name.ends_with("sheet.json") {
            vec![&self.recording, &self.log]
        } else if name.ends_with(".json") {
            vec![&self.sheet, &self.recording]
        } else {
            vec![&self.sheet]
        }
    }
}

fn view(width: f64) -> View {
    let (scheme, pixel_ratio) = (Scheme::Paper, 1.0);
    View { width, height: 300.0, pixel_ratio, scheme, x: None, y: None, heat: None, pointer: None }
}

/// Everything the page does with a dropped file, to the last figure and table. Whether the file was read.
fn work_through(file: &Whole, beside: &[&Whole]) -> bool {
    let mut card = Card::default();
    let mut add = |file: &Whole, role| card.add(Input::from_bytes(file.name.clone(), file.bytes.clone()), role);
    let first = add(file, Some(FileRole::Knock));
    if let Err(error) = &first {
        let said = error.to_string();
        assert!(said.contains(&file.name) && !said.contains('\n') && said.len() > file.name.len() + 10, "{said:?}");
        assert!(said.len() < 600, "a sentence, not a page: {} bytes", said.len());
    }
    let read = first.is_ok();
    for other in beside {
        let _ = add(other, None);
    }
    let steps = (0..MOST_STEPS).find(|_| card.step().progress.done);
    assert!(steps.is_some(), "not done after {MOST_STEPS} steps");
    shown(&card);
    let saved = result::card(&card).to_string();
    let mut again = Card::default();
    again.add(Input::from_bytes("again.card.json", saved.into_bytes()), None).expect("a card as saved is read again");
    read
}

fn shown(card: &Card) {
    for number in 1..=11 {
        let view = section::view(card, number).expect("sections are numbered 1 to 11");
        assert!(!view.finding.is_empty());
        for figure in view.figures.iter().filter_map(|figure| chart::figure(card, &figure.id)) {
            let drawing = svg(&figure, &self::view(660.0));
            // a heat map's picture is base 64, in which any word may stand
            let drawn = drawing.split('"').filter(|part| !part.starts_with("data:"));
            assert!(drawn.into_iter().all(|part| part != "NaN" && part != "inf"), "{}", figure.id);
        }
    }
    assert!(result::result(card).is_object());
    let _ = table::limits_csv(card, table::Layout::default());
    let _ = section::summary_text(card);
    let heard: Vec<u32> = card.recordings().map(|(file, _)| file.id).collect();
    for id in heard {
        let _ = card.clip(id, 1, [0.0, 0.2], true, 2);
    }
}

fn peak_kb() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    status.lines().find_map(|line| line.strip_prefix("VmPeak:"))?.split_whitespace().next()?.parse().ok()
}

fn told(panic: &(dyn std::any::Any + Send)) -> String {
    let text = panic.downcast_ref::<String>().cloned();
    text.or_else(|| panic.downcast_ref::<&str>().map(|text| (*text).to_owned())).unwrap_or_default()
}

/// Keeps a file that broke something, to look at.
fn keep(file: &Whole) -> String {
    let folder = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join("broken");
    let path = folder.join(&file.name);
    let _ = std::fs::create_dir_all(&folder).and_then(|()| std::fs::write(&path, &file.bytes));
    path.display().to_string()
}

#[test]
fn no_broken_file_brings_the_card_down() {
    let files = whole_files();
    assert!(files.len() >= 60, "{} valid files", files.len());
    let beside = Companions::of(&files);
    let count = if is_long() { 6000 } else { 320 };
    let (mut read, mut faults) = (0, Vec::new());
    for number in 0..count {
        let mut draw = Draw::new(number as u64 + 1);
        // Small files are many and say little each: every other turn goes to the demo's and to logs.
        let whole = &files[draw.below(files.len())];
        let (bytes, how) = broken(&mut draw, &whole.bytes);
        let file = Whole { name: format!("{number}-{}", whole.name), bytes };
        let start = Instant::now();
        let outcome = catch_unwind(AssertUnwindSafe(|| work_through(&file, &beside.beside(&whole.name))));
        let late = start.elapsed() > LONGEST;
        match outcome {
            Ok(was_read) if !late => read += usize::from(was_read),
            Ok(_) => faults.push(format!("{}: {how}: took {:?}", keep(&file), start.elapsed())),
            Err(panic) => faults.push(format!("{}: {how}: {}", keep(&file), told(&*panic))),
        }
    }
    assert!(faults.is_empty(), "{} of {count}:\n{}", faults.len(), faults.join("\n"));
    assert!(read > count / 5 && read < count, "{read} of {count} read: broken neither too much nor too little");
    if let Some(peak_kb) = peak_kb() {
        assert!(peak_kb < MOST_ADDRESSES_KB, "{peak_kb} kB of addresses at the peak");
        outside_truth::achieved(
            "broken files of every kind",
            &format!("{count} files, no panic, {read} read in part, peak {} MB", peak_kb / 1000),
        );
        println!("{count} broken files, {read} read in part, {} refused, peak {} MB", count - read, peak_kb / 1000);
    }
}

#[test]
fn the_same_seed_breaks_the_same_way_and_another_differently() {
    let whole = b"sheet,1,2,3\n4,5,6\n".repeat(20);
    let of = |seed| broken(&mut Draw::new(seed), &whole).0;
    assert_eq!(of(7), of(7));
    assert!((1..50).filter(|seed| of(*seed) != whole).count() > 40);
}
