//! Firing TDC of each cylinder.

/// One combustion event.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Event {
    /// Firing TDC, seconds from the file's start.
    pub t_s: f64,
    /// Crank degrees of the track at TDC.
    pub deg: f64,
    /// Index of the segment in the track.
    pub segment: u32,
    /// Cylinder, from 1; `None` until the turn is known.
    pub cylinder: Option<u16>,
    /// The two candidates where the turn is not known.
    pub pair: Option<[u16; 2]>,
    /// Speed around TDC, 1/min.
    pub rpm: f32,
    /// Rate of change of speed, 1/min per second.
    pub rpm_per_s: f32,
}
