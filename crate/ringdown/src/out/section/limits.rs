//! Section 8: the numbers to type in.

use super::floor::{log_number, log_unit, why_not};
use super::*;
use crate::card::{Feature, LearntFrom, LogOutcome, Side};
use crate::feature::level::OFF_DEG;
use crate::limit::floor::NEAR_RPM;
use crate::limit::limits::{Law, LimitAt, NOT_ALIKE};
use crate::limit::plan::{Step, plan};
use crate::limit::rules::{Rule, really_give};
use crate::limit::shape::Shape;
use crate::out::measured;
use crate::out::table::{Line, Scale, lines, rows, scale};
use crate::out::words::{one_in, percent, say};

/// Confidence of the intervals of the common rules.
const CONFIDENCE: f64 = 0.95;

pub(super) fn view(card: &Card) -> SectionView {
    let recordings = card.outcome().map(|outcome| &outcome.side);
    let logs = card.log_outcome();
    let Some(main) = recordings.or(logs.map(|logs| &logs.side)) else {
        return SectionView { cautions: cautions(), ..waiting(8, "limits.waiting", why_not(card)) };
    };
    let (state, finding, todo) = judge(card, main);
    let mut tables = Vec::new();
    let mut figures = Vec::new();
    if let Some(side) = recordings {
        tables.push(over_floor(card, side));
        tables.push(absolute(card, side));
        tables.extend(volts(card, side));
        figures.push(figure("limits", "limits.figure", finding.clone()));
        figures.push(figure("tail", "limits.figure.tail", text("chart.tail.summary")));
        tables.push(common_rules(card, side));
    }
    figures.push(figure("coverage", "limits.figure.coverage", text("limits.caption.coverage")));
    tables.push(coverage(card, main));
    if let Some(logs) = logs {
        tables.push(of_log(card, logs));
    }
    let mut why = vec![law_sentence(main), text(which(card)), text("limits.why.rate")];
    why.extend(measured::sentence(card));
    why.extend(expected(card, main));
    why.extend(moves(card));
    why.extend(pooling(main));
    why.extend(shape_sentence(card));
    why.extend(loads_sentence(card, recordings.is_none()));
    if main.source == LearntFrom::QuieterHalf {
        why.push(text("floor.why.quieter"));
    }
    SectionView { why, todo, cautions: cautions(), tables, figures, ..blank(8, state, finding) }
}

/// What a crank angle wrong by some degrees would do to the table.
fn moves(card: &Card) -> Option<String> {
    let moves = card.outcome()?.moves?;
    let values = [
        ("deg", number(OFF_DEG, 0)),
        ("floor", db(moves.floor_db)),
        ("limit", if moves.limit_db.is_finite() { db(moves.limit_db) } else { "–".into() }),
    ];
    Some(say("limits.why.moves", &values))
}

fn cautions() -> Vec<String> {
    ["caution.start", "caution.provoke", "caution.running"].map(text).to_vec()
}

/// Which of the tables this control unit takes.
pub(super) fn which(card: &Card) -> &'static str {
    let limit =
        card.sheet().and_then(|sheet| sheet.control.as_ref()).and_then(|control| control.get("limit")?.as_str());
    match limit {
        Some("over-background") => "limits.which.over",
        Some("absolute") => "limits.which.absolute",
        _ => "limits.which.unknown",
    }
}

/// How the limits were reached, in words.
pub(super) fn law_sentence(side: &Side) -> String {
    let key = match side.limits.law {
        Law::Normal => "limits.why.normal",
        Law::ParetoTail => "limits.why.pareto",
        Law::DistributionFree => "limits.why.free",
        Law::NotEnough => "limits.why.notenough",
        Law::CommonRule => "limits.why.rule",
    };
    say(key, &[("n", number(side.limits.residuals as f64, 0))])
}

/// A limit this far over the floor misses light knock, which stands some 8 to 20 dB out: common practice, no source.
const HIGH_DB: f64 = 15.0;

struct Filled {
    filled: usize,
    all: usize,
    margins_db: Option<(f64, f64)>,
    empty_speeds: Vec<f64>,
    more: u32,
}

