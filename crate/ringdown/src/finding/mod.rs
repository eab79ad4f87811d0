//! Judgement as data: kinds with their figures, no prose.

pub mod sensors;
