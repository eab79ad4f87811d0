//! The tooth counter: each interval judged against the predicted pitch, gaps where they must come.
//!
//! A gap candidate starts a tentative count; only a second gap at its place makes it count. Teeth wait until the next
//! clean gap has confirmed them, so that a contradiction takes back everything since the last one.

use super::LostReason;
use super::decode::EdgeCount;
use super::knots::Knots;
use super::pattern::Pattern;
use super::recognise::Recogniser;
use super::search::{Recent, Sight};
use super::track::Segment;

/// Speeds outside these are no engine's.
const SLOWEST_RPM: f64 = 20.0;
const FASTEST_RPM: f64 = 25_000.0;
/// Below this an engine may swing back.
const TURNING_RPM: f64 = 60.0;
/// Mean relative miss of the prediction beyond which the intervals are no turning wheel's: cranking with twelve teeth
/// stays under 0.1, random intervals make 0.2.
const ERRATIC: f64 = 0.13;
/// A gap further from its predicted length is not clean: clipped inductive signals stretch it by 0.13 (common practice,
/// no source), and speed changes more between coarse teeth.
const GAP_OFF: f64 = 0.21;
const GAP_OFF_COARSE: f64 = 0.3;
/// Share of the pitch by which a tooth may miss the line between its neighbours; clipped signals move one by 0.2.
const ASTRAY: f64 = 0.3;
/// An edge this near to its prediction, as a share of the pitch, says that the one before, which missed, was false.
const SURE: f64 = 0.15;
/// Frequencies of the mains and of what a rectifier makes of it, Hz, and how far they wander, as a share.
const MAINS_HZ: [f64; 4] = [50.0, 60.0, 100.0, 120.0];
const WANDER: f64 = 0.005;
/// From one interval to the next the pace hardly changes more; distorted gaps included.
const LIKELY: std::ops::Range<f64> = 0.68..1.47;
/// From one whole period to the next the pace hardly changes more; after false teeth a count that does has run ahead: they halve
/// the pace, and an ordinary interval then looks like the gap.
const ENDURING: std::ops::Range<f64> = 0.8..1.25;
/// Mean difference of a gap from its prediction, as a share, beyond which speed that ripples is no reason.
const UNEVEN: f64 = 0.1;
/// The same within the first period after a loss, whose count may have started at another gap.
const EVEN: std::ops::Range<f64> = 0.75..1.33;
/// A gap of fewer pitches is that of a single missing tooth.
const LIKE_MISSING: f64 = 2.5;
/// Teeth further apart than this leave the speed time to change.
const COARSE_DEG: f64 = 15.0;
/// Silence counted as such, seconds.
const QUIET_S: f64 = 0.2;

/// An edge as the counter wants it.
#[derive(Debug, Clone, Copy)]
pub struct Mark {
    /// Samples from the start.
    pub at: f64,
    /// What stood between this edge and the one before of the same direction.
    pub between: Option<Between>,
    /// Change over one sample, share of the swing.
    pub steep: f32,
}

/// The opposite edge between two edges of one direction.
#[derive(Debug, Clone, Copy)]
pub struct Between {
    /// Samples from the start.
    pub at: f64,
    /// Mean of the half wave before it, outwards, share of the half swing.
    pub mean_before: f32,
    /// The same after it.
    pub mean_after: f32,
    /// Its own change over one sample, share of the swing.
    pub steep: f32,
}

/// What clean gaps looked like.
#[derive(Debug, Clone, Copy, Default)]
pub struct GapLook {
    /// Gaps looked at.
    pub gaps: u32,
    /// Of these, with the state before the opposite edge the longer one.
    pub late: u32,
    /// Of these, of a signal that stays at its level in the gap.
    pub level: u32,
    /// Of these, with edges much steeper than a sine's.
    pub steep: u32,
    /// Sum of the relative differences between gap and prediction.
    pub uneven: f64,
}

impl GapLook {
    /// The state before the opposite edge lasts through the gap.
    pub fn is_late(&self) -> bool {
        2 * self.late > self.gaps
    }

    /// A square signal, even where a sound input has let its level droop.
    pub fn is_square(&self) -> bool {
        2 * self.level > self.gaps || 2 * self.steep > self.gaps
    }

