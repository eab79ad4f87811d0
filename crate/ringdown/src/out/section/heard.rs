//! What a log's level columns listen to, as section 7 says it.

use super::*;
use crate::card::heard::Heard;
use crate::feature::heard::{Explained, Figure, Of, Unheard};
use crate::out::words::say;
use crate::stats::rate::Interval;

/// One sentence a column: what it listens to, or why that can't be told.
pub(super) fn sentences(card: &Card) -> Vec<String> {
    card.heard().iter().map(sentence).collect()
}

fn sentence(heard: &Heard) -> String {
    let column = ("column", heard.name.clone());
    match &heard.found {
        Ok(found) => explained(column, found),
        Err(Unheard::Short(samples, stretches)) => {
            let counts = [("samples", number(*samples as f64, 0)), ("stretches", number(*stretches as f64, 0))];
            say("heard.short", &[vec![column], counts.to_vec()].concat())
        }
        Err(Unheard::Still) => say("heard.still", &[column]),
        Err(Unheard::Unrelated(r)) => say("heard.unrelated", &[column, ("r", number(*r, 2))]),
        Err(Unheard::OnlySpeed(r)) => say("heard.speed", &[column, ("r", number(*r, 2))]),
        Err(Unheard::TwoBands(one, other)) => {
            let [a, b] = [one, other].map(|band| khz(band.range_hz()));
            say("heard.two", &[column, ("a", a), ("b", b)])
        }
    }
}

fn explained(column: (&str, String), found: &Explained) -> String {
    let [low, high] = [found.gain_db.within.low, found.gain_db.within.high].map(db);
    let values = [
        column,
        ("band", khz(found.band.range_hz())),
        ("who", who(found.of)),
        ("how", how(found.held)),
        ("lag", number(1000.0 * found.lag_s.value, 0)),
        ("slope", number(found.slope.value, 2)),
        ("gain", db(found.gain_db.value)),
        ("low", low),
        ("high", high),
        ("middle", db(found.middle_db)),
        ("r", number(found.correlation.value, 2)),
        ("beyond", number(found.beyond_speed.value, 2)),
    ];
    say("heard.explained", &values)
}

/// Every column that is explained, with its intervals; `None` where none is.
pub(super) fn table(card: &Card) -> Option<Table> {
    let rows: Vec<Row> = card
        .heard()
        .iter()
        .filter_map(|heard| heard.found.as_ref().ok().map(|found| (heard, found)))
        .map(|(heard, found)| {
            let [low_hz, high_hz] = found.band.range_hz();
            row([
                card.file(heard.log).map_or_else(String::new, |file| file.input.name.clone()),
                heard.name.clone(),
                text(match found.of {
                    Of::All => "heard.of.all",
                    Of::Channel(_) => "heard.short.channel",
                    Of::Cylinder(_) => "heard.short.cylinder",
                }),
                edge(low_hz, found.edges_hz[0]),
                edge(high_hz, found.edges_hz[1]),
                text(if found.held { "heard.short.held" } else { "heard.short.last" }),
                with_interval(&found.lag_s, |s| number(1000.0 * s, 0)),
                with_interval(&found.slope, |slope| number(slope, 2)),
                with_interval(&found.gain_db, db),
                with_interval(&found.correlation, |r| number(r, 2)),
            ])
        })
        .collect();
    let columns = ["log", "column", "who", "from", "to", "how", "lag", "slope", "gain", "r"];
    let columns = columns.map(|key| text(&format!("heard.column.{key}")));
    (!rows.is_empty()).then(|| super::table("heard", text("heard.caption"), columns, rows))
}

fn with_interval(figure: &Figure, shown: impl Fn(f64) -> String) -> String {
    let Interval { low, high } = figure.within;
    say("heard.interval", &[("value", shown(figure.value)), ("low", shown(low)), ("high", shown(high))])
}

fn edge(hz: f64, within: Interval) -> String {
    let [value, low, high] = [hz, within.low, within.high].map(|hz| number(hz / 1000.0, 2));
    say("heard.interval", &[("value", value), ("low", low), ("high", high)])
}

fn khz([low, high]: [f64; 2]) -> String {
    say("heard.khz", &[("low", number(low / 1000.0, 2)), ("high", number(high / 1000.0, 2))])
}

fn who(of: Of) -> String {
    match of {
        Of::All => text("heard.of.all"),
        Of::Channel(n) => say("heard.of.channel", &[("n", n.to_string())]),
        Of::Cylinder(n) => say("heard.of.cylinder", &[("n", n.to_string())]),
    }
}

fn how(held: bool) -> String {
    text(if held { "heard.held" } else { "heard.last" })
}
