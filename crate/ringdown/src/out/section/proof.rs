//! Section 9: how the limits do.

use super::*;
use crate::card::proof::{CONFIDENCE, Proof};
use crate::card::{FileRole, Judged};
use crate::out::measured;
use crate::out::view::Play;
use crate::out::words::{percent, say};
use crate::stats::order::Arrange;
use crate::stats::rate::Rate;

/// Rows of the event table: more than a person will listen to.
const MOST_ROWS: usize = 36;
/// Played before and after firing TDC, s.
const PLAYED_S: f64 = 0.02;

pub(super) fn view(card: &Card) -> SectionView {
    let cautions = ["caution.provoke", "caution.running"].map(text).to_vec();
    let Some(proof) = card.proof() else {
        if let Some(logs) = card.log_outcome() {
            return log_view(card, logs, cautions);
        }
        return SectionView { cautions, ..waiting(9, "proof.waiting", "proof.todo.limits") };
    };
    let (state, finding, todo) = judge(&proof);
    let mut tables = vec![rates(&proof)];
    tables.extend(by_place(card, &proof));
    let events = event_table(card);
    if !events.rows.is_empty() {
        tables.push(events);
    }
    if !proof.sweep.is_empty() {
        tables.push(sweep_table(&proof));
    }
    if let Some(logs) = card.log_outcome() {
        tables.push(log_events(card, logs));
        tables.extend(super::logs::tables(card));
    }
    let mut figures = Vec::new();
    if proof.roc.is_some() {
        figures.push(figure("roc", "proof.figure.roc", finding.clone()));
    }
    if proof.sweep.len() > 1 {
        figures.push(figure("sweep", "proof.figure.sweep", sweep_sentence(&proof)));
    }
    let mut why = vec![text("proof.why"), text("proof.why.heldout")];
    why.extend(measured::sentence(card));
    if proof.learnt_and_proven > 0 {
        why.push(say("proof.why.same", &[("n", number(proof.learnt_and_proven as f64, 0))]));
    }
    if proof.swept_by_log {
        why.push(text("proof.why.swept"));
    }
    SectionView { why, todo, cautions, tables, figures, ..blank(9, state, finding) }
}

fn interval(rate: Rate) -> (String, String) {
    let interval = rate.interval(CONFIDENCE);
    (percent(interval.low), percent(interval.high))
}

fn judge(proof: &Proof) -> (State, String, Vec<String>) {
    let false_alarms = proof.false_held_out.map_or_else(String::new, |rate| {
        say("proof.false", &[("hits", number(rate.hits as f64, 0)), ("n", number(rate.trials as f64, 0))])
    });
    if let Some(caught) = proof.caught {
        let (low, high) = interval(caught);
        let values = [
            ("n", number(caught.trials as f64, 0)),
            ("caught", number(caught.hits as f64, 0)),
            ("share", percent(caught.share().unwrap_or(0.0))),
            ("low", low),
            ("high", high),
            ("missed", number((caught.trials - caught.hits) as f64, 0)),
            ("false", false_alarms),
        ];
        let enough = caught.trials >= 30;
        let state = match (enough, caught.interval(CONFIDENCE).low) {
            (false, _) => State::NotEnough,
            (true, low) if low >= 0.7 => State::Holds,
            _ => State::Look,
        };
        let todo = match state {
            State::NotEnough => vec![text("proof.todo.morelabels")],
            State::Look => vec![text("proof.todo.missed")],
            _ => Vec::new(),
        };
        return (state, say("proof.finding.labels", &values), todo);
    }
    let Some(over) = proof.over_limit else {
        return (
            State::NotEnough,
            say("proof.finding.safe", &[("false", false_alarms)]),
            vec![text("proof.todo.provoke")],
        );
    };
    let (low, high) = interval(over);
    let values = [
        ("share", percent(over.share().unwrap_or(0.0))),
        ("low", low),
        ("high", high),
        ("n", number(over.trials as f64, 0)),
        ("false", false_alarms),
    ];
    (State::NotEnough, say("proof.finding.share", &values), vec![text("proof.todo.label")])
}

