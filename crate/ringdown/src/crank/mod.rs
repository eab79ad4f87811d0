//! Crank events: which cylinder fired when, and where that is not known.

pub mod blind;
mod burst;
mod clip;
mod cycle;
pub mod decode;
pub mod edges;
pub mod events;
mod ignition;
mod knots;
mod lock;
pub mod offset;
mod pace;
pub mod pattern;
mod pulse;
pub mod recognise;
mod ripple;
mod search;
pub mod track;
pub mod turn;

pub use decode::{Crank, Decoder, Source};
pub use events::Event;
pub use track::Track;

/// A stretch without crank angle.
#[derive(Debug, Clone, PartialEq)]
pub struct Lost {
    /// Start, seconds from the file's start.
    pub from_s: f64,
    /// End.
    pub to_s: f64,
    /// Why.
    pub reason: LostReason,
}

/// Why a stretch has no crank angle.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum LostReason {
    /// No edges: engine stopped, or reference unplugged.
    NoEdges,
    /// Edges that do not fit the wheel of the sheet.
    PatternBroken,
    /// Before the first gap or pulse.
    NotYetSynchronised,
    /// The signal looks like no wheel at all.
    NotAWheel,
    /// No crank signal, and nothing in the sensors repeats as an engine does.
    NoPattern,
    /// No crank signal, and another speed explains the sensors as well.
    Ambiguous,
}
