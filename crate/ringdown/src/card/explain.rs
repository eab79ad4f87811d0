//! Why each loud sample of a log was loud, what the control unit did about it, and where it pulled timing for nothing.

use super::learn_log::{LogEvent, LogOutcome, OLD_S, Ready};
use crate::feature::cause::{Cause, Evidence, Over, Usual};
use crate::feature::response::{From, Response, of_level, pulls};
use crate::limit::floor::Floor;
use crate::read::roles::Role;
use crate::stats::robust::median;
use std::collections::BTreeMap;

/// Speed and load cells of the summary: every so many 1/min, thirds of the load's range.
const CELL_RPM: f64 = 500.0;
const CELL_LOADS: f64 = 3.0;
/// Timing pulled with no loud sample this long before, nor this long after, was pulled without evidence.
const EVIDENCE_BEFORE_S: f64 = 0.5;
const EVIDENCE_AFTER_S: f64 = 0.15;

/// What the control unit did about loud samples, over all logs.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Answers {
    /// Where degrees came from; `None`: neither correction nor ignition is logged.
    pub from: Option<From>,
    /// By speed and load.
    pub cells: Vec<AnswerCell>,
    /// Usual degrees of one answer.
    pub step_deg: Option<f64>,
    /// How fast they are given back.
    pub recovery_deg_per_s: Option<f64>,
    /// Usual time from the loud sample to the answer.
    pub delay_s: Option<f64>,
}

/// One cell of speed and load.
#[derive(Debug, Clone, PartialEq)]
#[allow(missing_docs)]
pub struct AnswerCell {
    pub rpm: f64,
    /// Middle of its third of the load, in the log's unit.
    pub load: Option<f64>,
    /// Samples over the limit that are probably knock.
    pub knocks: usize,
    /// Of those, answered with degrees.
    pub answered: usize,
    /// Times timing was pulled with no sample over the limit near.
    pub pulled_without: usize,
}

/// Gives each event its cause and response, and sums them up.
pub(super) fn explain(outcome: &mut LogOutcome, ready: &[Ready]) {
    let mut answers = Answers::default();
    let mut cells: BTreeMap<(i64, i64), AnswerCell> = BTreeMap::new();
    for log in ready {
        answers.from = answers.from.or(log.retards.first().map(|retard| retard.from));
        explain_events(outcome, log);
        let place = Place::of(log);
        for event in outcome.events.iter().filter(|event| event.file == log.file.id && event.cause == Cause::Knock) {
            let cell = place.cell(&mut cells, log, event.row);
            cell.knocks += 1;
            cell.answered += usize::from(event.response.is_some_and(|response| response.deg > 0.0));
        }
        let loud = loud_times(outcome, log);
        let undisturbed = pulls(&log.retards).into_iter().filter(|row| log.stretches.is_learnt_from(*row));
        for row in undisturbed.filter(|row| !has_evidence(&loud, log.drive.t_s[*row])) {
            place.cell(&mut cells, log, row).pulled_without += 1;
        }
    }
    answers.cells = cells.into_values().collect();
    let answered = || outcome.events.iter().filter_map(|event| event.response).filter(|response| response.deg > 0.0);
    let middle = |values: Vec<f64>| median(&values).filter(|_| values.len() >= 3);
    answers.step_deg = middle(answered().map(|response| response.deg).collect());
    answers.delay_s = middle(answered().filter_map(|response| response.delay_s).collect());
    let rate = |response: Response| {
        response.recovery_s.filter(|recovery_s| *recovery_s > 0.0).map(|recovery_s| response.deg / recovery_s)
    };
    answers.recovery_deg_per_s = middle(answered().filter_map(rate).collect());
    outcome.answers = answers;
}

fn explain_events(outcome: &mut LogOutcome, log: &Ready) {
    for column in 0..log.levels.len() {
        explain_column(outcome, log, column);
    }
}

