//! What lies under the pointer, in words.

use super::super::{Axis, Figure, Layer, Scale};
use super::heat;
use super::text::clean;
use super::ticks::figure as number;
use crate::out::words::text;

/// One line: both axes with unit, then a heat map's value or that of every labelled line there.
pub fn read_out(figure: &Figure, x: f64, y: f64) -> String {
    let mut parts = vec![on_axis(&figure.x, x), on_axis(&figure.y, y)];
    if let Some(value) = heat::value(figure, x, y) {
        parts.push(value.map_or_else(|| text("none.data"), |value| heat_value(figure, f64::from(value))));
    }
    parts.extend(figure.layers.iter().filter_map(|layer| on_line(figure, layer, x)));
    parts.join(" \u{b7} ")
}

fn on_axis(axis: &Axis, value: f64) -> String {
    if let Some((_, text)) = axis.ticks.iter().find(|(tick, _)| (tick - value).abs() <= resolution(axis, value)) {
        return clean(text);
    }
    with_unit(&number(value, resolution(axis, value)), &unit(&axis.label))
}

fn heat_value(figure: &Figure, value: f64) -> String {
    let label = figure.layers.iter().find_map(|layer| match layer {
        Layer::Heat { label, low, high, .. } => Some((unit(label), (high - low).abs())),
        _ => None,
    });
    let (unit, length) = label.unwrap_or_default();
    let step = if length.is_finite() && length > 0.0 { power_of_ten_below(length / 100.0) } else { 0.1 };
    with_unit(&number(value, step), &unit)
}

fn on_line(figure: &Figure, layer: &Layer, at: f64) -> Option<String> {
    let Layer::Line { x, y, label: Some(label), .. } = layer else { return None };
    let points = || x.0.iter().zip(&y.0).map(|(x, y)| (f64::from(*x), f64::from(*y)));
    let value = points().zip(points().skip(1)).find_map(|(a, b)| between(a, b, at))?;
    let figures = number(value, resolution(&figure.y, value));
    Some(format!("{} {}", clean(label), with_unit(&figures, &unit(&figure.y.label))))
}

fn between(a: (f64, f64), b: (f64, f64), at: f64) -> Option<f64> {
    let inside = (a.0 <= at && at <= b.0) || (b.0 <= at && at <= a.0);
    let share = if a.0 == b.0 { 0.0 } else { (at - a.0) / (b.0 - a.0) };
    let value = a.1 + share * (b.1 - a.1);
    (inside && value.is_finite()).then_some(value)
}

/// The unit of "quantity, unit"; the whole label where it has no comma.
fn unit(label: &str) -> String {
    clean(label.rsplit_once(',').map_or(label, |(_, unit)| unit))
}

fn with_unit(figures: &str, unit: &str) -> String {
    if unit.is_empty() { figures.to_string() } else { format!("{figures} {unit}") }
}

/// The last digit that a picture of the axis can show: a thousandth of its length, of the value where logarithmic.
fn resolution(axis: &Axis, value: f64) -> f64 {
    let length = match axis.scale {
        Scale::Linear => (axis.high - axis.low).abs(),
        Scale::Log => value.abs(),
    };
    if length.is_finite() && length > 0.0 { power_of_ten_below(length / 500.0) } else { 0.001 }
}

fn power_of_ten_below(value: f64) -> f64 {
    libm::pow(10.0, libm::floor(libm::log10(value)))
}
