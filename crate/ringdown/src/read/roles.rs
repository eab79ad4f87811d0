//! Channel roles of a log, scored from name, unit and range together, with the reason.

use serde::{Deserialize, Serialize};

/// What a channel of a recording or a column of a log is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum Role {
    Sensor,
    Wheel,
    Cam,
    Pulse,
    Time,
    Speed,
    Load,
    Throttle,
    Ignition,
    Correction,
    Level,
    Background,
    LoggedLimit,
    KnockFlag,
    Cut,
    Fuel,
    Coolant,
    Air,
    Mixture,
    Gear,
    Other,
}
