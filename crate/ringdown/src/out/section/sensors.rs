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
    let (state, finding) = since_the_change(card, &reports, |current| judge(card, current));
    // What was wrong before a change asks for nothing once there are later recordings.
    let later = reports.iter().any(|report| !is_earlier(card, report));
    let open = reports.iter().filter(|report| !(later && is_earlier(card, report)));
    let todo = open.flat_map(|report| report.findings.iter().filter_map(|kind| todo(card, report, kind)));
    let columns = ["sensor", "state", "floor", "gain", "clipped", "hum", "tuned", "hears"]
        .map(|key| text(&format!("sensors.column.{key}")));
    let rows = rows(card, &reports);
    SectionView {
        why: vec![text("sensors.why")],
        todo: todo.collect(),
        tables: vec![table("sensors", text("sensors.caption"), columns, rows)],
        figures: by_weight(&reports).flat_map(figures).collect(),
        ..blank(3, state, finding)
    }
}

/// Worst first: that is the one to look at.
fn by_weight(reports: &[SensorReport]) -> impl Iterator<Item = &SensorReport> {
    let mut order: Vec<&SensorReport> = reports.iter().collect();
    order.sort_by_key(|report| std::cmp::Reverse(report.weight()));
    order.into_iter()
}

/// A row a sensor; the levels of a log about which there is nothing to say share one.
fn rows(card: &Card, reports: &[SensorReport]) -> Vec<Row> {
    let plain = |report: &SensorReport| report.channel.is_none() && report.findings.is_empty();
    let mut rows: Vec<Row> =
        reports.iter().filter(|report| !plain(report)).map(|report| report_row(card, report)).collect();
    for (file, _) in card.logs() {
        let own: Vec<&SensorReport> =
            reports.iter().filter(|report| plain(report) && report.file_id == file.id).collect();
        let row = match own.as_slice() {
            [] => continue,
            [one] => report_row(card, one),
            several => {
                let values = [("n", several.len().to_string()), ("file", file.input.name.clone())];
                let mut row = report_row(card, several[0]);
                row.cells[0] = say("sensors.name.columns", &values).into();
                row.cells[7] = Cell::from("–".to_owned());
                row
            }
        };
        rows.push(row);
    }
    rows
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
    let finding = match unequal(reports) {
        Some(Uneven { report, db: difference, low, high }) => {
            let (low, high) = if difference < 0.0 { (-high, -low) } else { (low, high) };
            let values = [
                ("who", all(reports)),
                ("which", lower_first(&name(card, report))),
                ("db", db(difference.abs())),
                ("direction", direction(difference)),
                ("low", db(low)),
                ("high", db(high)),
            ];
            say("sensors.good.unequal", &values)
        }
        None => say("sensors.good", &[("who", all(reports))]),
    };
    (State::Holds, finding)
}

/// A sensor that reads otherwise than the first of its recording, dB.
struct Uneven<'a> {
    report: &'a SensorReport,
    db: f64,
    low: f64,
    high: f64,
}

/// The last one: that of the newest recording.
fn unequal(reports: &[SensorReport]) -> Option<Uneven<'_>> {
    reports.iter().rev().find_map(|report| {
        report.findings.iter().find_map(|kind| match *kind {
            Kind::Unequal { db, low, high } => Some(Uneven { report, db, low, high }),
            _ => None,
        })
    })
}

fn direction(difference_db: f64) -> String {
    text(if difference_db < 0.0 { "sensors.lower" } else { "sensors.higher" })
}

/// The same in few words.
fn short(reports: &[SensorReport], uneven: &Uneven) -> String {
    let channel = uneven.report.channel.map_or_else(String::new, |channel| channel.to_string());
    let values =
        [("who", all(reports)), ("n", channel), ("db", db(uneven.db.abs())), ("direction", direction(uneven.db))];
    say("sensors.good.short", &values)
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
    since_the_change(card, &reports, |current| match (judge(card, current), unequal(current)) {
        ((State::Holds, _), Some(uneven)) => (State::Holds, short(current, &uneven)),
        (judged, _) => judged,
    })
}

fn is_earlier(card: &Card, report: &SensorReport) -> bool {
    card.file(report.file_id).is_some_and(|file| file.role == FileRole::Before)
}

/// Judges the recordings in force; what was wrong before a change is told as past.
fn since_the_change(
    card: &Card,
    reports: &[SensorReport],
    judge_current: impl Fn(&[SensorReport]) -> (State, String),
) -> (State, String) {
    let (earlier, current): (Vec<SensorReport>, Vec<SensorReport>) =
        reports.iter().cloned().partition(|report| is_earlier(card, report));
    if current.is_empty() {
        return judge_current(&earlier);
    }
    let (state, sentence) = judge_current(&current);
    let bad = of_weight(card, &earlier, Weight::Distrust, "sensors.was.bad");
    if bad.is_empty() { (state, sentence) } else { (state, format!("{sentence} {}", bad.join(" "))) }
}