impl Filled {
    fn is_high(&self) -> bool {
        self.margins_db.is_some_and(|(_, high)| high > HIGH_DB)
    }
}

fn filled(side: &Side) -> Filled {
    let cells: Vec<_> = side.table.iter().flatten().collect();
    let margin = |cell: &&crate::limit::limits::LimitAt| Some(cell.limit? - cell.floor?);
    let margins: Vec<f64> = cells.iter().filter_map(margin).collect();
    let margins_db =
        match (margins.iter().copied().min_by(f64::total_cmp), margins.iter().copied().max_by(f64::total_cmp)) {
            (Some(low), Some(high)) => Some((low, high)),
            _ => None,
        };
    let empty = |column: &usize| side.table.iter().any(|row| row.get(*column).is_some_and(|cell| cell.limit.is_none()));
    let empty_speeds = (0..side.breakpoints.len()).filter(empty).map(|column| side.breakpoints[column]).collect();
    let more = cells.iter().filter(|cell| cell.limit.is_none()).map(|cell| cell.more_needed).max().unwrap_or(0);
    Filled { filled: margins.len(), all: cells.len(), margins_db, empty_speeds, more }
}

fn judge(card: &Card, side: &Side) -> (State, String, Vec<String>) {
    let filled = filled(side);
    let rate = one_in(card.choices().false_alarm);
    let Some((low, high)) = filled.margins_db else {
        let values = [("rate", rate), ("more", number(f64::from(filled.more), 0))];
        let todo = heavy(side).into_iter().chain(to_record(card, side)).collect();
        return (State::NotEnough, say("limits.finding.none", &values), todo);
    };
    let empty = filled.all - filled.filled;
    let values = [
        ("rate", rate),
        ("low", db(low)),
        ("high", db(high)),
        ("empty", number(empty as f64, 0)),
        ("more", number(f64::from(filled.more), 0)),
        ("speeds", names(filled.empty_speeds.iter().map(|rpm| number(*rpm, 0)))),
    ];
    let doubts = doubts(side);
    let doubtful = side.source == LearntFrom::QuieterHalf || filled.is_high() || !doubts.is_empty();
    let state = if doubtful || card.choices().common_rule().is_some() { State::Look } else { State::Holds };
    let mut todo: Vec<String> = to_record(card, side);
    todo.extend(doubts);
    if filled.is_high() {
        todo.push(text("limits.todo.high"));
    }
    match (empty, card.choices().common_rule()) {
        (0, None) => (state, say("limits.finding.full", &values), todo),
        (0, Some(rule)) => (state, by_rule(card, side, rule, &values), todo),
        (_, Some(rule)) => (State::NotEnough, by_rule(card, side, rule, &values), todo),
        _ => (State::NotEnough, say("limits.finding.part", &values), todo),
    }
}

/// Whether safe running's own loudest cycles stand so far out that some of them may knock: no more ignition then.
pub(super) fn safe_may_knock(card: &Card) -> bool {
    let Some(side) = card.outcome().map(|outcome| &outcome.side).filter(|side| side.source == LearntFrom::Safe) else {
        return false;
    };
    filled(side).is_high() || side.limits.apart_share.is_some() || side.limits.pools.iter().any(|pool| pool.heavy)
}

/// What the data say against the limits, each with what to do about it.
fn doubts(side: &Side) -> Vec<String> {
    let limits = &side.limits;
    let apart = limits.apart_share.filter(|_| side.source == LearntFrom::Safe);
    let apart = apart.map(|share| say("limits.doubt.apart", &[("share", percent(share))]));
    let differing = limits.times_alike.is_some_and(|p| p < NOT_ALIKE);
    let drift = limits.drift.filter(|drift| differing && drift.abs() > DRIFT_SPREADS);
    let drift = drift.map(|drift| {
        let key = if drift > 0.0 { "limits.doubt.rises" } else { "limits.doubt.falls" };
        say(key, &[("spreads", number(drift.abs(), 1))])
    });
    heavy(side).into_iter().chain(apart).chain(drift).collect()
}

