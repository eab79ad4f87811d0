//! Which module of the core may use which: data go one way.

use std::collections::BTreeSet;

use super::code::{self, Language};
use super::tree::Tree;

const CORE: &str = "crate/ringdown/src/";

/// From left to right. A module uses what stands in an earlier group, and itself.
const ORDER: &[&[&str]] = &[
    &["error", "units", "progress", "sparing", "stats"],
    &["read"],
    &["signal"],
    &["crank"],
    &["feature"],
    &["limit"],
    &["finding"],
    &["card"],
    &["out"],
    &["synth"],
];

/// Arrows allowed beyond the order: file or folder, what it uses, why.
const ALSO: &[(&str, &str, &str)] = &[
    ("finding", "out::view", "the plain types a finding fills; they know nothing themselves"),
    ("card", "out::view", "as above"),
];

/// Arrows forbidden although the order has them.
const NEVER: &[(&str, &str, &str)] = &[("signal", "read", "signal code takes slices, only readers know files")];

pub fn check(tree: &Tree) -> Vec<String> {
    tree.under(CORE, &["rs"]).flat_map(|source| offences(&source.path, &source.text)).collect()
}

fn offences(path: &str, text: &str) -> Vec<String> {
    let inside = path.strip_prefix(CORE).unwrap_or(path).trim_end_matches(".rs");
    let user = inside.trim_end_matches("/mod").replace('/', "::");
    if user == "lib" {
        return Vec::new();
    }
    let code = code::without_comments(text, Language::Rust);
    let used = uses(code::without_tests(&code));
    used.iter().filter_map(|used| offence(&user, used)).map(|why| format!("{path}: {why}")).collect()
}

fn offence(user: &str, used: &str) -> Option<String> {
    let (from, to) = (module(user), module(used));
    let Some(rank) = rank(from) else {
        return Some(format!("`{from}` has no place in the order of modules: give it one"));
    };
    if from == to || listed(ALSO, user, used).is_some() {
        return None;
    }
    if let Some(why) = listed(NEVER, user, used) {
        return Some(format!("uses `crate::{used}`, but {why}"));
    }
    match self::rank(to) {
        Some(other) if other < rank => None,
        Some(_) => Some(format!("uses `crate::{used}`, which does not lie to the left of `{from}`")),
        None => Some(format!("uses `crate::{used}`, which has no place in the order of modules")),
    }
}

fn module(path: &str) -> &str {
    path.split("::").next().unwrap_or(path)
}

fn rank(module: &str) -> Option<usize> {
    ORDER.iter().position(|group| group.contains(&module))
}

fn listed(list: &[(&str, &str, &'static str)], user: &str, used: &str) -> Option<&'static str> {
    let within = |path: &str, part: &str| path == part || path.starts_with(&format!("{part}::"));
    list.iter().find(|(from, to, _)| within(user, from) && within(used, to)).map(|(_, _, why)| *why)
}

/// Every path after `crate::`, groups in braces taken apart: `crate::{a::B, c}` gives `a::B` and `c`.
fn uses(code: &str) -> BTreeSet<String> {
    let starts = code.match_indices("crate::").filter(|(at, _)| !ends_in_a_word(code.get(..*at).unwrap_or_default()));
    let mut found = BTreeSet::new();
    for (at, word) in starts {
        paths(code.get(at + word.len()..).unwrap_or_default(), "", &mut found);
    }
    found
}

/// `$crate::` and `xcrate::` are no uses of ours.
fn ends_in_a_word(before: &str) -> bool {
    before.chars().next_back().is_some_and(|sign| sign.is_alphanumeric() || sign == '_' || sign == '$')
}

/// Collects the paths at the start of `text`, each behind `before`; returns what follows them.
fn paths<'a>(text: &'a str, before: &str, found: &mut BTreeSet<String>) -> &'a str {
    let text = text.trim_start();
    let Some(mut rest) = text.strip_prefix('{') else {
        let end = text.find(|sign: char| !(sign.is_alphanumeric() || sign == '_' || sign == ':')).unwrap_or(text.len());
        let (path, rest) = text.split_at(end);
        let whole = format!("{before}{path}");
        if rest.starts_with('{') && path.ends_with("::") {
            return paths(rest, &whole, found);
        }
        found.insert(whole.trim_end_matches(':').to_owned());
        return without_other_name(rest);
    };
    loop {
        rest = rest.trim_start();
        match rest.chars().next() {
            Some('}') => return rest.get(1..).unwrap_or_default(),
            Some(sign) if sign.is_alphanumeric() || sign == '_' => rest = paths(rest, before, found),
            Some(sign) => rest = rest.get(sign.len_utf8()..).unwrap_or_default(),
            None => return rest,
        }
    }
}

/// What follows the `as name` that `text` may start with.
fn without_other_name(text: &str) -> &str {
    let Some(name) = text.trim_start().strip_prefix("as ") else { return text };
    name.trim_start_matches(|sign: char| sign.is_alphanumeric() || sign == '_')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_way_of_writing_a_use_is_seen() {
        let code = "use crate::error::Error;\nuse crate::{read::{Source, log}, units as u};\nfn f(x: crate::stats::X) {}\n\
            macro!($crate::out::Y);\nuse crate::signal::*;";
        let found: Vec<String> = uses(code).into_iter().collect();
        assert_eq!(found, ["error::Error", "read::Source", "read::log", "signal", "stats::X", "units"]);
    }

    #[test]
    fn arrows_go_left_only() {
        let cases = [
            ("read/log.rs", "use crate::error::Error;", 0),
            ("read/log.rs", "use crate::read::Source;", 0),
            ("read/log.rs", "use crate::signal::Taper;", 1),
            ("read/log.rs", "// use crate::signal::Taper;", 0),
            ("read/log.rs", "fn f() {}\n#[cfg(test)]\nmod tests { use crate::signal::Taper; }", 0),
            ("stats/roc.rs", "use crate::error::Error;", 1),
            ("stats/roc.rs", "use crate::stats::normal;", 0),
            ("signal/taper.rs", "use crate::read::Source;", 1),
            ("finding/floor.rs", "use crate::out::view::Table;", 0),
            ("finding/floor.rs", "use crate::out::viewer;", 1),
            ("card.rs", "use crate::finding::Finding;", 0),
            ("odd.rs", "use crate::error::Error;", 1),
            ("out/mod.rs", "use crate::odd;", 1),
            ("lib.rs", "pub use crate::out::Result;", 0),
        ];
        for (file, text, expected) in cases {
            let found = check(&Tree::of(&[(&format!("{CORE}{file}"), text)]));
            assert_eq!(found.len(), expected, "{file}: {text}: {found:?}");
        }
    }
}