    /// Surely square: in the gap the level stays, or droops but leaves the gap its true length, or that of the `other` edge,
    /// which the steep clipped signal of an inductive sensor does not: its other edge has no place of its own between teeth.
    pub fn is_surely_square(&self, other: &GapLook) -> bool {
        let mean = |look: &GapLook| look.uneven / f64::from(look.gaps.max(1));
        let (own, other_mean) = (mean(self), mean(other));
        // Speed that ripples between coarse teeth makes either uneven.
        let alike = other.is_square() && own.max(other_mean) < 2.0 * own.min(other_mean) && own < UNEVEN;
        2 * self.level > self.gaps || (self.is_square() && (own < 0.02 || alike))
    }
}

/// A stretch without angle, in samples.
#[derive(Debug, Clone, Copy)]
pub struct Loss {
    pub from: f64,
    pub to: f64,
    pub reason: LostReason,
}

/// What a counter found.
#[derive(Debug, Default)]
pub struct Counted {
    pub segments: Vec<Segment>,
    pub losses: Vec<Loss>,
    pub edges: EdgeCount,
    pub recogniser: Recogniser,
}

/// Counts the edges of one direction.
#[derive(Debug, Clone)]
pub struct Lock {
    pattern: Pattern,
    key: i64,
    /// The key interval is longer than any other by far.
    gap_tells: bool,
    slowest: f64,
    fastest: f64,
    sample_rate_hz: f64,
    recent: Recent,
    held: Option<Held>,
    knots: Knots,
    /// Last tooth that went into a segment.
    settled: f64,
    stretch: Stretch,
    losses: Vec<Loss>,
    edges: EdgeCount,
    look: GapLook,
    recogniser: Recogniser,
    /// First tooth of the open segment.
    opened: Option<f64>,
    /// Confirmed periods.
    pub periods: u64,
}

/// What happened since the angle was lost.
#[derive(Debug, Clone, Copy, Default)]
struct Stretch {
    edges: u64,
    quiet: f64,
    broken: bool,
    last: f64,
}

#[derive(Debug, Clone)]
struct Held {
    k: i64,
    at: f64,
    /// Samples a degree, predicted.
    pace: f64,
    /// The same before the last edge was taken.
    pace_before: f64,
    expected: f64,
    waiting: Vec<(i64, f64)>,
    confirmed: bool,
    hits: u32,
    bad_gaps: u32,
    faults: f64,
    rough: u32,
    /// Sum of the relative misses since the last gap, and their number.
    off: f64,
    taken: u32,
    missing: u64,
    extra: u64,
    pace_at_gap: f64,
    /// Teeth missing and extra by the last passage of the key.
    faults_at_key: (u64, u64),
    /// Samples a degree over the whole period before the last clean gap, and whether teeth came rough, extra or not at all since.
    period_pace: Option<f64>,
    untidy: bool,
    /// Edges that look like a sine's at the frequency of the mains, and all.
    hum: (u32, u32),
    /// The count without its last edge, where that one missed the prediction by far.
    doubt: Option<Box<Held>>,
}

enum Verdict {
    Kept,
    /// No edge for too long.
    Silent,
    Contradicted,
}

impl Lock {
    /// For one direction of a channel.
    ///
    /// `firings`: combustions a turn, 0 where not known: the speed ripples with them.
    pub fn new(pattern: Pattern, firings: f64, sample_rate_hz: f64) -> Self {
        let per_deg = |rpm: f64| sample_rate_hz / (6.0 * rpm);
        Self {
            key: pattern.key(),
            gap_tells: pattern.gap_tells(),
            slowest: per_deg(SLOWEST_RPM),
            fastest: per_deg(FASTEST_RPM),
            sample_rate_hz,
            recent: Recent::default(),
            held: None,
            knots: Knots::new(&pattern, firings, sample_rate_hz),
            settled: -1.0,
            stretch: Stretch::default(),
            losses: Vec::new(),
            edges: EdgeCount::default(),
            look: GapLook::default(),
            recogniser: Recogniser::default(),
            opened: None,
            periods: 0,
            pattern,
        }
    }

    /// How the gaps looked so far.
    pub fn look(&self) -> GapLook {
        self.look
    }

