//! Section 10: before against after.

use super::*;
use crate::card::FileRole;
use crate::card::compare::{Comparison, Kind, NotFloor};
use crate::finding::sensors::Kind as Fault;
use crate::limit::compare::{CellDifference, Difference};
use crate::out::words::{percent, say};

/// Rows of the table of cells at most.
const MOST_CELLS: usize = 60;
/// A floor that moves by so much everywhere, and hardly otherwise over speed, may be an amplifier's gain.
const GAIN_DB: f64 = 3.0;
const GAIN_EVEN_DB: f64 = 0.7;

pub(super) fn view(card: &Card) -> SectionView {
    let has = |roles: &[FileRole]| card.files().iter().any(|file| file.is_data() && roles.contains(&file.role));
    if !has(&[FileRole::Before]) || !has(&[FileRole::After, FileRole::Safe, FileRole::Knock]) {
        return waiting(10, "compare.waiting", "compare.todo.drop");
    }
    let Some(comparison) = card.comparison() else {
        return waiting(10, "compare.none", "compare.todo.more");
    };
    let verdict = judge(card, comparison);
    let mut tables = Vec::new();
    let mut figures = Vec::new();
    if comparison.kind != Kind::Shape {
        tables.push(summary(card, comparison));
        tables.push(cells(card, comparison));
    }
    if comparison.sides.iter().all(Option::is_some) {
        figures.push(figure("compare", "compare.figure", verdict.sentence.clone()));
    }
    SectionView {
        why: why(comparison),
        todo: verdict.todo,
        tables,
        figures,
        ..blank(10, verdict.state, verdict.sentence)
    }
}

struct Judged {
    state: State,
    sentence: String,
    todo: Vec<String>,
}

fn judge(card: &Card, comparison: &Comparison) -> Judged {
    if comparison.kind == Kind::Shape {
        let Some((correlation, most_db)) = comparison.shape else {
            return Judged { state: State::NotEnough, sentence: text("compare.shape.none"), todo: Vec::new() };
        };
        let values = [("r", number(correlation, 2)), ("most", db(most_db))];
        return Judged {
            state: State::Look,
            sentence: say("compare.shape", &values),
            todo: vec![text("compare.todo.shape")],
        };
    }
    if comparison.compared.cells.is_empty() {
        let todo = vec![text("compare.todo.overlap")];
        return Judged { state: State::NotEnough, sentence: text("compare.nooverlap"), todo };
    }
    let (mut state, floor) = floor_sentence(card, comparison);
    let contrast = contrast_sentence(comparison);
    let overlap = comparison.compared.overlap;
    let mut todo = Vec::new();
    if overlap < 0.5 {
        state = State::Look;
        todo.push(say("compare.todo.part", &[("share", percent(overlap))]));
    }
    if comparison.compared.contrast.is_none() {
        todo.push(text("compare.todo.knock"));
    }
    if is_like_gain(card, comparison) {
        state = State::Look;
        todo.push(text("compare.todo.gain"));
    }
    Judged { state, sentence: format!("{floor} {contrast}"), todo }
}

/// The floor's difference over the groups whose floors can be compared.
fn floor_sentence(card: &Card, comparison: &Comparison) -> (State, String) {
    match comparison.not_floor {
        Some(NotFloor::Said) => return (State::Look, text("compare.floor.said")),
        Some(NotFloor::Columns) => return (State::Look, text("compare.floor.columns")),
        Some(NotFloor::Band) => return (State::Look, text("compare.floor.band")),
        None => {}
    }
    let Some(floor) = floor(card, comparison) else { return (State::Look, text("compare.floor.mounts")) };
    let real = comparable(card, comparison).filter(|cell| cell.floor.is_real() == Some(true)).count();
    let judged = comparable(card, comparison).filter(|cell| cell.floor.interval.is_some()).count();
    let mut values = vec![
        ("db", db(floor.value.abs())),
        ("way", text(if floor.value > 0.0 { "compare.higher" } else { "compare.lower" })),
        ("real", number(real as f64, 0)),
        ("all", number(judged as f64, 0)),
    ];
    let Some((low, high)) = floor.interval else { return (State::NotEnough, say("compare.floor.short", &values)) };
    values.extend([("low", signed(low)), ("high", signed(high))]);
    let key = if floor.is_real() == Some(true) { "compare.floor.real" } else { "compare.floor.same" };
    (State::Holds, say(key, &values))
}

