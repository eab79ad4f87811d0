//! The search over bands and windows: from the maps of all events to the cell in force, and why it is or isn't used.

mod gather;
mod settle;

pub(super) use gather::{Searching, kept};

use super::{Card, Feature, FileId, FileRole, Mark};
use crate::feature::grid::ring::Ring;
use crate::feature::grid::separate::Measure;
use crate::feature::grid::{Cell, choose};

/// Most events the search looks at; more are thinned evenly.
pub const MOST_EVENTS: usize = 20_000;

/// What the search found.
#[derive(Debug, Clone)]
pub struct Search {
    /// Combinations of band and window scored, over all features tried.
    pub cells: usize,
    /// Safe events and provoked ones compared; without safe running the same events stand on both sides.
    pub events: (usize, usize),
    /// Nothing was safe running: the provoked events' own quieter half stood for it.
    pub mirrored: bool,
    /// What was measured.
    pub measure: Measure,
    /// Whether the best cell is used, and if not, why.
    pub verdict: Verdict,
    /// The best cell.
    pub best: Option<Found>,
    /// The band of the bore with the window of common practice, judged alike; `None` without a bore.
    pub usual: Option<Found>,
    /// Other places that separate, best first: none overlaps the best or another by a third.
    pub runners_up: Vec<Found>,
    /// How flat the optimum is: cells no worse within their error, and the outermost edges among them that share the best
    /// cell's window or band.
    pub flat: Flat,
    /// Best score of each band over all windows, for the map: edges, share over the limit, score.
    pub map: Vec<Mapped>,
    /// What the loud events show beside loudness.
    pub ring: Ring,
    /// Separation in the best cell by group.
    pub by_group: Vec<(super::Group, Separation)>,
    /// The other features in the best cell.
    pub features: Vec<Tried>,
}

/// Another feature in the best cell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tried {
    /// What was measured.
    pub measure: Measure,
    /// Share of provoked events over its own limit.
    pub share: f64,
    /// How much more of them it finds than the feature in force, judged on stretches left out.
    pub more: f64,
    /// Standard error of that.
    pub error: f64,
}

impl Tried {
    /// Finds more beyond what chance explains (twice the standard error).
    pub fn is_better(&self) -> bool {
        self.more > 2.0 * self.error && self.more > 0.0
    }
}

/// How far cells differ from the best by no more than their error.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Flat {
    /// Cells as good.
    pub cells: usize,
    /// Lowest and highest edge of bands as good, Hz.
    pub band_hz: [f64; 2],
    /// Lowest and highest centre of them, Hz.
    pub centre_hz: [f64; 2],
    /// Earliest start and latest end of windows as good, degrees after firing TDC.
    pub window_deg_atdc: [f64; 2],
}

/// Best score of a band.
#[derive(Debug, Clone, Copy, PartialEq)]
#[allow(missing_docs)]
pub struct Mapped {
    pub low_hz: f64,
    pub high_hz: f64,
    pub share: f64,
    pub score: f64,
}

/// How well one cell separates.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Separation {
    /// Share of the cycles judged as knock by ear that lie over the limit; `None` with fewer than ten: how much of a
    /// mixture knocks is not known.
    pub recall: Option<f64>,
    /// Area under the ROC curve of the same.
    pub auc: Option<f64>,
    /// Its 95 % interval.
    pub auc_range: Option<[f64; 2]>,
    /// Share of provoked events over the limit.
    pub share: f64,
    /// Cycles judged as knock by ear that recall and area come from; 0 with fewer than ten.
    pub labelled: usize,
}

/// A cell with its separation.
#[derive(Debug, Clone, Copy, PartialEq)]
#[allow(missing_docs)]
pub struct Found {
    pub cell: Cell,
    pub separation: Separation,
}

impl Found {
    /// Edges of the band, Hz.
    pub fn band_hz(&self) -> [f64; 2] {
        self.cell.band.range_hz()
    }

