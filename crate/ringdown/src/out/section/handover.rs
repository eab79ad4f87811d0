//! Section 11: what is handed over, its evidence, and the plan of what to record next.

use super::*;
use crate::card::Content;
use crate::out::measured;
use crate::out::words::{khz, list, one_in, percent, say};

pub(super) fn view(card: &Card) -> SectionView {
    let side = card.outcome().map(|outcome| &outcome.side).or(card.log_outcome().map(|logs| &logs.side));
    let evidence = vec![evidence(card), settings(card)];
    let cautions = ["caution.start", "caution.running", "caution.local"].map(text).to_vec();
    let Some(side) = side else {
        let mut view = waiting(11, "handover.waiting", "handover.todo");
        view.tables = evidence;
        view.cautions = cautions;
        return view;
    };
    let limits = super::limits::view(card);
    let values =
        [("groups", number(side.groups.len() as f64, 0)), ("speeds", number(side.breakpoints.len() as f64, 0))];
    let is_empty = side.table.iter().flatten().all(|cell| cell.limit.is_none());
    let key = match limits.state {
        _ if is_empty => "handover.finding.none",
        State::Holds => "handover.finding.ready",
        State::NotEnough => "handover.finding.part",
        _ => "handover.finding.look",
    };
    let plan = (3..=9).filter_map(|section| super::view(card, section)).flat_map(|view| view.todo);
    let mut todo: Vec<String> = Vec::new();
    for act in plan {
        if !todo.contains(&act) {
            todo.push(act);
        }
    }
    SectionView {
        why: [text(super::limits::which(card)), text("handover.why"), text(second_step(card))]
            .into_iter()
            .chain(measured::sentence(card))
            .collect(),
        todo,
        cautions,
        tables: control::to_set(card).into_iter().chain(to_type_in(card)).chain(evidence).collect(),
        ..blank(11, limits.state, say(key, &values))
    }
}

/// The limits themselves stand on the sheet that is signed, and as the control unit's steps make them.
fn to_type_in(card: &Card) -> Vec<Table> {
    let over_floor = card.outcome().map(|outcome| super::limits::over_floor(card, &outcome.side));
    let of_log = card.log_outcome().map(|logs| super::limits::of_log(card, logs));
    let through_own = control::through_own(card);
    let costs = super::logs::costs(card);
    over_floor.into_iter().chain(of_log).chain(through_own).chain(control::typed(card)).chain(costs).collect()
}

/// Settings first, limits from a log taken with them: which of the two steps comes next.
fn second_step(card: &Card) -> &'static str {
    if card.log_outcome().is_some() { "handover.step.log" } else { "handover.step.settings" }
}

/// Files with their full hashes.
fn evidence(card: &Card) -> Table {
    let rows = card.files().iter().map(|file| {
        let sha = file.sha256.clone().filter(|sha| !sha.is_empty()).unwrap_or_else(|| "…".into());
        row([file.input.name.clone(), number(file.input.bytes as f64, 0), sha])
    });
    let columns = ["file", "bytes", "sha"].map(|key| text(&format!("handover.column.{key}")));
    table("evidence", text("handover.caption.evidence"), columns, rows.collect())
}

/// Every choice in force.
fn settings(card: &Card) -> Table {
    let choices = card.choices();
    let window = card.window();
    let degrees = say("setting.deg", &[("low", number(window.low, 0)), ("high", number(window.high, 0))]);
    let band = super::band::band(card);
    let rows = [
        (
            "band",
            band.map_or_else(
                || "–".into(),
                |band| say("setting.khz", &[("low", khz(band.low)), ("high", khz(band.high))]),
            ),
        ),
        ("window", if card.has_angle() { degrees } else { "–".into() }),
        ("feature", measured::name(choices.feature)),
        ("rate", one_in(choices.false_alarm)),
        ("rule", choices.rule.clone().unwrap_or_else(|| text("setting.rule.law"))),
        (
            "useanyway",
            match choices.use_anyway.as_slice() {
                [] => text("setting.useanyway.none"),
                all => list(&all.iter().map(|reason| text(&format!("floor.reason.{reason}"))).collect::<Vec<_>>()),
            },
        ),
        ("confidence", say("setting.percent", &[("share", percent(choices.confidence))])),
        ("version", env!("CARGO_PKG_VERSION").into()),
    ];
    let rows = rows.into_iter().map(|(key, value)| row([text(&format!("setting.{key}")), value]));
    table(
        "settings",
        text("handover.caption.settings"),
        ["setting.column.what", "setting.column.value"].map(text),
        rows.collect(),
    )
}

/// Verdict, findings and limits as plain text, short enough for a message.
pub fn summary_text(card: &Card) -> String {
    let mut out = format!("{}\n\n", title(card));
    for answer in verdict(card) {
        out += &format!("{} {}\n", answer.question, answer.sentence);
    }
    out.push('\n');
    for view in (1..=11).filter_map(|section| super::view(card, section)) {
        if view.state != State::Waiting {
            out += &format!(
                "{}. {} [{}]\n",
                view.section,
                view.finding,
                text(&format!("state.{:?}", view.state).to_lowercase())
            );
            for act in &view.todo {
                out += &format!("   {} {act}\n", text("todo.mark"));
            }
        }
    }
    if let Some(view) = super::view(card, 8) {
        for table in view.tables {
            out += &format!("\n{}\n{}\n", table.caption, table.columns.join("\t"));
            for row in &table.rows {
                out += &format!("{}\n", row.cells.iter().map(|cell| cell.text.as_str()).collect::<Vec<_>>().join("\t"));
            }
        }
    }
    if let Some(measured) = measured::sentence(card) {
        out += &format!("\n{measured}\n");
    }
    out += &format!("\n{}\n", text("caution.start"));
    let files = card.files().iter().filter(|file| matches!(file.content, Content::Recording(_) | Content::Log(_)));
    let hashed = files.map(|file| {
        let sha = file.sha256.as_deref().unwrap_or("");
        format!("{} {}", file.input.name, &sha[..sha.len().min(12)])
    });
    let hashed = hashed.collect::<Vec<_>>().join(", ");
    if !hashed.is_empty() {
        out += &format!("{}: {hashed}\n", text("handover.files"));
    }
    out
}
