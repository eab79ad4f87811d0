//! From the samples of wheel and cam to a track and its events, slice by slice.

use super::blind::Loudness;
use super::cycle::{Cut, Placed, Placing};
use super::edges::{EdgeFinder, RawEdge};
use super::events::{Known, events_of};
use super::ignition::{Sparks, Trigger};
use super::lock::{Between, Counted, Lock, Mark};
use super::offset::{self, Heard};
use super::pattern::{Anchor, Pattern, cam_of, channel_of};
use super::pulse::{PulseEdges, Pulses};
use super::{Event, Lost, LostReason, Track, turn};
use crate::read::sheet::{Edge, Sheet};
use crate::stats::order::Arrange;

/// Periods after which the direction of the edges is settled.
const ENOUGH: u64 = 48;
/// An interval this long may hold a firing before the first edge or after the last.
const FAR_DEG: f64 = 45.0;

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
    /// What speed and events come from.
    pub source: Source,
    /// Where there is no crank signal: moments, s, and how sure their speed is, 0 to 1.
    pub confidence: Vec<(f64, f32)>,
    /// Where the sensors hear the firing TDCs, if they do.
    pub heard: Option<Heard>,
    /// How much is known of each segment's angles.
    pub(crate) known: Vec<Known>,
}

impl Crank {
    /// Whether angles count from a firing TDC, not from a place in the pattern of the sensors or a stand-in.
    pub fn has_angle(&self) -> bool {
        self.source != Source::Blind && !self.events.is_empty() && !self.is_guessed()
    }

    /// Whether the sheet has no position of the reference.
    fn is_guessed(&self) -> bool {
        self.notes.iter().any(|note| matches!(note, Note::OffsetUnknown | Note::OffsetHeard { .. }))
    }

    /// Takes in what sensors (channels from 1) hear of combustion: the wheel's position where the sheet has none or another,
    /// and which turn it is where no cam says so.
    pub fn listen(&mut self, sheet: &Sheet, voices: &[(u16, &Loudness)]) {
        let all: Vec<&Loudness> = voices.iter().map(|(_, voice)| *voice).collect();
        if all.is_empty() || self.track.segments.is_empty() {
            return;
        }
        self.heard = offset::listen(self, sheet, &all);
        // Without combustion where it is due nothing tells a firing turn.
        if self.heard.is_some_and(|heard| heard.agrees()) && !self.is_guessed() {
            self.name_turns(sheet, voices);
        }
        self.fire(&sheet.firing().unwrap_or_default(), sheet.cycle_deg());
    }

    /// Events anew, from what is known of the segments now.
    fn fire(&mut self, firing: &[(u16, f64)], cycle_deg: f64) {
        self.events = Vec::new(); // an hour's events twice are tens of megabytes
        self.events = events_of(&self.track, firing, cycle_deg, &self.known);
        self.events.shrink_to_fit();
    }

    /// Tells how turns without a cam became known; `left`: segments whose turn still is not.
    fn note_turns(&mut self, left: usize, note: Note) {
        self.notes.retain(|note| left > 0 || *note != Note::NoCam);
        self.notes.push(note);
    }

    fn name_turns(&mut self, sheet: &Sheet, voices: &[(u16, &Loudness)]) {
        let (mut named, mut unnamed) = (0_usize, 0_usize);
        for (segment, known) in self.track.segments.iter_mut().zip(&mut self.known) {
            if *known != Known::Angle {
                continue;
            }
            let Some(shift_deg) = turn::turn(segment, sheet, voices) else {
                unnamed += 1;
                continue;
            };
            known.name(segment, shift_deg);
            named += 1;
        }
        if named > 0 {
            self.note_turns(unnamed, Note::TurnHeard { segments: named, of: named + unnamed });
        }
    }