fn contrast_sentence(comparison: &Comparison) -> String {
    let Some(contrast) = comparison.compared.contrast else {
        let [before, after] = comparison.compared.knocks.map(|count| number(count as f64, 0));
        return say("compare.contrast.none", &[("before", before), ("after", after)]);
    };
    let way = text(if contrast.value > 0.0 { "compare.further" } else { "compare.less" });
    let mut values = vec![("db", db(contrast.value.abs())), ("way", way)];
    let Some((low, high)) = contrast.interval else { return say("compare.contrast.short", &values) };
    values.extend([("low", signed(low)), ("high", signed(high))]);
    let key = if contrast.is_real() == Some(true) { "compare.contrast.real" } else { "compare.contrast.same" };
    say(key, &values)
}

/// A floor that moved evenly at all speeds looks like another gain.
fn is_like_gain(card: &Card, comparison: &Comparison) -> bool {
    let Some(floor) = floor(card, comparison) else { return false };
    let cells: Vec<f64> = comparable(card, comparison).map(|cell| cell.floor.value).collect();
    let scatter = crate::stats::moments::standard_deviation(&cells);
    floor.value.abs() > GAIN_DB && cells.len() >= 4 && scatter.is_some_and(|sd| sd < GAIN_EVEN_DB)
}

/// Sensors of a group that ring on one side and not, or elsewhere, on the other: another mount, or another sensor.
fn is_remounted(card: &Card, sensor: Option<u16>) -> bool {
    let Some(sensor) = sensor else { return false };
    let rings = |is_before: bool| -> Vec<Option<f64>> {
        let role_of = |id| card.file(id).map(|file| file.role);
        let own = card.sensor_reports().iter().filter(|report| {
            report.channel == Some(sensor) && (role_of(report.file_id) == Some(FileRole::Before)) == is_before
        });
        let ring = |kind: &Fault| if let Fault::SharplyTuned { f0_hz, .. } = kind { Some(*f0_hz) } else { None };
        own.map(|report| report.findings.iter().find_map(ring)).collect()
    };
    let alike = |a: &Option<f64>, b: &Option<f64>| match (a, b) {
        (Some(a), Some(b)) => (a / b - 1.0).abs() < 0.1,
        (a, b) => a.is_none() && b.is_none(),
    };
    let (before, after) = (rings(true), rings(false));
    before.iter().any(|before| after.iter().any(|after| !alike(before, after)))
}

/// Groups whose floors can be compared.
pub(crate) fn groups_of_one_mount(card: &Card, comparison: &Comparison) -> Vec<bool> {
    let of = |group: &Group| comparison.not_floor.is_none() && !is_remounted(card, group.sensor);
    comparison.groups.iter().map(of).collect()
}

fn comparable<'a>(card: &Card, comparison: &'a Comparison) -> impl Iterator<Item = &'a CellDifference> {
    let alike = groups_of_one_mount(card, comparison);
    comparison.compared.cells.iter().filter(move |cell| alike.get(usize::from(cell.group)).copied().unwrap_or(false))
}

