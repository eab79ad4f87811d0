//! What the user can choose, its defaults and its ranges; every choice is printed on the card.

use crate::error::{Error, Kind, Place};
use crate::limit::rules::Rule;
use crate::read::card::{self, FileRole, Filter, MarkLabel};
use serde::{Deserialize, Serialize};

/// Why a file has its role.
#[derive(Debug, Clone, PartialEq)]
pub enum RoleReason {
    /// The user or a saved card said so.
    Chosen,
    /// Its name holds this word.
    Word(&'static str),
    /// This share of its events stands far above its own floor.
    Tail(f64),
    /// Nothing speaks against it.
    Nothing,
}

/// Words in file names that tell a role, in English, German, French and Spanish; the first that fits counts.
const ROLE_WORDS: [(&str, FileRole); 20] = [
    ("engine-off", FileRole::EngineOff),
    ("engine_off", FileRole::EngineOff),
    ("motor-aus", FileRole::EngineOff),
    ("before", FileRole::Before),
    ("vorher", FileRole::Before),
    ("avant", FileRole::Before),
    ("antes", FileRole::Before),
    ("after", FileRole::After),
    ("nachher", FileRole::After),
    ("apres", FileRole::After),
    ("despues", FileRole::After),
    ("provoke", FileRole::Knock),
    ("provoked", FileRole::Knock),
    ("knock", FileRole::Knock),
    ("knocking", FileRole::Knock),
    ("klopf", FileRole::Knock),
    ("cliquetis", FileRole::Knock),
    ("picado", FileRole::Knock),
    ("listen", FileRole::Listen),
    ("safe", FileRole::Safe),
];

/// Guesses a role from a file's name: a whole word of it, so that "knockless" or "unsafe" say nothing.
pub(super) fn guess_role(name: &str) -> (FileRole, RoleReason) {
    let name = name.to_lowercase();
    let is_word = |at: usize, word: &str| {
        let outside = |c: Option<char>| c.is_none_or(|c| !c.is_alphabetic());
        outside(name[..at].chars().next_back()) && outside(name[at + word.len()..].chars().next())
    };
    ROLE_WORDS
        .iter()
        .find(|(word, _)| name.match_indices(word).any(|(at, _)| is_word(at, word)))
        .map_or((FileRole::Safe, RoleReason::Nothing), |(word, role)| (*role, RoleReason::Word(word)))
}

/// What a recorder's mark of this name says about the stretch after it: the same words as in file names.
pub(super) fn mark_label(name: &str) -> Option<MarkLabel> {
    if ["exclude", "ignore", "weglassen", "exclure", "excluir"].contains(&name.trim().to_lowercase().as_str()) {
        return Some(MarkLabel::Exclude);
    }
    match guess_role(name) {
        (FileRole::Knock, RoleReason::Word(_)) => Some(MarkLabel::Knock),
        (FileRole::Safe, RoleReason::Word(_)) => Some(MarkLabel::Safe),
        _ => None,
    }
}

/// What is measured of an event.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Feature {
    /// Mean square in band and window.
    #[default]
    Energy,
    /// Largest square.
    Peak,
    /// Mean square over that of a reference window of the same cycle, before the combustion can knock.
    Ratio,
}

impl Feature {
    /// From the word of a saved card.
    pub fn of_word(word: &str) -> Option<Self> {
        match word {
            "energy" => Some(Self::Energy),
            "peak" => Some(Self::Peak),
            "ratio" => Some(Self::Ratio),
            _ => None,
        }
    }
}

