//! What others wrote and we build on: licences, origin, bans and doubles, by the same list that `cargo-deny` reads
//! (`.cargo/deny.toml`), from what `cargo metadata` and `Cargo.lock` say: no tool to install, no network.

use serde_json::Value;

use super::tree::Tree;

const LIST: &str = ".cargo/deny.toml";
const REGISTRY: &str = "registry+https://github.com/rust-lang/crates.io-index";

pub fn check(tree: &Tree) -> Vec<String> {
    let list = tree.sources.iter().find(|source| source.path == LIST).map(|source| source.text.as_str());
    let Some(list) = list else { return vec![format!("{LIST} is missing")] };
    let mut cargo = crate::shell::cargo();
    let told = crate::shell::answer(cargo.args(["metadata", "--format-version", "1", "--locked"]));
    match told.and_then(|told| serde_json::from_str(&told).ok()) {
        Some(metadata) => offences(list, &metadata),
        None => vec!["`cargo metadata --locked` gave no answer: is Cargo.lock up to date?".into()],
    }
}

fn offences(list: &str, metadata: &Value) -> Vec<String> {
    let allowed = texts(list, "allow");
    let banned = texts(list, "deny");
    let known_twice = texts(list, "skip");
    let mut found = Vec::new();
    let mut names = Vec::new();
    for package in metadata["packages"].as_array().into_iter().flatten() {
        let text = |key: &str| package[key].as_str().unwrap_or_default();
        let (name, version, licence) = (text("name"), text("version"), text("license"));
        if !package["source"].is_null() && text("source") != REGISTRY {
            found.push(format!("{name} {version} comes from {}, not from the registry", text("source")));
        }
        if !permits(licence, &allowed) {
            found.push(format!("{name} {version} is under \"{licence}\", which {LIST} does not allow"));
        }
        if banned.contains(&name) {
            found.push(format!("{name} {version} is banned by {LIST}"));
        }
        if !known_twice.contains(&format!("{name}@{version}").as_str()) {
            names.push(name);
        }
    }
    names.sort_unstable();
    let twice = names.windows(2).filter(|pair| pair[0] == pair[1]);
    found
        .extend(twice.map(|pair| format!("{} is there in two releases: find out why, or name one in {LIST}", pair[0])));
    found
}

/// The texts in the list `key = [...]`: bare ones, or what follows `crate =`.
fn texts<'a>(list: &'a str, key: &str) -> Vec<&'a str> {
    let start = format!("\n{key} = [");
    let body = list.split_once(&start).and_then(|(_, rest)| rest.split_once(']')).map_or("", |(body, _)| body);
    let lines = body.lines().map(|line| line.split('#').next().unwrap_or_default());
    lines
        .flat_map(|line| match line.split_once("crate = \"") {
            Some((_, named)) => named.split('"').take(1).collect::<Vec<_>>(),
            None => line.split('"').skip(1).step_by(2).collect(),
        })
        .collect()
}

/// Whether one way to read the licence expression (SPDX 2.3, annex D; `/` is an old "or") uses allowed ones alone.
fn permits(expression: &str, allowed: &[&str]) -> bool {
    let spaced = expression.replace('/', " OR ").replace('(', " ( ").replace(')', " ) ").replace(" WITH ", "+WITH+");
    let words: Vec<&str> = spaced.split_whitespace().collect();
    let mut at = 0;
    either(&words, &mut at, allowed) && at == words.len()
}

fn either(words: &[&str], at: &mut usize, allowed: &[&str]) -> bool {
    let mut holds = both(words, at, allowed);
    while words.get(*at) == Some(&"OR") {
        *at += 1;
        holds |= both(words, at, allowed);
    }
    holds
}

fn both(words: &[&str], at: &mut usize, allowed: &[&str]) -> bool {
    let mut holds = one(words, at, allowed);
    while words.get(*at) == Some(&"AND") {
        *at += 1;
        holds &= one(words, at, allowed);
    }
    holds
}

fn one(words: &[&str], at: &mut usize, allowed: &[&str]) -> bool {
    let word = words.get(*at).copied().unwrap_or_default();
    *at += 1;
    if word != "(" {
        return allowed.contains(&word.replace("+WITH+", " WITH ").as_str());
    }
    let holds = either(words, at, allowed);
    *at += 1;
    holds && words.get(*at - 1) == Some(&")")
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn a_licence_is_permitted_when_one_reading_of_it_is() {
        let cases = [
            ("MIT", true),
            ("MIT OR GPL-3.0", true),
            ("GPL-3.0/MIT", true),
            ("MIT AND GPL-3.0", false),
            ("(MIT OR GPL-3.0) AND Zlib", true),
            ("(MIT OR GPL-3.0) AND BSL-1.0", false),
            ("GPL-3.0 OR MIT AND Zlib", true),
            ("Apache-2.0 WITH LLVM-exception", false),
            ("Apache-2.0 WITH LLVM-exception OR MIT", true),
            ("MIT MIT", false),
            ("(MIT", false),
            ("", false),
        ];
        for (expression, expected) in cases {
            assert_eq!(permits(expression, &["MIT", "Zlib"]), expected, "{expression}");
        }
    }

    #[test]
    fn each_kind_of_package_that_may_not_be_is_named() {
        let list =
            "\nallow = [\"MIT\"]\ndeny = [\n { crate = \"spy\" }, # why\n]\nskip = [\n { crate = \"old@1.0.0\" },\n]\n";
        let package = |name: &str, version: &str, licence: &str, source: Value| json!({"name": name, "version": version, "license": licence, "source": source});
        let offences = |packages: Vec<Value>| offences(list, &json!({"packages": packages}));
        assert!(
            offences(vec![package("a", "1.0.0", "MIT", json!(REGISTRY)), package("ours", "1.0.0", "MIT", Value::Null)])
                .is_empty()
        );
        for bad in [
            package("a", "1.0.0", "GPL-3.0", json!(REGISTRY)),
            package("a", "1.0.0", "MIT", json!("git+https://example.org")),
            package("spy", "1.0.0", "MIT", json!(REGISTRY)),
        ] {
            assert_eq!(offences(vec![bad.clone()]).len(), 1, "{bad}");
        }
        let twice =
            |name: &str| offences(["1.0.0", "2.0.0"].map(|v| package(name, v, "MIT", json!(REGISTRY))).to_vec()).len();
        assert_eq!((twice("a"), twice("old")), (1, 0));
    }
}
