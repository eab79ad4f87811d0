//! Pulses of a cam or an ignition trigger: times of one edge, noise before the first left out.

use super::edges::{EdgeFinder, RawEdge};
use crate::read::sheet::Edge;

/// Edges a second beyond which no camshaft turns and no cylinder fires.
const MOST_PER_S: f64 = 250.0;

/// Finds the edges of one direction of a channel that holds a pulse or two a cycle: a cam's, an ignition trigger's.
pub struct Pulses {
    finder: EdgeFinder,
    found: Vec<RawEdge>,
    edges: PulseEdges,
    /// Swing at each edge.
    swings: Vec<f32>,
    rising: bool,
    sample_rate_hz: f64,
}

/// Times of the edge.
pub struct PulseEdges {
    /// Seconds, rising.
    pub edges_s: Vec<f64>,
    /// The angle handed in, passed on.
    pub deg_btdc: Option<f64>,
    /// Far more edges than an engine gives.
    pub noise: bool,
}

impl Pulses {
    /// `edge`: rising where not told.
    pub fn new(edge: Option<Edge>, deg_btdc: Option<f64>, sample_rate_hz: f64) -> Self {
        Self {
            finder: EdgeFinder::for_pulses(sample_rate_hz),
            found: Vec::new(),
            edges: PulseEdges { edges_s: Vec::new(), deg_btdc, noise: false },
            swings: Vec::new(),
            rising: edge != Some(Edge::Falling),
            sample_rate_hz,
        }
    }

    /// The next samples.
    pub fn push(&mut self, samples: &[f32]) {
        let mut found = std::mem::take(&mut self.found);
        for part in samples.chunks(1 << 16) {
            self.finder.push(part, &mut found);
            found.drain(..).for_each(|edge| self.take(edge));
        }
        self.found = found;
    }

    fn take(&mut self, edge: RawEdge) {
        if edge.rising != self.rising || self.edges.noise {
            return;
        }
        let t_s = edge.at / self.sample_rate_hz;
        self.edges.edges_s.push(t_s);
        self.swings.push(edge.swing);
        if self.edges.edges_s.len() as f64 > 1000.0 + MOST_PER_S * t_s {
            self.edges.noise = true;
            (self.edges.edges_s, self.swings) = (Vec::new(), Vec::new());
        }
    }

    /// Ends the channel.
    pub fn finish(mut self) -> PulseEdges {
        let mut found = Vec::new();
        self.finder.finish(&mut found);
        found.drain(..).for_each(|edge| self.take(edge));
        self.edges.edges_s = pulses(&self.edges.edges_s, &self.swings);
        self.edges
    }
}

/// Leaves out the noise that was taken for edges before the first pulse came: its swing is small beside what follows.
fn pulses(edges_s: &[f64], swings: &[f32]) -> Vec<f64> {
    /// A slow idle's cam comes every 0.3 s.
    const AHEAD_S: f64 = 0.4;
    /// Noise is smaller than this share of a pulse.
    const SMALL: f32 = 0.3;
    let mut kept = Vec::new();
    let mut coming = std::collections::VecDeque::new();
    let mut next = 0;
    for (index, &t_s) in edges_s.iter().enumerate() {
        while let Some(&later_s) = edges_s.get(next).filter(|later_s| **later_s <= t_s + AHEAD_S) {
            // Falling maxima: what is followed by something larger can never be the largest again.
            while coming.back().is_some_and(|&(_, swing)| swing <= swings[next]) {
                coming.pop_back();
            }
            coming.push_back((later_s, swings[next]));
            next += 1;
        }
        while coming.front().is_some_and(|&(at_s, _)| at_s < t_s) {
            coming.pop_front();
        }
        let largest = coming.front().map_or(0.0, |&(_, swing)| swing);
        if swings[index] >= SMALL * largest {
            kept.push(t_s);
        }
    }
    kept
}
