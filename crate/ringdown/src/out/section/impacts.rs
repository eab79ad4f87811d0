//! What strikes where in the cycle, named where the sheet gives the timing.

use super::*;
use crate::card::Settled;
use crate::feature::cycle_map::Impact;
use crate::out::words::{khz, say};
use crate::read::sheet::Sheet;
use serde_json::Value;

/// Parts whose timing a sheet may give.
const PARTS: [&str; 3] = ["injection", "intake_close", "exhaust_close"];
/// An impact this near to a part's angle may be that part, degrees.
const NEAR_DEG: f64 = 10.0;
/// Combustion is loud from firing TDC to here, degrees (common practice, no source).
const COMBUSTION_DEG: f64 = 50.0;

/// An impact with its name; `combustion` where it may be the cylinder's own, which is no intruder.
pub(super) struct Named {
    impact: Impact,
    what: String,
    combustion: bool,
}

/// Impacts of the mean cycle in the order of angle.
pub(super) fn impacts(card: &Card) -> Vec<Named> {
    let Some((_, map)) = card.cycle_map() else { return Vec::new() };
    map.impacts().into_iter().map(|impact| named(card.sheet(), impact, map.cycle_deg)).collect()
}

fn named(sheet: Option<&Sheet>, impact: Impact, cycle_deg: f64) -> Named {
    let apart = |deg: f64| {
        let apart = (impact.deg_atdc - deg).rem_euclid(cycle_deg);
        if apart > 0.5 * cycle_deg { apart - cycle_deg } else { apart }
    };
    let burns = |offset: f64| (-NEAR_DEG..COMBUSTION_DEG).contains(&apart(offset));
    let mut names = Vec::new();
    if burns(0.0) {
        names.push(text("window.what.combustion"));
    }
    let combustion = !names.is_empty();
    let timings: Vec<(&str, f64)> = PARTS.iter().flat_map(|part| timings(sheet, part)).collect();
    let fits = |offset: f64| timings.iter().filter(move |(_, deg)| apart(deg + offset).abs() <= NEAR_DEG);
    names.extend(fits(0.0).map(|(part, _)| text(&format!("window.what.{part}"))));
    for offset in offsets(sheet, cycle_deg) {
        let other = |key: &str| say("window.what.other", &[("what", text(&format!("window.what.{key}")))]);
        names.extend(burns(offset).then(|| other("combustion")));
        names.extend(fits(offset).map(|(part, _)| other(part)));
    }
    let mut seen = std::collections::BTreeSet::new();
    names.retain(|name| seen.insert(name.clone()));
    let joined = names.into_iter().reduce(|a, b| say("window.or", &[("a", a), ("b", b)]));
    Named { impact, what: joined.unwrap_or_else(|| text("window.what.impact")), combustion }
}

fn timings<'a>(sheet: Option<&Sheet>, part: &'a str) -> Vec<(&'a str, f64)> {
    let given = sheet.and_then(|sheet| sheet.events_deg_atdc.as_ref()).and_then(|events| events.get(part));
    let one = |value: &Value| value.as_f64().filter(|deg| deg.is_finite()).map(|deg| (part, deg));
    match given {
        Some(Value::Array(list)) => list.iter().filter_map(one).collect(),
        Some(value) => one(value).into_iter().collect(),
        None => Vec::new(),
    }
}

/// Firing of every other cylinder after that of each cylinder, degrees.
fn offsets(sheet: Option<&Sheet>, cycle_deg: f64) -> Vec<f64> {
    let firing = sheet.and_then(Sheet::firing).unwrap_or_default();
    let pairs = firing.iter().flat_map(|own| firing.iter().map(move |other| (own, other)));
    let mut offsets: Vec<f64> = pairs
        .filter(|(own, other)| own.0 != other.0)
        .map(|(own, other)| (other.1 - own.1).rem_euclid(cycle_deg))
        .collect();
    offsets.sort_by(f64::total_cmp);
    offsets.dedup();
    offsets
}

fn inside(impact: &Impact, window: Settled) -> bool {
    (window.low..window.high).contains(&impact.deg_atdc)
}

/// The strongest that is not the cylinder's own combustion, and whether the window keeps it out.
pub(super) fn sentence(impacts: &[Named], window: Settled) -> Option<String> {
    let intruders = impacts.iter().filter(|named| !named.combustion);
    let strongest = intruders.max_by(|a, b| a.impact.db.total_cmp(&b.impact.db))?;
    let key = if inside(&strongest.impact, window) { "window.impact.inside" } else { "window.impact.outside" };
    Some(say(key, &[("what", strongest.what.clone()), ("deg", number(strongest.impact.deg_atdc, 0))]))
}

pub(super) fn table(card: &Card, impacts: &[Named], window: Settled) -> Option<Table> {
    let (file, map) = card.cycle_map().filter(|_| !impacts.is_empty())?;
    let columns = ["deg", "khz", "over", "what", "where"].map(|key| text(&format!("window.column.{key}")));
    let [low, high] = map.rpm.map(|rpm| number(rpm, 0));
    let values = [("n", number(map.cycles as f64, 0)), ("file", file.input.name.clone()), ("low", low), ("high", high)];
    let one = |Named { impact, what, .. }: &Named| {
        let place = if inside(impact, window) { "window.inside" } else { "window.outside" };
        row([number(impact.deg_atdc, 0), khz(impact.hz), number(impact.db, 1), what.clone(), text(place)])
    };
    let rows = impacts.iter().map(one).collect();
    Some(super::table("impacts", say("window.impacts", &values), columns, rows))
}

pub(super) fn figure(card: &Card) -> Option<FigureRef> {
    let (_, map) = card.cycle_map()?;
    let values = [
        ("deg", number(map.cycle_deg, 0)),
        ("n", number(map.cycles as f64, 0)),
        ("count", number(map.impacts().len() as f64, 0)),
    ];
    Some(super::figure("cycle", "window.figure.cycle", say("window.figure.cycle.summary", &values)))
}
