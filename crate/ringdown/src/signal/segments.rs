//! Overlapping segments out of a stream.

/// Cuts a stream into segments of `len` samples, `hop` apart, whatever the sizes of the slices pushed.
#[derive(Debug, Clone)]
pub struct Segments {
    held: Vec<f32>,
    len: usize,
    hop: usize,
}

impl Segments {
    /// `len` of 0 counts as 1, `hop` is taken into `1..=len`.
    pub fn new(len: usize, hop: usize) -> Self {
        let len = len.max(1);
        Self { held: Vec::with_capacity(len), len, hop: hop.clamp(1, len) }
    }

    /// Adds samples and hands each segment that becomes complete to `each`. Non-finite samples count as 0.
    pub fn push(&mut self, mut samples: &[f32], mut each: impl FnMut(&[f32])) {
        while !samples.is_empty() {
            samples = self.fill(samples);
            if let Some(segment) = self.complete() {
                each(segment);
                self.advance();
            }
        }
    }

    /// Takes the start of `samples` until a segment is complete; returns what is left.
    pub fn fill<'a>(&mut self, samples: &'a [f32]) -> &'a [f32] {
        let (now, later) = samples.split_at(samples.len().min(self.len - self.held.len()));
        self.held.extend(now.iter().map(|x| if x.is_finite() { *x } else { 0.0 }));
        later
    }

    /// The segment, once it is complete; [`Segments::advance`] goes on to the next.
    pub fn complete(&self) -> Option<&[f32]> {
        (self.held.len() == self.len).then_some(&self.held[..])
    }

    /// Keeps the overlap with the next segment.
    pub fn advance(&mut self) {
        let step = self.hop.min(self.held.len());
        self.held.copy_within(step.., 0);
        self.held.truncate(self.held.len() - step);
    }

    /// Samples of the unfinished segment.
    pub fn held(&self) -> usize {
        self.held.len()
    }

    /// Samples between segment starts.
    pub fn hop(&self) -> usize {
        self.hop
    }

    /// Forgets the unfinished segment: after a gap.
    pub fn clear(&mut self) {
        self.held.clear();
    }
}