/// That a tail heavier than exponential doesn't carry so rare a rate, and from how many cycles on it would.
fn heavy(side: &Side) -> Option<String> {
    let limits = &side.limits;
    let pool = limits.pools.iter().filter(|pool| pool.heavy).max_by_key(|pool| pool.more_needed)?;
    let have = pool.residuals as f64;
    let values = [
        ("rate", one_in(limits.wanted.false_alarm)),
        ("n", number(have, 0)),
        ("need", number(have + f64::from(pool.more_needed), 0)),
    ];
    (limits.law != Law::CommonRule).then(|| say("limits.todo.heavy", &values))
}

/// A drift of fewer spreads than this is not worth a word.
const DRIFT_SPREADS: f64 = 0.2;

/// The next recordings, in order: low loads first, of each slow speeds first.
pub(super) fn to_record(card: &Card, side: &Side) -> Vec<String> {
    acts(card, side).iter().map(act).collect()
}

/// The same as figures.
pub(crate) fn acts(card: &Card, side: &Side) -> Vec<Step> {
    let loads: Vec<Option<f64>> = side.groups.iter().map(|group| group.load).collect();
    let is_recorded = card.outcome().is_some_and(|outcome| std::ptr::eq(side, &raw const outcome.side));
    let lacking = card.lacking_loads()[usize::from(!is_recorded)];
    plan(&side.table, &loads, &side.breakpoints).into_iter().chain(lacking.iter().copied()).collect()
}

fn act(step: &Step) -> String {
    let mut values = vec![
        ("pulls", number(f64::from(step.pulls), 0)),
        ("from", number((step.from_rpm - NEAR_RPM).max(0.0), 0)),
        ("to", number(step.to_rpm + NEAR_RPM, 0)),
        ("missing", number(f64::from(step.missing), 0)),
    ];
    let key = match (step.pulls > MANY_PULLS, step.load) {
        (true, _) => "limits.todo.many",
        (false, None) => "limits.todo.pulls",
        (false, Some(load)) => {
            values.push(("load", load_number(load)));
            "limits.todo.pulls.load"
        }
    };
    say(key, &values)
}

fn load_number(load: f64) -> String {
    number(load, if load.fract() == 0.0 { 0 } else { 2 })
}

/// More pulls than this are no evening's work: a rarer limit, or a lower confidence, is the way out.
const MANY_PULLS: u32 = 40;

/// What a rule that the user asked for really gives here.
fn by_rule(card: &Card, side: &Side, rule: Rule, values: &[(&str, String)]) -> String {
    let outcomes = really_give(&[rule], &side.floor, &side.learnt_from, side.groups.len(), CONFIDENCE);
    let Some(outcome) = outcomes.first() else { return say("limits.finding.full", values) };
    let mut values = values.to_vec();
    values.extend([
        ("rule", rule_name(rule)),
        ("share", percent(outcome.rate.share().unwrap_or(0.0))),
        ("least", percent(outcome.interval.low)),
        ("most", percent(outcome.interval.high)),
        ("asked", percent(card.choices().false_alarm)),
    ]);
    say("limits.finding.rule", &values)
}

/// What is promised, and beside it what to expect.
fn expected(card: &Card, side: &Side) -> Option<String> {
    let expected = side.limits.expected().filter(|share| *share > 0.0)?;
    let (rate, confidence) = (one_in(card.choices().false_alarm), percent(card.choices().confidence));
    let values = [("rate", rate), ("confidence", confidence), ("expected", one_in(expected))];
    Some(say("limits.why.expected", &values))
}

/// Whether cylinders, speeds and times share their residuals, or why not.
fn pooling(side: &Side) -> Vec<String> {
    let limits = &side.limits;
    let of = |what: &str, p: Option<f64>| {
        let verdict = if p? < NOT_ALIKE { "apart" } else { "alike" };
        Some(text(&format!("limits.pool.{what}.{verdict}")))
    };
    let fewer = (limits.inflation > 1.05).then(|| say("limits.pool.serial", &[("n", number(limits.inflation, 1))]));
    let sentences =
        [of("groups", limits.groups_alike), of("speeds", limits.speeds_alike), of("times", limits.times_alike)];
    sentences.into_iter().flatten().chain(fewer).collect()
}