    /// How sure the speed at `t_s` is, 0 to 1, where it comes from the sensors alone.
    pub fn confidence_at(&self, t_s: f64) -> Option<f32> {
        let after = self.confidence.partition_point(|(at_s, _)| *at_s < t_s);
        let near = [after.checked_sub(1), Some(after)].into_iter().flatten().filter_map(|at| self.confidence.get(at));
        near.min_by(|a, b| (a.0 - t_s).abs().total_cmp(&(b.0 - t_s).abs())).map(|(_, confidence)| *confidence)
    }
}

/// What speed and events come from.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Source {
    /// A wheel of several teeth.
    #[default]
    Wheel,
    /// One pulse a turn or cycle.
    Pulse,
    /// The sensors alone: angles count from a place in their pattern.
    Blind,
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
    /// The sheet has no position: it was taken from the noise of combustion.
    OffsetHeard {
        /// The reference before cylinder 1's firing TDC, degrees, modulo `every_deg`.
        deg_btdc: f64,
        /// 95 % interval to either side.
        within_deg: f64,
        /// Angle after which firings look alike.
        every_deg: f64,
    },
    /// The noise of combustion does not lie where the sheet's position puts it.
    OffsetDoubtful {
        /// The firing TDCs lie so much later by it, modulo `every_deg`.
        late_deg: f64,
        /// 95 % interval to either side.
        within_deg: f64,
        /// Angle after which firings look alike.
        every_deg: f64,
    },
    /// The sheet has no position: it was taken from an ignition trigger.
    OffsetFromIgnition {
        /// The reference before cylinder 1's firing TDC, degrees.
        deg_btdc: f64,
        /// 95 % interval to either side.
        within_deg: f64,
        /// Edges it rests on.
        edges: usize,
    },
    /// The sheet's position and the ignition trigger agree.
    OffsetConfirmed {
        /// Position by the trigger, degrees before cylinder 1's firing TDC.
        deg_btdc: f64,
        /// 95 % interval to either side.
        within_deg: f64,
    },
    /// They don't.
    OffsetAgainstIgnition {
        /// Position by the trigger, degrees before cylinder 1's firing TDC.
        deg_btdc: f64,
        /// 95 % interval to either side.
        within_deg: f64,
        /// The sheet's is so much greater.
        off_deg: f64,
    },
    /// The ignition trigger keeps no angle.
    IgnitionUnclear {
        /// Edges inside the track.
        edges: usize,
        /// Half of them lie further than this from their middle, degrees; infinite without any.
        spread_deg: f64,
    },
    /// The turn was told by the sensors in so many of the segments without a cam.
    TurnHeard {
        /// Segments named.
        segments: usize,
        /// Of so many.
        of: usize,
    },
    /// The turn was told in so many of the segments without a cam by an ignition trigger that fires once a cycle.
    TurnFromIgnition {
        /// Segments named.
        segments: usize,
        /// Of so many.
        of: usize,
    },
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

/// The cam's channel.
struct Cam {
    pulses: Pulses,
    edge: Edge,
    /// By the sheet, before cylinder 1's firing TDC.
    deg_btdc: Option<f64>,
}

impl Cam {
    fn finish(self) -> PulseEdges {
        let [rising, falling] = self.pulses.finish();
        if self.edge == Edge::Rising { rising } else { falling }
    }
}

/// Streaming decoder; memory grows with turns, not with samples.
pub struct Decoder {
    sheet: Sheet,
    pattern: Pattern,
    sample_rate_hz: f64,
    samples: u64,
    wheel: Option<Wheel>,
    cam: Option<Cam>,
    ignition: Option<Trigger>,
    channels: Vec<u16>,
    notes: Vec<Note>,
}