fn rates(proof: &Proof) -> Table {
    let line = |key: &str, rate: Option<Rate>| {
        rate.map(|rate| {
            let (low, high) = interval(rate);
            let share = percent(rate.share().unwrap_or(0.0));
            row([
                text(key),
                number(rate.hits as f64, 0),
                number(rate.trials as f64, 0),
                share,
                format!("{low} – {high}"),
            ])
        })
    };
    let rows = [
        line("proof.row.caught", proof.caught),
        line("proof.row.falselabelled", proof.false_labelled),
        line("proof.row.heldout", proof.false_held_out),
        line("proof.row.over", proof.over_limit),
    ];
    let columns = ["what", "hits", "of", "share", "interval"].map(|key| text(&format!("proof.column.{key}")));
    let caption = match proof.roc.as_ref().and_then(|roc| Some((roc.auc, roc.interval(CONFIDENCE)?))) {
        Some((auc, interval)) => say(
            "proof.caption.auc",
            &[("auc", number(auc, 3)), ("low", number(interval.low, 3)), ("high", number(interval.high, 3))],
        ),
        None => text("proof.caption"),
    };
    table("proof", caption, columns, rows.into_iter().flatten().collect())
}

/// Recall and false alarms of each cylinder, then of each speed. False alarms are those of safe running, each judged by
/// limits learnt without it.
fn by_place(card: &Card, proof: &Proof) -> Option<Table> {
    let outcome = card.outcome()?;
    let side = &outcome.side;
    let sum = |rates: Vec<Rate>| {
        let add = |a: Rate, b: Rate| Rate { hits: a.hits + b.hits, trials: a.trials + b.trials };
        rates.into_iter().fold(Rate { hits: 0, trials: 0 }, add)
    };
    let line = |name: String, recall: Rate, alarms: Rate| {
        (recall.trials + alarms.trials > 0)
            .then(|| row([name, counted(recall), range(recall, 100.0), counted(alarms), range(alarms, 1000.0)]))
    };
    let recall_of = |inside: &dyn Fn(u16, f64) -> bool| {
        let cells = proof.cells.iter().filter(|cell| inside(cell.group, cell.rpm));
        sum(cells.filter_map(|cell| cell.recall).map(|shown| shown.rate).collect())
    };
    let alarms_of = |inside: &dyn Fn(u16, f64) -> bool| {
        let speed = |index: usize| side.breakpoints.get(index).copied().unwrap_or(f64::NAN);
        let cells = outcome.held_out_by.iter().filter(|((group, index), _)| inside(*group, speed(*index)));
        sum(cells.map(|(_, rate)| *rate).collect())
    };
    let groups = side.groups.iter().enumerate().filter_map(|(index, group)| {
        let own = |other: u16, _: f64| usize::from(other) == index;
        line(group_name(group), recall_of(&own), alarms_of(&own))
    });
    let speeds = side.breakpoints.iter().filter_map(|&speed| {
        let own = |_: u16, rpm: f64| rpm == speed;
        line(say("proof.by.speed", &[("rpm", number(speed, 0))]), recall_of(&own), alarms_of(&own))
    });
    let rows: Vec<Row> = groups.chain(speeds).collect();
    let columns = ["place", "caught", "recall", "alarms", "per1000"].map(|key| text(&format!("proof.by.{key}")));
    (!rows.is_empty()).then(|| table("proof-by", text("proof.caption.by"), columns, rows))
}

fn counted(rate: Rate) -> String {
    let values = [("hits", number(rate.hits as f64, 0)), ("n", number(rate.trials as f64, 0))];
    if rate.trials == 0 { "–".into() } else { say("proof.by.of", &values) }
}

/// A share times `per` with its interval.
fn range(rate: Rate, per: f64) -> String {
    let Some(share) = rate.share() else { return "–".into() };
    let interval = rate.interval(CONFIDENCE);
    let shown = |share: f64| number(per * share, 1);
    format!("{} ({} – {})", shown(share), shown(interval.low), shown(interval.high))
}

