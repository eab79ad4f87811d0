//! Statistics that know no engine.
//!
//! Slices of `f64` in, plain values out. Functions that can't answer (too few values, all alike) return `None`;
//! the caller drops non-finite values at its own door, and each function says what it does with those left.

pub mod bootstrap;
pub mod isotonic;
pub mod moments;
pub mod normal;
pub mod order;
pub mod rate;
pub mod robust;
pub mod roc;
pub mod serial;
pub mod smooth;
pub mod special;
pub mod tail;
pub mod tolerance;