impl Decoder {
    /// `None` when the sheet names no usable reference. A channel that the recording does not have is noted.
    pub fn new(sheet: &Sheet, sample_rate_hz: f64, channels: usize) -> Option<Decoder> {
        if !(sample_rate_hz.is_finite() && sample_rate_hz >= 100.0) {
            return None;
        }
        let reference = sheet.crank.as_ref()?;
        let pattern = Pattern::new(reference, sheet.cycle_deg())?;
        let (channel, edge) = channel_of(reference)?;
        let present = |channel: u16| channel >= 1 && usize::from(channel) <= channels;
        let mut decoder = Decoder {
            sheet: sheet.clone(),
            wheel: None,
            cam: None,
            ignition: None,
            sample_rate_hz,
            samples: 0,
            channels: Vec::new(),
            notes: Vec::new(),
            pattern,
        };
        if !present(channel) {
            decoder.notes.push(Note::NoChannel { channel });
            return Some(decoder);
        }
        decoder.channels.push(channel);
        let firings = sheet.firing().map_or(0.0, |firing| firing.len() as f64 * 360.0 / sheet.cycle_deg());
        decoder.wheel = Some(Wheel::new(&decoder.pattern, edge, firings, sample_rate_hz));
        if let Some((channel, edge, deg_btdc)) = cam_of(&sheet.cam).filter(|_| decoder.cam_matters()) {
            if present(channel) {
                decoder.channels.push(channel);
                let edge = edge.unwrap_or(Edge::Rising);
                decoder.cam = Some(Cam { pulses: Pulses::of(edge, sample_rate_hz), edge, deg_btdc });
            } else {
                decoder.notes.push(Note::NoChannel { channel });
            }
        }
        if let Some(ignition) = sheet.ignition.as_ref().filter(|_| decoder.has_place()) {
            if present(ignition.channel) {
                decoder.channels.push(ignition.channel);
                decoder.ignition = Some(Trigger::new(ignition, sample_rate_hz));
            } else {
                decoder.notes.push(Note::NoChannel { channel: ignition.channel });
            }
        }
        Some(decoder)
    }

    /// Channels (from 1) whose samples [`Decoder::push`] wants: wheel or pulse, then cam and ignition trigger if any.
    pub fn channels(&self) -> Vec<u16> {
        self.channels.clone()
    }

    /// The next slice of every wanted channel, in the order of [`Decoder::channels`].
    pub fn push(&mut self, planes: &[&[f32]]) {
        let Some(wheel_plane) = planes.first() else { return };
        self.samples += wheel_plane.len() as u64;
        if let Some(wheel) = &mut self.wheel {
            wheel.push(wheel_plane);
        }
        if let (Some(cam), Some(plane)) = (&mut self.cam, planes.get(1)) {
            cam.pulses.push(plane);
        }
        let place = if self.cam.is_some() { 2 } else { 1 };
        if let (Some(trigger), Some(plane)) = (&mut self.ignition, planes.get(place)) {
            trigger.push(plane);
        }
    }

    /// Ends the signal.
    pub fn finish(mut self) -> Crank {
        let source = if self.toothed() { Source::Wheel } else { Source::Pulse };
        let mut crank = Crank { notes: std::mem::take(&mut self.notes), source, ..Crank::default() };
        let Some(wheel) = self.wheel.take() else { return crank };
        let samples = self.samples as f64;
        let (mut counted, direction) = wheel.finish(samples);
        let refusal = refuse(&self.pattern, &mut counted);
        crank.notes.extend(direction.filter(|_| !counted.segments.is_empty()));
        crank.notes.extend(refusal.as_ref().and_then(|refusal| refusal.note.clone()));
        crank.edges = counted.edges;
        crank.lost = match &refusal {
            Some(refusal) if samples > 0.0 => vec![self.lost(0.0, samples, refusal.reason)],
            Some(_) => Vec::new(),
            None => counted.losses.iter().map(|loss| self.lost(loss.from, loss.to, loss.reason)).collect(),
        };
        crank.track.segments = counted.segments;
        self.reach_ends(&mut crank);
        let sparks = self.ignition.take().map(Trigger::finish);
        if let Some(sparks) = &sparks {
            self.place_by(sparks, &mut crank);
        }
        self.place(&mut crank);
        if let Some(sparks) = sparks.filter(|_| self.sheet.cycle_deg() > 360.0) {
            self.name_turns(&sparks, &mut crank);
        }
        crank
    }

