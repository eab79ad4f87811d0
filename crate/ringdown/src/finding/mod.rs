//! Judgement as data: kinds with their figures, no prose.

pub mod logged;
pub mod sensors;