/// Events of one level column. What gear changes, cuts and lifts usually raise is learnt from those that nothing told
/// from them at first sight; a second look uses it.
fn explain_column(outcome: &mut LogOutcome, log: &Ready, column: usize) {
    let Some((group, level)) = log.levels.get(column) else { return };
    let is_own = |event: &LogEvent| event.file == log.file.id && event.group == *group;
    let own: Vec<usize> = (0..outcome.events.len()).filter(|index| is_own(&outcome.events[*index])).collect();
    let rows: Vec<usize> = own.iter().map(|index| outcome.events[*index].row).collect();
    let retard = of_level(&log.retards, level.of);
    let is_logged = retard.as_ref().is_some_and(|retard| retard.from == From::Correction);
    let answer = |place: usize| retard.as_ref()?.response(&log.drive, rows[place], rows.get(place + 1).copied());
    let answers: Vec<Option<Response>> = (0..rows.len()).map(answer).collect();
    let pulled = |place: usize| is_logged && answers[place].is_some_and(|answer| answer.deg > 0.0);
    let floor = &outcome.side.floor;
    let over = |row: usize, column: usize| over(log, floor, row, column);
    let others = others(log, column);
    let (drive, stretches) = (&log.drive, &log.stretches);
    let evidence = Evidence { drive, stretches, column, others: &others, over: &over };
    let first: Vec<Cause> = rows.iter().map(|row| evidence.cause(*row, None, false)).collect();
    let usual = |cause: Cause| {
        let raised = rows.iter().zip(&first).filter(|(_, first)| **first == cause);
        let heights: Vec<f64> = raised.filter_map(|(row, _)| over(*row, column)).map(|at| at.over).collect();
        Usual::of(&heights)
    };
    let usuals = [Cause::GearChange, Cause::Cut, Cause::Lift].map(|cause| (cause, usual(cause)));
    let usual = |cause: Cause| usuals.iter().find(|(of, _)| *of == cause).and_then(|(_, usual)| *usual);
    let causes: Vec<Cause> =
        (0..rows.len()).map(|place| evidence.cause(rows[place], usual(first[place]), pulled(place))).collect();
    for (place, index) in own.into_iter().enumerate() {
        let event = &mut outcome.events[index];
        (event.cause, event.response) = (causes[place], answers[place]);
        event.fell = fell(log, rows[place], rows.get(place + 1).copied());
    }
}

/// Height of a row over the floor that a level column has at its load.
fn over(log: &Ready, floor: &Floor, row: usize, column: usize) -> Option<Over> {
    let (_, level) = log.levels.get(column)?;
    let at = floor.at(log.group_at(column, row)?, *log.drive.rpm.get(row)?)?;
    let value = level.at(row)?;
    let before = row.checked_sub(1).filter(|before| level.at(*before) == Some(value));
    let is_old = before.is_some_and(|before| log.drive.t_s[row] - log.drive.t_s[before] < OLD_S);
    Some(Over { over: value - at.level, spread: at.spread, is_new: !is_old })
}

/// The log's other level columns, each once however many loads part it.
fn others(log: &Ready, column: usize) -> Vec<usize> {
    let name = |column: usize| log.levels.get(column).map(|(_, level)| level.name.as_str());
    let is_first = |other: &usize| (0..*other).all(|earlier| name(earlier) != name(*other));
    (0..log.levels.len()).filter(|other| name(*other) != name(column)).filter(is_first).collect()
}

/// Whether the next two samples stayed under the limit.
fn fell(log: &Ready, row: usize, next: Option<usize>) -> Option<bool> {
    (row + 2 < log.drive.t_s.len()).then(|| next.is_none_or(|next| next > row + 2))
}

/// Times of all samples over a limit, whatever the cause, rising.
fn loud_times(outcome: &LogOutcome, log: &Ready) -> Vec<f64> {
    let own = outcome.events.iter().filter(|event| event.file == log.file.id);
    let mut times: Vec<f64> = own.filter_map(|event| log.drive.t_s.get(event.row)).copied().collect();
    times.sort_by(f64::total_cmp);
    times
}

fn has_evidence(loud: &[f64], t_s: f64) -> bool {
    let first = loud.partition_point(|loud_s| *loud_s < t_s - EVIDENCE_BEFORE_S);
    loud.get(first).is_some_and(|loud_s| *loud_s <= t_s + EVIDENCE_AFTER_S)
}

/// Where a row lies among the cells.
struct Place {
    load: Option<(f64, f64)>,
}

impl Place {
    fn of(log: &Ready) -> Place {
        let column = log.drive.log.first(Role::Load);
        let range = column.and_then(|column| crate::feature::drive::range(column.values.iter()));
        Place { load: range.filter(|(low, high)| high > low) }
    }

    fn cell<'c>(&self, cells: &'c mut BTreeMap<(i64, i64), AnswerCell>, log: &Ready, row: usize) -> &'c mut AnswerCell {
        let rpm = (log.drive.rpm.get(row).copied().unwrap_or(0.0) / CELL_RPM).round();
        let value = log.drive.log.first(Role::Load).and_then(|column| column.values.get(row));
        let third = self.load.zip(value).map(|((low, high), value)| {
            let third = ((value - low) / (high - low) * CELL_LOADS).floor().clamp(0.0, CELL_LOADS - 1.0);
            (third, low + (third + 0.5) / CELL_LOADS * (high - low))
        });
        let key = (rpm as i64, third.map_or(-1, |(third, _)| third as i64));
        let load = third.map(|(_, load)| load);
        cells.entry(key).or_insert(AnswerCell { rpm: rpm * CELL_RPM, load, knocks: 0, answered: 0, pulled_without: 0 })
    }
}
