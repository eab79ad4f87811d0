//! From the scores of all cells to a verdict: is there a tail beyond safe running, is it knock, does another cell find it
//! better than the usual one.

use super::gather::{Searching, Seen};
use super::{Flat, Found, Mapped, Search, Separation, Tried, Verdict};
use crate::card::Card;
use crate::card::choices::DEFAULT_WINDOW_DEG_ATDC;
use crate::feature::grid::choose::{Choice, choose, difference};
use crate::feature::grid::ring::{Ring, listen};
use crate::feature::grid::score::{FOLDS, Score};
use crate::feature::grid::separate::Measure;
use crate::feature::grid::{Band, Cell, Span, choose as choosing};
use crate::stats::order::Arrange;
use crate::stats::rate::Rate;
use crate::stats::roc::Roc;

/// Confidence that provoked running has a louder tail at all.
const TAIL_CONFIDENCE: f64 = 0.99;
/// Confidence of the intervals told.
const CONFIDENCE: f64 = 0.95;
/// Fewest cycles judged as knock by ear that recall is told from.
const FEWEST_LABELS: usize = 10;
/// Area at which the judgement of the ear counts as evidence of its own.
const EAR_AGREES: f64 = 0.8;
/// Standard errors that the gain over the usual cell must reach before that is given up.
const SURE_GAIN: f64 = 2.0;
/// Most pairs of loud and quiet events the ring is read from.
const MOST_PAIRS: usize = 600;
/// An event under this many spreads is quiet.
const QUIET: f32 = 0.7;
/// Runners-up told.
const RUNNERS: usize = 3;
/// A runner-up's score reaches this share of the best one's.
const RUNNER_SHARE: f32 = 0.3;

impl Searching {
    /// Judges the finished grid.
    pub(super) fn settle(mut self: Box<Self>, card: &Card) -> Search {
        let measure = self.key.measure;
        let scores: Vec<Score> = self.separator.scores().to_vec();
        let (bands, spans) = (self.separator.bands().to_vec(), self.separator.spans().to_vec());
        let Some(choice) = choose(&bands, &spans, &scores, self.separator.closer(), self.separator.positives()) else {
            return Search::thin(measure);
        };
        let Some(cell) = choosing::cell(&bands, &spans, choice.best) else { return Search::thin(measure) };
        let (best, levels, score) = self.found(cell);
        let usual = self.key.usual_hz.map(|[low_hz, high_hz]| Cell {
            band: Band::nearest(low_hz, high_hz, self.separator.after()),
            span: Span::nearest(DEFAULT_WINDOW_DEG_ATDC[0], DEFAULT_WINDOW_DEG_ATDC[1]),
        });
        let usual = usual.map(|cell| self.found(cell));
        let ring = self.ring(card, cell, &levels, score.limit);
        let verdict = self.verdict(&choice, &best, ring, usual.as_ref().map(|(_, _, score)| score));
        let others = [Measure::Energy, Measure::Peak, Measure::Ratio].into_iter().filter(|other| *other != measure);
        let tried = |other: Measure| {
            let own = self.separator.look(cell, other).1;
            let (more, error) = difference(&own.test, &score.test);
            Tried { measure: other, share: f64::from(own.share), more, error }
        };
        let features = others.map(tried).collect();
        let runners_up = self.runners(&choice, &scores, best);
        Search {
            cells: scores.len(),
            events: self.separator.counts(),
            mirrored: self.separator.mirrored(),
            measure,
            verdict,
            usual: usual.map(|(found, ..)| found),
            runners_up,
            flat: flat(&choice, &bands, &spans, cell),
            map: map(&bands, &spans, &scores),
            ring,
            by_group: self.by_group(&levels, &score),
            features,
            best: Some(best),
        }
    }

