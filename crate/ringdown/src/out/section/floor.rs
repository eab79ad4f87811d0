//! Section 7: the background of each cylinder over speed.

use super::*;
use crate::card::{LearntFrom, LogOutcome, Side};
use crate::feature::level::LeftOut;
use crate::limit::floor::FloorAt;
use crate::out::measured;
use crate::out::words::say;

pub(super) fn view(card: &Card) -> SectionView {
    let recordings = card.outcome().map(|outcome| &outcome.side);
    let logs = card.log_outcome();
    let Some(main) = recordings.or(logs.map(|logs| &logs.side)) else {
        return waiting(7, "floor.waiting", why_not(card));
    };
    // Linear levels stand as dB in the side, so their rise is one in dB as well.
    let unit =
        if recordings.is_some() || logs.is_some_and(|logs| logs.linear) { text("unit.db") } else { log_unit(logs) };
    let (state, finding) = judge(main, &unit);
    let mut tables = Vec::new();
    let mut figures = Vec::new();
    if let Some(side) = recordings {
        tables.push(floor_table("floor", side, say("floor.caption", &[("unit", measured::unit(card))]), db));
        tables.push(left_out(card));
        figures.push(figure("floor", "floor.figure", finding.clone()));
    }
    if let Some(logs) = logs {
        let caption = say("floor.caption.log", &[("unit", log_unit(Some(logs)))]);
        tables.push(floor_table("floor-log", &logs.side, caption, |level| log_number(logs, level)));
        figures.push(figure("floor-log", "floor.figure.log", say("floor.figure.log.summary", &[])));
    }
    let source = match main.source {
        LearntFrom::Safe => "floor.why.safe",
        LearntFrom::QuieterHalf => "floor.why.quieter",
    };
    let todo = if main.source == LearntFrom::QuieterHalf { vec![text("floor.todo.safe")] } else { Vec::new() };
    let mut why = vec![text("floor.why"), text(source), exclusions(card)];
    why.extend(measured::sentence(card));
    why.extend(super::logs::why(card));
    why.extend(super::heard::sentences(card));
    tables.extend(super::heard::table(card));
    SectionView { why, todo, tables, figures, ..blank(7, state, finding) }
}

/// Which reasons for leaving cycles out the user switched off.
fn exclusions(card: &Card) -> String {
    let used: Vec<String> =
        card.choices().use_anyway.iter().map(|reason| text(&format!("floor.reason.{reason}"))).collect();
    if used.is_empty() { text("floor.why.all") } else { say("floor.why.used", &[("reasons", names(used))]) }
}

/// What is missing before a floor can be learnt.
pub(super) fn why_not(card: &Card) -> &'static str {
    let has_events =
        card.recordings().any(|(_, recording)| recording.crank().is_some_and(|crank| !crank.events.is_empty()));
    if card.recordings().next().is_none() && card.logs().next().is_none() {
        "floor.todo.drop"
    } else if card.recordings().next().is_none() {
        "floor.todo.level"
    } else if !has_events {
        "floor.todo.crank"
    } else if card.modes().is_none() && card.choices().band.is_none() {
        "floor.todo.bore"
    } else {
        "floor.todo.more"
    }
}

/// Unit of the log's levels, "its own unit" where the log names none.
pub(super) fn log_unit(logs: Option<&LogOutcome>) -> String {
    logs.and_then(|logs| logs.unit.clone()).unwrap_or_else(|| text("unit.log"))
}

/// A level in the log's unit with three significant digits.
pub(super) fn log_number(logs: &LogOutcome, level: f64) -> String {
    let value = logs.logged(level);
    let digits = if logs.linear { (2.0 - value.abs().max(1e-9).log10().floor()).clamp(0.0, 4.0) as usize } else { 1 };
    number(value, digits)
}

/// Floors of the table's cells, group by group.
fn cells(side: &Side) -> Vec<Vec<Option<FloorAt>>> {
    let at = |group: usize| side.breakpoints.iter().map(move |&rpm| side.floor.at(group as u16, rpm)).collect();
    (0..side.groups.len()).map(at).collect()
}

