//! Features: numbers per combustion event, per sensor, per log sample.

pub mod causal;
pub mod cause;
pub mod control;
pub mod cycle_map;
pub mod drive;
pub mod grid;
pub mod heard;
pub mod level;
pub mod logged;
pub mod modes;
pub mod orders;
pub mod response;
pub mod seen;
pub mod sensor;
pub mod stretch;
pub mod upset;
