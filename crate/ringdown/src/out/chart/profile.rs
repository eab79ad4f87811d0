//! In-band level over crank angle: cycles over the limit and their quiet neighbours, with the window.

use super::*;
use crate::card::evidence::profile_angles;
use crate::out::words::{number, say};

pub(super) fn profile(card: &Card) -> Option<Figure> {
    let evidence = card.evidence().filter(|evidence| !evidence.loud_profile_db.is_empty())?;
    let window = card.window();
    let both = evidence.loud_profile_db.iter().chain(&evidence.quiet_profile_db);
    let (low, high) = extent(both.map(|level| f64::from(*level)))?;
    let label = say("chart.window", &[("start", number(window.low, 0)), ("end", number(window.high, 0))]);
    let x = || numbers(profile_angles());
    Some(Figure {
        id: "profile".into(),
        summary: say("chart.profile.summary", &[("n", evidence.pairs.to_string())]),
        x: axis("chart.deg", Quantity::Angle, -60.0, 120.0),
        y: axis("chart.dbfs", Quantity::Level, low, high),
        layers: vec![
            Layer::Span { along: Along::X, from: window.low, to: window.high, ink: Ink::Accent, label: Some(label) },
            line(x(), Numbers(evidence.quiet_profile_db.clone()), Ink::Quiet, Dash::Solid, Some(text("chart.quiet"))),
            line(x(), Numbers(evidence.loud_profile_db.clone()), Ink::Accent, Dash::Solid, Some(text("chart.loud"))),
        ],
    })
}