    /// The next edge.
    pub fn take(&mut self, mark: Mark) {
        if !self.recent.take(mark.at, 2 * self.pattern.edges() + 24) {
            return;
        }
        self.recogniser.take(mark.at);
        self.note_stretch(mark.at);
        if let Some(mut held) = self.held.take() {
            match self.judge(&mut held, mark) {
                Verdict::Kept => {
                    self.held = Some(held);
                    return;
                }
                Verdict::Silent => self.let_go(held, false),
                Verdict::Contradicted => self.let_go(held, true),
            }
        }
        self.search();
    }

    /// Ends the signal of `samples` samples.
    pub fn finish(mut self, samples: f64) -> Counted {
        if let Some(held) = self.held.take() {
            self.let_go(held, false);
        }
        self.knots.end();
        self.stretch.quiet += silence(samples - self.stretch.last, self.sample_rate_hz);
        if samples > self.settled.max(0.0) {
            self.lose(samples);
        }
        Counted {
            segments: self.knots.into_segments(),
            losses: self.losses,
            edges: self.edges,
            recogniser: self.recogniser,
        }
    }

    fn note_stretch(&mut self, at: f64) {
        if !self.held.as_ref().is_some_and(|held| held.confirmed) {
            self.stretch.edges += 1;
            self.stretch.quiet += silence(at - self.stretch.last, self.sample_rate_hz);
        }
        self.stretch.last = at;
    }

    /// Closes the stretch that began at the last settled tooth.
    fn lose(&mut self, to: f64) {
        let from = self.settled.max(0.0);
        let reason = if self.stretch.quiet > 0.5 * (to - from) {
            LostReason::NoEdges
        } else if self.stretch.broken {
            LostReason::PatternBroken
        } else {
            LostReason::NotYetSynchronised
        };
        self.losses.push(Loss { from, to, reason });
        self.stretch = Stretch { last: self.stretch.last, ..Stretch::default() };
    }

    // ---- searching ----

    fn search(&mut self) {
        let Some(Sight { k, pace, mut teeth }) = self.recent.sight(&self.pattern) else { return };
        if !(self.fastest..self.slowest).contains(&pace) {
            return;
        }
        teeth.retain(|&(_, at)| at > self.settled);
        let Some(&(_, at)) = teeth.last() else { return };
        let single = self.pattern.is_single();
        let mut held = Held {
            k,
            at,
            pace,
            pace_before: pace,
            expected: at,
            waiting: teeth,
            confirmed: false,
            hits: 0,
            bad_gaps: 0,
            faults: 0.0,
            rough: 0,
            off: 0.0,
            taken: 0,
            missing: 0,
            extra: 0,
            pace_at_gap: pace,
            faults_at_key: (0, 0),
            period_pace: None,
            untidy: false,
            hum: (0, 0),
            doubt: None,
        };
        if single {
            self.confirm(&mut held);
        }
        self.held = Some(held);
    }

    // ---- counting ----

    fn judge(&mut self, held: &mut Held, mark: Mark) -> Verdict {
        self.reconsider(held, mark.at);
        let ahead_deg = (mark.at - held.at) / held.pace;
        let passed = mark.at - held.at;
        if ahead_deg > self.reach_deg() || passed > self.slowest * self.pattern.longest_deg() * 1.5 {
            // A pace bent by false edges makes an ordinary interval look long.
            let silent =
                passed > self.reach_deg() * held.pace.max(held.pace_at_gap) && passed > QUIET_S * self.sample_rate_hz;
            return if silent { Verdict::Silent } else { Verdict::Contradicted };
        }
        let (mut steps, mut off_deg) = self.nearest(held.k, ahead_deg);
        // One shifted tooth must not make a stretched gap look a pitch longer.
        let usual = self.usual_pace(&held.waiting).map(|pace| self.nearest(held.k, passed / pace));
        let leaves_out = |steps: i64| (1..steps).filter(|&j| self.pattern.is_present(held.k + j)).count();
        let over_gap = |steps: i64| (1..steps).any(|j| !self.pattern.is_present(held.k + j));
        let better = |(other, off): (i64, f64)| {
            let whole = over_gap(other) && self.pattern.is_present(held.k + other) && leaves_out(other) == 0;
            off < off_deg || (whole && leaves_out(steps) > 0 && self.is_tidy(&held.waiting))
        };
        if let Some(nearer) = usual.filter(|usual| better(*usual)) {
            (steps, off_deg) = nearer;
        }
        if steps == 0 {
            self.early(held, mark.at);
        } else if !self.pattern.is_present(held.k + steps) {
            held.extra += 1;
            held.faults += 1.0;
            held.hits += u32::from(off_deg < 0.25 * self.pattern.pitch_deg());
        } else if self.accept(held, mark, steps, off_deg) {
            return Verdict::Contradicted;
        }
        if held.faults > self.fault_limit(held.confirmed) { Verdict::Contradicted } else { Verdict::Kept }
    }

