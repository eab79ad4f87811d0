//! Ringdown: from the bytes of a knock-sensor recording or a control-unit log to findings that can be acted on.
//!
//! Data flow one way: bytes -> readers -> signals -> crank events -> features -> statistics -> findings -> charts,
//! tables, report. This crate is pure: no browser, no clock, no printing, no files by name.

pub mod card;
pub mod crank;
pub mod error;
pub mod feature;
pub mod finding;
pub mod limit;
pub mod out;
pub mod progress;
pub mod read;
pub mod signal;
mod sparing;
pub mod stats;
pub mod synth;
pub mod units;