fn judge(side: &Side, unit: &str) -> (State, String) {
    let cells = cells(side);
    let mean_at = |column: usize| {
        let levels: Vec<f64> =
            cells.iter().filter_map(|row| row.get(column).copied().flatten()).map(|at| at.level).collect();
        (!levels.is_empty()).then(|| levels.iter().sum::<f64>() / levels.len() as f64)
    };
    let known: Vec<(f64, f64)> =
        side.breakpoints.iter().enumerate().filter_map(|(column, rpm)| Some((*rpm, mean_at(column)?))).collect();
    let (Some(first), Some(last)) = (known.first(), known.last()) else {
        return (State::NotEnough, text("floor.finding.none"));
    };
    let rise = last.1 - first.1;
    let mut values = vec![
        ("rise", db(rise.abs())),
        ("from", number(first.0, 0)),
        ("to", number(last.0, 0)),
        ("unit", unit.to_owned()),
    ];
    let key = match loudest(side, &cells) {
        Some((name, over_db)) => {
            values.extend([("who", lower_first(&name)), ("over", db(over_db))]);
            if rise >= 0.0 { "floor.finding.rises.one" } else { "floor.finding.falls.one" }
        }
        None if rise >= 0.0 => "floor.finding.rises",
        None => "floor.finding.falls",
    };
    (if side.source == LearntFrom::Safe { State::Holds } else { State::Look }, say(key, &values))
}

/// The group that stands highest, and by how much at least over each of the others, if by more than 1.5 dB.
fn loudest(side: &Side, cells: &[Vec<Option<FloorAt>>]) -> Option<(String, f64)> {
    let apart = |group: usize, other: usize| -> Option<f64> {
        let pairs = cells[group].iter().zip(&cells[other]);
        let differences: Vec<f64> =
            pairs.filter_map(|(own, other)| Some(own.as_ref()?.level - other.as_ref()?.level)).collect();
        (!differences.is_empty()).then(|| differences.iter().sum::<f64>() / differences.len() as f64)
    };
    let over = |group: usize| {
        let others = (0..cells.len()).filter(|other| *other != group);
        others.filter_map(|other| apart(group, other)).min_by(f64::total_cmp)
    };
    let best = (0..cells.len()).filter_map(|group| Some((group, over(group)?))).max_by(|a, b| a.1.total_cmp(&b.1))?;
    (best.1 > 1.5).then(|| (group_name(&side.groups[best.0]), best.1))
}

fn floor_table(id: &str, side: &Side, caption: String, shown: impl Fn(f64) -> String) -> Table {
    let head = [text("floor.column.who")].into_iter().chain(side.breakpoints.iter().map(|rpm| speed_head(*rpm)));
    let rows = cells(side).into_iter().zip(&side.groups).map(|(levels, group)| {
        let shown = levels.iter().map(|at| at.map_or_else(|| "–".into(), |at| shown(at.level)));
        row([group_name(group)].into_iter().chain(shown))
    });
    table(id, caption, head, rows.collect())
}

/// Events used and left out, with the reason, per recording.
fn left_out(card: &Card) -> Table {
    let rows = card.recordings().filter_map(|(file, recording)| {
        let levels = recording.levels.as_ref()?;
        let count = |reason: Option<LeftOut>| levels.levels.iter().filter(|level| level.left_out == reason).count();
        let [cold, overrun] = card.left_out_by_driving(file.id);
        let waved = |reason: &str, count: usize| if card.choices().uses(reason) { 0 } else { count };
        let used = count(None) - waved("cold", cold) - waved("overrun", overrun);
        let [clipped, transient] = [LeftOut::Clipped, LeftOut::Transient].map(|reason| count(Some(reason)));
        let [outside, slow] = [LeftOut::Outside, LeftOut::TooSlow].map(|reason| count(Some(reason)));
        let counts = [used, clipped, transient, cold, overrun, outside, slow].map(|count| number(count as f64, 0));
        Some(row([file.input.name.clone()].into_iter().chain(counts)))
    });
    let columns = ["file", "used", "clipped", "transient", "cold", "overrun", "outside", "slow"];
    let columns = columns.map(|key| text(&format!("floor.column.{key}")));
    table("used", text("floor.caption.used"), columns, rows.collect())
}