    /// Takes back the last edge where this one fits far better without it.
    fn reconsider(&self, held: &mut Held, at: f64) {
        let Some(mut without) = held.doubt.take() else { return };
        let miss = |count: &Held| {
            let ahead_deg = (at - count.at) / count.pace;
            let (steps, off_deg) =
                if ahead_deg < 2.0 * self.reach_deg() { self.nearest(count.k, ahead_deg) } else { (0, 0.0) };
            (steps > 0 && self.pattern.is_present(count.k + steps)).then(|| off_deg / self.pattern.pitch_deg())
        };
        let Some(off) = miss(&without).filter(|off| *off < SURE) else { return };
        if miss(held).is_none_or(|with| with > 2.0 * off + 0.1) {
            without.extra += 1;
            without.faults += 1.0;
            *held = *without;
        }
    }

    /// Longest way without an edge that still counts.
    fn reach_deg(&self) -> f64 {
        let longest = self.pattern.longest_deg();
        if longest > 60.0 { 3.4 * longest } else { (longest + 4.5 * self.pattern.pitch_deg()).max(60.0) }
    }

    fn fault_limit(&self, confirmed: bool) -> f64 {
        let edges = self.pattern.edges() as f64;
        if confirmed { (edges / 5.0).max(3.5) } else { (edges / 8.0).max(2.5) }
    }

    /// Steps to the position nearest to `ahead_deg` after tooth `k`, and the distance left.
    fn nearest(&self, k: i64, ahead_deg: f64) -> (i64, f64) {
        let (start, mut best) = (self.pattern.at(k), (0, ahead_deg));
        for steps in 1.. {
            let off = ahead_deg - (self.pattern.at(k + steps) - start);
            if off.abs() < best.1 {
                best = (steps, off.abs());
            }
            if off < 0.0 {
                break;
            }
        }
        best
    }

    /// An edge too early for the next tooth: a bounce, or the true edge of the tooth that a false one was taken for.
    fn early(&self, held: &mut Held, at: f64) {
        held.extra += 1;
        held.faults += 1.0;
        if (at - held.expected).abs() < (held.at - held.expected).abs() {
            held.at = at;
            held.pace = held.pace_before;
            if let Some(last) = held.waiting.last_mut() {
                last.1 = at;
            }
        }
    }

    /// Takes the edge as the tooth `steps` on; true when the count has contradicted itself.
    fn accept(&mut self, held: &mut Held, mark: Mark, steps: i64, off_deg: f64) -> bool {
        let start = self.pattern.at(held.k);
        let advance = self.pattern.at(held.k + steps) - start;
        let skipped = (1..steps).filter(|&j| self.pattern.is_present(held.k + j)).count() as u64;
        let crossed = (1..steps).any(|j| !self.pattern.is_present(held.k + j));
        let k = held.k + steps;
        let at_key = (k - self.key).rem_euclid(self.pattern.positions() as i64) == 0;
        let rough = off_deg > 0.3 * self.pattern.interval_to(k).min(advance);
        held.doubt = rough.then(|| Box::new(held.clone()));
        held.rough = if rough { held.rough + 1 } else { 0 };
        held.untidy |= rough || skipped > 0;
        held.missing += skipped;
        held.faults += skipped as f64;
        held.off += off_deg / advance;
        held.taken += 1;
        let observed = (mark.at - held.at) / advance;
        held.expected = held.at + held.pace * advance;
        held.pace_before = held.pace;
        held.pace = self.next_pace(held, observed);
        let before = held.at;
        let pace_used = held.pace;
        (held.k, held.at) = (k, mark.at);
        held.waiting.push((k, mark.at));
        if held.rough >= 3.max(self.pattern.edges() as u32 / 6) {
            return true;
        }
        self.knots.note_steep(f64::from(mark.steep) * pace_used);
        if let Some(between) = mark.between.filter(|between| between.at > before) {
            self.knots.note_duty((between.at - before) / (mark.at - before));
        }
        if self.pattern.is_single() {
            self.listen(held, mark, before);
            if skipped == 0 && !rough {
                self.look_at(mark, before, pace_used);
            }
            self.settle_single(held, rough, skipped);
            return held.rough >= 3;
        }
        if !crossed && !at_key {
            return false;
        }
        let earlier = held.waiting.get(..held.waiting.len().saturating_sub(1)).unwrap_or(&[]);
        let off_usual = self.usual_pace(earlier).map_or(f64::INFINITY, |pace| (observed / pace - 1.0).abs());
        let off_share = (off_deg / advance).min(off_usual);
        self.gap(held, mark, before, Passage { skipped, rough, at_key, off_share })
    }

