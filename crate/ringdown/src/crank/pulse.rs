//! Pulses of a cam or an ignition trigger: times of their edges, noise before the first left out.

use super::edges::{EdgeFinder, RawEdge};
use crate::read::sheet::Edge;

/// Edges a second beyond which no camshaft turns and no cylinder fires.
const MOST_PER_S: f64 = 250.0;

/// Finds the edges of a channel that holds a pulse or two a cycle: a cam's, an ignition trigger's.
pub struct Pulses {
    finder: EdgeFinder,
    rising: Option<Row>,
    falling: Option<Row>,
    sample_rate_hz: f64,
}

/// Edges of one direction.
#[derive(Default)]
struct Row {
    edges_s: Vec<f64>,
    /// Swing at each.
    swings: Vec<f32>,
    noise: bool,
}

/// Times of the edges of one direction.
#[derive(Default)]
pub struct PulseEdges {
    /// Seconds, rising.
    pub edges_s: Vec<f64>,
    /// Far more edges than an engine gives.
    pub noise: bool,
}

impl Pulses {
    /// For one direction.
    pub fn of(edge: Edge, sample_rate_hz: f64) -> Self {
        let row = |wanted: Edge| (wanted == edge).then(Row::default);
        let (rising, falling) = (row(Edge::Rising), row(Edge::Falling));
        Self { finder: EdgeFinder::for_pulses(sample_rate_hz), rising, falling, sample_rate_hz }
    }

    /// For both.
    pub fn both(sample_rate_hz: f64) -> Self {
        let row = || Some(Row::default());
        Self { rising: row(), falling: row(), ..Self::of(Edge::Rising, sample_rate_hz) }
    }

    /// The next samples.
    pub fn push(&mut self, samples: &[f32]) {
        let found = self.finder.push(samples);
        found.into_iter().for_each(|edge| self.take(edge));
    }

    fn take(&mut self, edge: RawEdge) {
        if let Some(row) = if edge.rising { &mut self.rising } else { &mut self.falling } {
            row.take(edge.at / self.sample_rate_hz, edge.swing);
        }
    }

    /// Ends the channel: rising and falling edges, none of a direction that was not asked for.
    pub fn finish(mut self) -> [PulseEdges; 2] {
        let found = self.finder.finish();
        found.into_iter().for_each(|edge| self.take(edge));
        [self.rising, self.falling].map(|row| row.map(Row::finish).unwrap_or_default())
    }
}

impl Row {
    fn take(&mut self, t_s: f64, swing: f32) {
        if self.noise {
            return;
        }
        self.edges_s.push(t_s);
        self.swings.push(swing);
        if self.edges_s.len() as f64 > 1000.0 + MOST_PER_S * t_s {
            *self = Row { noise: true, ..Row::default() };
        }
    }

    fn finish(self) -> PulseEdges {
        PulseEdges { edges_s: pulses(&self.edges_s, &self.swings), noise: self.noise }
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
