//! Work in steps: how much is done, and when to give way.

/// What a step of work reports.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Progress {
    /// Share done, 0..=1.
    pub share: f64,
    /// No more to do.
    pub done: bool,
}