/// The floor's difference over all groups, or over those of one mount; `None` if there is none.
pub(crate) fn floor(card: &Card, comparison: &Comparison) -> Option<Difference> {
    let alike = groups_of_one_mount(card, comparison);
    if alike.iter().all(|alike| *alike) {
        return comparison.compared.floor;
    }
    let own = comparison.compared.by_group.iter();
    let own: Vec<Difference> =
        own.filter(|(group, _)| alike.get(usize::from(*group)) == Some(&true)).map(|(_, floor)| *floor).collect();
    let mean = |pick: &dyn Fn(&Difference) -> Option<f64>| -> Option<f64> {
        let values: Option<Vec<f64>> = own.iter().map(pick).collect();
        values.filter(|values| !values.is_empty()).map(|values| values.iter().sum::<f64>() / values.len() as f64)
    };
    let value = mean(&|floor| Some(floor.value))?;
    // The mean of the ends is as wide as if the groups erred together: never too narrow.
    let low = mean(&|floor| floor.interval.map(|interval| interval.0));
    let high = mean(&|floor| floor.interval.map(|interval| interval.1));
    Some(Difference { value, interval: low.zip(high) })
}

fn why(comparison: &Comparison) -> Vec<String> {
    let matched = match comparison.matched {
        [true, true] => "compare.why.speedloadtemp",
        [true, false] => "compare.why.speedload",
        [false, true] => "compare.why.speedtemp",
        [false, false] => "compare.why.speed",
    };
    [matched, "compare.why.interval", "compare.why.contrast"].map(text).to_vec()
}

fn signed(value: f64) -> String {
    if value > 0.0 { format!("+{}", db(value)) } else { db(value) }
}

fn with_interval(difference: &Difference) -> String {
    match difference.interval {
        Some((low, high)) => format!("{} ({} … {})", signed(difference.value), signed(low), signed(high)),
        None => signed(difference.value),
    }
}

fn answer(difference: &Difference) -> String {
    text(match difference.is_real() {
        Some(true) => "compare.yes",
        Some(false) => "compare.no",
        None => "compare.unknown",
    })
}

/// Floor of each group, then spread and contrast of all.
fn summary(card: &Card, comparison: &Comparison) -> Table {
    let alike = groups_of_one_mount(card, comparison);
    let mut rows: Vec<Row> = Vec::new();
    for (group, difference) in &comparison.compared.by_group {
        let Some(name) = comparison.groups.get(usize::from(*group)).map(group_name) else { continue };
        let what = say("compare.row.floor", &[("who", lower_first(&name))]);
        rows.push(match alike.get(usize::from(*group)) {
            Some(true) => row([what, with_interval(difference), answer(difference)]),
            _ => row([what, text("compare.otherfloor"), "–".into()]),
        });
    }
    let of_all =
        [("compare.row.spread", comparison.compared.spread), ("compare.row.contrast", comparison.compared.contrast)];
    for (key, difference) in of_all {
        rows.push(match difference {
            Some(difference) => row([text(key), with_interval(&difference), answer(&difference)]),
            None => row([text(key), "–".into(), "–".into()]),
        });
    }
    let columns = ["what", "difference", "real"].map(|key| text(&format!("compare.column.{key}")));
    table("compare", text("compare.caption"), columns, rows)
}

fn cells(card: &Card, comparison: &Comparison) -> Table {
    let alike = groups_of_one_mount(card, comparison);
    let rows = comparison.compared.cells.iter().take(MOST_CELLS).map(|cell| {
        let is_alike = alike.get(usize::from(cell.group)).copied().unwrap_or(false);
        let shown = |difference: &Difference| if is_alike { with_interval(difference) } else { "–".into() };
        row([
            comparison.groups.get(usize::from(cell.group)).map_or_else(String::new, group_name),
            number(cell.rpm, 0),
            cell.load.map_or_else(|| "–".into(), |load| number(load, 0)),
            shown(&cell.floor),
            with_interval(&cell.spread),
            cell.limit.as_ref().map_or_else(|| "–".into(), shown),
            if is_alike { answer(&cell.floor) } else { "–".into() },
        ])
    });
    let columns =
        ["who", "rpm", "load", "floor", "spread", "limit", "real"].map(|key| text(&format!("compare.column.{key}")));
    table("compare-cells", text("compare.caption.cells"), columns, rows.collect())
}
