//! What a log alone tells beside floor and limits: stretches, causes, answers, what a sample saw, what to log next time.

use super::*;
use crate::card::LogOutcome;
use crate::card::own::Own;
use crate::feature::cause::Cause;
use crate::feature::response::From;
use crate::feature::seen::{Shown, Told, cycles_per_row};
use crate::feature::stretch::Stretch;
use crate::out::words::{duration, say};
use crate::read::roles::Role;
use std::collections::BTreeMap;

/// Rows a second from which on a log follows knock well enough (common practice, no source).
const FAST_HZ: f64 = 20.0;
/// The speed at which it is said what a snapshot misses.
const EXAMPLE_RPM: f64 = 6000.0;

/// Sentences for the floor and limits of a log: what a sample saw, how false alarms come in bursts, what was left out.
pub(super) fn why(card: &Card) -> Vec<String> {
    let Some(logs) = card.log_outcome() else { return Vec::new() };
    let mut out = vec![say("logs.learnt", &[]), seen(logs)];
    out.push(bursts(card, logs));
    out.extend(other_units(card, logs));
    if logs.set_aside > 0 {
        out.push(say("logs.aside", &[("n", number(logs.set_aside as f64, 0))]));
    }
    if logs.stretches.iter().any(|(_, stretches)| stretches.all_cold) {
        out.push(text("logs.cold"));
    }
    if !card.choices().filters.is_empty() {
        let one = |filter: &crate::card::Filter| {
            let values =
                [("column", filter.column.clone()), ("low", filter.low.to_string()), ("high", filter.high.to_string())];
            say("logs.filter", &values)
        };
        out.push(say("logs.filtered", &[("filters", names(card.choices().filters.iter().map(one)))]));
    }
    out
}

/// Held peak or snapshot, and how much of the running each sees.
fn seen(logs: &LogOutcome) -> String {
    let cycles = cycles_per_row(EXAMPLE_RPM, logs.step_s);
    let values = [
        ("rate", number(1.0 / logs.step_s.max(1e-6), 0)),
        ("cycles", number(cycles.max(1.0), if cycles < 3.0 { 1 } else { 0 })),
        ("rpm", number(EXAMPLE_RPM, 0)),
    ];
    let told = logs.own.iter().find(|own| own.shown.0 != Shown::Unknown).map(|own| own.shown);
    say(
        match told {
            _ if cycles <= 1.0 => "logs.seen.all",
            Some((Shown::HeldPeak, Told::Name)) => "logs.seen.peak.name",
            Some((Shown::HeldPeak, _)) => "logs.seen.peak",
            Some((Shown::Snapshot, Told::Name)) => "logs.seen.snapshot.name",
            Some((Shown::Snapshot, _)) => "logs.seen.snapshot",
            _ => "logs.seen.unknown",
        },
        &values,
    )
}

/// False alarms a minute of running, over all level columns.
pub(super) fn per_minute(card: &Card, logs: &LogOutcome) -> f64 {
    if logs.judged_s > 0.0 { logs.judged_new as f64 / logs.judged_s * 60.0 * card.choices().false_alarm } else { 0.0 }
}

/// The same of one level column at a speed: a row shows something new once its cylinders (four-stroke) have fired again.
pub(crate) fn column_per_minute(card: &Card, logs: &LogOutcome, group: &Group, rpm: f64) -> Option<f64> {
    let rows_per_s = Some(1.0 / logs.step_s).filter(|rate| rate.is_finite())?;
    let share_new = logs.judged_new as f64 / logs.judged.max(1) as f64;
    let new_per_s = match group.cylinders.len() {
        0 => rows_per_s * share_new,
        count => rows_per_s.min(count as f64 * rpm / 120.0),
    };
    Some(60.0 * new_per_s * card.choices().false_alarm)
}