    /// Samples a degree over the last teeth but the newest, which clipped signals shift before a gap.
    fn usual_pace(&self, teeth: &[(i64, f64)]) -> Option<f64> {
        const TEETH: usize = 7;
        if self.pattern.pitch_deg() > COARSE_DEG {
            return None;
        }
        let from = teeth.len().checked_sub(TEETH + 1)?;
        let (first, last) = (teeth.get(from)?, teeth.get(from + TEETH - 1)?);
        Some((last.1 - first.1) / (self.pattern.at(last.0) - self.pattern.at(first.0)))
    }

    /// Whether the last teeth came one by one and about a pitch apart.
    fn is_tidy(&self, teeth: &[(i64, f64)]) -> bool {
        let Some(pace) = self.usual_pace(teeth) else { return false };
        let even = |pair: &[(i64, f64)]| {
            let &[(k0, t0), (k1, t1)] = pair else { return false };
            let deg = (t1 - t0) / pace;
            k1 == k0 + 1 && (deg / self.pattern.pitch_deg() - 1.0).abs() < ASTRAY
        };
        teeth.get(teeth.len().saturating_sub(8)..).is_some_and(|last| last.windows(2).all(even))
    }

    /// Counts what looks like hum of the mains.
    fn listen(&self, held: &mut Held, mark: Mark, before: f64) {
        let period = mark.at - before;
        let share = mark.between.map_or(0.0, |between| (between.at - before) / period);
        let hertz = self.sample_rate_hz / period;
        let mains = MAINS_HZ.iter().any(|mains| (hertz / mains - 1.0).abs() < WANDER);
        // A sine changes by pi swings a period where it is steepest.
        let sine = (0.4..0.6).contains(&share) && f64::from(mark.steep) * period < 6.0;
        held.hum.0 += u32::from(sine && mains);
        held.hum.1 += 1;
    }

    fn next_pace(&self, held: &Held, observed: f64) -> f64 {
        let pace = if self.pattern.is_single() && self.pattern.period_deg > 60.0 {
            // A whole turn passes between pulses: the trend matters.
            observed + (observed - held.pace_before).clamp(-0.25 * observed, 0.25 * observed) * 0.5
        } else {
            // One false edge must not bend the prediction so far that the next true one counts double.
            let most = 0.1 + self.pattern.pitch_deg() / 100.0;
            let observed = observed.clamp(held.pace * (1.0 - most), held.pace * (1.0 + most));
            let trust = if self.pattern.pitch_deg() > COARSE_DEG { 1.0 } else { 0.6 };
            trust * observed + (1.0 - trust) * held.pace
        };
        pace.clamp(self.fastest * 0.5, self.slowest * 1.5)
    }

    fn settle_single(&mut self, held: &mut Held, rough: bool, skipped: u64) {
        if !rough && skipped == 0 {
            held.faults = (held.faults - 0.25).max(0.0);
            self.periods += 1;
        }
        if held.rough == 0 {
            self.settle(held);
        }
    }

