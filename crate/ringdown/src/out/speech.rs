//! In which language and with which decimal mark the core speaks.
//!
//! The one thing a thread remembers besides its cards: every sentence of every section would have to be handed it, and none
//! computes with it.

use serde_json::{Map, Value};
use std::cell::Cell;
use std::sync::OnceLock;

/// A language with a table of texts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Language {
    /// British English.
    #[default]
    English,
    /// German.
    German,
    /// English made longer and marked at both ends: shows what is cut off, and what is in no table.
    Pseudo,
}

impl Language {
    /// The language of a tag such as `de`, `de-AT` or `en-x-long`; English for any that has no table.
    pub fn of_tag(tag: &str) -> Self {
        match tag {
            "en-x-long" => Language::Pseudo,
            _ if tag == "de" || tag.starts_with("de-") => Language::German,
            _ => Language::English,
        }
    }
}

thread_local! {
    static SPOKEN: Cell<(Language, bool)> = const { Cell::new((Language::English, false)) };
}

/// From now on this thread speaks `language`, with a comma before decimals or a point.
pub fn speak(language: Language, decimal_comma: bool) {
    SPOKEN.set((language, decimal_comma));
}

/// The sign before decimals.
pub(super) fn decimal_mark() -> char {
    if SPOKEN.get().1 { ',' } else { '.' }
}

/// The text of a key, with its `{names}` still in it.
pub(super) fn template(key: &str) -> Option<String> {
    let english = || english().get(key).and_then(Value::as_str);
    match SPOKEN.get().0 {
        Language::English => english().map(str::to_owned),
        Language::German => german().get(key).and_then(Value::as_str).or_else(english).map(str::to_owned),
        Language::Pseudo => english().map(lengthened),
    }
}

/// Two fifths longer, as translations from English run, marked at both ends; single words and signs more.
fn lengthened(text: &str) -> String {
    let letters = text.chars().filter(|c| c.is_alphabetic()).count();
    let more: String = "ëxtrà ".chars().cycle().take((letters * 2).div_ceil(5).max(2)).collect();
    format!("\u{27e6}{text} {}\u{27e7}", more.trim_end())
}

/// English texts by key.
pub(super) fn english() -> &'static Map<String, Value> {
    static TABLE: OnceLock<Map<String, Value>> = OnceLock::new();
    TABLE.get_or_init(|| serde_json::from_str(include_str!("../../text/en.json")).unwrap_or_default())
}

/// German texts by key.
fn german() -> &'static Map<String, Value> {
    static TABLE: OnceLock<Map<String, Value>> = OnceLock::new();
    TABLE.get_or_init(|| serde_json::from_str(include_str!("../../text/de.json")).unwrap_or_default())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::out::words::{number, say, text};

    /// The `{names}` of a text, sorted.
    fn names(text: &str) -> Vec<&str> {
        let mut names: Vec<&str> = text.split('{').skip(1).filter_map(|rest| Some(rest.split_once('}')?.0)).collect();
        names.sort_unstable();
        names
    }

    #[test]
    fn a_german_text_names_the_same_values_and_nothing_is_left_over() {
        for (key, german) in german() {
            let english = english().get(key).unwrap_or_else(|| panic!("{key} is in no English table"));
            assert_eq!(names(german.as_str().unwrap()), names(english.as_str().unwrap()), "{key}");
        }
    }

    #[test]
    fn what_is_spoken_follows_the_language_and_the_mark() {
        speak(Language::German, true);
        assert_eq!(number(-1234.5, 1), "\u{2212}1\u{202f}234,5");
        assert_eq!(text("and"), "und");
        speak(Language::Pseudo, false);
        assert!(say("group.cylinder", &[("n", "3".into())]).starts_with("\u{27e6}Cylinder 3 "));
        speak(Language::English, false);
        assert_eq!(number(0.25, 2), "0.25");
    }

    #[test]
    fn tags_are_read_by_their_first_part() {
        let table = [
            ("de", Language::German),
            ("de-AT", Language::German),
            ("den", Language::English),
            ("", Language::English),
        ];
        for (tag, language) in table {
            assert_eq!(Language::of_tag(tag), language, "{tag}");
        }
    }
}
