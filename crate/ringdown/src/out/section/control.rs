//! What the control unit itself is set to: the nearest band, the window its filter's delay asks for, the limits in its steps.

use super::*;
use crate::card::{LogOutcome, Side};
use crate::feature::control::{Control, Settable, degrees};
use crate::limit::limits::LimitAt;
use crate::limit::typed::Typed;
use crate::out::table::{lines, rows};
use crate::out::words::{khz, list, percent, say};
use crate::stats::rate::Rate;

/// Confidence of the recount's interval.
const CONFIDENCE: f64 = 0.95;

fn control(card: &Card) -> Option<Control> {
    card.sheet()?.control.as_ref().map(Control::of)
}

/// First step: band, and window at each speed, as they can be set; `None` without a control unit in the sheet or a band.
pub(super) fn to_set(card: &Card) -> Option<Table> {
    let control = control(card)?;
    let rate = card.recordings().map(|(_, recording)| recording.sample_rate_hz()).next()?;
    let band = card.band(rate)?;
    let settable = control.nearest_band(band.low, band.high);
    let [low_hz, high_hz] = settable.edges_hz();
    let mut lines = vec![
        row([text("control.centre"), say("control.khz", &[("khz", khz(settable.centre_hz))])]),
        row([text("control.q"), number(settable.q, 2)]),
        row([text("control.band"), say("setting.khz", &[("low", khz(low_hz)), ("high", khz(high_hz))])]),
    ];
    if !control.gain_db.is_empty() {
        let gains = list(&control.gain_db.iter().map(|gain| short(*gain)).collect::<Vec<_>>());
        lines.push(row([text("control.gain"), say("control.gain.which", &[("gains", gains)])]));
    }
    if let Some(delay_s) = control.delay_s(settable) {
        lines.push(row([text("control.delay"), say("control.ms", &[("ms", number(1000.0 * delay_s, 2))])]));
        let window = card.window();
        let speeds = if card.has_angle() { speeds(card) } else { Vec::new() };
        lines.extend(speeds.into_iter().map(|rpm| {
            let [start, end] = control.window_to_set([window.low, window.high], delay_s, rpm);
            let values =
                [("low", number(start, 0)), ("high", number(end, 0)), ("delay", number(degrees(delay_s, rpm), 1))];
            row([say("control.window.at", &[("rpm", number(rpm, 0))]), say("control.window", &values)])
        }));
    }
    let through_own = card.outcome().is_some_and(|outcome| outcome.through_own.is_some());
    let caption = match (control.order.is_none(), differs(settable, band.low, band.high)) {
        (_, true) if !through_own => "control.caption.differs",
        (_, true) => "control.caption.other",
        (true, false) => "control.caption.assumed",
        (false, false) => "control.caption",
    };
    Some(table("to-set", text(caption), ["setting.column.what", "setting.column.value"].map(text), lines))
}

fn speeds(card: &Card) -> Vec<f64> {
    card.outcome().map(|outcome| outcome.side.breakpoints.clone()).unwrap_or_default()
}

/// Whether an edge of the settable band lies more than a tenth of the width from the band the limits were learnt with.
fn differs(settable: Settable, low_hz: f64, high_hz: f64) -> bool {
    let [low, high] = settable.edges_hz();
    (low - low_hz).abs().max((high - high_hz).abs()) > 0.1 * (high_hz - low_hz)
}

/// Floor and limit over it from levels through a filter like the control unit's own, a row of each for each line of the
/// table; `None` where there are none.
pub(super) fn through_own(card: &Card) -> Option<Table> {
    let side = card.outcome()?.through_own.as_ref()?;
    let lines = rows(card, side).into_iter().flat_map(|(name, cells)| {
        let over = |cell: &LimitAt| Some(cell.limit? - cell.floor?);
        let line = |key: &str, shown: &dyn Fn(&LimitAt) -> Option<f64>| {
            let head = say(key, &[("name", name.clone())]);
            row([head].into_iter().chain(cells.iter().map(|cell| shown(cell).map_or_else(|| "–".into(), db))))
        };
        [line("control.own.over", &over), line("control.own.floor", &|cell| cell.floor)]
    });
    Some(table(
        "through-own",
        say("control.caption.own", &[("unit", crate::out::measured::unit(card))]),
        super::limits::head(side),
        lines.collect(),
    ))
}

/// Second step: the limits in the control unit's steps, and the false alarms of that table on the safe cycles at hand.
pub(super) fn typed(card: &Card) -> Vec<Table> {
    let Some(control) = control(card).filter(|control| control.resolution.is_some()) else { return Vec::new() };
    let over_floor = card.outcome().map(|outcome| {
        let value = |cell: &LimitAt| Some(control.limit_to_type(cell.limit? - cell.floor?));
        let side = outcome.through_own.as_ref().unwrap_or(&outcome.side);
        snapped("typed", (card, side, true), text("unit.db"), &value, &|typed| typed)
    });
    let of_log = card.log_outcome().map(|logs: &LogOutcome| {
        let value = |cell: &LimitAt| Some(control.limit_to_type(logs.logged(cell.limit?)));
        let level = |typed: f64| if logs.linear { 20.0 * typed.log10() } else { typed };
        snapped("typed-log", (card, &logs.side, false), super::floor::log_unit(Some(logs)), &value, &level)
    });
    over_floor.into_iter().chain(of_log).collect()
}

/// `value`: what is typed in for a cell; `level`: from what is typed in back to the side's own level; over the floor, or not.
fn snapped(
    id: &str,
    (card, side, over_floor): (&Card, &Side, bool),
    unit: String,
    value: &dyn Fn(&LimitAt) -> Option<f64>,
    level: &dyn Fn(f64) -> f64,
) -> Table {
    let mut rows = vec![Vec::new(); side.groups.len()];
    let mut over = vec![Vec::new(); side.groups.len()];
    let mut shown = Vec::new();
    for line in lines(card, side) {
        let cells: Vec<Option<f64>> = line.cells.iter().map(value).collect();
        for group in line.groups.iter().map(|group| usize::from(*group)) {
            rows[group] = cells.iter().map(|cell| cell.map(level)).collect();
            if over_floor {
                over[group].clone_from(&line.groups);
            }
        }
        let cells = cells.iter().map(|cell| cell.map_or_else(|| "–".into(), short));
        shown.push(row([line.name].into_iter().chain(cells)));
    }
    let recount = Typed { breakpoints_rpm: &side.breakpoints, rows, over }.false_alarms(&side.floor, &side.learnt_from);
    table(id, caption(unit, recount), super::limits::head(side), shown)
}

fn caption(unit: String, recount: Rate) -> String {
    let interval = recount.interval(CONFIDENCE);
    let values = [
        ("unit", unit),
        ("hits", number(recount.hits as f64, 0)),
        ("n", number(recount.trials as f64, 0)),
        ("low", percent(interval.low)),
        ("high", percent(interval.high)),
    ];
    say("control.caption.typed", &values)
}

/// As many decimals as a stepped value needs, three at most.
fn short(value: f64) -> String {
    let rounded = |digits: i32| (value * 10_f64.powi(digits)).round() / 10_f64.powi(digits);
    let digits = (0..3).find(|digits| (rounded(*digits) - value).abs() < 1e-6).unwrap_or(3);
    number(value, digits as usize)
}
