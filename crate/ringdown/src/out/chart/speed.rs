//! Speed over time from the crank reference; lost stretches shaded.

use super::*;
use crate::out::words::say;

/// Points a second drawn at most in an overview.
const MOST_POINTS: usize = 6000;

pub(super) fn speed(card: &Card, id: FileId) -> Option<Figure> {
    let (file, recording) = card.recordings().find(|(file, _)| file.id == id)?;
    let crank = recording.crank()?;
    let duration_s = recording.duration_s();
    let step_s = (duration_s / MOST_POINTS as f64).max(0.05);
    let times: Vec<f64> = (0..=(duration_s / step_s) as usize).map(|index| index as f64 * step_s).collect();
    let rpm: Vec<f64> = times.iter().map(|t_s| crank.track.rpm_at(*t_s).unwrap_or(f64::NAN)).collect();
    let (_, high) = extent(rpm.iter().copied())?;
    let mut layers: Vec<Layer> = crank
        .lost
        .iter()
        .map(|lost| Layer::Span { along: Along::X, from: lost.from_s, to: lost.to_s, ink: Ink::Accent, label: None })
        .collect();
    layers.push(line(numbers(times.iter().copied()), numbers(rpm), Ink::Ink, Dash::Solid, None));
    Some(Figure {
        id: format!("speed-{id}"),
        summary: say("speed.figure.summary", &[("file", file.input.name.clone())]),
        x: axis("chart.s", Quantity::Time, 0.0, duration_s),
        y: axis("chart.rpm", Quantity::Speed, 0.0, high),
        layers,
    })
}
