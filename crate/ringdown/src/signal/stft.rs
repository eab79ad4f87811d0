//! Spectrograms: power over time and frequency in dB re a full-scale sine.
//!
//! Scaling: a sine of amplitude 1 in the middle of a bin reads 0 dB there (half-way between bins the taper's scalloping
//! less), a constant 1 reads 0 dB in bin 0. This is 3.01 dB above the mean square ([`crate::units::decibels`]), which is
//! the scale of event levels. Transforms run in f32: noise of rounding lies near -140 dB re the loudest bin.

use super::extreme::higher;
use super::fourier::Fourier;
use super::level::quick_db_in_place;
use super::segments::Segments;
use super::taper::Taper;

/// Power spectra of single segments: planned once, no allocation per segment.
pub struct Stft {
    fourier: Fourier<f32>,
    /// Taper times the scale that makes a full-scale sine 1.
    weights: Vec<f32>,
}

impl Stft {
    /// For segments of `taper.len()` samples.
    pub fn new(taper: &Taper) -> Self {
        let scale = 2.0 / taper.sum();
        let weights = taper.weights().iter().map(|weight| (weight * scale) as f32).collect();
        Self { fourier: Fourier::new(taper.len()), weights }
    }

    /// Samples of a segment.
    pub fn segment_len(&self) -> usize {
        self.weights.len()
    }

    /// Bins of a segment: `segment_len() / 2 + 1`.
    pub fn bins(&self) -> usize {
        self.fourier.bins()
    }

    /// Power of each bin of one segment, a full-scale sine = 1. A shorter segment is filled up with zeros, samples past
    /// `segment_len()` are left out, as are values past the shorter of `out` and [`Stft::bins`].
    pub fn power(&mut self, segment: &[f32], out: &mut [f32]) {
        for (into, bin) in out.iter_mut().zip(self.fourier.run(segment, &self.weights)) {
            *into = bin.norm_sqr();
        }
        self.halve_single_bins(out);
    }

    /// Bin 0 and that at half the sampling rate stand for one frequency, not for a pair: half the amplitude.
    fn halve_single_bins(&self, out: &mut [f32]) {
        let last = self.bins() - 1;
        let singles = if self.segment_len().is_multiple_of(2) { &[0, last][..] } else { &[0][..] };
        for bin in singles {
            if let Some(power) = out.get_mut(*bin) {
                *power *= 0.25;
            }
        }
    }

    /// Levels of all whole segments of `samples`, `hop` apart, segment after segment ([`Stft::bins`] values each), dB.
    /// Fills as many whole segments as `out` holds and returns how many.
    pub fn levels_db(&mut self, samples: &[f32], hop: usize, out: &mut [f32]) -> usize {
        let (len, bins) = (self.segment_len(), self.bins());
        let mut count = 0;
        for (segment, into) in samples.windows(len).step_by(hop.max(1)).zip(out.chunks_exact_mut(bins)) {
            self.power(segment, into);
            quick_db_in_place(into);
            count += 1;
        }
        count
    }
}

/// How the segments and bins that fall into one cell are put together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hold {
    /// Mean power.
    Mean,
    /// Largest power: a short ring stays visible however far one zooms out.
    Peak,
}

/// What a spectrogram shows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct View {
    /// First sample shown.
    pub from: u64,
    /// The sample after the last one.
    pub to: u64,
    /// Lowest frequency, Hz.
    pub low_hz: f64,
    /// Highest frequency, Hz.
    pub high_hz: f64,
    /// At most so many columns (time).
    pub columns: usize,
    /// At most so many rows (frequency).
    pub rows: usize,
    /// How cells are made.
    pub hold: Hold,
}

impl View {
    /// Samples shown.
    pub fn samples(&self) -> u64 {
        self.to.saturating_sub(self.from)
    }

    /// Samples between segment starts that fill every column, overlapping by half at least.
    pub fn hop(&self, segment_len: usize) -> usize {
        let width = self.samples() / self.columns.max(1) as u64;
        width.clamp(1, (segment_len as u64 / 2).max(1)) as usize
    }
}

/// A spectrogram of at most `columns` x `rows` cells, built from samples as they come.
///
/// The memory is that of the cells, whatever the length of the recording. A segment belongs to the column that holds its
/// middle sample.
pub struct Spectrogram {
    stft: Stft,
    view: View,
    segments: Segments,
    /// Sample number after the last one pushed.
    next: u64,
    power: Vec<f32>,
    /// First bin, then the bin after the last of each row.
    edges: Vec<usize>,
    bin_hz: f64,
    columns: usize,
    cells: Vec<f32>,
    counts: Vec<u32>,
}

/// No picture is larger than this in either direction.
const MOST_CELLS: usize = 8192;