/// Logs whose levels are in another unit than those learnt from.
fn other_units(card: &Card, logs: &LogOutcome) -> impl Iterator<Item = String> {
    let unit = |unit: &Option<String>| unit.clone().unwrap_or_else(|| text("logs.nounit"));
    logs.other_units.iter().filter_map(move |(id, other)| {
        let file = card.file(*id)?.input.name.clone();
        Some(say("logs.otherunit", &[("file", file), ("other", unit(other)), ("unit", unit(&logs.unit))]))
    })
}

fn bursts(card: &Card, logs: &LogOutcome) -> String {
    let per_minute = per_minute(card, logs);
    let values = [
        ("perminute", number(per_minute, 1)),
        ("burst", number(logs.burst, 1)),
        ("bursts", number(per_minute / logs.burst.max(1.0), 1)),
    ];
    say(if logs.burst > 1.15 { "logs.bursts" } else { "logs.nobursts" }, &values)
}

/// Stretches, causes, what the control unit did, its own figures, what false alarms cost.
pub(super) fn tables(card: &Card) -> Vec<Table> {
    let Some(logs) = card.log_outcome() else { return Vec::new() };
    let mut tables = vec![causes(logs), stretches(card, logs)];
    tables.extend(answers(logs));
    tables.extend(own(logs));
    tables.extend(costs(card));
    tables
}

fn causes(logs: &LogOutcome) -> Table {
    let counted = Cause::ALL.into_iter().map(|cause| (cause, logs.caused_by(cause))).filter(|(_, count)| *count > 0);
    let rows = counted.map(|(cause, count)| row([text(&format!("cause.{}", cause.word())), number(count as f64, 0)]));
    table("causes", text("logs.caption.causes"), ["logs.column.cause", "logs.column.samples"].map(text), rows.collect())
}

fn stretches(card: &Card, logs: &LogOutcome) -> Table {
    let mut sums: BTreeMap<Stretch, (f64, usize)> = BTreeMap::new();
    for (id, sorted) in &logs.stretches {
        let Some((_, log)) = card.logs().find(|(file, _)| file.id == *id) else { continue };
        for (stretch, run) in sorted.runs() {
            let end = run.end.min(log.t_s.len().saturating_sub(1));
            let (seconds, count) = sums.entry(stretch).or_default();
            *seconds += log.t_s.get(end).zip(log.t_s.get(run.start)).map_or(0.0, |(b, a)| b - a);
            *count += 1;
        }
    }
    let of = |stretch: Stretch| {
        let (seconds, count) = sums.get(&stretch)?;
        let learnt = text(if stretch.is_learnt_from() { "logs.yes" } else { "logs.no" });
        let name = text(&format!("stretch.{}", stretch.word()));
        Some(row([name, number(*count as f64, 0), duration(*seconds), learnt]))
    };
    let columns = ["stretch", "count", "time", "learnt"].map(|key| text(&format!("logs.column.{key}")));
    table("stretches", text("logs.caption.stretches"), columns, Stretch::ALL.into_iter().filter_map(of).collect())
}

fn answers(logs: &LogOutcome) -> Option<Table> {
    let from = logs.answers.from?;
    let rows = logs.answers.cells.iter().map(|cell| {
        row([
            number(cell.rpm, 0),
            cell.load.map_or_else(|| "–".into(), |load| number(load, 0)),
            number(cell.knocks as f64, 0),
            number(cell.answered as f64, 0),
            number((cell.knocks - cell.answered.min(cell.knocks)) as f64, 0),
            number(cell.pulled_without as f64, 0),
        ])
    });
    let key = match from {
        From::Correction => "logs.caption.answers",
        From::Map => "logs.caption.answers.map",
        From::SpeedMap => "logs.caption.answers.speed",
    };
    let dash = || "–".to_owned();
    let values = [
        ("step", logs.answers.step_deg.map_or_else(dash, |deg| number(deg, 1))),
        ("delay", logs.answers.delay_s.map_or_else(dash, |s| number(s, 2))),
        ("rate", logs.answers.recovery_deg_per_s.map_or_else(dash, |rate| number(rate, 1))),
    ];
    let columns = ["rpm", "load", "knocks", "answered", "unanswered", "without"];
    let columns = columns.map(|key| text(&format!("logs.column.{key}")));
    Some(table("answers", say(key, &values), columns, rows.collect()))
}

