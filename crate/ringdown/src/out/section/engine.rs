//! Section 1: the modes from the bore, and what the sheet still lacks.

use super::*;
use crate::card::choices::DEFAULT_GAS_TEMPERATURE_K;
use crate::out::words::{khz, say};

pub(super) fn view(card: &Card) -> SectionView {
    let Some(modes) = card.modes() else {
        return SectionView { why: vec![text("engine.why")], ..waiting(1, "engine.waiting", "engine.todo.bore") };
    };
    let rates: Vec<f64> = card.recordings().map(|(_, recording)| recording.sample_rate_hz()).collect();
    let lowest_rate_hz = rates.iter().copied().min_by(f64::total_cmp);
    let range = [("low", khz(modes[0].hz_low)), ("high", khz(modes[0].hz_high))];
    let reached = |rate: f64| modes.iter().filter(|mode| mode.hz_high <= 0.5 * rate).count();
    let finding = match lowest_rate_hz {
        None => say("engine.finding", &range),
        Some(rate) => {
            let [low, high] = range;
            let key = if reached(rate) == modes.len() { "engine.finding.all" } else { "engine.finding.some" };
            let rate_khz = number(rate / 1000.0, if rate % 1000.0 == 0.0 { 0 } else { 1 });
            say(key, &[low, high, ("rate", rate_khz), ("reached", reached(rate).to_string())])
        }
    };
    let first_in_reach = lowest_rate_hz.is_none_or(|rate| reached(rate) > 0);
    let state = if first_in_reach { State::Holds } else { State::Look };
    let rows = modes.iter().map(|mode| {
        let reach = match lowest_rate_hz {
            None => "–".to_owned(),
            Some(rate) if mode.hz_high <= 0.5 * rate => text("engine.reached"),
            Some(rate) if mode.hz_low <= 0.5 * rate => text("engine.partly"),
            Some(_) => text("engine.beyond"),
        };
        let name = format!("({}, {})", mode.m, mode.n);
        row([name, khz(mode.hz), format!("{} – {}", khz(mode.hz_low), khz(mode.hz_high)), reach])
    });
    let columns = ["engine.column.mode", "engine.column.hz", "engine.column.range", "engine.column.reach"].map(text);
    let range_k = card.sheet().and_then(|sheet| sheet.gas_temperature_k).unwrap_or(DEFAULT_GAS_TEMPERATURE_K);
    let gas = range_k.map(|kelvin| number(kelvin, 0));
    let why = say("engine.why.values", &[("low", gas[0].clone()), ("high", gas[1].clone())]);
    SectionView {
        why: vec![text("engine.why"), why],
        todo: missing(card),
        tables: vec![table("modes", text("engine.caption"), columns, rows.collect())],
        figures: vec![figure("modes", "engine.figure", finding.clone())],
        ..blank(1, state, finding)
    }
}

/// What the sheet lacks, each with what it would bring.
fn missing(card: &Card) -> Vec<String> {
    let Some(sheet) = card.sheet() else { return Vec::new() };
    let lacks = [
        (sheet.cylinders.is_none() || sheet.firing_order.is_none(), "engine.todo.firing"),
        (sheet.crank.is_none(), "engine.todo.crank"),
        (sheet.sensors.is_none(), "engine.todo.sensors"),
    ];
    lacks.iter().filter(|(lacking, _)| *lacking).map(|(_, key)| text(key)).collect()
}
