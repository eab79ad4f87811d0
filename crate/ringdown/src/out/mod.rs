//! What leaves: words, tables, the fixed JSON, figures.

pub mod figure;
pub mod view;