    fn verdict(&self, choice: &Choice, best: &Found, ring: Ring, usual: Option<&Score>) -> Verdict {
        let (safe, _) = self.separator.counts();
        let rate = |shares: &[f32; FOLDS], trials: usize| {
            let mean = shares.iter().sum::<f32>() / FOLDS as f32;
            Rate { hits: (f64::from(mean) * trials as f64).round() as u64, trials: trials as u64 }
                .interval(TAIL_CONFIDENCE)
        };
        let (loud, alarms) = (rate(&choice.honest_share, self.separator.positives()), rate(&choice.honest_false, safe));
        let false_alarm = self.key.false_alarm.max(alarms.low);
        if loud.low <= 2.0 * false_alarm + 0.002 {
            return Verdict::OnlyLouder;
        }
        let heard =
            best.separation.labelled >= FEWEST_LABELS && best.separation.auc.is_some_and(|auc| auc > EAR_AGREES);
        if !ring.shown() && !heard {
            return Verdict::NoRing;
        }
        match usual.map(|usual| difference(&choice.honest, &usual.test)) {
            Some((gain, error)) if gain <= SURE_GAIN * error => Verdict::UsualAsGood,
            _ => Verdict::Found,
        }
    }

    /// A cell with its separation, the levels over background, its score.
    fn found(&mut self, cell: Cell) -> (Found, Vec<f32>, Score) {
        let (levels, score) = self.separator.look(cell, self.key.measure);
        let all: Vec<usize> = (0..levels.len()).collect();
        (Found { cell, separation: self.separation(&levels, &score, &all) }, levels, score)
    }

    fn seen(&self, place: usize) -> &Seen {
        &self.seen[self.separator.order()[place]]
    }

    /// Separation among the events at some places of the separator's order.
    fn separation(&self, levels: &[f32], score: &Score, places: &[usize]) -> Separation {
        let (safe, _) = self.separator.counts();
        let of = |wanted: &dyn Fn(usize) -> bool| -> Vec<f64> {
            places.iter().filter(|at| wanted(**at)).map(|at| f64::from(levels[*at])).collect()
        };
        let over = |values: &[f64]| {
            values.iter().filter(|value| **value > f64::from(score.limit)).count() as f64 / values.len().max(1) as f64
        };
        let provoked = of(&|at| at >= safe);
        let share = over(&provoked);
        let knocking = of(&|at| at >= safe && self.seen(at).label == Some(true));
        if knocking.len() >= FEWEST_LABELS {
            let quiet = of(&|at| (at < safe) != (at >= safe && self.seen(at).label == Some(false)));
            let roc = Roc::new(&quiet, &knocking);
            return Separation {
                recall: Some(over(&knocking)),
                auc: roc.as_ref().map(|roc| roc.auc),
                auc_range: roc.and_then(|roc| roc.interval(CONFIDENCE)).map(|range| [range.low, range.high]),
                share,
                labelled: knocking.len(),
            };
        }
        Separation { share, ..Separation::default() }
    }

    fn by_group(&self, levels: &[f32], score: &Score) -> Vec<(crate::card::Group, Separation)> {
        let own = |group: usize| {
            let places: Vec<usize> =
                (0..levels.len()).filter(|at| usize::from(self.seen(*at).group) == group).collect();
            self.separation(levels, score, &places)
        };
        let mut rows: Vec<_> = self.groups.iter().cloned().enumerate().map(|(at, group)| (group, own(at))).collect();
        rows.arrange(|a, b| a.0.cylinders.cmp(&b.0.cylinders));
        rows
    }

