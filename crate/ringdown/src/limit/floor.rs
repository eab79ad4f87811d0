//! The floor: robust, smooth level and spread of each group over speed.

/// One level to learn from or to judge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Observation {
    /// Index of the cylinder or sensor, from 0.
    pub group: u16,
    /// Speed, 1/min.
    pub rpm: f32,
    /// Level, dB (or the log's own unit, already made suitable for a symmetric law by the caller).
    pub level: f32,
    /// Seconds; only order and distance matter (serial correlation).
    pub t_s: f64,
}

/// Floor of all groups.
#[derive(Debug, Clone)]
pub struct Floor {}

/// Floor at one speed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FloorAt {
    /// Robust centre.
    pub level: f64,
    /// Robust standard deviation of single levels around it.
    pub spread: f64,
    /// Standard error of `level`.
    pub level_error: f64,
    /// Observations that carry this point (effective count of the local weighting).
    pub cycles: f64,
}

impl Floor {
    /// Learns from observations, up to 20 % of which may be knock.
    pub fn learn(_observations: &[Observation], _groups: usize) -> Floor {
        todo!("stats")
    }
    /// `None` where the group has too few observations near that speed.
    pub fn at(&self, _group: u16, _rpm: f64) -> Option<FloorAt> {
        todo!("stats")
    }
}
