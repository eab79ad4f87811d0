//! Share of labelled knock caught against false alarms; share over the limit against ignition angle.

use super::*;
use crate::out::words::{one_in, percent, say};

/// Lowest false-alarm rate drawn.
const LEAST: f64 = 1e-4;

pub(super) fn roc(card: &Card) -> Option<Figure> {
    let proof = card.proof()?;
    let roc = proof.roc.as_ref()?;
    let x = numbers(roc.points.iter().map(|point| 100.0 * point.false_alarm.max(LEAST)));
    let y = numbers(roc.points.iter().map(|point| 100.0 * point.recall));
    let mut layers = vec![line(x, y, Ink::Ink, Dash::Solid, None)];
    let share = |rate: Option<crate::stats::rate::Rate>| rate.and_then(|rate| rate.share());
    if let (Some(caught), Some(false_alarm)) =
        (share(proof.caught), share(proof.false_held_out).or(share(proof.false_labelled)))
    {
        let at = 100.0 * false_alarm.max(LEAST);
        layers.push(Layer::Points {
            x: numbers([at]),
            y: numbers([100.0 * caught]),
            ink: Ink::Accent,
            mark: Mark::Dot,
            size: 8.0,
            label: Some(say("chart.caught", &[("share", percent(caught))])),
        });
    }
    let ticks = [1e-4, 1e-3, 1e-2, 1e-1, 1.0]
        .map(|share| (100.0 * share, if share < 1.0 { one_in(share) } else { text("chart.all") }));
    Some(Figure {
        id: "roc".into(),
        summary: say("chart.roc.summary", &[]),
        x: Axis {
            scale: Scale::Log,
            ticks: ticks.to_vec(),
            ..axis("chart.falsealarms", Quantity::Share, 100.0 * LEAST, 100.0)
        },
        y: axis("chart.recall", Quantity::Share, 0.0, 100.0),
        layers,
    })
}

pub(super) fn sweep(card: &Card) -> Option<Figure> {
    let proof = card.proof()?;
    let degrees = || numbers(proof.sweep.iter().map(|(deg, _)| *deg));
    let of = |pick: &dyn Fn(&crate::stats::rate::Rate) -> f64| {
        numbers(proof.sweep.iter().map(|(_, rate)| 100.0 * pick(rate)))
    };
    let share = |rate: &crate::stats::rate::Rate| rate.share().unwrap_or(f64::NAN);
    let (left, right) = extent(proof.sweep.iter().map(|(deg, _)| *deg))?;
    let high = proof.sweep.iter().map(|(_, rate)| 100.0 * rate.interval(0.95).high).fold(2.0, f64::max);
    Some(Figure {
        id: "sweep".into(),
        summary: say("chart.sweep.summary", &[]),
        x: axis("chart.ignition", Quantity::Other, left, right),
        y: axis("chart.share", Quantity::Share, 0.0, high),
        layers: vec![
            Layer::Rule {
                along: Along::Y,
                at: 1.0,
                ink: Ink::Quiet,
                dash: Dash::Dashed,
                label: Some(text("chart.borderline")),
            },
            Layer::Between {
                x: degrees(),
                low: of(&|rate| rate.interval(0.95).low),
                high: of(&|rate| rate.interval(0.95).high),
                ink: Ink::Accent,
                opacity: 0.15,
            },
            line(degrees(), of(&share), Ink::Accent, Dash::Solid, None),
            Layer::Points { x: degrees(), y: of(&share), ink: Ink::Accent, mark: Mark::Dot, size: 5.0, label: None },
        ],
    })
}
