//! Channel roles of a log, scored from name, unit and range together, with the reason.

use super::figures::Figures;
use super::names;
use super::trade::{self, TRADES, Trade};
use serde::{Deserialize, Serialize};

/// What a channel of a recording or a column of a log is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum Role {
    Sensor,
    Wheel,
    Cam,
    Pulse,
    Time,
    Speed,
    Load,
    Throttle,
    Ignition,
    Correction,
    Level,
    Background,
    LoggedLimit,
    KnockFlag,
    Cut,
    Fuel,
    Coolant,
    Air,
    Mixture,
    Gear,
    Other,
}

/// What is known of one column before its role.
pub(super) struct Facts<'a> {
    pub name: &'a str,
    pub unit: Option<&'a str>,
    pub is_clock: bool,
    pub figures: Figures,
}

/// A role with its score and its reason in words.
#[derive(Debug, Clone)]
pub(super) struct Guess {
    pub role: Role,
    pub score: f64,
    pub reason: String,
}

/// A score from which on a role is taken.
const ENOUGH: f64 = 3.0;

/// Roles of all columns together: at most one time and one speed.
pub(super) fn assign(columns: &[Facts]) -> Vec<Guess> {
    let mut guesses: Vec<Guess> = columns.iter().map(guess).collect();
    keep_best(&mut guesses, Role::Time);
    keep_best(&mut guesses, Role::Speed);
    let unnamed = |k: usize| columns.get(k).is_some_and(|facts| says_nothing(facts));
    guess_by_values(&mut guesses, columns, Role::Time, |k, figures| figures.is_steady() && (k == 0 || unnamed(k)));
    let engine_like =
        |f: &Figures| f.low >= 0.0 && (600.0..=15_000.0).contains(&f.high) && f.falls * 10 > f.count && f.count > 4;
    guess_by_values(&mut guesses, columns, Role::Speed, |k, figures| engine_like(figures) && unnamed(k));
    guesses
}

fn says_nothing(facts: &Facts) -> bool {
    facts.unit.is_none() && !facts.name.chars().any(char::is_alphabetic)
}

/// The one column of `role` with the best score; the others become `Other`.
fn keep_best(guesses: &mut [Guess], role: Role) {
    let scores = guesses.iter().enumerate().filter(|(_, guess)| guess.role == role).map(|(k, guess)| (k, guess.score));
    let best = scores.rev().max_by(|a, b| a.1.total_cmp(&b.1)).map(|(k, _)| k);
    for (k, guess) in guesses.iter_mut().enumerate() {
        if guess.role == role && Some(k) != best {
            guess.role = Role::Other;
            guess.reason = format!("{}, but another column fits better", guess.reason);
        }
    }
}

fn guess_by_values(guesses: &mut [Guess], columns: &[Facts], role: Role, fits: impl Fn(usize, &Figures) -> bool) {
    if guesses.iter().any(|guess| guess.role == role) {
        return;
    }
    let mut free = guesses.iter_mut().zip(columns).enumerate().filter(|(_, (guess, _))| guess.role == Role::Other);
    let named_otherwise = |facts: &Facts| trade::names_a_counter(&names::plain_words(facts.name));
    if let Some((_, (guess, facts))) = free.find(|(k, (_, facts))| fits(*k, &facts.figures) && !named_otherwise(facts))
    {
        let values = facts.figures.in_words();
        let what = if role == Role::Time { "rise steadily, as a clock does" } else { "look like an engine speed" };
        *guess = Guess { role, score: 1.0, reason: format!("no name says so, but the values ({values}) {what}") };
    }
}

fn guess(facts: &Facts) -> Guess {
    let words = names::plain_words(facts.name);
    if facts.is_clock {
        let reason = "its cells are times of a clock".to_owned();
        return Guess { role: Role::Time, score: 5.0 + trade::score(&TIME_HINT, &words), reason };
    }
    if let Some((role, what)) = trade::knock_role(&words, facts.unit, facts.figures.binary && facts.figures.count > 0) {
        return Guess { role, score: 5.0, reason: format!("the name says {what}{}", with_unit(facts.unit)) };
    }
    let best = TRADES.iter().map(|trade| weigh(trade, &words, facts)).max_by(|a, b| a.score.total_cmp(&b.score));
    best.filter(|guess| guess.score >= ENOUGH).unwrap_or_else(|| Guess {
        role: Role::Other,
        score: 0.0,
        reason: "neither name nor unit says what it is".to_owned(),
    })
}

const TIME_HINT: Trade = Trade { words: &[("time", 1.0), ("zeit", 1.0), ("elapsed", 1.0)], ..Trade::NOTHING };

fn with_unit(unit: Option<&str>) -> String {
    unit.map(|unit| format!(", the unit is {unit}")).unwrap_or_default()
}

/// Name, unit and range of values together.
fn weigh(trade: &Trade, words: &str, facts: &Facts) -> Guess {
    let name = trade::score(trade, words);
    let unit = trade.unit_score(facts.unit);
    let figures = &facts.figures;
    let in_range = figures.count == 0 || (figures.low >= trade.low && figures.high <= trade.high);
    let clock_like = trade.role != Role::Time || figures.count < 3 || figures.is_steady() || facts.unit.is_none();
    let range = if in_range && clock_like { 1.0 } else { -1.5 };
    let said = name > 0.0 || (unit > 0.0 && trade.unit_tells);
    let mut reasons = Vec::new();
    if name > 0.0 {
        reasons.push(format!("the name says {}", trade.what));
    }
    if let (true, Some(unit)) = (unit > 0.0, facts.unit) {
        reasons.push(format!("the unit {unit} fits"));
    }
    if figures.count > 0 {
        reasons.push(format!("values {}{}", figures.in_words(), if range > 0.0 { "" } else { " are unusual" }));
    }
    let score = if said { name + unit + range } else { 0.0 };
    Guess { role: trade.role, score, reason: reasons.join(", ") }
}