/// Load breakpoints that the sheet does not list but the coverage carries, or that load would move the floor if it did.
fn loads_sentence(card: &Card, of_logs: bool) -> Option<String> {
    let loads = if of_logs { card.proposed_log_loads() } else { card.proposed_loads() };
    if loads.is_empty() {
        let is_lacking = !card.lacking_loads()[usize::from(of_logs)].is_empty();
        return is_lacking.then(|| text("limits.loads.lacking"));
    }
    Some(say("limits.loads.proposed", &[("loads", names(loads.iter().map(|load| load_number(*load))))]))
}

fn shape_sentence(card: &Card) -> Option<String> {
    match card.choices().shape {
        Shape::AsLearnt => None,
        Shape::Rising => Some(text("limits.shape.rising")),
        Shape::Smoothed => Some(text("limits.shape.smoothed")),
    }
}

pub(super) fn head(side: &Side) -> impl Iterator<Item = String> {
    [text("limits.column.rpm")].into_iter().chain(side.breakpoints.iter().map(|rpm| speed_head(*rpm)))
}

fn need(more: u32) -> Cell {
    Cell { text: format!("+{}", number(f64::from(more), 0)), need: true }
}

/// Limit over floor, with the cycles an empty cell still needs, and what the rate means per minute.
pub(super) fn over_floor(card: &Card, side: &Side) -> Table {
    let mut rows: Vec<Row> = rows(card, side)
        .into_iter()
        .map(|(name, cells)| {
            let shown = cells.iter().map(|cell| match (cell.limit, cell.floor) {
                (Some(limit), Some(floor)) => Cell::from(db(limit - floor)),
                _ => need(cell.more_needed),
            });
            Row { cells: [Cell::from(name)].into_iter().chain(shown).collect(), chosen: false, play: None }
        })
        .collect();
    let per_minute = side.breakpoints.iter().map(|rpm| number(per_minute(card, side, *rpm), 1));
    rows.push(row([text("limits.row.perminute")].into_iter().chain(per_minute)));
    table("limits", say("limits.caption.over", &[]), head(side), rows)
}

/// False alarms a minute over all cylinders at a speed.
pub(crate) fn per_minute(card: &Card, side: &Side, rpm: f64) -> f64 {
    let cylinders = card.sheet().and_then(|sheet| sheet.cylinders).map_or(side.groups.len() as f64, f64::from);
    let turns = card.sheet().map_or(2.0, |sheet| f64::from(sheet.strokes) / 2.0);
    rpm / turns * cylinders * card.choices().false_alarm
}

/// Rules one hears of, held against the safe events at hand.
fn common_rules(card: &Card, side: &Side) -> Table {
    let chosen = card.choices().common_rule();
    let mut rules = vec![
        Rule::OverFloor { db: 6.0 },
        Rule::OverFloor { db: 10.0 },
        Rule::MeanPlus { k: 3.0 },
        Rule::MeanPlus { k: 4.0 },
    ];
    rules.extend(chosen.filter(|rule| !rules.contains(rule)));
    let outcomes = really_give(&rules, &side.floor, &side.learnt_from, side.groups.len(), CONFIDENCE);
    let rows = outcomes.iter().map(|outcome| {
        let name = rule_name(outcome.rule);
        let share = outcome.rate.share().filter(|share| *share > 0.0);
        row([
            name,
            share.map_or_else(|| "–".into(), |share| number((1.0 / share).round(), 0)),
            share.map_or_else(|| "0".into(), percent),
            format!("{} – {}", percent(outcome.interval.low), percent(outcome.interval.high)),
        ])
    });
    let columns = ["rule", "rate", "share", "interval"].map(|key| text(&format!("limits.rules.{key}")));
    table("rules", text("limits.caption.rules"), columns, rows.collect())
}

fn rule_name(rule: Rule) -> String {
    match rule {
        Rule::OverFloor { db: over } => say("limits.rules.over", &[("db", number(over, 0))]),
        Rule::MeanPlus { k } => say("limits.rules.sigma", &[("k", number(k, 1))]),
    }
}