    /// A recording that begins or ends between two edges of a running engine: no edge was lost there.
    fn reach_ends(&self, crank: &mut Crank) {
        let (end_s, period_deg) = (self.samples as f64 / self.sample_rate_hz, self.pattern.period_deg.max(360.0));
        let longest_deg = self.pattern.longest_deg();
        // Between near teeth nothing fires unseen. Speed changes a little from one interval to the next; the first edges of
        // a wheel may be missed while the signal's extent is not known.
        if longest_deg < FAR_DEG {
            return;
        }
        let most_deg = if self.pattern.is_single() { 1.05 } else { 2.0 } * longest_deg;
        if let Some(segment) = crank.track.segments.first_mut() {
            let from_s = segment.span_s().map_or(0.0, |(from_s, _)| from_s);
            if segment.go_on(0.0, period_deg, most_deg) {
                crank.lost.retain(|lost| lost.to_s > from_s + 1e-9);
            }
        }
        if let Some(segment) = crank.track.segments.last_mut() {
            let to_s = segment.span_s().map_or(end_s, |(_, to_s)| to_s);
            if segment.go_on(end_s, period_deg, most_deg) {
                crank.lost.retain(|lost| lost.from_s < to_s - 1e-9);
            }
        }
    }

    fn toothed(&self) -> bool {
        !self.pattern.is_single() || self.pattern.anchor == Anchor::Cam
    }

    /// Whether the pattern itself has one place in the turn or cycle, which the sheet may give.
    fn has_place(&self) -> bool {
        matches!(self.pattern.anchor, Anchor::Turn | Anchor::Cycle)
    }

    /// Takes the reference's place from the ignition trigger where the sheet has none, and holds the sheet's to it.
    fn place_by(&mut self, sparks: &Sparks, crank: &mut Crank) {
        if crank.track.segments.is_empty() {
            return;
        }
        let order = self.sheet.firing().unwrap_or_default();
        let period_deg = self.pattern.period_deg.min(self.sheet.cycle_deg());
        match sparks.place(&crank.track, &order, period_deg) {
            Err(unclear) => crank.notes.push(unclear),
            Ok(spark) => {
                let note = spark.against(self.pattern.first_deg.map(|deg| -deg), period_deg);
                if self.pattern.first_deg.is_none() {
                    self.pattern.first_deg = Some(-spark.deg_btdc);
                    for segment in &mut crank.track.segments {
                        segment.error_deg = segment.error_deg.hypot(spark.within_deg);
                    }
                }
                crank.notes.push(note);
            }
        }
    }

    /// Takes the turn from an ignition trigger that fires once a cycle, where no cam tells it.
    fn name_turns(&self, sparks: &Sparks, crank: &mut Crank) {
        // The sheet's cylinder, edge or angle is wrong: which of them is not known.
        if crank.notes.iter().any(|note| matches!(note, Note::OffsetAgainstIgnition { .. })) {
            return;
        }
        let order = self.sheet.firing().unwrap_or_default();
        let unnamed = |known: &[Known]| known.iter().filter(|known| **known == Known::Angle).count();
        let of = unnamed(&crank.known);
        sparks.name_turns(&mut crank.track.segments, &mut crank.known, &order);
        let left = unnamed(&crank.known);
        if left == of {
            return;
        }
        crank.note_turns(left, Note::TurnFromIgnition { segments: of - left, of });
        crank.fire(&order, self.sheet.cycle_deg());
    }

    /// Whether the cam can add anything: two-strokes and pulses once a cycle know their turn.
    fn cam_matters(&self) -> bool {
        match self.pattern.anchor {
            Anchor::Cycle => false,
            Anchor::Turn => self.sheet.cycle_deg() > 360.0,
            Anchor::Repeats | Anchor::Cam => true,
        }
    }

