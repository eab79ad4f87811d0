//! Features: numbers per combustion event, per sensor, per log sample.

pub mod modes;
pub mod sensor;