    /// Edges of the window, degrees after firing TDC.
    pub fn window_deg_atdc(&self) -> [f64; 2] {
        self.cell.span.range_deg_atdc()
    }

    /// Overlaps another by a third in band and in window.
    fn like(&self, other: Cell) -> bool {
        choose::overlap(self.band_hz(), other.band.range_hz()) > 1.0 / 3.0
            && choose::overlap(self.window_deg_atdc(), other.span.range_deg_atdc()) > 1.0 / 3.0
    }
}

/// Whether the best cell is used.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Yes.
    Found,
    /// The usual band and window do as well within the error.
    UsualAsGood,
    /// Provoked running has no louder tail than safe running at like speed: it is only louder, if at all.
    OnlyLouder,
    /// There is a loud tail, but nothing beside loudness speaks for knock.
    NoRing,
    /// Too few events on a side.
    Thin,
}

impl Search {
    /// Nothing could be compared.
    fn thin(measure: Measure) -> Self {
        Self {
            cells: 0,
            events: (0, 0),
            mirrored: false,
            measure,
            verdict: Verdict::Thin,
            best: None,
            usual: None,
            runners_up: Vec::new(),
            flat: Flat::default(),
            map: Vec::new(),
            ring: Ring::default(),
            by_group: Vec::new(),
            features: Vec::new(),
        }
    }

    /// The cell to use, if the search speaks for one.
    pub fn found(&self) -> Option<&Found> {
        self.best.as_ref().filter(|_| self.verdict == Verdict::Found)
    }
}

/// What a search depends on: as long as it is the same, so is the search.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Key {
    files: Vec<(FileId, FileRole)>,
    marks: Vec<Mark>,
    labels: Vec<super::EarLabel>,
    false_alarm: f64,
    measure: Measure,
    usual_hz: Option<[f64; 2]>,
}

/// The feature as the search measures it.
fn measure_of(feature: Feature) -> Measure {
    match feature {
        Feature::Energy => Measure::Energy,
        Feature::Peak => Measure::Peak,
        Feature::Ratio => Measure::Ratio,
    }
}

impl Card {
    /// Key of the search due now; `None` without a mapped recording.
    fn search_key(&self) -> Option<Key> {
        let mapped = self.recordings().filter(|(_, recording)| recording.maps.is_some());
        let files: Vec<_> = mapped.map(|(file, _)| (file.id, file.role)).collect();
        (!files.is_empty()).then(|| Key {
            files,
            marks: self.marks.clone(),
            labels: self.labels.clone(),
            false_alarm: self.choices.false_alarm,
            measure: measure_of(self.choices.feature),
            usual_hz: self.modes().map(|modes| [modes[0].hz_low, modes[0].hz_high]),
        })
    }

    pub(super) fn wants_search(&self) -> bool {
        self.search_key() != self.searched
    }

    /// From now on nothing is searched while band and window are given: of a short recording the search is half the work.
    pub fn leave_search(&mut self) {
        self.search_left = true;
    }

    /// The search, once done.
    pub fn search(&self) -> Option<&Search> {
        self.search.as_ref()
    }

    /// The next piece of the search.
    pub(super) fn search_on(&mut self) {
        let key = self.search_key();
        let Some(wanted) = &key else {
            (self.search, self.searched, self.searching) = (None, None, None);
            self.changed.extend(5..=11);
            return;
        };
        let going = self.searching.take().filter(|searching| &searching.key == wanted);
        let mut searching = match going {
            Some(searching) => searching,
            None => match Searching::new(self, wanted.clone()) {
                Some(searching) => Box::new(searching),
                None => return self.take_search(Search::thin(wanted.measure), key),
            },
        };
        if searching.separator.advance() {
            self.searching = Some(searching);
        } else {
            let search = searching.settle(self);
            self.take_search(search, key);
        }
    }

    fn take_search(&mut self, search: Search, key: Option<Key>) {
        self.search = Some(search);
        self.searched = key;
        self.changed.extend(5..=11);
    }
}
