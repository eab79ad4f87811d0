//! Section 3: can each sensor's signal be trusted?

use super::*;
use crate::card::FileRole;
use crate::card::sensors::SensorReport;
use crate::finding::sensors::{Kind, Weight};
use crate::out::words::{column_name, khz, percent, say};
use crate::stats::order::Arrange;

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
    let (state, finding) = since_the_change(card, reports, |current| judge(card, current));
    // What was wrong before a change asks for nothing once there are later recordings.
    let later = reports.iter().any(|report| !is_earlier(card, report));
    let open = reports.iter().filter(|report| !(later && is_earlier(card, report)));
    let todo = open.flat_map(|report| report.findings.iter().filter_map(|kind| todo(card, report, kind)));
    let columns = ["sensor", "state", "floor", "gain", "clipped", "hum", "tuned", "hears"]
        .map(|key| text(&format!("sensors.column.{key}")));
    let rows = rows(card, reports);
    SectionView {
        why: vec![text("sensors.why")],
        todo: todo.collect(),
        tables: [table("sensors", text("sensors.caption"), columns, rows)]
            .into_iter()
            .chain(heard(card, reports))
            .collect(),
        figures: by_weight(reports).flat_map(figures).collect(),
        ..blank(3, state, finding)
    }
}

/// Worst first: that is the one to look at.
fn by_weight(reports: &[SensorReport]) -> impl Iterator<Item = &SensorReport> {
    let mut order: Vec<&SensorReport> = reports.iter().collect();
    order.arrange(|a, b| b.weight().cmp(&a.weight()));
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
        (None, Some(column)) => say("sensors.name.column", &[("name", column_name(column)), file]),
        (None, None) => report.file.clone(),
    }
}

/// What is wrong, for a list of faults; none for a difference between sound sensors, which the finding tells by itself.
fn what(card: &Card, kind: &Kind) -> Option<String> {
    let range = |low: &f64, high: &f64| [("low", db(*low)), ("high", db(*high))];
    let with = |key: &str, values: &[(&str, String)]| say(&format!("sensors.kind.{key}"), values);
    Some(match kind {
        Kind::Dead { share } if *share < 1.0 => with("dead.partly", &[("share", percent(*share))]),
        Kind::Dead { .. } => text("sensors.kind.dead"),
        Kind::Clipped { share } => with("clipped", &[("share", percent(*share))]),
        Kind::Quantised { bits } => with("quantised", &[("bits", number(*bits, 0))]),
        Kind::Offset { value } => with("offset", &[("value", number(*value, 2))]),
        Kind::Hum { hz, db: level, low, high } => {
            let [low, high] = range(low, high);
            with("hum", &[("hz", number(*hz, 0)), ("db", db(*level)), low, high])
        }
        Kind::Spikes { per_s, low, high } => {
            with("spikes", &[("n", number(*per_s, 1)), ("low", number(*low, 1)), ("high", number(*high, 1))])
        }
        Kind::Pickup { order, db: level, low, high } => {
            let [low, high] = range(low, high);
            let values =
                [("n", order.map_or_else(String::new, |order| number(order, 0))), ("db", db(*level)), low, high];
            with(if order.is_some() { "pickup" } else { "pickup.unknown" }, &values)
        }
        Kind::Loaded { db_per_octave, low, high, against } => {
            let [low, high] = range(low, high);
            let n = against.map_or_else(String::new, |channel| channel.to_string());
            let key = if against.is_some() { "loaded.against" } else { "loaded" };
            with(key, &[("db", db(*db_per_octave)), low, high, ("n", n)])
        }
        Kind::Swapped { cylinders, db: level, low, high } => {
            let [low, high] = range(low, high);
            let heard = names(cylinders.iter().map(ToString::to_string));
            with("swapped", &[("cylinders", heard), ("db", db(*level)), low, high])
        }
        Kind::Bridged { coherence, with: other } => {
            with("bridged", &[("c", number(*coherence, 2)), ("n", other.to_string())])
        }
        Kind::SharplyTuned { f0_hz, q, half_power_hz } => {
            let values = [
                ("f0", khz(*f0_hz)),
                ("q", number(*q, 0)),
                ("width", khz(*half_power_hz)),
                ("mode", mode_at(card, *f0_hz)),
            ];
            with("tuned", &values)
        }
        Kind::Unequal { .. } => return None,
        Kind::LowRate { modes_lost } => with("lowrate", &[("n", modes_lost.to_string())]),
        Kind::LossySource { cut_hz } => with("lossy", &[("hz", khz(*cut_hz))]),
        Kind::Stuck { share } if *share < 1.0 => with("stuck.partly", &[("share", percent(*share))]),
        Kind::Stuck { .. } => text("sensors.kind.stuck"),
        Kind::Saturated { share } => with("saturated", &[("share", percent(*share))]),
        Kind::FollowsSpeed { correlation, low, high } => {
            with("follows", &[("r", number(*correlation, 3)), ("low", number(*low, 3)), ("high", number(*high, 3))])
        }
        Kind::Imbalanced { db: level, low, high } => {
            let [low, high] = range(low, high);
            with("imbalanced", &[("db", db(*level)), low, high])
        }
        Kind::Slow { rate_hz } => with("slow", &[("rate", number(*rate_hz, 1))]),
        Kind::Snapshot { share } => with("snapshot", &[("share", percent(*share))]),
    })
}