/// The control unit's own background, limit and flag beside ours.
fn own(logs: &LogOutcome) -> Option<Table> {
    let has_any = |own: &&Own| own.background_db.is_some() || own.limit_db.is_some();
    let pair = |value: Option<(f64, f64)>| {
        value.map_or_else(|| "–".into(), |(middle, mad)| format!("{} (± {})", db(middle), db(mad)))
    };
    let mut rows: Vec<Row> = logs
        .own
        .iter()
        .filter(has_any)
        .filter_map(|own| {
            let name = group_name(logs.side.groups.get(usize::from(own.group))?);
            let over = own.over_own_limit.map_or_else(|| "–".into(), |count| number(count as f64, 0));
            Some(row([name, pair(own.background_db), pair(own.limit_db), over]))
        })
        .collect();
    if let Some(flags) = logs.flags {
        let count = |value: usize| number(value as f64, 0);
        let values = [
            ("raised", count(flags.raised)),
            ("agreed", count(flags.agreed)),
            ("ours", count(flags.ours)),
            ("flagged", count(flags.flagged)),
        ];
        rows.push(row([say("logs.flags", &values), "–".into(), "–".into(), "–".into()]));
    }
    let columns = ["who", "background", "limit", "over"].map(|key| text(&format!("logs.column.{key}")));
    (!rows.is_empty()).then(|| table("own", text("logs.caption.own"), columns, rows))
}

/// Degrees that the stated rate costs, by speed.
pub(super) fn costs(card: &Card) -> Option<Table> {
    let (steps, costs) = (card.steps()?, card.costs());
    let head = [text("logs.column.rpm")].into_iter().chain(costs.iter().map(|cost| speed_head(cost.rpm)));
    let shown = costs.iter().map(|cost| cost.deg.map_or_else(|| text("logs.cost.never"), |deg| number(deg, 2)));
    let cells = row([text("logs.row.cost")].into_iter().chain(shown));
    let values = [
        ("step", number(steps.retard_deg, 1)),
        ("rate", number(steps.recovery_deg_per_s, 1)),
        ("source", text(if steps.typed_in { "logs.cost.typed" } else { "logs.cost.measured" })),
    ];
    (!costs.is_empty()).then(|| table("cost", say("logs.caption.cost", &values), head, vec![cells]))
}

/// The three things to log next time, most wanted first.
pub(super) fn log_next(card: &Card) -> Vec<String> {
    let logs: Vec<_> = card.logs().map(|(_, log)| log).collect();
    if logs.is_empty() {
        return Vec::new();
    }
    let has = |role: Role| logs.iter().any(|log| log.first(role).is_some());
    let is_slow = logs.iter().filter_map(|log| log.rate_hz()).all(|rate_hz| rate_hz < FAST_HZ);
    let one_level = logs.iter().all(|log| log.columns.iter().filter(|column| column.role == Role::Level).count() < 2);
    let wanted = [
        (!has(Role::Level), "logs.next.level"),
        (!has(Role::Speed), "logs.next.speed"),
        (!has(Role::Load), "logs.next.load"),
        (!has(Role::Correction), "logs.next.correction"),
        (is_slow, "logs.next.rate"),
        (!has(Role::Throttle), "logs.next.throttle"),
        (!has(Role::Ignition), "logs.next.ignition"),
        (one_level && has(Role::Level), "logs.next.cylinders"),
        (!has(Role::Background), "logs.next.background"),
        (!has(Role::Gear), "logs.next.gear"),
        (!has(Role::Cut), "logs.next.cut"),
        (!has(Role::Coolant), "logs.next.coolant"),
        (!has(Role::LoggedLimit), "logs.next.limit"),
    ];
    let missing: Vec<String> = wanted.iter().filter(|(missing, _)| *missing).map(|(_, key)| text(key)).collect();
    if missing.is_empty() {
        return Vec::new();
    }
    vec![say("logs.next", &[("list", names(missing.into_iter().take(3)))])]
}
