#![no_main]

use libfuzzer_sys::fuzz_target;
use ringdown::read::Told;

fuzz_target!(|bytes: &[u8]| ringdown_fuzz::open(&ringdown_fuzz::headed(b"FORM", bytes), &Told::default()));