/// Which mode a tuned sensor's peak lies in, in words.
fn mode_at(card: &Card, f0_hz: f64) -> String {
    let Some(modes) = card.modes() else { return text("sensors.mode.unknown") };
    match modes.iter().position(|mode| (mode.hz_low..=mode.hz_high).contains(&f0_hz)) {
        Some(0) => text("sensors.mode.first"),
        Some(index) => {
            let values = [("m", modes[index].m.to_string()), ("n", modes[index].n.to_string())];
            say("sensors.mode.other", &values)
        }
        None => text("sensors.mode.none"),
    }
}

fn todo(card: &Card, report: &SensorReport, kind: &Kind) -> Option<String> {
    let who = ("who", name(card, report));
    let key = match kind {
        Kind::Dead { .. } => "dead",
        Kind::Clipped { .. } => "clipped",
        Kind::Quantised { .. } => "quantised",
        Kind::Offset { .. } => "offset",
        Kind::Hum { .. } => "hum",
        Kind::Spikes { .. } => "spikes",
        Kind::Pickup { .. } => "pickup",
        Kind::Loaded { .. } => "loaded",
        Kind::Swapped { .. } => "swapped",
        Kind::Bridged { .. } => "bridged",
        Kind::SharplyTuned { f0_hz, .. } => {
            let values = [who, ("f0", khz(*f0_hz)), ("mode", mode_at(card, *f0_hz))];
            return Some(say("sensors.todo.tuned", &values));
        }
        Kind::LowRate { .. } if kind.weight() == Weight::Noted => return None,
        Kind::LowRate { .. } => "lowrate",
        Kind::LossySource { .. } => "lossy",
        Kind::Unequal { .. } => return None,
        Kind::Stuck { .. } => "stuck",
        Kind::Saturated { .. } => "saturated",
        Kind::FollowsSpeed { .. } => "follows",
        Kind::Imbalanced { .. } => "imbalanced",
        Kind::Slow { .. } => "slow",
        Kind::Snapshot { .. } => "snapshot",
    };
    Some(say(&format!("sensors.todo.{key}"), &[who]))
}

/// Cylinder by sensor: how loud each is heard, over the sensor's own mean.
fn heard(card: &Card, reports: &[SensorReport]) -> Option<Table> {
    let hearing: Vec<&SensorReport> = reports.iter().filter(|report| report.hears.len() > 1).collect();
    let mut cylinders: Vec<u16> =
        hearing.iter().flat_map(|report| report.hears.iter().map(|heard| heard.cylinder)).collect();
    cylinders.sort_unstable();
    cylinders.dedup();
    if cylinders.is_empty() {
        return None;
    }
    let head = [text("sensors.heard.sensor"), text("sensors.heard.sheet")].into_iter();
    let columns = head.chain(cylinders.iter().map(|n| say("sensors.heard.cylinder", &[("n", n.to_string())])));
    let rows = hearing.iter().map(|report| {
        let level =
            |cylinder: &u16| report.hears.iter().find(|heard| heard.cylinder == *cylinder).map(|heard| heard.db);
        let levels = cylinders.iter().map(|cylinder| db_or_dash(level(cylinder)));
        let cells = [name(card, report), listed(report)].into_iter().chain(levels).map(Cell::from).collect();
        Row { cells, chosen: false, play: None }
    });
    Some(table("heard", text("sensors.heard.caption"), columns, rows.collect()))
}

/// The cylinders it should hear.
fn listed(report: &SensorReport) -> String {
    report.cylinders.as_ref().map_or_else(|| "–".into(), |heard| names(heard.iter().map(ToString::to_string)))
}

/// The noise floor, in volts and g where the sheet gives the scale.
fn floor(report: &SensorReport) -> String {
    let level = db_or_dash(report.noise_floor_db);
    let Some(scaled) = report.scaled else { return level };
    let values = [("db", level), ("mv", significant(1000.0 * scaled.noise_floor_v))];
    match scaled.noise_floor_g {
        Some(g) => say("sensors.floor.g", &[&values[..], &[("g", significant(g))]].concat()),
        None => say("sensors.floor.volts", &values),
    }
}

/// Two significant digits.
fn significant(value: f64) -> String {
    let digits = if value > 0.0 { (1.0 - value.log10().floor()).clamp(0.0, 6.0) as usize } else { 0 };
    number(value, digits)
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
            let kinds =
                report.findings.iter().filter(|kind| kind.weight() == weight).filter_map(|kind| what(card, kind));
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
        Kind::SharplyTuned { f0_hz, q, .. } => Some(say("sensors.peak", &[("f0", khz(*f0_hz)), ("q", number(*q, 0))])),
        _ => None,
    });
    let none = || if report.channel.is_some() { text("sensors.none") } else { "–".into() };
    Row {
        cells: [
            name(card, report),
            text(state),
            floor(report),
            gain,
            report.clipped_share.map_or_else(|| "–".into(), percent),
            db_or_dash(report.hum_db),
            tuned.unwrap_or_else(none),
            listed(report),
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
    since_the_change(card, reports, |current| match (judge(card, current), unequal(current)) {
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
