//! One pass over all cells of the grid: flat loops over events, a band's power built up bin by bin, a window's step by
//! step, so that each cell costs a few additions an event.

use super::background::{Background, Fitted, Place};
use super::common::{level_out, quiet_level};
use super::map::unpack;
use super::score::{FOLDS, Score, Tally, bin_of};
use super::{Band, Cell, FIRST_BIN, ROWS, Span, bands, spans};
use crate::signal::extreme::higher;
use crate::signal::level::quick_db;
use crate::stats::order::Arrange;

/// Speeds so far outside the background's still count as like, 1/min.
const REACH_RPM: f32 = 100.0;

/// What is measured of an event in a cell.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Measure {
    /// Power in band and window.
    Energy,
    /// Largest short-time power in the band within the window.
    Peak,
    /// Power over that of the reference window.
    Ratio,
}

/// One event to be told apart.
#[derive(Debug, Clone, Copy)]
pub struct Case<'a> {
    /// Index of cylinder or sensor.
    pub group: u16,
    /// Speed, 1/min.
    pub rpm: f32,
    /// Order in time over all recordings, s.
    pub t_s: f64,
    /// From provoked running.
    pub provoked: bool,
    /// Judged as knock by ear.
    pub knock: bool,
    /// Its packed map.
    pub map: &'a [u16],
    /// Bins of a row of the map.
    pub bins: usize,
}

/// Scores of all cells, worked out band by band.
pub struct Separator {
    measure: Measure,
    false_alarm: f64,
    after: usize,
    background: Background,
    /// Nothing is marked as safe: the provoked events' own quieter half is the background.
    mirrored: bool,
    safe: usize,
    /// Provoked events whose levels count, by place among them: all, or those judged as knock by ear.
    positives: Vec<u32>,
    /// Stretch of each background event.
    folds: Vec<u8>,
    places: Vec<Place>,
    /// Position in the caller's list of each event: background first, then provoked in the order of time.
    order: Vec<usize>,
    /// One per bin and row: stored power of each event.
    planes: Vec<Vec<u16>>,
    bands: Vec<Band>,
    spans: Vec<Span>,
    scores: Vec<Score>,
    next: usize,
    /// Cells worth a closer look, best first, and how many of them have had it.
    closer: Vec<usize>,
    looked: usize,
    /// How far the limit of each of them is moved, spreads, as those around it tell.
    moved: Vec<f32>,
    scratch: Scratch,
}

#[derive(Default)]
struct Scratch {
    /// One per row: power of each event in the band.
    band: Vec<Vec<f32>>,
    window: Vec<f32>,
    levels: Vec<f32>,
    rest: Vec<f32>,
    fitted: Fitted,
    tally: Tally,
}

impl Separator {
    /// From the cases, whose maps hold `bins` bins a row (further ones are left out). Provoked events at speeds safe
    /// running never reached are left out: nothing can be said of them. `None` with fewer than 60 events on a side.
    pub fn new(cases: &[Case], groups: usize, bins: usize, measure: Measure, false_alarm: f64) -> Option<Self> {
        let mirrored = cases.iter().filter(|case| !case.provoked).count() < FEWEST;
        let mut safe: Vec<usize> = (0..cases.len()).filter(|at| mirrored || !cases[*at].provoked).collect();
        safe.arrange(|a, b| {
            let (a, b) = (&cases[*a], &cases[*b]);
            a.group.cmp(&b.group).then(a.rpm.total_cmp(&b.rpm)).then(a.t_s.total_cmp(&b.t_s))
        });
        let events: Vec<(u16, f32)> = safe.iter().map(|at| (cases[*at].group, cases[*at].rpm)).collect();
        let background = Background::new(&events, groups);
        let place = |at: &usize| background.place(cases[*at].group, cases[*at].rpm, REACH_RPM);
        let mut provoked: Vec<usize> = (0..cases.len()).filter(|at| mirrored || cases[*at].provoked).collect();
        provoked.retain(|at| place(at).is_some());
        provoked.arrange(|a, b| cases[*a].t_s.total_cmp(&cases[*b].t_s));
        if safe.len() < FEWEST || provoked.len() < FEWEST {
            return None;
        }
        let places = provoked.iter().filter_map(place).collect();
        let heard: Vec<u32> = (0..provoked.len()).filter(|at| cases[provoked[*at]].knock).map(|at| at as u32).collect();
        let positives = if heard.len() >= ENOUGH_HEARD { heard } else { (0..provoked.len() as u32).collect() };
        let folds = folds(&safe, cases);
        let count = safe.len();
        let order: Vec<usize> = safe.into_iter().chain(provoked).collect();
        let mut planes: Vec<Vec<u16>> = (0..ROWS * bins).map(|_| Vec::with_capacity(order.len())).collect();
        order.chunks(EVENTS_A_TURN).for_each(|events| append(&mut planes, cases, events, bins));
        let after = FIRST_BIN + bins;
        let (bands, spans) = (bands(after), spans());
        let scores = vec![Score::default(); bands.len() * spans.len()];
        let scratch = Scratch {
            band: vec![vec![0.0; order.len()]; ROWS],
            window: vec![0.0; order.len()],
            levels: vec![0.0; order.len()],
            ..Scratch::default()
        };
        Some(Self {
            measure,
            false_alarm,
            after,
            background,
            mirrored,
            safe: count,
            positives,
            folds,
            places,
            order,
            planes,
            bands,
            spans,
            scores,
            next: FIRST_BIN,
            closer: Vec::new(),
            looked: 0,
            moved: Vec::new(),
            scratch,
        })
    }

