//! What must not stand in the sources, and the reason.

use super::code::{self, Language};
use super::tree::{Source, Tree};

/// Words banned in the code of some files (comments aside).
struct Ban {
    folder: &'static str,
    kinds: &'static [&'static str],
    /// Each in pieces, so that this list isn't itself an offence.
    words: &'static [&'static [&'static str]],
    why: &'static str,
}

const BANS: &[Ban] = &[
    Ban {
        folder: "",
        kinds: &["rs"],
        words: &[&["todo", "!("], &["unimplemented", "!("], &["dbg", "!("]],
        why: "unfinished work",
    },
    Ban {
        folder: "",
        kinds: &["rs"],
        words: &[&["#[", "ignore"], &["#[", "should_panic"]],
        why: "a test runs, and says what it expects",
    },
    Ban {
        folder: "",
        kinds: &["rs"],
        words: &[
            &["unsafe", " {"],
            &["unsafe", " fn"],
            &["unsafe", " impl"],
            &["unsafe", " extern"],
            &["allow(", "unsafe"],
        ],
        why: "nothing here needs it, and so there is nothing that only Miri could judge",
    },
    Ban {
        folder: "tests/browser/",
        kinds: &["mjs", "js"],
        words: &[&[".", "skip("], &[".", "only("], &[".", "todo("], &["skip", ":"], &["waitFor", "Timeout("]],
        why: "a test runs, and waits for facts and not for time",
    },
    Ban {
        folder: "www/",
        kinds: &["js", "html"],
        words: &[
            &["inner", "HTML"],
            &["outer", "HTML"],
            &["insertAdjacent", "HTML"],
            &["document.", "write"],
            &["set", "HTML"],
            &["createContextual", "Fragment"],
            &["eval", "("],
            &["new ", "Function("],
        ],
        why: "what comes from a file is text, never markup or code",
    },
    Ban {
        folder: "www/",
        kinds: &["js", "html"],
        words: &[
            &["fetch", "("],
            &["XMLHttp", "Request"],
            &["Web", "Socket"],
            &["Web", "Transport"],
            &["Event", "Source"],
            &["send", "Beacon"],
            &["RTCPeer", "Connection"],
            &["http", "://"],
            &["https", "://"],
        ],
        why: "nothing leaves this computer",
    },
];

/// Uses of a banned word that are right: file, word, reason.
const ALLOWED: &[(&str, &str, &str)] =
    &[("www/wasm.js", "fetch(", "asks for scripts beside the page, and its policy lets it ask nobody else")];

/// A name for a kind of markup, never asked for.
const NAMESPACES: &str = "http://www.w3.org/";

/// Folders of one machine, which no committed file may name.
const OWN_FOLDERS: &[&str] = &["work", "tmp", "root", "home", "Users"];

pub fn check(tree: &Tree) -> Vec<String> {
    let banned = BANS.iter().flat_map(|ban| tree.under(ban.folder, ban.kinds).flat_map(|source| broken(ban, source)));
    banned.chain(tree.sources.iter().flat_map(own_folders)).collect()
}

fn broken(ban: &Ban, source: &Source) -> Vec<String> {
    let code = match source.extension() {
        "rs" => code::without_comments(&source.text, Language::Rust),
        "html" => source.text.clone(),
        _ => code::without_comments(&source.text, Language::JavaScript),
    };
    let code = code.replace(NAMESPACES, "");
    let mut found = Vec::new();
    for word in ban.words.iter().map(|pieces| pieces.concat()) {
        let allowed = ALLOWED.iter().any(|(file, allowed, _)| *file == source.path && *allowed == word);
        let lines = code.lines().enumerate().filter(|(_, line)| !allowed && holds(line, &word));
        found.extend(lines.map(|(at, _)| format!("{}:{}: `{word}`: {}", source.path, at + 1, ban.why)));
    }
    found
}

/// Whether `line` holds `word`, not as the end of a longer one (`retrieval(` is no `eval(`).
fn holds(line: &str, word: &str) -> bool {
    let within = |sign: char| sign.is_alphanumeric() || sign == '_';
    line.match_indices(word).any(|(at, _)| {
        let before = line.get(..at).and_then(|before| before.chars().next_back());
        !(word.starts_with(within) && before.is_some_and(within))
    })
}

fn own_folders(source: &Source) -> Vec<String> {
    let mut found = Vec::new();
    for (at, line) in source.text.lines().enumerate() {
        for folder in OWN_FOLDERS.iter().map(|name| format!("/{name}/")) {
            if starts_a_path(line, &folder) {
                found.push(format!("{}:{}: `{folder}` is a folder of one machine", source.path, at + 1));
            }
        }
    }
    found
}

/// Whether `folder` stands at the start of a path, not inside one or inside an address.
fn starts_a_path(line: &str, folder: &str) -> bool {
    line.match_indices(folder).any(|(at, _)| {
        let before = line.get(..at).and_then(|before| before.chars().next_back());
        before.is_none_or(|sign| !(sign.is_alphanumeric() || ".-_~}*/)".contains(sign)))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_ban_bites_where_it_holds_and_only_there() {
        for ban in BANS {
            for word in ban.words.iter().map(|pieces| pieces.concat()) {
                let path = format!("{}a.{}", ban.folder, ban.kinds[0]);
                let bitten = |path: &str, text: &str| check(&Tree::of(&[(path, text)])).len();
                assert_eq!(bitten(&path, &format!("x;\ny(\"{word}\")")), 1, "{word}");
                assert_eq!(bitten(&path, &format!("// {word}")), 0, "{word}");
                assert_eq!(bitten("docs/a.md", &word), 0, "{word}");
            }
        }
    }

    #[test]
    fn a_longer_word_is_another_word() {
        assert!(holds("x = eval(a)", "eval("));
        assert!(!holds("x = retrieval(a)", "eval("));
        assert!(holds("self.fetch(a)", "fetch("));
    }

    #[test]
    fn folders_of_one_machine_are_told_from_addresses() {
        let own = OWN_FOLDERS.iter().map(|name| format!("/{name}/x"));
        for path in own {
            for line in [path.clone(), format!("cd {path}"), format!("\"{path}\""), format!("a={path}")] {
                assert_eq!(check(&Tree::of(&[("a.md", &line)])).len(), 1, "{line}");
            }
            for line in [format!("https://example.org{path}"), format!("crate{path}"), format!("..{path}")] {
                assert!(check(&Tree::of(&[("a.md", &line)])).is_empty(), "{line}");
            }
        }
    }
}