/// Limits in volts, and in g where the sensor's sensitivity is known too; only for sensors whose scale the sheet gives.
fn volts(card: &Card, side: &Side) -> Option<Table> {
    let shown = |cell: &LimitAt, scale: Scale| {
        let Some(limit_db) = cell.limit else { return "–".into() };
        let rms_mv = 1000.0 * scale.rms_v(limit_db);
        match scale.mv_per_g {
            Some(mv) => say("limits.volts.g", &[("mv", three_digits(rms_mv)), ("g", three_digits(rms_mv / mv))]),
            None => say("limits.volts.v", &[("mv", three_digits(rms_mv))]),
        }
    };
    let line = |line: Line| {
        let scale = scale(card, side, &line)?;
        Some(row([line.name].into_iter().chain(line.cells.iter().map(|cell| shown(cell, scale)))))
    };
    let rows: Vec<Row> = lines(card, side).into_iter().filter_map(line).collect();
    let key =
        if card.choices().feature == Feature::Peak { "limits.caption.volts.peak" } else { "limits.caption.volts" };
    (!rows.is_empty()).then(|| table("limits-volts", text(key), head(side), rows))
}

fn three_digits(value: f64) -> String {
    number(value, (2.0 - value.abs().max(1e-9).log10().floor()).clamp(0.0, 4.0) as usize)
}

/// Cycles held near each speed, with those still missing.
pub(super) fn coverage(card: &Card, side: &Side) -> Table {
    let lines = rows(card, side).into_iter().map(|(name, cells)| {
        let shown = cells.iter().map(|cell| {
            let held = number(cell.cycles.round(), 0);
            match cell.more_needed {
                0 => Cell::from(held),
                more => Cell { text: format!("{held} +{}", number(f64::from(more), 0)), need: true },
            }
        });
        Row { cells: [Cell::from(name)].into_iter().chain(shown).collect(), chosen: false, play: None }
    });
    table("coverage", text("limits.caption.coverage"), head(side), lines.collect())
}

fn absolute(card: &Card, side: &Side) -> Table {
    let rows = rows(card, side)
        .into_iter()
        .map(|(name, cells)| row([name].into_iter().chain(cells.iter().map(|cell| db_or_dash(cell.limit)))));
    table("limits-dbfs", say("limits.caption.absolute", &[("unit", measured::unit(card))]), head(side), rows.collect())
}

pub(super) fn of_log(card: &Card, logs: &LogOutcome) -> Table {
    let rows = rows(card, &logs.side).into_iter().map(|(name, cells)| {
        let shown = cells
            .iter()
            .map(|cell| cell.limit.map_or_else(|| need(cell.more_needed), |limit| log_number(logs, limit).into()));
        Row { cells: [Cell::from(name)].into_iter().chain(shown).collect(), chosen: false, play: None }
    });
    let per_minute = super::logs::per_minute(card, logs);
    let values = [("unit", log_unit(Some(logs))), ("perminute", number(per_minute, 1))];
    table("limits-log", say("limits.caption.log", &values), head(&logs.side), rows.collect())
}

pub(super) fn verdict(card: &Card) -> (State, String) {
    let recordings = card.outcome().map(|outcome| &outcome.side);
    let Some(side) = recordings.or(card.log_outcome().map(|logs| &logs.side)) else {
        return (State::Waiting, text("verdict.number.waiting"));
    };
    let (state, ..) = judge(card, side);
    let filled = filled(side);
    let values = [
        ("filled", number(filled.filled as f64, 0)),
        ("all", number(filled.all as f64, 0)),
        ("speeds", names(filled.empty_speeds.iter().map(|rpm| number(*rpm, 0)))),
        ("share", percent(card.choices().confidence)),
        ("rate", one_in(card.choices().false_alarm)),
    ];
    let key = match (filled.filled, filled.all - filled.filled) {
        (0, _) => "verdict.number.none",
        _ if filled.is_high() => "verdict.number.high",
        (_, 0) => "verdict.number.full",
        _ => "verdict.number.part",
    };
    (state, say(key, &values))
}