    fn lost(&self, from: f64, to: f64, reason: LostReason) -> Lost {
        Lost { from_s: from / self.sample_rate_hz, to_s: to / self.sample_rate_hz, reason }
    }

    /// Gives the segments their angle and turn, and adds the events.
    fn place(&mut self, crank: &mut Crank) {
        let firing = self.sheet.firing();
        let cycle_deg = self.sheet.cycle_deg();
        let order = firing.as_deref().unwrap_or(&[]);
        let first_cylinder_deg = order.iter().find(|f| f.0 == 1).map_or(0.0, |f| f.1);
        let cam = self.cam.take().map(|cam| (cam.deg_btdc, cam.finish()));
        let placing = Placing {
            pattern: &self.pattern,
            cycle_deg,
            first_cylinder_deg,
            cam_s: cam.as_ref().map_or(&[], |(_, edges)| &edges.edges_s),
            cam_deg: cam.as_ref().and_then(|(deg_btdc, _)| *deg_btdc).map(|deg| first_cylinder_deg - deg),
        };
        let cut: Vec<Cut> =
            std::mem::take(&mut crank.track.segments).into_iter().flat_map(|s| placing.cut(s)).collect();
        for part in cut {
            match part {
                Cut::Kept(segment) => crank.track.segments.push(segment),
                Cut::Lost(from_s, to_s) => crank.lost.push(Lost { from_s, to_s, reason: LostReason::PatternBroken }),
            }
        }
        crank.lost.arrange(|a, b| a.from_s.total_cmp(&b.from_s));
        let placed: Vec<Placed> = crank.track.segments.iter_mut().map(|segment| placing.place(segment)).collect();
        let known: Vec<Known> = placed
            .iter()
            .zip(&crank.track.segments)
            .map(|(placed, segment)| self.known(*placed, segment.turn_known))
            .collect();
        let cam = cam.as_ref().filter(|(deg_btdc, _)| deg_btdc.is_some()).map(|(_, edges)| edges);
        self.note_position(crank, &known, cam, &placed);
        crank.known = known;
        crank.fire(order, cycle_deg);
    }

    fn known(&self, placed: Placed, turn_known: bool) -> Known {
        match (placed.angle_known, turn_known, self.pattern.anchor) {
            (true, true, _) => Known::Turn,
            (true, false, _) => Known::Angle,
            (false, _, Anchor::Turn | Anchor::Cycle) => Known::Spacing,
            (false, ..) => Known::Nothing,
        }
    }

    fn note_position(&self, crank: &mut Crank, known: &[Known], cam: Option<&PulseEdges>, placed: &[Placed]) {
        if known.is_empty() {
            return;
        }
        if known.iter().any(|known| matches!(known, Known::Spacing | Known::Nothing)) {
            crank.notes.push(Note::OffsetUnknown);
        }
        if !self.cam_matters() {
            return;
        }
        let Some(cam) = cam else {
            crank.notes.push(Note::NoCam);
            return;
        };
        let votes: usize = placed.iter().map(|placed| placed.votes).sum();
        let against: usize = placed.iter().map(|placed| placed.against).sum();
        let turns: f64 =
            crank.track.segments.iter().filter_map(|s| s.span_deg()).map(|(from, to)| (to - from) / 720.0).sum();
        if cam.noise || (votes as f64) < 0.2 * turns {
            crank.notes.push(Note::CamDead);
        } else if against > 0 {
            crank.notes.push(Note::CamUnsteady { share: against as f64 / votes.max(1) as f64 });
        }
    }
}

// ---- wheel ----

/// Edge finder and one counter for each direction, until it is clear which one marks the teeth.
struct Wheel {
    finder: EdgeFinder,
    wanted: Option<Lock>,
    other: Option<Lock>,
    wanted_rising: bool,
    /// More than single pulses.
    toothed: bool,
    /// Newest edge of the wanted and of the other direction.
    newest: [Option<RawEdge>; 2],
    direction: Option<Note>,
}

