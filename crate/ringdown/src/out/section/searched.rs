//! What the search over bands and windows says in section 5.

use super::*;
use crate::card::search::{Found, Search, Separation, Verdict};
use crate::card::{ChosenBy, Settled};
use crate::feature::grid::separate::Measure;
use crate::feature::grid::{HIGHEST_HZ, choose::overlap};
use crate::feature::modes::Mode;
use crate::out::words::{khz, percent, say};

/// A window that stays open past this angle hears valves close (common practice, no source).
const LATE_DEG_ATDC: f64 = 90.0;
/// A band belongs to a mode whose range it covers to this part, or the other way round.
const SAME_MODE: f64 = 0.2;

/// Finding and to-do where the search decides them; `None` where the usual band speaks for itself.
pub(super) fn judge(card: &Card, band: Settled, values: &[(&str, String)]) -> Option<(State, String, Vec<String>)> {
    let search = card.search()?;
    let best = search.best.as_ref()?;
    let mut values = values.to_vec();
    match search.verdict {
        Verdict::Found if band.chosen_by == ChosenBy::Search => {
            let finding = found(card, search, best, &mut values);
            Some((State::Holds, finding, Vec::new()))
        }
        Verdict::OnlyLouder if band.chosen_by != ChosenBy::User && !search.mirrored => {
            let (finding, todo) = if super::limits::safe_may_knock(card) {
                ("band.finding.loudtail", "band.todo.loudtail")
            } else {
                ("band.finding.louder", "band.todo.louder")
            };
            Some((State::NotEnough, say(finding, &values), vec![text(todo)]))
        }
        Verdict::NoRing if band.chosen_by != ChosenBy::User => {
            let [low, high] = best.band_hz();
            values.extend([("tlow", khz(low)), ("thigh", khz(high))]);
            Some((State::Look, say("band.finding.noring", &values), vec![text("band.todo.noring")]))
        }
        _ => None,
    }
}

fn found(card: &Card, search: &Search, best: &Found, values: &mut Vec<(&str, String)>) -> String {
    let [from, to] = search.flat.centre_hz;
    let rate = super::super::words::one_in(card.choices().false_alarm);
    values.extend([("from", khz(from)), ("to", khz(to)), ("rate", rate)]);
    if best.separation.labelled > 0 {
        values.push(("recall", best.separation.recall.map_or_else(|| "–".into(), percent)));
        values.push(("n", number(best.separation.labelled as f64, 0)));
        return say("band.finding.ear", values);
    }
    values.extend([("share", percent(best.separation.share)), ("evidence", evidence(search))]);
    say("band.finding.mixture", values)
}

fn evidence(search: &Search) -> String {
    match (search.ring.fall_hz_per_deg, search.ring.second_hz) {
        (Some(_), Some(second_hz)) => say("band.evidence.both", &[("second", khz(second_hz))]),
        (Some(_), None) => text("band.evidence.fall"),
        (None, Some(second_hz)) => say("band.evidence.second", &[("second", khz(second_hz))]),
        (None, None) => text("band.evidence.ear"),
    }
}

/// How the search goes about it.
pub(super) fn why(card: &Card) -> Option<String> {
    card.search().filter(|search| search.cells > 0)?;
    let rates = card.recordings().map(|(_, recording)| recording.sample_rate_hz());
    let top_hz = rates.fold(f64::INFINITY, f64::min) * 0.45;
    Some(say("band.why.search", &[("top", khz(top_hz.min(HIGHEST_HZ)))]))
}

/// Whether another feature finds more in the same place; none where no knock was found.
pub(super) fn feature(card: &Card) -> Option<String> {
    let search = card.search()?;
    let knocks = matches!(search.verdict, Verdict::Found | Verdict::UsualAsGood);
    let best = search.features.iter().filter(|_| knocks).max_by(|a, b| a.more.total_cmp(&b.more))?;
    let name = |measure: Measure| {
        text(match measure {
            Measure::Energy => "feature.energy",
            Measure::Peak => "feature.peak",
            Measure::Ratio => "feature.ratio",
        })
    };
    let values = [
        ("own", name(search.measure)),
        ("other", name(best.measure)),
        ("more", number(100.0 * best.more, 1)),
        ("error", number(100.0 * best.error, 1)),
    ];
    Some(say(if best.is_better() { "band.feature.better" } else { "band.feature.same" }, &values))
}

/// The best places with what speaks against each, and the best one by cylinder; none where no knock was found.
pub(super) fn tables(card: &Card) -> Vec<Table> {
    let Some(search) = card.search() else { return Vec::new() };
    let knocks = matches!(search.verdict, Verdict::Found | Verdict::UsualAsGood);
    let Some(best) = search.best.as_ref().filter(|_| knocks) else { return Vec::new() };
    let modes = card.modes();
    let modes = modes.as_ref().map_or(&[][..], |modes| &modes[..]);
    let chosen = search.verdict == Verdict::Found;
    let mut rows = vec![Row { chosen, ..place("band.row.best", best, text("band.wrong.best")) }];
    if let Some(usual) = &search.usual {
        rows.push(Row { chosen: !chosen, ..place("band.row.usual", usual, text("band.wrong.usual")) });
    }
    rows.extend(search.runners_up.iter().map(|other| place("band.row.other", other, wrong(other, modes))));
    let values =
        [("cells", number(search.cells as f64, 0)), ("n", number((search.events.0 + search.events.1) as f64, 0))];
    let columns = [
        "band.column.band",
        "band.column.range",
        "band.column.window",
        "band.column.share",
        "band.column.auc",
        "band.column.why",
    ];
    let places = table("places", say("band.search.caption", &values), columns.map(text), rows);
    let columns = ["band.by.group", "band.column.share", "band.column.auc"].map(text);
    let by =
        search.by_group.iter().map(|(group, own)| row([group_name(group), percent(own.share), area(own)])).collect();
    vec![places, table("separation", text("band.by.caption"), columns, by)]
}

fn place(name: &str, found: &Found, wrong: String) -> Row {
    let ([low, high], [start, end]) = (found.band_hz(), found.window_deg_atdc());
    let band = format!("{} – {}", khz(low), khz(high));
    let window = format!("{} – {}", number(start, 0), number(end, 0));
    row([text(name), band, window, percent(found.separation.share), area(&found.separation), wrong])
}

fn area(separation: &Separation) -> String {
    match (separation.auc, separation.auc_range) {
        (Some(auc), Some([low, high])) => format!("{} ({} – {})", number(auc, 3), number(low, 3), number(high, 3)),
        (Some(auc), None) => number(auc, 3),
        _ => "–".into(),
    }
}

/// Why a place could be wrong.
fn wrong(found: &Found, modes: &[Mode]) -> String {
    let ([low_hz, high_hz], [_, end_deg]) = (found.band_hz(), found.window_deg_atdc());
    if end_deg > LATE_DEG_ATDC {
        return say("band.wrong.late", &[("end", number(end_deg, 0))]);
    }
    let shared = |mode: &&Mode| overlap([low_hz, high_hz], [mode.hz_low, mode.hz_high]) > SAME_MODE;
    match modes.iter().find(shared) {
        Some(mode) if (mode.m, mode.n) == (1, 0) => text("band.wrong.first"),
        Some(mode) => say("band.wrong.mode", &[("m", mode.m.to_string()), ("n", mode.n.to_string())]),
        None if modes.first().is_some_and(|first| high_hz <= first.hz_low) => text("band.wrong.below"),
        None => text("band.wrong.none"),
    }
}
