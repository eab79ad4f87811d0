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
    fn each_text_stands_in_both_tables_and_names_the_same_values() {
        let english: Vec<&String> = english().keys().collect();
        let german_keys: Vec<&String> = german().keys().collect();
        assert!(english.len() > 500, "only {} texts: a table could not be read", english.len());
        let lacks: Vec<_> = english.iter().filter(|key| !german().contains_key(**key)).collect();
        let left: Vec<_> = german_keys.iter().filter(|key| !super::english().contains_key(**key)).collect();
        assert!(lacks.is_empty() && left.is_empty(), "not in de.json: {lacks:?}; only there: {left:?}");
        for key in english {
            let [here, there] = [super::english(), german()].map(|table| names(table[key].as_str().unwrap()));
            assert_eq!(here, there, "{key}");
        }
    }

    #[test]
    fn no_key_stands_twice_in_a_table() {
        for table in [include_str!("../../text/en.json"), include_str!("../../text/de.json")] {
            let read: Map<String, Value> = serde_json::from_str(table).unwrap();
            assert_eq!(table.matches("\": \"").count(), read.len());
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
