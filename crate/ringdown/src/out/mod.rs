//! What leaves: words, tables, the fixed JSON, figures.

pub mod channels;
pub mod chart;
pub mod figure;
mod heard;
pub mod measured;
pub mod result;
mod searched;
pub mod section;
pub mod speech;
pub mod table;
pub mod view;
pub mod words;
