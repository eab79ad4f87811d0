//! What the level columns of logs listen to in the fixed JSON.

use crate::card::Card;
use crate::card::heard::Heard;
use crate::feature::heard::{Explained, Figure, Of, Unheard};
use serde_json::{Value, json};

/// `heard` of the result: one entry a level column of a log that lies over a recording.
pub(super) fn json(card: &Card) -> Value {
    let name = |id| card.file(id).map(|file| file.input.name.clone());
    let one = |heard: &Heard| {
        let (found, why_not) = match &heard.found {
            Ok(found) => (explained(found), None),
            Err(why) => (Value::Null, Some(word(*why))),
        };
        json!({"log": name(heard.log), "recording": name(heard.recording), "column": heard.column, "name": heard.name,
               "unit": heard.unit, "explained": found, "why_not": why_not})
    };
    card.heard().iter().map(one).collect()
}

fn word(why: Unheard) -> &'static str {
    match why {
        Unheard::Short(..) => "short",
        Unheard::Still => "still",
        Unheard::Unrelated(_) => "unrelated",
        Unheard::OnlySpeed(_) => "only-speed",
        Unheard::TwoBands(..) => "two-bands",
    }
}

fn explained(found: &Explained) -> Value {
    let [low_hz, high_hz] = found.band.range_hz();
    let [low, high] = found.edges_hz.map(|edge| json!([edge.low, edge.high]));
    let (channel, cylinder) = match found.of {
        Of::All => (None, None),
        Of::Channel(channel) => (Some(channel), None),
        Of::Cylinder(cylinder) => (None, Some(cylinder)),
    };
    json!({"channel": channel, "cylinder": cylinder, "low_hz": low_hz, "high_hz": high_hz, "low_hz_within": low,
           "high_hz_within": high, "sampled": if found.held { "held peak" } else { "snapshot" }, "lag_s": figure(&found.lag_s),
           "slope": figure(&found.slope), "gain_db": figure(&found.gain_db), "middle_db": found.middle_db,
           "correlation": figure(&found.correlation), "correlation_beyond_speed": figure(&found.beyond_speed),
           "samples": found.samples, "stretches": found.stretches})
}

fn figure(figure: &Figure) -> Value {
    json!({"value": figure.value, "low": figure.within.low, "high": figure.within.high})
}