/// Everything the user can choose; `None` = settled by the card.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Choices {
    /// Band edges, Hz.
    pub band: Option<[f64; 2]>,
    /// Window after firing TDC, degrees.
    pub window: Option<[f64; 2]>,
    /// Energy, peak or ratio.
    pub feature: Feature,
    /// False alarms per combustion event (recording) or sample (log).
    pub false_alarm: f64,
    /// Confidence that the limit holds that rate.
    pub confidence: f64,
    /// Speeds of the table, 1/min.
    pub breakpoints: Option<Vec<f64>>,
    /// A common rule instead of the learnt law: `over-floor:DB` or `mean-plus:K`; `None` or `law`: the law.
    pub rule: Option<String>,
    /// What is done to the table before it is typed in.
    pub shape: Shape,
    /// Reasons for leaving cycles out that the user waved through: words of [`LEFT_OUT`].
    pub use_anyway: Vec<String>,
    /// Rows of a log that count: all of these columns within their ranges. A log without the column is let through.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub filters: Vec<Filter>,
    /// Before and after differ in sensors, gain or band: floors are not compared.
    #[serde(skip_serializing_if = "is_no")]
    pub sensors_changed: bool,
    /// Before and after are matched by coolant temperature too.
    #[serde(skip_serializing_if = "is_no")]
    pub match_temperature: bool,
}

/// What the table is made into before it is typed in; both only ever raise a limit.
pub use crate::limit::shape::Shape;

/// Reasons for which cycles are left out of floor and limits unless the user uses them anyway.
pub const LEFT_OUT: [&str; 4] = ["clipped", "transient", "cold", "overrun"];

impl Default for Choices {
    fn default() -> Self {
        Self {
            band: None,
            window: None,
            feature: Feature::Energy,
            false_alarm: 0.001,
            confidence: 0.95,
            breakpoints: None,
            rule: None,
            shape: Shape::AsLearnt,
            use_anyway: Vec::new(),
            filters: Vec::new(),
            sensors_changed: false,
            match_temperature: false,
        }
    }
}

impl Choices {
    /// From a saved card; what it does not say is Ringdown's own choice.
    pub fn saved(saved: &card::Choices) -> Self {
        let own = Self::default();
        Self {
            band: saved.band,
            window: saved.window,
            feature: saved.feature.as_deref().and_then(Feature::of_word).unwrap_or_default(),
            false_alarm: saved.false_alarm.unwrap_or(own.false_alarm),
            confidence: saved.confidence.unwrap_or(own.confidence),
            breakpoints: saved.breakpoints.clone(),
            rule: saved.rule.clone().filter(|rule| Rule::of_text(rule).is_some()),
            shape: saved.shape.as_deref().and_then(Shape::of_word).unwrap_or_default(),
            use_anyway: saved.use_anyway.clone().unwrap_or_default(),
            filters: saved.filters.clone(),
            sensors_changed: saved.sensors_changed,
            match_temperature: saved.match_temperature,
        }
    }

    /// The common rule asked for, if any.
    pub fn common_rule(&self) -> Option<Rule> {
        self.rule.as_deref().and_then(Rule::of_text)
    }

    /// Whether cycles left out for this reason are used anyway.
    pub fn uses(&self, reason: &str) -> bool {
        self.use_anyway.iter().any(|word| word == reason)
    }

    /// Checks every range.
    ///
    /// # Errors
    /// The first field outside its range.
    pub fn check(&self) -> Result<(), Error> {
        let refuse = |field: &str, value: String, allowed: &str| {
            Err(Error::new("choices", Place::Field(field.into()), Kind::OutOfRange { value, allowed: allowed.into() }))
        };
        if let Some([low, high]) = self.band
            && !(low.is_finite() && high.is_finite() && low >= 200.0 && high - low >= 100.0 && high <= 1e6)
        {
            return refuse("band", format!("{low} to {high} Hz"), "200 Hz up, at least 100 Hz wide");
        }
        if let Some([start, end]) = self.window
            && !(start.is_finite() && end.is_finite() && start >= -60.0 && end <= 180.0 && end - start >= 2.0)
        {
            return refuse("window", format!("{start} to {end} degrees"), "-60 to 180 degrees, at least 2 wide");
        }
        if !(1e-5..=1e-2).contains(&self.false_alarm) {
            return refuse("false_alarm", self.false_alarm.to_string(), "1 in 100 000 to 1 in 100");
        }
        if !(0.5..=0.999).contains(&self.confidence) {
            return refuse("confidence", self.confidence.to_string(), "0.5 to 0.999");
        }
        if let Some(rule) = self.rule.as_deref().filter(|rule| *rule != "law" && Rule::of_text(rule).is_none()) {
            return refuse("rule", rule.into(), "law, over-floor:1 to over-floor:40, mean-plus:1 to mean-plus:12");
        }
        if let Some(word) = self.use_anyway.iter().find(|word| !LEFT_OUT.contains(&word.as_str())) {
            return refuse("use_anyway", word.clone(), "clipped, transient, cold, overrun");
        }
        if let Some(speeds) = &self.breakpoints
            && (speeds.is_empty()
                || speeds.len() > 64
                || speeds.iter().any(|rpm| !(50.0..=25_000.0).contains(rpm))
                || speeds.windows(2).any(|two| two[1] <= two[0]))
        {
            return refuse("breakpoints", format!("{speeds:?}"), "1 to 64 rising speeds from 50 to 25 000 rpm");
        }
        let wrong =
            |filter: &&Filter| !(filter.low.is_finite() && filter.high.is_finite() && filter.low <= filter.high);
        if let Some(filter) = self.filters.iter().find(wrong) {
            let value = format!("{} from {} to {}", filter.column, filter.low, filter.high);
            return refuse("filters", value, "two numbers, the lower first");
        }
        if self.filters.len() > MOST_FILTERS {
            return refuse("filters", self.filters.len().to_string(), "32 at the most");
        }
        Ok(())
    }
}

