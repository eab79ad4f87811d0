//! check: what a card keeps of files that were taken out again | the allocator's own count (crate `stats_alloc`), bytes | none
//!
//! A browser's module never gives memory back, so its size says little; what is still held is counted here instead.

use ringdown::card::{Card, Input};
use stats_alloc::{INSTRUMENTED_SYSTEM, StatsAlloc};
use std::alloc::System;
use std::path::Path;

#[global_allocator]
static HEAP: &StatsAlloc<System> = &INSTRUMENTED_SYSTEM;

/// Bytes asked for and not given back.
fn held() -> usize {
    let all = HEAP.stats();
    // a list that grows or shrinks in place is counted as what it gained or lost
    all.bytes_allocated - all.bytes_deallocated
}

fn demo(name: &str) -> Vec<u8> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("..").join("demo-logs").join(name);
    std::fs::read(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// Adds both files, works to the end, looks at all that is said, and takes them out again where `is_removed`.
fn round(card: &mut Card, files: &[(&str, Vec<u8>)], is_removed: bool) {
    let ids: Vec<_> = files
        .iter()
        .map(|(name, bytes)| card.add(Input::from_bytes(*name, bytes.clone()), None).expect("the demo is read"))
        .collect();
    while !card.step().progress.done {}
    for number in 1..=11 {
        drop(ringdown::out::section::view(card, number));
    }
    for id in ids.into_iter().filter(|_| is_removed) {
        card.remove(id);
    }
    while !card.step().progress.done {}
}

#[test]
fn files_taken_out_leave_nothing_behind() {
    let files = ["strangers-excerpt.wav", "strangers.csv", "alder-valley.sheet.json"].map(|name| (name, demo(name)));
    let mut card = Card::default();
    for _ in 0..3 {
        round(&mut card, &files, true); // texts read once, and rooms of lists
    }
    let before = held();
    for _ in 0..20 {
        round(&mut card, &files, true);
    }
    assert_eq!(held(), before, "twenty rounds later");
    // that the count can see a file: one round that takes nothing out
    round(&mut card, &files[..2], false);
    let bytes: usize = files[..2].iter().map(|(_, bytes)| bytes.len()).sum();
    assert!(held() > before + bytes, "{} bytes for files of {bytes}", held() - before);
}
