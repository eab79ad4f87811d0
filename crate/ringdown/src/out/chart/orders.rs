//! Power over engine order at three speeds: what turns with the crank is a line, what rings is none.

use super::*;
use crate::card::order_lines::RANGES;
use crate::feature::orders::HIGHEST;
use crate::out::words::{number, say};
use crate::units::decibels;

pub(super) fn spectrum(card: &Card, id: FileId, channel: u16) -> Option<Figure> {
    let (_, recording) = card.recordings().find(|(file, _)| file.id == id)?;
    let inks = [Ink::Faint, Ink::Quiet, Ink::Ink];
    let (mut layers, mut levels) = (Vec::new(), Vec::new());
    for own in recording.order_lines(channel).iter() {
        let db: Vec<f64> = own.power.iter().map(|power| decibels(power.max(1e-15))).collect();
        let label = say("chart.atrpm", &[("rpm", number(own.rpm, 0))]);
        let x = numbers((0..db.len()).map(|k| k as f64 * own.step));
        levels.extend(db.iter().skip(1).copied());
        layers.push(line(x, numbers(db), inks[own.range], dash(RANGES - 1 - own.range), Some(label)));
    }
    let (low, high) = extent(levels)?;
    let values = [("file", file_name(card, id)), ("n", channel.to_string())];
    Some(Figure {
        id: format!("orderlines-{id}-{channel}"),
        summary: say("band.figure.orderlines.summary", &values),
        x: axis("chart.order", Quantity::Other, 0.0, HIGHEST),
        y: axis("chart.dbfs", Quantity::Level, low, high),
        layers,
    })
}