impl Spectrogram {
    /// `hop`: samples between segment starts, taken into `1..=taper.len()`; [`View::hop`] proposes one. Fewer columns
    /// result where the segments are fewer, fewer rows where the bins are; at least one each.
    pub fn new(sample_rate_hz: f64, taper: &Taper, hop: usize, view: View) -> Self {
        let stft = Stft::new(taper);
        let (len, bins, hop) = (taper.len(), stft.bins(), hop.clamp(1, taper.len()));
        let bin_hz = sample_rate_hz / len as f64;
        let edges = row_edges(&view, bin_hz, bins);
        // No column narrower than the hop, so that each holds the middle of at least one segment.
        let segments = (view.samples() / hop as u64).max(1);
        let columns = (view.columns.clamp(1, MOST_CELLS) as u64).min(segments) as usize;
        Self {
            cells: vec![0.0; columns * (edges.len() - 1)],
            counts: vec![0; columns],
            power: vec![0.0; bins],
            segments: Segments::new(len, hop),
            next: 0,
            stft,
            view,
            edges,
            bin_hz,
            columns,
        }
    }

    /// Adds samples, the first of which is sample number `at`. Slices may have any size; where one does not follow on the
    /// last, its first segment starts anew. Segments whose middle lies outside the view are skipped: hand in half a segment
    /// before and after the view, or its first and last columns stay empty.
    pub fn push(&mut self, at: u64, mut samples: &[f32]) {
        if at != self.next {
            self.segments.clear();
        }
        self.next = at;
        while !samples.is_empty() {
            let later = self.segments.fill(samples);
            self.next = self.next.saturating_add((samples.len() - later.len()) as u64);
            samples = later;
            self.add_complete();
        }
    }

    fn add_complete(&mut self) {
        let Some(segment) = self.segments.complete() else { return };
        let middle = self.next.saturating_sub(segment.len().div_ceil(2) as u64);
        if (self.view.from..self.view.to).contains(&middle) {
            self.stft.power(segment, &mut self.power);
            self.add_power(middle - self.view.from);
        }
        self.segments.advance();
    }

    fn add_power(&mut self, sample: u64) {
        let column = u128::from(sample) * self.columns as u128 / u128::from(self.view.samples());
        let (column, rows) = (column as usize, self.rows());
        let cells = &mut self.cells[column * rows..][..rows];
        for (cell, edge) in cells.iter_mut().zip(self.edges.windows(2)) {
            let bins = &self.power[edge[0]..edge[1]];
            match self.view.hold {
                Hold::Mean => *cell += bins.iter().sum::<f32>() / bins.len() as f32,
                Hold::Peak => *cell = bins.iter().fold(*cell, |most, power| higher(*power, most)),
            }
        }
        self.counts[column] += 1;
    }

    /// Columns (time).
    pub fn columns(&self) -> usize {
        self.columns
    }

    /// Rows (frequency).
    pub fn rows(&self) -> usize {
        self.edges.len() - 1
    }

    /// Lower edge of the lowest and upper edge of the highest row, Hz; each row holds whole bins.
    pub fn range_hz(&self) -> [f64; 2] {
        let [first, last] = [self.edges[0], self.edges[self.rows()]];
        [(first as f64 - 0.5) * self.bin_hz, (last as f64 - 0.5) * self.bin_hz]
    }

    /// Lower edges of the rows and the upper edge of the last, Hz: `rows() + 1` values.
    pub fn row_edges_hz(&self) -> Vec<f64> {
        self.edges.iter().map(|edge| (*edge as f64 - 0.5) * self.bin_hz).collect()
    }

    /// Levels into `out` (resized to columns x rows), column after column, lowest row first, dB re a full-scale sine.
    /// Columns no segment fell into are NaN: missing, not silent.
    pub fn levels_db(&self, out: &mut Vec<f32>) {
        let rows = self.rows();
        out.clear();
        out.extend_from_slice(&self.cells);
        for (column, count) in out.chunks_exact_mut(rows).zip(&self.counts) {
            if self.view.hold == Hold::Mean {
                column.iter_mut().for_each(|cell| *cell /= *count as f32);
            }
            quick_db_in_place(column);
            if *count == 0 {
                column.fill(f32::NAN);
            }
        }
    }
}

/// Spreads the bins within the view's frequencies evenly over the rows, at least one bin a row.
fn row_edges(view: &View, bin_hz: f64, bins: usize) -> Vec<usize> {
    let bin = |hz: f64| ((hz / bin_hz).max(0.0) as usize).min(bins - 1);
    let first = bin(view.low_hz + 0.5 * bin_hz);
    let after = bin(view.high_hz + 0.5 * bin_hz).max(first) + 1;
    let rows = view.rows.clamp(1, MOST_CELLS).min(after - first);
    (0..=rows).map(|row| first + (after - first) * row / rows).collect()
}