impl Wheel {
    fn new(pattern: &Pattern, edge: Option<Edge>, firings: f64, sample_rate_hz: f64) -> Self {
        let lock = || Some(Lock::new(pattern.clone(), firings, sample_rate_hz));
        let single = pattern.is_single();
        Self {
            finder: if single { EdgeFinder::for_pulses(sample_rate_hz) } else { EdgeFinder::new(sample_rate_hz) },
            wanted: lock(),
            other: lock(),
            wanted_rising: edge != Some(Edge::Falling),
            toothed: !single,
            newest: [None, None],
            direction: None,
        }
    }

    fn push(&mut self, samples: &[f32]) {
        let found = self.finder.push(samples);
        found.into_iter().for_each(|edge| self.take(edge));
    }

    fn take(&mut self, edge: RawEdge) {
        let own = usize::from(edge.rising != self.wanted_rising);
        let between = self.newest[1 - own].map(|opposite| Between {
            at: opposite.at,
            mean_before: opposite.half_mean,
            mean_after: edge.half_mean,
            steep: opposite.steep,
        });
        let lock = if own == 0 { &mut self.wanted } else { &mut self.other };
        if let Some(lock) = lock {
            let before = lock.periods;
            lock.take(Mark { at: edge.at, between, steep: edge.steep });
            if lock.periods != before && lock.periods >= ENOUGH {
                self.decide();
            }
        }
        self.newest[own] = Some(edge);
    }

    /// Drops the counter of the direction that does not mark the teeth.
    fn decide(&mut self) {
        let (Some(wanted), Some(other)) = (&self.wanted, &self.other) else { return };
        let look = wanted.look();
        let rivals = other.periods > 0 && 2 * other.periods >= wanted.periods && look.gaps > 0;
        // A reluctance sensor passes zero at the teeth, the last time right before the gap: the state it passes to lasts.
        // Its other crossing, between teeth, is that of noise in the gap.
        let between_teeth = rivals && !look.is_square() && !look.is_late() && self.toothed;
        let split = other.periods > 2 * wanted.periods || between_teeth;
        let upside_down =
            self.wanted_rising && !split && rivals && look.is_late() && look.is_surely_square(&other.look());
        if split || upside_down {
            self.direction = Some(if split { Note::OtherEdge } else { Note::Inverted });
            self.wanted = self.other.take();
            // The kept counter goes on with its own edges, now the wanted ones.
            self.wanted_rising = !self.wanted_rising;
            self.newest.swap(0, 1);
        }
        self.other = None;
    }

    fn finish(mut self, samples: f64) -> (Counted, Option<Note>) {
        let found = self.finder.finish();
        found.into_iter().for_each(|edge| self.take(edge));
        self.decide();
        let counted = self.wanted.map(|lock| lock.finish(samples)).unwrap_or_default();
        (counted, self.direction)
    }
}

/// Why a whole channel is refused.
struct Refusal {
    reason: LostReason,
    note: Option<Note>,
}

/// Judges the channel as a whole: without one confirmed turn, or when another wheel explains the edges of what was taken
/// for single pulses, nothing is kept.
fn refuse(pattern: &Pattern, counted: &mut Counted) -> Option<Refusal> {
    let recogniser = &counted.recogniser;
    let alike = recogniser.best();
    let mistaken = pattern.is_single() && (alike.is_some() || counted.edges.used * 2 < recogniser.intervals);
    if !counted.segments.is_empty() && !mistaken {
        return None;
    }
    counted.segments.clear();
    let note = alike.map(|(teeth, missing)| Note::LooksLike { teeth, missing });
    let orderly = recogniser.regular * 10 > recogniser.intervals * 8 && recogniser.intervals > 20;
    let reason = if note.is_some() || orderly { LostReason::PatternBroken } else { LostReason::NotAWheel };
    Some(Refusal { reason, note })
}
