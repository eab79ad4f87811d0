#![no_main]

use libfuzzer_sys::fuzz_target;
use ringdown::read::{card::CardFile, sheet::Sheet};

fuzz_target!(|bytes: &[u8]| {
    let _ = Sheet::parse("x", bytes);
    let _ = CardFile::parse("x", bytes);
});
