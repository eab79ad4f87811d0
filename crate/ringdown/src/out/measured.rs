//! What is measured of a combustion, in words: levels, floor and limits are of the feature chosen, and say so.

use super::words::{say, text};
use crate::card::{Card, Feature};

/// The feature by its name.
pub fn name(feature: Feature) -> String {
    text(match feature {
        Feature::Energy => "feature.energy",
        Feature::Peak => "feature.peak",
        Feature::Ratio => "feature.ratio",
    })
}

/// Unit of recorded levels, for people.
pub fn unit(card: &Card) -> String {
    text(match card.choices().feature {
        Feature::Energy => "unit.dbfs",
        Feature::Peak => "unit.dbpeak",
        Feature::Ratio => "unit.dbratio",
    })
}

/// The same in the fixed JSON: that of `10 log10` of a square, or of a ratio of squares.
pub fn fixed_unit(feature: Feature) -> &'static str {
    match feature {
        Feature::Energy | Feature::Peak => "dB re full scale",
        Feature::Ratio => "dB over the reference window",
    }
}

/// What the levels of the recordings are; `None` without any.
pub fn sentence(card: &Card) -> Option<String> {
    card.outcome()?;
    let feature = card.choices().feature;
    let key = if feature == Feature::Energy { "measured.energy" } else { "measured.other" };
    Some(say(key, &[("feature", name(feature))]))
}