    /// Bands tried.
    pub fn bands(&self) -> &[Band] {
        &self.bands
    }

    /// Windows tried.
    pub fn spans(&self) -> &[Span] {
        &self.spans
    }

    /// Bin after the last.
    pub fn after(&self) -> usize {
        self.after
    }

    /// Nothing is marked as safe.
    pub fn mirrored(&self) -> bool {
        self.mirrored
    }

    /// Provoked events whose levels are scored: all, or those judged as knock by ear.
    pub fn positives(&self) -> usize {
        self.positives.len()
    }

    /// Events told apart: safe, provoked.
    pub fn counts(&self) -> (usize, usize) {
        (self.safe, self.order.len() - self.safe)
    }

    /// Scores all cells whose bands begin at the next bin, later the next of the best cells with each stretch left out;
    /// `false` once all are done.
    pub fn advance(&mut self) -> bool {
        if self.next >= self.after {
            return self.look_closer();
        }
        let first = self.next;
        self.next += 1;
        let wanted: Vec<usize> = (0..self.bands.len()).filter(|band| self.bands[*band].first == first).collect();
        let widest = wanted.iter().map(|band| self.bands[*band].bins).max().unwrap_or(0);
        self.scratch.band.iter_mut().for_each(|row| row.fill(0.0));
        for bins in 1..=widest {
            self.add_bin(first + bins - 1, 0..ROWS);
            if let Some(&band) = wanted.iter().find(|band| self.bands[**band].bins == bins) {
                self.score_band(band);
            }
        }
        true
    }

    fn look_closer(&mut self) -> bool {
        if self.closer.is_empty() {
            let whole: Vec<f32> = self.scores.iter().map(|score| score.whole).collect();
            self.closer = super::choose::most_supported(&self.bands, &self.spans, &whole, CLOSER, self.positives.len());
            let moved: Vec<f32> = self.scores.iter().map(|score| score.moved).collect();
            self.moved = super::choose::widely(&self.bands, &self.spans, &moved, &self.closer);
        }
        let to = (self.looked + CLOSER_A_STEP).min(self.closer.len());
        for at in self.looked..to {
            let index = self.closer[at];
            if let Some(cell) = super::choose::cell(&self.bands, &self.spans, index) {
                self.scores[index] = self.look_moved(cell, self.measure, Some(self.moved[at])).1;
            }
        }
        self.looked = to;
        to < self.closer.len()
    }

    /// Scores, band after band, a value for each window. Only those of [`Separator::closer`] know their stretches.
    pub fn scores(&self) -> &[Score] {
        &self.scores
    }

    /// The best cells, which were judged with each stretch left out.
    pub fn closer(&self) -> &[usize] {
        &self.closer
    }

    /// Levels of one cell over the background, in spreads of safe running, and its score: of background events, then of
    /// provoked ones moved to where their quieter events meet those of the background; [`Separator::order`] says which
    /// is which.
    pub fn look(&mut self, cell: Cell, measure: Measure) -> (Vec<f32>, Score) {
        self.look_moved(cell, measure, None)
    }

    fn look_moved(&mut self, cell: Cell, measure: Measure, moved: Option<f32>) -> (Vec<f32>, Score) {
        let steps = cell.span.first..cell.span.first + cell.span.steps;
        self.scratch.band.iter_mut().for_each(|row| row.fill(0.0));
        for bin in cell.band.first..cell.band.first + cell.band.bins {
            self.add_bin(bin, steps.start + 1..steps.end + 1);
            self.add_bin(bin, 0..1);
        }
        let kept = std::mem::replace(&mut self.measure, measure);
        self.scratch.window.fill(0.0);
        steps.for_each(|step| self.add_step(step));
        self.count_window();
        let score = self.scratch.tally.score(self.false_alarm, self.mirrored, moved);
        self.measure = kept;
        let mut over = self.scratch.rest.clone();
        over.extend(self.scratch.levels[self.safe..].iter().map(|level| score.fit.safe(*level)));
        (over, score)
    }

