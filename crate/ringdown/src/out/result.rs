//! The fixed JSON other tools read: results and the saved card.

use super::{channels, section};
use crate::card::{Card, ChosenBy, Content, File, Group, Side};
use crate::crank::Source as CrankSource;
use crate::feature::level::OFF_DEG;
use crate::read::log::Of;
use crate::read::roles::Role;
use crate::stats::rate::Rate;
use serde_json::{Map, Value, json};

const CONFIDENCE: f64 = 0.95;
/// Speed values a second.
const SPEED_RATE_HZ: f64 = 20.0;

/// Everything computed, `"result": 1`. A number the data do not support is null.
pub fn result(card: &Card) -> Value {
    let proof = card.proof();
    let mut out = json!({
        "result": 1,
        "version": env!("CARGO_PKG_VERSION"),
        "files": files(card)["files"].take(),
        "modes": card.modes().map_or(json!([]), |modes| json!(modes)),
        "sensors": card.sensor_reports(),
        "speed": speeds(card),
        "lost": lost(card),
        "events": events(card),
        "floor": floors(card),
        "limits": limits(card),
        "coverage": coverage(card),
        "plan": plan(card),
        "findings": findings(card),
        "choices": card.choices(),
        "verdict": section::verdict(card),
    });
    if let Value::Object(map) = &mut out {
        band_and_window(card, map);
        map.insert("bursts".into(), super::searched::bursts(card));
        map.insert("search".into(), super::searched::search(card));
        map.insert(
            "compare".into(),
            card.comparison().map_or(Value::Null, |comparison| compare_json(card, comparison)),
        );
        map.insert("heard".into(), super::heard::json(card));
        map.insert("proof".into(), proof.map_or(Value::Null, |proof| proof_json(card, &proof)));
    }
    out
}

/// What is in each file: the part of the result that needs nothing else of it.
pub fn files(card: &Card) -> Value {
    let files = card.files().iter().map(|file| file_json(card, file)).collect::<Vec<_>>();
    json!({"result": 1, "version": env!("CARGO_PKG_VERSION"), "files": files})
}

/// The saved card, `"card": 1`; the data are not in it.
pub fn card(card: &Card) -> Value {
    let here = card.files().iter().filter(|file| matches!(file.content, Content::Recording(_) | Content::Log(_)));
    let here = here.map(
        |file| json!({"name": file.input.name, "sha256": sha(file), "bytes": file.input.bytes, "role": file.role.word()}),
    );
    // What an opened card still waits for stays in it.
    let awaited = card.missing_files().map(
        |file| json!({"name": file.name, "sha256": file.sha256, "bytes": null, "role": file.role.map(|role| role.word())}),
    );
    let files: Vec<Value> = here.chain(awaited).collect();
    let labels: Vec<Value> =
        card.labels().iter().map(|label| json!({"file": label.file, "t_s": label.t_s, "knock": label.knock})).collect();
    json!({"card": 1, "version": env!("CARGO_PKG_VERSION"), "sheet": card.sheet(), "files": files, "marks": card.marks(),
           "labels": labels, "choices": card.choices()})
}

fn sha(file: &File) -> Option<&str> {
    file.sha256.as_deref().filter(|sha| !sha.is_empty())
}

fn file_json(card: &Card, file: &File) -> Value {
    let (kind, duration_s) = match &file.content {
        Content::Recording(recording) => ("recording", Some(recording.duration_s())),
        Content::Log(log) => ("log", log.t_s.last().copied()),
        Content::Sheet => ("sheet", None),
        Content::Card => ("card", None),
    };
    let channels = channels::of(card, file);
    let role = matches!(kind, "recording" | "log").then(|| file.role.word());
    json!({"id": file.id, "name": file.input.name, "sha256": sha(file), "bytes": file.input.bytes, "kind": kind, "role": role,
           "duration_s": duration_s, "channels": channels, "notes": file.notes})
}

