//! How the limits do against what the ear judged, against safe running, and over an ignition sweep: of marked stretches, else
//! of the angles that a log laid over the recording holds.

use std::collections::BTreeMap;

use super::{Card, File, FileRole, Judged, Mark, MarkLabel};
use crate::card::recording::Recording;
use crate::crank::Event;
use crate::limit::proof::{self, BORDER_SHARE, CellProof, Judged as Height};
use crate::stats::rate::Rate;
use crate::stats::roc::Roc;

/// Confidence of the intervals.
pub const CONFIDENCE: f64 = 0.95;

/// What is known of how well the limits work.
#[derive(Debug, Clone, Default)]
pub struct Proof {
    /// Cycles labelled knock, and caught; `None` without labels.
    pub caught: Option<Rate>,
    /// Cycles labelled as not knocking, and alarmed.
    pub false_labelled: Option<Rate>,
    /// Safe events judged by limits learnt without them, and alarmed.
    pub false_held_out: Option<Rate>,
    /// Events of provoked files over their limit.
    pub over_limit: Option<Rate>,
    /// Level over floor of labelled knock against safe events and labelled quiet cycles.
    pub roc: Option<Roc>,
    /// Share over the limit at each ignition angle.
    pub sweep: Vec<(f64, Rate)>,
    /// The angles come from a log laid over the recordings, for no stretch is marked with one.
    pub swept_by_log: bool,
    /// Labelled cycles by cylinder: caught of knocking.
    pub by_group: Vec<(u16, Rate)>,
    /// Labelled cycles, and those over the limit, by cylinder and nearest breakpoint.
    pub cells: Vec<CellProof>,
    /// Safe events by limits learnt without them, by cylinder and index of the nearest breakpoint: alarmed of judged.
    pub held_out_by: BTreeMap<(u16, usize), Rate>,
    /// Ignition angle where the rising curve through the sweep passes 1 %.
    pub border_deg_btdc: Option<f64>,
    /// Labelled cycles that the limits were learnt from as well.
    pub learnt_and_proven: u64,
}

impl Card {
    /// Judges the judging; `None` before limits are learnt.
    pub fn proof(&self) -> Option<Proof> {
        let outcome = self.outcome()?;
        let files: Vec<(&File, &Recording, &[Judged])> = self
            .recordings()
            .filter(|(file, _)| matches!(file.role, FileRole::Knock | FileRole::Safe | FileRole::After))
            .filter_map(|(file, recording)| Some((file, recording, outcome.of(file.id)?)))
            .collect();
        let judged = || files.iter().flat_map(|(_, _, judged)| judged.iter()).filter(|event| event.knock().is_some());
        let over = |event: &&Judged| event.knock() == Some(true);
        let rate = |events: Vec<&Judged>| {
            let hits = events.iter().copied().filter(over).count() as u64;
            (!events.is_empty()).then_some(Rate { hits, trials: events.len() as u64 })
        };
        let labelled = |knock: bool| judged().filter(|event| event.label == Some(knock)).collect::<Vec<_>>();
        let over_floor = |events: &[&Judged]| -> Vec<f64> {
            events.iter().map(|event| f64::from(event.level_db - event.floor_db)).filter(|db| db.is_finite()).collect()
        };
        let (knocking, quiet) = (labelled(true), labelled(false));
        let safe: Vec<&Judged> = files
            .iter()
            .filter(|(file, ..)| file.role != FileRole::Knock)
            .flat_map(|(_, _, judged)| judged.iter())
            .filter(|event| event.used && event.knock().is_some())
            .collect();
        let provoked = files
            .iter()
            .filter(|(file, ..)| file.role == FileRole::Knock)
            .flat_map(|(_, _, judged)| judged.iter())
            .filter(|event| event.knock().is_some() && event.used);
        let by_group = (0..outcome.side.groups.len() as u16).filter_map(|group| {
            let own = knocking.iter().copied().filter(|event| event.group == group).collect();
            Some((group, rate(own)?))
        });
        let by_marks = self.marks().iter().any(|mark| mark.ignition_deg_btdc.is_some());
        let angles = if by_marks { Angles::Marked } else { Angles::Logged };
        let heights: Vec<Height> =
            files.iter().flat_map(|(file, recording, judged)| self.heights(file, recording, judged, angles)).collect();
        let mut found = proof::proof(&heights, &outcome.side.breakpoints, CONFIDENCE);
        if !by_marks {
            keep_what_a_log_shows(&mut found, &heights);
        }
        let learnt = |event: &&&Judged| event.used && event.label == Some(false);
        Some(Proof {
            cells: found.cells,
            swept_by_log: !by_marks && !found.sweep.is_empty(),
            held_out_by: outcome.held_out_by.clone(),
            border_deg_btdc: found.border_deg_btdc,
            learnt_and_proven: safe.iter().filter(learnt).count() as u64,
            roc: Roc::new(&over_floor(&[safe.as_slice(), &quiet].concat()), &over_floor(&knocking)),
            by_group: by_group.collect(),
            caught: rate(knocking),
            false_labelled: rate(quiet),
            false_held_out: outcome.held_out.map(|(hits, trials)| Rate { hits, trials }),
            over_limit: rate(provoked.collect()),
            sweep: found.sweep.iter().map(|step| (step.ignition_deg_btdc, step.over_limit.rate)).collect(),
        })
    }

    /// The judged events of a file that may count, each with its ignition angle where that is known.
    fn heights(&self, file: &File, recording: &Recording, judged: &[Judged], angles: Angles) -> Vec<Height> {
        let Some(crank) = recording.crank() else { return Vec::new() };
        let marks: Vec<&Mark> = self.marks().iter().filter(|mark| mark.file == file.input.name).collect();
        let height = |(event, judged): (&Event, &Judged)| {
            let inside = |mark: &&&Mark| (mark.from_s..mark.to_s).contains(&event.t_s);
            let left_out = marks.iter().filter(inside).any(|mark| mark.label == MarkLabel::Exclude);
            let over_limit_db = f64::from(judged.level_db - judged.limit_db);
            (judged.used && !left_out && over_limit_db.is_finite()).then(|| Height {
                group: judged.group,
                rpm: f64::from(event.rpm),
                over_limit_db,
                label: judged.label,
                ignition_deg_btdc: match angles {
                    Angles::Marked => marks.iter().filter(inside).find_map(|mark| mark.ignition_deg_btdc),
                    Angles::Logged => self.context(file.id, event.t_s).ignition_deg_btdc.map(f64::round),
                },
            })
        };
        crank.events.iter().zip(judged).filter_map(height).collect()
    }
}

/// Where ignition angles come from. A staged sweep goes before what the control unit happened to fire at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Angles {
    /// Of marked stretches, as marked.
    Marked,
    /// Of the log laid over the recording, by whole degrees.
    Logged,
}

/// A log holds some angle at every moment, and few cycles at its outermost: one angle is no sweep, and a border is one only
/// if surely more than [`BORDER_SHARE`] of all cycles beyond it lie over the limit.
fn keep_what_a_log_shows(found: &mut proof::Proof, heights: &[Height]) {
    if found.sweep.len() < 2 {
        found.sweep.clear();
    }
    found.border_deg_btdc = found.border_deg_btdc.filter(|border| {
        let beyond = heights.iter().filter(|one| one.ignition_deg_btdc.is_some_and(|deg| deg > *border));
        Rate::count(beyond.map(|one| one.over_limit_db > 0.0)).interval(CONFIDENCE).low > BORDER_SHARE
    });
}
