//! The search over bands and windows in the fixed JSON.

use crate::card::Card;
use crate::card::bursts::BurstSides;
use crate::card::search::{Found, Search, Separation, Tried, Verdict};
use crate::feature::grid::separate::Measure;
use serde_json::{Map, Value, json};

/// `bursts` of the result: which frequencies of each channel come in bursts.
pub(super) fn bursts(card: &Card) -> Value {
    let one = |sides: &BurstSides| Some(json!({"channel": sides.channel, "most": sides.most()?}));
    card.bursts().iter().filter_map(one).collect()
}

/// `search` of the result; null before it has run.
pub(super) fn search(card: &Card) -> Value {
    card.search().map_or(Value::Null, all)
}

fn all(search: &Search) -> Value {
    let knocks = !matches!(search.verdict, Verdict::OnlyLouder | Verdict::NoRing | Verdict::Thin);
    let told = |found: &Option<Found>| found.as_ref().map_or(Value::Null, found_json);
    let runners: Vec<Value> = if knocks { search.runners_up.iter().map(found_json).collect() } else { Vec::new() };
    let [low_hz, high_hz] = search.flat.band_hz;
    let [start_deg_atdc, end_deg_atdc] = search.flat.window_deg_atdc;
    let by: Vec<Value> = search
        .by_group
        .iter()
        .map(|(group, separation)| {
            let mut row = separation_json(separation);
            super::result::place(group, &mut row);
            Value::Object(row)
        })
        .collect();
    let features: Map<String, Value> =
        search.features.iter().map(|tried| (measure_word(tried.measure).to_owned(), json!(tried.share))).collect();
    let other = |tried: &Tried| json!({"feature": measure_word(tried.measure), "more": tried.more, "error": tried.error, "better": tried.is_better()});
    let compared: Vec<Value> = if knocks { search.features.iter().map(other).collect() } else { Vec::new() };
    json!({
        "cells": search.cells, "feature": measure_word(search.measure), "verdict": verdict_word(search.verdict),
        "best": if knocks { told(&search.best) } else { Value::Null },
        "usual": told(&search.usual),
        "runners_up": runners,
        "events": {"background": search.events.0, "provoked": search.events.1, "background_from": if search.mirrored { "quieter half" } else { "safe running" }},
        "flat": {"cells": search.flat.cells, "low_hz": low_hz, "high_hz": high_hz, "start_deg_atdc": start_deg_atdc, "end_deg_atdc": end_deg_atdc},
        "evidence": {"events": search.ring.events, "fall_hz_per_deg": search.ring.fall_hz_per_deg, "second_hz": search.ring.second_hz},
        "over_limit_share_of_other_features": features, "other_features": compared,
        "by": by,
    })
}

fn found_json(found: &Found) -> Value {
    let [low_hz, high_hz] = found.band_hz();
    let [start_deg_atdc, end_deg_atdc] = found.window_deg_atdc();
    let mut row = separation_json(&found.separation);
    let edges =
        [("low_hz", low_hz), ("high_hz", high_hz), ("start_deg_atdc", start_deg_atdc), ("end_deg_atdc", end_deg_atdc)];
    row.extend(edges.map(|(key, value)| (key.to_owned(), json!(value))));
    Value::Object(row)
}

fn separation_json(separation: &Separation) -> Map<String, Value> {
    let Separation { recall, auc, auc_range, share, labelled } = *separation;
    let row = [
        ("recall", json!(recall)),
        ("auc", json!(auc)),
        ("auc_low", json!(auc_range.map(|range| range[0]))),
        ("auc_high", json!(auc_range.map(|range| range[1]))),
        ("over_limit_share", json!(share)),
        ("labels", json!((labelled > 0).then_some("ear"))),
    ];
    row.map(|(key, value)| (key.to_owned(), value)).into_iter().collect()
}

fn measure_word(measure: Measure) -> &'static str {
    match measure {
        Measure::Energy => "energy",
        Measure::Peak => "peak",
        Measure::Ratio => "ratio",
    }
}

fn verdict_word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Found => "found",
        Verdict::UsualAsGood => "usual-as-good",
        Verdict::OnlyLouder => "only-louder",
        Verdict::NoRing => "no-ring",
        Verdict::Thin => "too-few-events",
    }
}
