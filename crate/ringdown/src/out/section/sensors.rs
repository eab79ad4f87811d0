//! Section 3: can each sensor's signal be trusted?

use super::*;
use crate::card::FileRole;
use crate::card::sensors::SensorReport;
use crate::finding::sensors::{Kind, Weight};
use crate::out::words::{khz, percent, say};

pub(super) fn view(card: &Card) -> SectionView {
    let reports = card.sensor_reports();
    let pending = card.recordings().any(|(_, recording)| recording.sensors.is_none());
    if reports.is_empty() {
        return if pending {
            blank(3, State::Working, text("sensors.working"))
        } else {
            waiting(3, "sensors.waiting", "sensors.todo.drop")
        };
    }
    let (state, finding) = judge(card, &reports);
    let todo = reports.iter().flat_map(|report| report.findings.iter().filter_map(|kind| todo(card, report, kind)));
    let columns = ["sensor", "state", "floor", "gain", "clipped", "hum", "tuned", "hears"]
        .map(|key| text(&format!("sensors.column.{key}")));
    let rows = reports.iter().map(|report| report_row(card, report));
    SectionView {
        why: vec![text("sensors.why")],
        todo: todo.collect(),
        tables: vec![table("sensors", text("sensors.caption"), columns, rows.collect())],
        figures: reports.iter().flat_map(figures).collect(),
        ..blank(3, state, finding)
    }
}

fn figures(report: &SensorReport) -> Vec<FigureRef> {
    let Some(channel) = report.channel else { return Vec::new() };
    let values = [("file", report.file.clone()), ("n", channel.to_string())];
    let one = |id: &str, key: &str| FigureRef {
        id: format!("{id}-{}-{channel}", report.file_id),
        caption: say(&format!("sensors.figure.{key}"), &values),
        summary: say(&format!("sensors.figure.{key}.summary"), &values),
    };
    vec![one("sensor", "spectra"), one("ridge", "ridge")]
}

fn name(card: &Card, report: &SensorReport) -> String {
    let file = ("file", report.file.clone());
    match (report.channel, &report.name) {
        (Some(channel), _) => {
            let alone = card.recordings().count() == 1;
            let key = if alone { "sensors.name.short" } else { "sensors.name" };
            say(key, &[("n", channel.to_string()), file])
        }
        (None, Some(column)) => say("sensors.name.column", &[("name", column.clone()), file]),
        (None, None) => report.file.clone(),
    }
}

fn what(kind: &Kind) -> String {
    match kind {
        Kind::Dead => text("sensors.kind.dead"),
        Kind::Clipped { share } => say("sensors.kind.clipped", &[("share", percent(*share))]),
        Kind::Quantised { bits } => say("sensors.kind.quantised", &[("bits", number(*bits, 0))]),
        Kind::Offset { value } => say("sensors.kind.offset", &[("value", number(*value, 2))]),
        Kind::Hum { hz, db: level } => say("sensors.kind.hum", &[("hz", number(*hz, 0)), ("db", db(*level))]),
        Kind::SharplyTuned { f0_hz, q } => say("sensors.kind.tuned", &[("f0", khz(*f0_hz)), ("q", number(*q, 0))]),
        Kind::Unequal { db: level, low, high } => {
            say("sensors.kind.unequal", &[("db", db(*level)), ("low", db(*low)), ("high", db(*high))])
        }
        Kind::LowRate { modes_lost } => say("sensors.kind.lowrate", &[("n", modes_lost.to_string())]),
        Kind::Stuck => text("sensors.kind.stuck"),
        Kind::Saturated { share } => say("sensors.kind.saturated", &[("share", percent(*share))]),
        Kind::FollowsSpeed { correlation } => say("sensors.kind.follows", &[("r", number(*correlation, 2))]),
        Kind::Slow { rate_hz } => say("sensors.kind.slow", &[("rate", number(*rate_hz, 1))]),
    }
}

fn todo(card: &Card, report: &SensorReport, kind: &Kind) -> Option<String> {
    let who = ("who", name(card, report));
    let key = match kind {
        Kind::Dead => "sensors.todo.dead",
        Kind::Clipped { .. } => "sensors.todo.clipped",
        Kind::Quantised { .. } => "sensors.todo.quantised",
        Kind::Offset { .. } => "sensors.todo.offset",
        Kind::Hum { .. } => "sensors.todo.hum",
        Kind::SharplyTuned { f0_hz, .. } => {
            let inside = match card.modes() {
                Some(modes) if (modes[0].hz_low..=modes[0].hz_high).contains(f0_hz) => "sensors.todo.tuned.inside",
                Some(_) => "sensors.todo.tuned.outside",
                None => "sensors.todo.tuned.unknown",
            };
            return Some(say("sensors.todo.tuned", &[who, ("f0", khz(*f0_hz)), ("inside", text(inside))]));
        }
        Kind::LowRate { .. } if kind.weight() == Weight::Noted => return None,
        Kind::LowRate { .. } => "sensors.todo.lowrate",
        Kind::Unequal { .. } => return None,
        Kind::Stuck => "sensors.todo.stuck",
        Kind::Saturated { .. } => "sensors.todo.saturated",
        Kind::FollowsSpeed { .. } => "sensors.todo.follows",
        Kind::Slow { .. } => "sensors.todo.slow",
    };
    Some(say(key, &[who]))
}