fn is_no(yes: &bool) -> bool {
    !yes
}

/// Filters at once.
const MOST_FILTERS: usize = 32;

/// Who settled a value.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum ChosenBy {
    /// The user.
    User,
    /// The search over bands and windows.
    Search,
    /// From the first mode of the sheet's bore.
    Mode,
}

/// A pair of edges and who settled it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Settled {
    /// Lower edge or start.
    pub low: f64,
    /// Upper edge or end.
    pub high: f64,
    /// Who.
    pub chosen_by: ChosenBy,
}

/// The window where none is chosen, degrees after firing TDC. Knock starts after peak pressure, some 12-15 degrees
/// after TDC, and rings for a few milliseconds: common practice, no source.
pub const DEFAULT_WINDOW_DEG_ATDC: [f64; 2] = [8.0, 60.0];

/// Gas temperature where the sheet gives none, K: burned gas from late in the ring to peak pressure.
pub const DEFAULT_GAS_TEMPERATURE_K: [f64; 2] = [1500.0, 2800.0];

impl super::Card {
    /// Modes of the sheet's bore.
    pub fn modes(&self) -> Option<[crate::feature::modes::Mode; 6]> {
        let sheet = self.sheet()?;
        let range_k = sheet.gas_temperature_k.unwrap_or(DEFAULT_GAS_TEMPERATURE_K);
        sheet.bore_mm.map(|bore_mm| crate::feature::modes::modes(bore_mm, range_k))
    }

    /// The band in force for a recording sampled at `sample_rate_hz`: the user's, else the one the search speaks for,
    /// else the first mode's range; cut to what that rate can carry. `None` where nothing says one, or nothing is left
    /// of it.
    pub fn band(&self, sample_rate_hz: f64) -> Option<Settled> {
        let found = self.search().and_then(super::search::Search::found).map(super::search::Found::band_hz);
        let (low, high, chosen_by) = match (self.choices().band, found, self.modes()) {
            (Some([low, high]), ..) => (low, high, ChosenBy::User),
            (None, Some([low, high]), _) => (low, high, ChosenBy::Search),
            (None, None, Some(modes)) => (modes[0].hz_low, modes[0].hz_high, ChosenBy::Mode),
            (None, None, None) => return None,
        };
        let high = high.min(0.45 * sample_rate_hz);
        (high - low >= 100.0).then_some(Settled { low, high, chosen_by })
    }

    /// The window in force: the user's, else the search's, else that of common practice.
    pub fn window(&self) -> Settled {
        let found = self.search().and_then(super::search::Search::found).map(super::search::Found::window_deg_atdc);
        let ([low, high], chosen_by) = match (self.choices().window, found) {
            (Some(window), _) => (window, ChosenBy::User),
            (None, Some(window)) => (window, ChosenBy::Search),
            (None, None) => (DEFAULT_WINDOW_DEG_ATDC, ChosenBy::Mode),
        };
        Settled { low, high, chosen_by }
    }
}