    /// A passage over missing teeth, or over the key interval of a list of edges.
    fn gap(&mut self, held: &mut Held, mark: Mark, before: f64, passage: Passage) -> bool {
        let hits = std::mem::take(&mut held.hits);
        let miss = std::mem::take(&mut held.off) / f64::from(std::mem::take(&mut held.taken).max(1));
        if miss > ERRATIC {
            return true;
        }
        if hits > 0 && (passage.skipped > 0 || !held.confirmed) {
            return true;
        }
        let most = if self.pattern.pitch_deg() > COARSE_DEG { GAP_OFF_COARSE } else { GAP_OFF };
        if hits > 0 || passage.skipped > 0 || passage.rough || passage.off_share > most {
            held.bad_gaps += 1;
            held.faults *= 0.5;
            return held.bad_gaps >= 3;
        }
        if !passage.at_key {
            return false;
        }
        let earlier = std::mem::replace(&mut held.faults_at_key, (held.missing, held.extra));
        // An edge where none is due and none where one is: of a wheel told by a single edge that is the count from another place.
        if !self.gap_tells && held.missing > earlier.0 && held.extra > earlier.1 {
            held.bad_gaps += 1;
            return held.bad_gaps >= 3;
        }
        let period_pace = self.period_pace(&held.waiting);
        let slipped =
            held.period_pace.zip(period_pace).is_some_and(|(before, now)| !ENDURING.contains(&(now / before)));
        if slipped && (held.untidy || held.faults > 0.0) {
            held.bad_gaps += 1;
            return held.bad_gaps >= 3;
        }
        (held.period_pace, held.untidy) = (period_pace, false);
        if self.weed(held) > 1 + self.pattern.edges() / 12 {
            return true;
        }
        held.bad_gaps = 0;
        held.faults = 0.0;
        held.pace_at_gap = held.pace;
        self.periods += 1;
        self.look.uneven += passage.off_share;
        self.look_at(mark, before, held.pace);
        if held.confirmed {
            self.settle(held)
        } else {
            self.confirm(held)
        }
        false
    }

    /// Samples a degree over all that waits.
    fn period_pace(&self, teeth: &[(i64, f64)]) -> Option<f64> {
        let (first, last) = (teeth.first()?, teeth.last()?);
        (last.0 > first.0).then(|| (last.1 - first.1) / (self.pattern.at(last.0) - self.pattern.at(first.0)))
    }

    /// Takes out waiting teeth that lie far from the line between their neighbours: false edges taken for a true one.
    fn weed(&self, held: &mut Held) -> usize {
        let pattern = &self.pattern;
        let astray = |three: &[(i64, f64)]| {
            let &[(k0, t0), (k1, t1), (k2, t2)] = three else { return false };
            let pace = (t2 - t0) / (pattern.at(k2) - pattern.at(k0));
            let off_deg = (t1 - t0) / pace - (pattern.at(k1) - pattern.at(k0));
            off_deg.abs() > ASTRAY * pattern.pitch_deg()
        };
        let weeds: Vec<i64> = held.waiting.windows(3).filter(|three| astray(three)).map(|three| three[1].0).collect();
        held.waiting.retain(|tooth| !weeds.contains(&tooth.0));
        held.extra += weeds.len() as u64;
        held.missing += weeds.len() as u64;
        weeds.len()
    }

    fn look_at(&mut self, mark: Mark, before: f64, pace: f64) {
        let Some(between) = mark.between.filter(|b| b.at > before && b.at < mark.at) else { return };
        let share = (between.at - before) / (mark.at - before);
        let single = self.pattern.is_single();
        if single && (0.3..0.7).contains(&share) {
            return;
        }
        let late = share > 0.5;
        let mean = if late { between.mean_before } else { between.mean_after };
        let steepness = f64::from(mark.steep) * pace * self.pattern.pitch_deg();
        self.look.gaps = self.look.gaps.saturating_add(1);
        self.look.late += u32::from(late);
        self.look.level += u32::from(mean > 0.45);
        // A sine changes by pi swings a period where it is steepest.
        let short = share.min(1.0 - share) * (mark.at - before);
        let pulse = f64::from(mark.steep.min(between.steep)) * short > 4.0 && between.steep > 0.4 * mark.steep;
        self.look.steep += u32::from(if single { pulse } else { steepness > 8.0 });
    }

