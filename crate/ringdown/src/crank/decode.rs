//! From the samples of wheel and cam to a track and its events, slice by slice.

use super::{Event, Lost, Track};
use crate::read::sheet::Sheet;

/// What the crank reference of one recording gave.
#[derive(Debug, Clone, Default)]
pub struct Crank {
    /// Time <-> angle.
    pub track: Track,
    /// Every firing TDC inside the track, in order of time.
    pub events: Vec<Event>,
    /// Stretches without crank angle.
    pub lost: Vec<Lost>,
    /// What was noticed, for findings.
    pub notes: Vec<Note>,
    /// Edges used, missing and extra, over the whole file.
    pub edges: EdgeCount,
}

/// Edge counts.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
#[allow(missing_docs)]
pub struct EdgeCount {
    pub used: u64,
    pub missing: u64,
    pub extra: u64,
}

/// What the decoder noticed.
#[derive(Debug, Clone, PartialEq)]
pub enum Note {
    /// The signal stands upside down against the sheet's edge; the other edge was used.
    Inverted,
    /// The sheet's edge splits the gap; the other edge was used.
    OtherEdge,
    /// The wheel's position is not known: angles are relative to the first tooth after the gap.
    OffsetUnknown,
    /// No cam: which turn is not known, cylinders come in pairs.
    NoCam,
    /// The cam signal contradicts itself for this share of cycles.
    CamUnsteady {
        /// Share, 0..1.
        share: f64,
    },
    /// The cam channel holds no pulse.
    CamDead,
    /// The channel named by the sheet is not in the recording.
    NoChannel {
        /// From 1.
        channel: u16,
    },
    /// The wheel channel fits another pattern than the sheet's: teeth and missing of the best fit.
    LooksLike {
        /// Teeth with the missing ones.
        teeth: u16,
        /// Missing.
        missing: u16,
    },
}

/// Streaming decoder; memory grows with turns, not with samples.
pub struct Decoder {}

impl Decoder {
    /// `None` when the sheet names no usable reference.
    pub fn new(_sheet: &Sheet, _sample_rate_hz: f64, _channels: usize) -> Option<Decoder> {
        todo!("crank")
    }
    /// Channels (from 1) whose samples [`Decoder::push`] wants: wheel or pulse, then cam if any.
    pub fn channels(&self) -> Vec<u16> {
        todo!("crank")
    }
    /// The next slice of every wanted channel, in the order of [`Decoder::channels`].
    pub fn push(&mut self, _planes: &[&[f32]]) {
        todo!("crank")
    }
    /// Ends the signal.
    pub fn finish(self) -> Crank {
        todo!("crank")
    }
}