    /// Other places that separate: chosen by supported score, none like the best or one before it.
    fn runners(&mut self, choice: &Choice, scores: &[Score], best: Found) -> Vec<Found> {
        let mut order: Vec<usize> = (0..scores.len()).collect();
        order.arrange(|a, b| choice.supported[*b].total_cmp(&choice.supported[*a]));
        let least = RUNNER_SHARE * choice.supported[choice.best];
        let (bands, spans) = (self.separator.bands().to_vec(), self.separator.spans().to_vec());
        let mut out: Vec<Found> = Vec::new();
        for at in order.into_iter().take_while(|at| choice.supported[*at] > least) {
            let Some(cell) = choosing::cell(&bands, &spans, at) else { continue };
            if !best.like(cell) && out.iter().all(|other| !other.like(cell)) {
                out.push(self.found(cell).0);
            }
            if out.len() == RUNNERS {
                break;
            }
        }
        out
    }

    /// Listens to the loud events of provoked running beside their quiet neighbours of the same group at like speed.
    fn ring(&self, card: &Card, cell: Cell, levels: &[f32], limit: f32) -> Ring {
        let (safe, _) = self.separator.counts();
        let rank = |at: usize| (self.seen(at).group, self.seen(at).rpm);
        let before = |a: (u16, f32), b: (u16, f32)| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1));
        let mut quiet: Vec<usize> = (safe..levels.len()).filter(|at| levels[*at].abs() < QUIET).collect();
        quiet.arrange(|a, b| before(rank(*a), rank(*b)));
        let loud: Vec<usize> = (safe..levels.len()).filter(|at| levels[*at] > limit).collect();
        let step = loud.len().div_ceil(MOST_PAIRS).max(1);
        let partner = |at: usize| {
            let next = quiet.partition_point(|other| before(rank(*other), rank(at)).is_lt());
            let near = [next.checked_sub(1), Some(next)].into_iter().flatten().filter_map(|at| quiet.get(at).copied());
            near.filter(|other| self.seen(*other).group == self.seen(at).group)
                .min_by(|a, b| (rank(*a).1 - rank(at).1).abs().total_cmp(&(rank(*b).1 - rank(at).1).abs()))
        };
        let map = |at: usize| {
            let seen = self.seen(at);
            let (_, recording) = card.recordings().find(|(file, _)| file.id == seen.file)?;
            let maps = recording.maps.as_ref()?;
            maps.of(seen.at).filter(|_| maps.bins == self.bins)
        };
        let pairs: Vec<(&[u16], &[u16])> =
            loud.into_iter().step_by(step).filter_map(|at| Some((map(at)?, map(partner(at)?)?))).collect();
        listen(&pairs, self.bins, cell)
    }
}

fn flat(choice: &Choice, bands: &[Band], spans: &[Span], best: Cell) -> Flat {
    let cells = choice.as_good.iter().filter_map(|at| choosing::cell(bands, spans, *at));
    let best_hz = best.band.range_hz();
    let mut flat = Flat {
        cells: choice.as_good.len(),
        band_hz: best_hz,
        centre_hz: [0.5 * (best_hz[0] + best_hz[1]); 2],
        window_deg_atdc: best.span.range_deg_atdc(),
    };
    for cell in cells {
        let (band, window) = (cell.band.range_hz(), cell.span.range_deg_atdc());
        if cell.span == best.span {
            widen(&mut flat.band_hz, band);
            widen(&mut flat.centre_hz, [0.5 * (band[0] + band[1]); 2]);
        }
        if cell.band == best.band {
            widen(&mut flat.window_deg_atdc, window);
        }
    }
    flat
}

fn widen(range: &mut [f64; 2], other: [f64; 2]) {
    *range = [range[0].min(other[0]), range[1].max(other[1])];
}

fn map(bands: &[Band], spans: &[Span], scores: &[Score]) -> Vec<Mapped> {
    let best = |(band, scores): (&Band, &[Score])| {
        let score = scores.iter().max_by(|a, b| a.whole.total_cmp(&b.whole))?;
        let [low_hz, high_hz] = band.range_hz();
        Some(Mapped { low_hz, high_hz, share: f64::from(score.share), score: f64::from(score.whole) })
    };
    bands.iter().zip(scores.chunks(spans.len().max(1))).filter_map(best).collect()
}