    fn confirm(&mut self, held: &mut Held) {
        held.confirmed = true;
        held.waiting.drain(..self.doubtful(&held.waiting));
        if let Some(&(_, first)) = held.waiting.first() {
            self.opened = Some(first);
            let open = first - self.settled.max(0.0) > 0.0;
            if open {
                self.lose(first);
            }
        }
        self.stretch = Stretch { last: self.stretch.last, ..Stretch::default() };
        self.settle(held);
    }

    /// Teeth at the front that were perhaps counted from a missing tooth which looked like the gap: up to the last leap of the pace,
    /// where the true gap put the count right.
    fn doubtful(&self, teeth: &[(i64, f64)]) -> usize {
        if self.pattern.is_single() || self.pattern.longest_deg() > LIKE_MISSING * self.pattern.pitch_deg() {
            return 0;
        }
        let pace = |pair: &[(i64, f64)]| match pair {
            &[(k0, t0), (k1, t1)] => (t1 - t0) / (self.pattern.at(k1) - self.pattern.at(k0)),
            _ => f64::NAN,
        };
        let paces: Vec<f64> = teeth.windows(2).map(pace).collect();
        let leap = paces.windows(2).rposition(|two| !EVEN.contains(&(two[1] / two[0])));
        // The pace between teeth `leap + 1` and `leap + 2` is another than the one before: either may be wrong.
        leap.map_or(0, |leap| (leap + 2).min(teeth.len().saturating_sub(2)))
    }

    /// All but the newest tooth, which a better edge may still replace, goes into the segment.
    fn settle(&mut self, held: &mut Held) {
        let last = held.waiting.len().saturating_sub(1);
        for (k, at) in held.waiting.drain(..last) {
            self.knots.push(self.pattern.at(k), at);
            self.settled = at;
            self.edges.used += 1;
        }
        held.faults_at_key = (0, 0);
        self.edges.missing += std::mem::take(&mut held.missing);
        self.edges.extra += std::mem::take(&mut held.extra);
    }

    /// Gives up the count. What no gap has confirmed is kept only where it was flawless and the engine surely turned on.
    fn let_go(&mut self, mut held: Held, contradicted: bool) {
        if !held.confirmed {
            return;
        }
        if 2 * held.hum.0 > held.hum.1 {
            self.disown();
            return;
        }
        if !contradicted && held.missing + held.extra == 0 && held.rough == 0 && held.hits == 0 {
            self.keep_turning(&mut held);
            let last = held.waiting.last().copied();
            self.settle(&mut held);
            if let Some((k, at)) = last {
                self.knots.push(self.pattern.at(k), at);
                self.settled = at;
                self.edges.used += 1;
            }
        }
        self.knots.end();
        self.stretch.broken = true;
        self.stretch.quiet = silence(self.stretch.last - self.settled, self.sample_rate_hz);
    }

    /// Takes back all that was counted since the last loss: hum of the mains.
    fn disown(&mut self) {
        self.knots.discard();
        let lost = self.losses.pop_if(|loss| self.opened == Some(loss.to));
        self.settled = lost.map_or(self.opened.unwrap_or(0.0), |loss| loss.from);
        self.stretch =
            Stretch { quiet: self.stretch.last - self.settled.max(0.0), last: self.stretch.last, ..Stretch::default() };
    }

    fn keep_turning(&self, held: &mut Held) {
        let limit = (2.5 * held.pace_at_gap).min(self.sample_rate_hz / (6.0 * TURNING_RPM));
        let pattern = &self.pattern;
        let mut before = held.pace_at_gap;
        let mut doubtful = |pair: &[(i64, f64)]| {
            let &[(k0, t0), (k1, t1)] = pair else { return false };
            let pace = (t1 - t0) / (pattern.at(k1) - pattern.at(k0));
            let change = pace / std::mem::replace(&mut before, pace);
            pace > limit || !LIKELY.contains(&change)
        };
        if let Some(stop) = held.waiting.windows(2).position(&mut doubtful) {
            held.waiting.truncate(stop + 1);
        }
    }
}

struct Passage {
    skipped: u64,
    rough: bool,
    at_key: bool,
    off_share: f64,
}

fn silence(samples: f64, sample_rate_hz: f64) -> f64 {
    if samples > QUIET_S * sample_rate_hz { samples } else { 0.0 }
}