fn speeds(card: &Card) -> Value {
    let mut out = Vec::new();
    for (file, recording) in card.recordings() {
        let Some(crank) = recording.crank() else { continue };
        let source = match crank.source {
            CrankSource::Wheel => "wheel",
            CrankSource::Pulse => "pulse",
            CrankSource::Blind => "blind",
        };
        for segment in &crank.track.segments {
            let (Some(&from_s), Some(&to_s)) = (segment.t_s.first(), segment.t_s.last()) else { continue };
            let first = (from_s * SPEED_RATE_HZ).ceil() as u64;
            let times = (first..).map(|index| index as f64 / SPEED_RATE_HZ).take_while(|t_s| *t_s <= to_s);
            // A turn's worth of error over a half turn: what is left of the angle's own error is its confidence.
            let confidence = (1.0 - segment.error_deg / 10.0).clamp(0.0, 1.0);
            out.extend(times.filter_map(|t_s| {
                let rpm = crank.track.rpm_at(t_s)?;
                let confidence = crank.confidence_at(t_s).map_or(confidence, f64::from);
                Some(json!({"file": file.input.name, "t_s": t_s, "rpm": rpm, "confidence": confidence, "source": source}))
            }));
        }
    }
    for (file, log) in card.logs() {
        let Some(speed) = log.first(Role::Speed) else { continue };
        let rows = log.t_s.iter().zip(speed.values.iter()).filter(|(_, rpm)| rpm.is_finite());
        out.extend(rows.map(
            |(t_s, rpm)| json!({"file": file.input.name, "t_s": t_s, "rpm": rpm, "confidence": null, "source": "log"}),
        ));
    }
    Value::Array(out)
}

fn lost(card: &Card) -> Value {
    let tracked = card.recordings().filter_map(|(file, recording)| Some((file, recording.crank()?)));
    tracked
        .flat_map(|(file, crank)| {
            crank.lost.iter().map(|lost| {
                let reason = super::words::text(section::lost_key(lost.reason));
                json!({"file": file.input.name, "from_s": lost.from_s, "to_s": lost.to_s, "reason": reason})
            })
        })
        .collect()
}

/// A count without fraction and without the minus of a rounded-off zero.
fn whole(count: f64) -> f64 {
    count.round() + 0.0
}

fn number(value: f32) -> Option<f32> {
    value.is_finite().then_some(value)
}

fn events(card: &Card) -> Vec<Value> {
    let mut events = recording_events(card);
    events.extend(log_events(card));
    events
}

fn recording_events(card: &Card) -> Vec<Value> {
    let mut out = Vec::new();
    for (file, recording) in card.recordings() {
        let Some(crank) = recording.crank() else { continue };
        let judged = card.outcome().and_then(|outcome| outcome.of(file.id));
        for (index, event) in crank.events.iter().enumerate() {
            let judgement = judged.and_then(|judged| judged.get(index));
            let level = recording.levels.as_ref().and_then(|levels| levels.levels.get(index));
            let channel = recording.levels.as_ref().and_then(|levels| levels.channels.get(index));
            let mut value = json!({
                "file": file.input.name, "t_s": event.t_s, "cylinder": event.cylinder, "sensor": channel, "rpm": event.rpm,
                "level_db": judgement.map(|j| j.level_db).or(level.map(|l| l.energy_db)).and_then(number),
                "floor_db": judgement.and_then(|j| number(j.floor_db)),
                "limit_db": judgement.and_then(|j| number(j.limit_db)),
                "knock": judgement.and_then(crate::card::Judged::knock),
                "used": judgement.map_or(level.is_some_and(|level| level.left_out.is_none()), |j| j.used),
                "label": judgement.and_then(|j| j.label),
            });
            if let (Some(pair), None, Value::Object(map)) = (event.pair, event.cylinder, &mut value) {
                map.insert("pair".into(), json!(pair));
            }
            out.push(value);
        }
    }
    out
}

