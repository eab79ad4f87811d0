//! Features: numbers per combustion event, per sensor, per log sample.

pub mod control;
pub mod level;
pub mod logged;
pub mod modes;
pub mod sensor;
