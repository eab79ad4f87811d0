//! Limits for a stated false-alarm rate at a stated confidence.

use super::floor::{Floor, Observation};

/// What the user chose.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wanted {
    /// False alarms per observation, 1e-5..=1e-2.
    pub false_alarm: f64,
    /// Confidence, e.g. 0.95.
    pub confidence: f64,
}

/// How the limit was reached.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Law {
    /// Levels in dB are normal (log-normal powers): tolerance factor.
    Normal,
    /// A generalised-Pareto tail over a high level.
    ParetoTail,
    /// Order statistic of the pooled residuals.
    DistributionFree,
    /// Too few observations for any.
    NotEnough,
}

/// Limits of all groups.
#[derive(Debug, Clone)]
pub struct Limits {
    /// How.
    pub law: Law,
    /// Pooled standardised residuals used.
    pub residuals: usize,
    /// Anderson-Darling statistic (case 3, with Stephens' correction) of the pooled residuals and its p-value.
    pub anderson_darling: Option<(f64, f64)>,
}

/// Limit at one cell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LimitAt {
    /// Floor level there, if any.
    pub floor: Option<f64>,
    /// The limit; `None` where not enough.
    pub limit: Option<f64>,
    /// Observations carrying the cell.
    pub cycles: f64,
    /// How many more are needed.
    pub more_needed: u32,
}

impl Limits {
    /// Sets limits from safe observations over a learnt floor.
    pub fn learn(_floor: &Floor, _safe: &[Observation], _groups: usize, _wanted: Wanted) -> Limits {
        todo!("stats")
    }
    /// The limit at any speed.
    pub fn at(&self, _floor: &Floor, _group: u16, _rpm: f64) -> LimitAt {
        todo!("stats")
    }
}