fn log_events(card: &Card) -> Vec<Value> {
    let Some(logs) = card.log_outcome() else { return Vec::new() };
    let one = |event: &crate::card::LogEvent| {
        let (file, log) = card.logs().find(|(file, _)| file.id == event.file)?;
        let group = logs.side.groups.get(usize::from(event.group))?;
        let at = |role: Role| {
            log.first(role).and_then(|column| column.values.get(event.row)).filter(|value| value.is_finite())
        };
        let mut value = json!({
            "file": file.input.name, "t_s": log.t_s.get(event.row), "column": group.column, "rpm": at(Role::Speed), "load": at(Role::Load),
            "level": event.level, "floor": event.floor, "limit": event.limit, "knock": event.cause == crate::feature::cause::Cause::Knock, "cause": event.cause.word(),
            "response": event.response.map(|response| {
                json!({"deg": response.deg, "delay_s": response.delay_s, "recovery_s": response.recovery_s, "fell": event.fell})
            }),
        });
        place(group, value.as_object_mut()?);
        Some(value)
    };
    logs.events.iter().filter_map(one).collect()
}

/// Says to which cylinder, pair or sensor a row belongs.
pub(super) fn place(group: &Group, map: &mut Map<String, Value>) {
    match (group.cylinders.as_slice(), group.sensor) {
        ([cylinder], sensor) => {
            map.insert("cylinder".into(), json!(cylinder));
            map.insert("sensor".into(), json!(sensor));
        }
        ([a, b], sensor) => {
            map.insert("cylinder".into(), Value::Null);
            map.insert("pair".into(), json!([a, b]));
            map.insert("sensor".into(), json!(sensor));
        }
        (_, sensor) => {
            map.insert("sensor".into(), json!(sensor));
        }
    }
    if let Some(column) = &group.column {
        map.insert("column".into(), json!(column));
    }
}

fn band_and_window(card: &Card, map: &mut Map<String, Value>) {
    let by = |chosen_by: ChosenBy| json!(chosen_by);
    let rate = card.recordings().map(|(_, recording)| recording.sample_rate_hz()).min_by(f64::total_cmp);
    let band = rate.and_then(|rate| card.band(rate));
    map.insert(
        "band".into(),
        band.map_or(
            Value::Null,
            |band| json!({"low_hz": band.low, "high_hz": band.high, "chosen_by": by(band.chosen_by)}),
        ),
    );
    let has_crank = card.has_angle();
    let window = card.window();
    let [start, end] = [window.low, window.high].map(|deg| has_crank.then_some(deg));
    let moves = card
        .outcome()
        .and_then(|outcome| outcome.moves)
        .map(|moves| json!({"off_deg": OFF_DEG, "floor_db": moves.floor_db, "limit_db": moves.limit_db}));
    map.insert(
        "window".into(),
        json!({"start_deg_atdc": start, "end_deg_atdc": end, "chosen_by": by(window.chosen_by), "wrong_offset": moves}),
    );
    map.insert("feature".into(), json!(card.choices().feature));
    map.insert("windows".into(), if has_crank { windows(card) } else { json!([]) });
}

/// One row for all speeds, or one for each range in which the ring takes more degrees than in the one before.
fn windows(card: &Card) -> Value {
    let row = |low: f64, high: Option<f64>, start: f64, end: f64| json!({"rpm_low": low, "rpm_high": high, "start_deg_atdc": start, "end_deg_atdc": end});
    match card.evidence().map(|evidence| &evidence.windows[..]) {
        None | Some([]) => json!([row(0.0, None, card.window().low, card.window().high)]),
        Some(at) => at.iter().map(|one| row(one.rpm_low, one.rpm_high, one.start_deg_atdc, one.end_deg_atdc)).collect(),
    }
}

struct Sides<'a> {
    side: &'a Side,
    unit: String,
    logged: Box<dyn Fn(f64) -> f64 + 'a>,
    recording: bool,
}