#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Kind {
    Missed,
    False,
    Over,
}

fn kind(event: &Judged) -> Option<Kind> {
    match (event.label, event.knock()) {
        (Some(true), Some(false)) => Some(Kind::Missed),
        (Some(false), Some(true)) => Some(Kind::False),
        (None, Some(true)) => Some(Kind::Over),
        _ => None,
    }
}

/// Missed, false and unjudged events of provoked recordings, nearest to the limit first.
fn event_table(card: &Card) -> Table {
    let mut rows: Vec<(Kind, f32, Row)> = Vec::new();
    let provoked = card.recordings().filter(|(file, _)| file.role == FileRole::Knock);
    for (file, recording) in provoked {
        let judged = card.outcome().and_then(|outcome| outcome.of(file.id));
        let (Some(judged), Some(crank), Some(levels)) = (judged, recording.crank(), &recording.levels) else {
            continue;
        };
        for ((event, judgement), channel) in crank.events.iter().zip(judged).zip(&levels.channels) {
            let Some(kind) = kind(judgement) else { continue };
            let over_db = judgement.level_db - judgement.limit_db;
            let who = card
                .outcome()
                .map(|outcome| &outcome.side.groups)
                .and_then(|groups| groups.get(usize::from(judgement.group)));
            let key = match kind {
                Kind::Missed => "proof.kind.missed",
                Kind::False => "proof.kind.false",
                Kind::Over => "proof.kind.over",
            };
            let cells = [
                number(event.t_s, 3),
                who.map_or_else(|| "–".into(), group_name),
                number(f64::from(event.rpm), 0),
                format!("{}{}", if over_db > 0.0 { "+" } else { "" }, number(f64::from(over_db), 2)),
                text(key),
                file.input.name.clone(),
            ];
            let play =
                Play { file: file.id, channel: *channel, from_s: event.t_s - PLAYED_S, to_s: event.t_s + PLAYED_S };
            rows.push((kind, over_db.abs(), Row { play: Some(play), ..row(cells) }));
        }
    }
    rows.arrange(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let all = rows.len();
    let mut taken = [0; 3];
    let within = |(kind, _, _): &(Kind, f32, Row)| {
        taken[*kind as usize] += 1;
        taken[*kind as usize] <= MOST_ROWS / 3
    };
    let shown = rows.into_iter().filter(within).map(|(_, _, row)| row).collect::<Vec<_>>();
    let columns = ["at", "who", "rpm", "over", "what", "file"].map(|key| text(&format!("proof.event.{key}")));
    let values = [("shown", number(shown.len() as f64, 0)), ("all", number(all as f64, 0))];
    table("events", say("proof.caption.events", &values), columns, shown)
}

fn sweep_table(proof: &Proof) -> Table {
    let rows = proof.sweep.iter().map(|(deg, rate)| {
        let (low, high) = interval(*rate);
        row([
            number(*deg, 1),
            percent(rate.share().unwrap_or(0.0)),
            format!("{low} – {high}"),
            number(rate.trials as f64, 0),
        ])
    });
    let columns = ["ignition", "share", "interval", "n"].map(|key| text(&format!("proof.sweep.{key}")));
    table("sweep", sweep_sentence(proof), columns, rows.collect())
}

/// The angle at which the rising curve through the sweep passes 1 %, and whether an angle is surely over it.
fn sweep_sentence(proof: &Proof) -> String {
    let surely = surely_over(proof);
    match proof.border_deg_btdc {
        Some(deg) => format!("{} {surely}", say("proof.sweep.border", &[("deg", number(deg, 1))])),
        None => surely,
    }
}

fn surely_over(proof: &Proof) -> String {
    let first = proof.sweep.iter().find(|(_, rate)| rate.interval(CONFIDENCE).low > 0.01);
    match first {
        Some((deg, rate)) => {
            say("proof.sweep.passes", &[("deg", number(*deg, 1)), ("share", percent(rate.share().unwrap_or(0.0)))])
        }
        None => text("proof.sweep.never"),
    }
}

fn log_view(card: &Card, logs: &crate::card::LogOutcome, cautions: Vec<String>) -> SectionView {
    let per_minute = if logs.judged_s > 0.0 { logs.events.len() as f64 / logs.judged_s * 60.0 } else { 0.0 };
    let values = [
        ("n", number(logs.events.len() as f64, 0)),
        ("all", number(logs.judged as f64, 0)),
        ("perminute", number(per_minute, 1)),
        ("expected", number(logs.judged_new as f64 * card.choices().false_alarm, 0)),
        ("knock", number(logs.caused_by(crate::feature::cause::Cause::Knock) as f64, 0)),
    ];
    let finding = match (logs.judged, logs.events.len()) {
        (0, _) => "proof.finding.log.unjudged",
        (_, 0) => "proof.finding.log.none",
        _ => "proof.finding.log",
    };
    SectionView {
        why: vec![text("proof.why.log")],
        todo: [text("proof.todo.log")].into_iter().chain(super::logs::log_next(card)).collect(),
        cautions,
        tables: [log_events(card, logs)].into_iter().chain(super::logs::tables(card)).collect(),
        ..blank(9, State::NotEnough, say(finding, &values))
    }
}

/// The log's samples over their limit, furthest first.
fn log_events(card: &Card, logs: &crate::card::LogOutcome) -> Table {
    use super::floor::{log_number, log_unit};
    use crate::read::roles::Role;
    let mut events: Vec<_> = logs.events.iter().collect();
    let over = |event: &crate::card::LogEvent| event.level / event.limit;
    events.arrange(|a, b| over(b).total_cmp(&over(a)));
    let rows = events.iter().take(MOST_ROWS).filter_map(|event| {
        let (file, log) = card.logs().find(|(file, _)| file.id == event.file)?;
        let rpm = log.first(Role::Speed)?.values.get(event.row)?;
        let shown =
            |level: f64| if logs.linear { log_number(logs, 20.0 * level.log10()) } else { log_number(logs, level) };
        Some(row([
            number(*log.t_s.get(event.row)?, 2),
            group_name(logs.side.groups.get(usize::from(event.group))?),
            number(rpm, 0),
            shown(event.level),
            shown(event.limit),
            text(&format!("cause.{}", event.cause.word())),
            event.response.map_or_else(|| "–".into(), |response| number(response.deg, 1)),
            file.input.name.clone(),
        ]))
    });
    let columns =
        ["at", "who", "rpm", "level", "limit", "cause", "deg", "file"].map(|key| text(&format!("proof.event.{key}")));
    let values = [("n", number(events.len() as f64, 0)), ("unit", log_unit(Some(logs)))];
    table("log-events", say("proof.caption.log", &values), columns, rows.collect())
}

pub(super) fn verdict(card: &Card) -> (State, String) {
    let Some(proof) = card.proof() else {
        let key = if card.log_outcome().is_some() { "verdict.proof.log" } else { "verdict.proof.waiting" };
        let state = if card.log_outcome().is_some() { State::NotEnough } else { State::Waiting };
        return (state, [text(key)].into_iter().chain(super::logs::log_next(card)).collect::<Vec<_>>().join(" "));
    };
    let (state, ..) = judge(&proof);
    match proof.caught {
        Some(caught) => {
            let share = caught.share().unwrap_or(0.0);
            let values = [
                ("share", percent(share)),
                ("missed", number((caught.trials - caught.hits) as f64, 0)),
                ("n", number(caught.trials as f64, 0)),
                ("false", proof.false_held_out.map_or_else(|| "–".into(), |rate| number(rate.hits as f64, 0))),
                ("of", proof.false_held_out.map_or_else(|| "–".into(), |rate| number(rate.trials as f64, 0))),
            ];
            (state, say("verdict.proof.labels", &values))
        }
        None if proof.over_limit.is_some() => (state, text("verdict.proof.nolabels")),
        None => (state, text("verdict.proof.safe")),
    }
}