    /// Position in the caller's list of each level that [`Separator::look`] gives.
    pub fn order(&self) -> &[usize] {
        &self.order
    }

    fn add_bin(&mut self, bin: usize, rows: std::ops::Range<usize>) {
        let bins = self.after - FIRST_BIN;
        let Some(bin) = bin.checked_sub(FIRST_BIN).filter(|bin| *bin < bins) else { return };
        for (row, sums) in self.scratch.band.iter_mut().enumerate().take(rows.end).skip(rows.start) {
            for (sum, word) in sums.iter_mut().zip(&self.planes[row * bins + bin]) {
                *sum += unpack(*word);
            }
        }
    }

    fn add_step(&mut self, step: usize) {
        let Scratch { band, window, .. } = &mut self.scratch;
        let Some(row) = band.get(step + 1) else { return };
        match self.measure {
            Measure::Peak => window.iter_mut().zip(row).for_each(|(most, power)| *most = higher(*power, *most)),
            _ => window.iter_mut().zip(row).for_each(|(sum, power)| *sum += power),
        }
    }

    fn score_band(&mut self, band: usize) {
        let mut first = usize::MAX;
        let mut steps = 0;
        for index in 0..self.spans.len() {
            let span = self.spans[index];
            if span.first != first {
                (first, steps) = (span.first, 0);
                self.scratch.window.fill(0.0);
            }
            while steps < span.steps {
                self.add_step(first + steps);
                steps += 1;
            }
            self.count_window();
            self.scores[band * self.spans.len() + index] = self.scratch.tally.whole(self.false_alarm, self.mirrored);
        }
    }

    /// Counts what the window holds; leaves the levels over background in `rest` and, of provoked events, in `levels`.
    fn count_window(&mut self) {
        let Scratch { band, window, levels, rest, fitted, tally } = &mut self.scratch;
        if self.measure == Measure::Ratio {
            for ((level, power), reference) in levels.iter_mut().zip(&*window).zip(&band[0]) {
                *level = quick_db(*power) - quick_db(*reference);
            }
        } else {
            levels.iter_mut().zip(&*window).for_each(|(level, power)| *level = quick_db(*power));
        }
        let (safe, provoked) = levels.split_at_mut(self.safe);
        self.background.fit(safe, if self.mirrored { 2 } else { 0 }, fitted, rest);
        for (level, place) in provoked.iter_mut().zip(&self.places) {
            *level = fitted.over(*level, *place);
        }
        level_out(provoked, quiet_level(rest));
        tally.clear();
        for (over, fold) in rest.iter().zip(&self.folds) {
            tally.background[usize::from(*fold)][bin_of(*over)] += 1;
        }
        for over in provoked.iter() {
            tally.around[bin_of(*over)] += 1;
        }
        for (index, at) in self.positives.iter().enumerate() {
            tally.provoked[index * FOLDS / self.positives.len()][bin_of(provoked[*at as usize])] += 1;
        }
    }
}

/// Maps turned at a time: so many stay near the processor.
const EVENTS_A_TURN: usize = 32;

/// Appends the maps of some events to the planes, cell by cell. A call for each: browsers compile long loops well only from
/// one call to the next.
#[inline(never)]
fn append(planes: &mut [Vec<u16>], cases: &[Case], events: &[usize], bins: usize) {
    for (cell, plane) in planes.iter_mut().enumerate() {
        let (row, bin) = (cell / bins, cell % bins);
        let power = |at: &usize| cases[*at].map.get(row * cases[*at].bins + bin).copied().unwrap_or(0);
        plane.extend(events.iter().map(power));
    }
}

/// Cells that are judged with each stretch left out, and how many of them at a time.
const CLOSER: usize = 300;
const CLOSER_A_STEP: usize = 20;
/// Fewest events on a side.
const FEWEST: usize = 60;
/// From so many cycles judged as knock by ear on, these alone are what is to be found.
const ENOUGH_HEARD: usize = 40;

/// Contiguous stretches of equal counts in time.
fn folds(safe: &[usize], cases: &[Case]) -> Vec<u8> {
    let mut by_time: Vec<usize> = (0..safe.len()).collect();
    by_time.arrange(|a, b| cases[safe[*a]].t_s.total_cmp(&cases[safe[*b]].t_s));
    let mut folds = vec![0; safe.len()];
    for (rank, at) in by_time.into_iter().enumerate() {
        folds[at] = (rank * FOLDS / safe.len().max(1)) as u8;
    }
    folds
}