fn sides(card: &Card) -> Vec<Sides<'_>> {
    let mut out = Vec::new();
    if let Some(outcome) = card.outcome() {
        out.push(Sides {
            side: &outcome.side,
            unit: super::measured::fixed_unit(card.choices().feature).into(),
            logged: Box::new(|level| level),
            recording: true,
        });
    }
    if let Some(logs) = card.log_outcome() {
        let unit = logs.unit.clone().unwrap_or_else(|| "log unit".into());
        out.push(Sides { side: &logs.side, unit, logged: Box::new(|level| logs.logged(level)), recording: false });
    }
    out
}

fn floors(card: &Card) -> Value {
    let mut out = Vec::new();
    for Sides { side, logged, unit, .. } in sides(card) {
        for (index, group) in side.groups.iter().enumerate() {
            for &rpm in &side.breakpoints {
                let Some(at) = side.floor.at(index as u16, rpm) else { continue };
                let mut value = json!({"rpm": rpm, "load": group.load, "level": logged(at.level), "spread": at.spread, "cycles": whole(at.cycles), "unit": unit});
                if let Value::Object(map) = &mut value {
                    place(group, map);
                }
                out.push(value);
            }
        }
    }
    Value::Array(out)
}

fn limits(card: &Card) -> Value {
    let mut out = Vec::new();
    for Sides { side, logged, unit, recording } in sides(card) {
        for (index, (group, cells)) in side.groups.iter().zip(&side.table).enumerate() {
            let expected = u16::try_from(index).ok().and_then(|index| side.limits.expected_of(index));
            for (&rpm, cell) in side.breakpoints.iter().zip(cells) {
                let logs = card.log_outcome().filter(|_| !recording);
                let per_minute = match logs {
                    Some(logs) => section::column_per_minute(card, logs, group, rpm),
                    None => Some(section::per_minute(card, side, rpm) / heard(side)),
                };
                let bursts_per_minute = logs.zip(per_minute).map(|(logs, rate)| rate / logs.burst.max(1.0));
                let mut value = json!({
                    "rpm": rpm, "load": group.load, "floor": cell.floor.map(&logged), "limit": cell.limit.map(&logged), "unit": unit,
                    "cycles": whole(cell.cycles), "more_needed": cell.more_needed,
                    "per_sample": card.choices().false_alarm, "expected_per_sample": expected, "per_minute": per_minute, "bursts_per_minute": bursts_per_minute,
                });
                if let Value::Object(map) = &mut value {
                    place(group, map);
                }
                out.push(value);
            }
        }
    }
    Value::Array(out)
}

/// Groups of a side, those of several loads counted once.
fn heard(side: &Side) -> f64 {
    let first_of = |(index, group): &(usize, &Group)| {
        !side.groups[..*index].iter().any(|other| other.cylinders == group.cylinders && other.sensor == group.sensor)
    };
    side.groups.iter().enumerate().filter(first_of).count().max(1) as f64
}

/// Cycles held against needed, over all rows of the table with one load breakpoint.
fn coverage(card: &Card) -> Value {
    let mut out = Vec::new();
    for Sides { side, .. } in sides(card) {
        let mut loads: Vec<Option<f64>> = Vec::new();
        for group in &side.groups {
            if !loads.contains(&group.load) {
                loads.push(group.load);
            }
        }
        for load in loads {
            for (column, &rpm) in side.breakpoints.iter().enumerate() {
                let rows = || side.groups.iter().zip(&side.table).filter(|(group, _)| group.load == load);
                let cells = || rows().filter_map(|(_, row)| row.get(column));
                let held: f64 = cells().map(|cell| cell.cycles).sum();
                let more: f64 = cells().map(|cell| f64::from(cell.more_needed)).sum();
                out.push(json!({"rpm": rpm, "load": load, "cycles": whole(held), "needed": whole(held + more)}));
            }
        }
    }
    Value::Array(out)
}

/// What to record next, in order: as section 8 says it.
fn plan(card: &Card) -> Vec<Value> {
    let of_side = |Sides { side, .. }: Sides| section::acts(card, side);
    let one = |step: crate::limit::plan::Step| json!({"load": step.load, "from_rpm": step.from_rpm, "to_rpm": step.to_rpm, "pulls": step.pulls, "missing": step.missing});
    sides(card).into_iter().flat_map(of_side).map(one).collect()
}