/// Worst first: what can't be trusted, what to look at, else how far the sensors differ.
fn judge(card: &Card, reports: &[SensorReport]) -> (State, String) {
    let bad = of_weight(card, reports, Weight::Distrust, "sensors.bad");
    let look = of_weight(card, reports, Weight::Look, "sensors.look");
    let troubled = bad.len() + look.len();
    if troubled > 0 {
        let head = [bad, look].concat().join(" ");
        let rest = troubled < reports.len();
        return (State::Look, if rest { say("sensors.rest", &[("head", head)]) } else { head });
    }
    let unequal = reports.iter().rev().find_map(|report| {
        report.findings.iter().find_map(|kind| match kind {
            Kind::Unequal { db, low, high } => Some((report, *db, *low, *high)),
            _ => None,
        })
    });
    let finding = match unequal {
        Some((report, difference, low, high)) => {
            let direction = text(if difference < 0.0 { "sensors.lower" } else { "sensors.higher" });
            let (low, high) = if difference < 0.0 { (-high, -low) } else { (low, high) };
            say(
                "sensors.good.unequal",
                &[
                    ("who", all(reports)),
                    ("which", lower_first(name(card, report))),
                    ("db", db(difference.abs())),
                    ("direction", direction),
                    ("low", db(low)),
                    ("high", db(high)),
                ],
            )
        }
        None => say("sensors.good", &[("who", all(reports))]),
    };
    (State::Holds, finding)
}

/// "Both sensors": channels that several recordings share count once.
fn all(reports: &[SensorReport]) -> String {
    let mut channels: Vec<u16> = reports.iter().filter_map(|report| report.channel).collect();
    channels.sort_unstable();
    channels.dedup();
    match (channels.len(), reports.len()) {
        (0, 1) => text("sensors.all.column"),
        (0, _) => text("sensors.all.columns"),
        (1, _) => text("sensors.all.one"),
        (2, _) => text("sensors.all.both"),
        (n, _) => say("sensors.all.many", &[("n", n.to_string())]),
    }
}

fn lower_first(text: String) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| first.to_lowercase().collect::<String>() + chars.as_str())
}

fn of_weight(card: &Card, reports: &[SensorReport], weight: Weight, key: &str) -> Vec<String> {
    let troubled = reports.iter().filter(|report| report.weight() == Some(weight));
    troubled
        .map(|report| {
            let kinds = report.findings.iter().filter(|kind| kind.weight() == weight).map(what);
            say(key, &[("who", name(card, report)), ("what", names(kinds))])
        })
        .collect()
}

fn report_row(card: &Card, report: &SensorReport) -> Row {
    let state = match report.weight() {
        Some(Weight::Distrust) => "sensors.state.bad",
        Some(Weight::Look) => "sensors.state.look",
        _ => "sensors.state.good",
    };
    let gain = match (report.gain_db, report.gain_interval_db) {
        (Some(gain), Some([low, high])) => {
            say("sensors.gain", &[("db", db(gain)), ("low", db(low)), ("high", db(high))])
        }
        _ => "–".into(),
    };
    let tuned = report.findings.iter().find_map(|kind| match kind {
        Kind::SharplyTuned { f0_hz, q } => Some(say("sensors.peak", &[("f0", khz(*f0_hz)), ("q", number(*q, 0))])),
        _ => None,
    });
    let hears =
        report.cylinders.as_ref().map_or_else(|| "–".into(), |heard| names(heard.iter().map(ToString::to_string)));
    let none = || if report.channel.is_some() { text("sensors.none") } else { "–".into() };
    Row {
        cells: [
            name(card, report),
            text(state),
            db_or_dash(report.noise_floor_db),
            gain,
            report.clipped_share.map_or_else(|| "–".into(), percent),
            db_or_dash(report.hum_db),
            tuned.unwrap_or_else(none),
            hears,
        ]
        .into_iter()
        .map(Cell::from)
        .collect(),
        chosen: false,
        play: None,
    }
}

/// The answer on top: only the recordings in force count, an earlier mounting is mentioned where it was bad.
pub(super) fn verdict(card: &Card) -> (State, String) {
    let reports = card.sensor_reports();
    if reports.is_empty() {
        let view = view(card);
        return (view.state, view.finding);
    }
    let now = |report: &&SensorReport| card.file(report.file_id).is_some_and(|file| file.role != FileRole::Before);
    let (current, earlier): (Vec<SensorReport>, Vec<SensorReport>) =
        reports.into_iter().partition(|report| now(&report));
    if current.is_empty() {
        return judge(card, &earlier);
    }
    let (state, sentence) = judge(card, &current);
    let earlier_bad = of_weight(card, &earlier, Weight::Distrust, "sensors.bad");
    if state == State::Holds && !earlier_bad.is_empty() {
        return (state, format!("{sentence} {}", earlier_bad.join(" ")));
    }
    (state, sentence)
}
