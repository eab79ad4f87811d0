#![no_main]

use libfuzzer_sys::fuzz_target;
use ringdown::read::Told;
use ringdown::read::raw::{RawForm, RawWord};

// The first two bytes choose the form.
fuzz_target!(|bytes: &[u8]| {
    let [word, channels, rest @ ..] = bytes else { return };
    let word = RawWord::ALL[usize::from(*word) % RawWord::ALL.len()];
    let form = RawForm { sample_rate_hz: 48_000.0, channels: u16::from(*channels), word, skip: u64::from(*channels / 2) };
    ringdown_fuzz::open(rest, &Told { raw: Some(form), ..Told::default() });
});