fn proof_json(card: &Card, proof: &crate::card::proof::Proof) -> Value {
    let share = |rate: Option<Rate>| {
        rate.map(|rate| {
            let interval = rate.interval(CONFIDENCE);
            [rate.share().unwrap_or(0.0), interval.low, interval.high]
        })
    };
    let at = |rate: Option<[f64; 3]>, index: usize, scale: f64| rate.map(|values| scale * values[index]);
    let recall = share(proof.caught);
    let false_alarms = share(proof.false_held_out.or(proof.false_labelled));
    let auc = proof.roc.as_ref().map(|roc| roc.auc);
    let interval = proof.roc.as_ref().and_then(|roc| roc.interval(CONFIDENCE));
    let sweep = proof.sweep.iter().map(|(deg, rate)| {
        let interval = rate.interval(CONFIDENCE);
        json!({"ignition_deg_btdc": deg, "share": rate.share(), "low": interval.low, "high": interval.high, "cycles": rate.trials})
    });
    json!({
        "labels": proof.caught.or(proof.false_labelled).map(|_| "ear"), "auc": auc, "auc_low": interval.map(|i| i.low), "auc_high": interval.map(|i| i.high),
        "recall": at(recall, 0, 1.0), "recall_low": at(recall, 1, 1.0), "recall_high": at(recall, 2, 1.0),
        "false_per_1000": at(false_alarms, 0, 1000.0), "false_low": at(false_alarms, 1, 1000.0), "false_high": at(false_alarms, 2, 1000.0),
        "border_deg_btdc": proof.border_deg_btdc, "learnt_and_proven": proof.learnt_and_proven,
        "over_limit_share": proof.over_limit.and_then(|rate| rate.share()),
        "by": by_place(card, proof), "sweep": sweep.collect::<Vec<_>>(), "swept_by_log": proof.swept_by_log,
    })
}

/// Recall and false alarms by cylinder (and load where that parts the table), then of each by speed.
fn by_place(card: &Card, proof: &crate::card::proof::Proof) -> Vec<Value> {
    let Some(side) = card.outcome().map(|outcome| &outcome.side) else { return Vec::new() };
    let caught = |index: u16, rpm: Option<f64>| {
        let own = proof.cells.iter().filter(|cell| cell.group == index && rpm.is_none_or(|rpm| cell.rpm == rpm));
        let of_group = || proof.by_group.iter().find(|(group, _)| *group == index).map(|(_, rate)| *rate);
        if rpm.is_none() { of_group() } else { own.filter_map(|cell| Some(cell.recall?.rate)).next() }
    };
    let alarmed = |index: u16, rpm: Option<f64>| {
        let at = |column: usize| side.breakpoints.get(column).copied();
        let own = proof
            .held_out_by
            .iter()
            .filter(|((group, column), _)| *group == index && rpm.is_none_or(|rpm| at(*column) == Some(rpm)));
        let sum = own.fold(Rate { hits: 0, trials: 0 }, |sum, (_, rate)| Rate {
            hits: sum.hits + rate.hits,
            trials: sum.trials + rate.trials,
        });
        (sum.trials > 0).then_some(sum)
    };
    let interval = |rate: Option<Rate>| rate.map(|rate| rate.interval(CONFIDENCE));
    let one = |index: u16, rpm: Option<f64>| {
        let (caught, alarmed) = (caught(index, rpm), alarmed(index, rpm));
        caught.or(alarmed)?;
        let (recall, false_alarm) = (interval(caught), interval(alarmed));
        let group = side.groups.get(usize::from(index))?;
        let mut value = json!({
            "rpm": rpm, "load": group.load,
            "knocks": caught.map_or(0, |rate| rate.trials), "caught": caught.map_or(0, |rate| rate.hits),
            "recall": caught.and_then(Rate::share), "recall_low": recall.map(|i| i.low), "recall_high": recall.map(|i| i.high),
            "safe_cycles": alarmed.map_or(0, |rate| rate.trials), "false_alarms": alarmed.map_or(0, |rate| rate.hits),
            "false_per_1000": alarmed.and_then(Rate::share).map(|share| 1000.0 * share),
            "false_low": false_alarm.map(|i| 1000.0 * i.low), "false_high": false_alarm.map(|i| 1000.0 * i.high),
        });
        place(group, value.as_object_mut()?);
        Some(value)
    };
    let groups = || 0..side.groups.len() as u16;
    let speeds = groups().flat_map(|index| side.breakpoints.iter().map(move |rpm| (index, Some(*rpm))));
    groups().map(|index| (index, None)).chain(speeds).filter_map(|(index, rpm)| one(index, rpm)).collect()
}

