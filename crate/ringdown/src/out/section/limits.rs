//! Section 8: the numbers to type in.

use super::floor::{log_number, log_unit, why_not};
use super::*;
use crate::card::{LearntFrom, LogOutcome, Side};
use crate::limit::limits::Law;
use crate::limit::rules::{Rule, really_give};
use crate::out::words::{one_in, percent, say};

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
        tables.push(absolute(side));
        figures.push(figure("limits", "limits.figure", finding.clone()));
        figures.push(figure("tail", "limits.figure.tail", text("chart.tail.summary")));
        tables.push(common_rules(side));
    }
    if let Some(logs) = logs {
        tables.push(of_log(card, logs));
    }
    let mut why = vec![law_sentence(main), text(which(card)), text("limits.why.rate")];
    if main.source == LearntFrom::QuieterHalf {
        why.push(text("floor.why.quieter"));
    }
    SectionView { why, todo, cautions: cautions(), tables, figures, ..blank(8, state, finding) }
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
        return (State::NotEnough, say("limits.finding.none", &values), vec![say("limits.todo.more", &values)]);
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
    let state = if side.source == LearntFrom::QuieterHalf || high > HIGH_DB { State::Look } else { State::Holds };
    let mut todo = if high > HIGH_DB { vec![text("limits.todo.high")] } else { Vec::new() };
    match empty {
        0 => (state, say("limits.finding.full", &values), todo),
        _ => {
            todo.insert(0, say("limits.todo.pulls", &values));
            (State::NotEnough, say("limits.finding.part", &values), todo)
        }
    }
}

fn head(side: &Side) -> impl Iterator<Item = String> {
    [text("limits.column.rpm")].into_iter().chain(side.breakpoints.iter().map(|rpm| speed_head(*rpm)))
}

fn need(more: u32) -> Cell {
    Cell { text: format!("+{}", number(f64::from(more), 0)), need: true }
}

/// Limit over floor, with the cycles an empty cell still needs, and what the rate means per minute.
pub(super) fn over_floor(card: &Card, side: &Side) -> Table {
    let mut rows: Vec<Row> = side
        .table
        .iter()
        .zip(&side.groups)
        .map(|(cells, group)| {
            let shown = cells.iter().map(|cell| match (cell.limit, cell.floor) {
                (Some(limit), Some(floor)) => Cell::from(db(limit - floor)),
                _ => need(cell.more_needed),
            });
            Row { cells: [Cell::from(group_name(group))].into_iter().chain(shown).collect(), chosen: false, play: None }
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
fn common_rules(side: &Side) -> Table {
    let rules = [
        Rule::OverFloor { db: 6.0 },
        Rule::OverFloor { db: 10.0 },
        Rule::MeanPlus { k: 3.0 },
        Rule::MeanPlus { k: 4.0 },
    ];
    let outcomes = really_give(&rules, &side.floor, &side.learnt_from, side.groups.len(), 0.95);
    let rows = outcomes.iter().map(|outcome| {
        let name = match outcome.rule {
            Rule::OverFloor { db: over } => say("limits.rules.over", &[("db", number(over, 0))]),
            Rule::MeanPlus { k } => say("limits.rules.sigma", &[("k", number(k, 0))]),
        };
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

fn absolute(side: &Side) -> Table {
    let rows = side.table.iter().zip(&side.groups).map(|(cells, group)| {
        row([group_name(group)].into_iter().chain(cells.iter().map(|cell| db_or_dash(cell.limit))))
    });
    table("limits-dbfs", say("limits.caption.absolute", &[("unit", text("unit.dbfs"))]), head(side), rows.collect())
}

pub(super) fn of_log(card: &Card, logs: &LogOutcome) -> Table {
    let rows = logs.side.table.iter().zip(&logs.side.groups).map(|(cells, group)| {
        let shown = cells
            .iter()
            .map(|cell| cell.limit.map_or_else(|| need(cell.more_needed), |limit| log_number(logs, limit).into()));
        Row { cells: [Cell::from(group_name(group))].into_iter().chain(shown).collect(), chosen: false, play: None }
    });
    let per_minute =
        if logs.judged_s > 0.0 { logs.judged as f64 / logs.judged_s * 60.0 * card.choices().false_alarm } else { 0.0 };
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
        (_, 0) => "verdict.number.full",
        _ => "verdict.number.part",
    };
    (state, say(key, &values))
}