fn compare_json(card: &Card, comparison: &crate::card::compare::Comparison) -> Value {
    use crate::limit::compare::Difference;
    let ends = |difference: Option<Difference>| {
        let interval = difference.and_then(|difference| difference.interval);
        let [low, high] = [interval.map(|ends| ends.0), interval.map(|ends| ends.1)];
        json!({"difference_db": difference.map(|d| d.value), "low": low, "high": high, "real": difference.and_then(|d| d.is_real())})
    };
    let alike = section::groups_of_one_mount(card, comparison);
    let cell = |cell: &crate::limit::compare::CellDifference| {
        let is_alike = alike.get(usize::from(cell.group)).copied().unwrap_or(false);
        let mut value = ends(is_alike.then_some(cell.floor));
        let map = value.as_object_mut()?;
        if let Some(group) = comparison.groups.get(usize::from(cell.group)) {
            place(group, map);
        }
        map.insert("rpm".into(), json!(cell.rpm));
        map.insert("load".into(), json!(cell.load));
        map.insert("coolant_c".into(), json!(cell.degc));
        map.insert("counts".into(), json!(cell.counts));
        map.insert("spread".into(), ends(Some(cell.spread)));
        map.insert("limit".into(), ends(cell.limit.filter(|_| is_alike)));
        Some(value)
    };
    let compared = &comparison.compared;
    let real = compared
        .cells
        .iter()
        .filter(|cell| alike.get(usize::from(cell.group)) == Some(&true) && cell.floor.is_real() == Some(true));
    let mut value = ends(section::compared_floor(card, comparison));
    if let Value::Object(map) = &mut value {
        let contrast = compared.contrast;
        map.insert("cells".into(), compared.cells.iter().filter_map(cell).collect());
        map.insert("contrast_db".into(), json!(contrast.map(|contrast| contrast.value)));
        map.insert("contrast_low".into(), json!(contrast.and_then(|c| c.interval).map(|ends| ends.0)));
        map.insert("contrast_high".into(), json!(contrast.and_then(|c| c.interval).map(|ends| ends.1)));
        map.insert("spread".into(), ends(compared.spread));
        map.insert("overlap".into(), json!(compared.overlap));
        map.insert("real_share".into(), json!(real.count() as f64 / compared.cells.len().max(1) as f64));
        map.insert("matched_by_load".into(), json!(comparison.matched[0]));
        map.insert("matched_by_temperature".into(), json!(comparison.matched[1]));
        map.insert(
            "shape".into(),
            json!(comparison.shape.map(|(r, most_db)| json!({"correlation": r, "most_db": most_db}))),
        );
        map.insert("unit".into(), json!(if comparison.shape_only() { "shape" } else { "dB" }));
    }
    value
}

fn findings(card: &Card) -> Value {
    let views = (1..=11).filter_map(|number| section::view(card, number));
    views
        .map(|view| json!({"section": view.section, "state": view.state, "sentence": view.finding, "todo": view.todo}))
        .collect()
}

/// To which a log's column belongs, for the native twin's listing.
pub fn of_in_words(of: Option<Of>) -> String {
    match of {
        Some(Of::Sensor(sensor)) => format!(" (sensor {sensor})"),
        Some(Of::Cylinder(cylinder)) => format!(" (cylinder {cylinder})"),
        None => String::new(),
    }
}
