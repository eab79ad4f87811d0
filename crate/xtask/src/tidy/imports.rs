//! Which module of the page may import which.

use std::collections::{BTreeMap, BTreeSet};

use super::code::{self, Language};
use super::tree::Tree;

const PAGE: &str = "www/";

/// From the one that wires all to the one that knows none. A module imports from later groups, a folder also from itself.
const ORDER: &[&[&str]] = &[
    &["main.js"],
    &["sections/"],
    &["charts/"],
    &["parts/", "analyst.js"],
    &["state.js", "sheet.js", "wasm.js"],
    &["text/"],
    &["protocol.js"],
];

/// Classic scripts, which import nothing: under `file://` no worker of another kind starts, and the keeper of the page for
/// offline use must not depend on what it keeps.
const ALONE: &[&str] = &["mate.js", "worker.js", "service-worker.js"];

/// Imports by file: who, and the files it imports.
type Imports<'a> = BTreeMap<&'a str, Vec<String>>;

pub fn check(tree: &Tree) -> Vec<String> {
    let codes: Vec<(&str, String)> = tree
        .under(PAGE, &["js", "mjs"])
        .map(|source| (source.path.as_str(), code::without_comments(&source.text, Language::JavaScript)))
        .collect();
    let imports: Imports = codes.iter().map(|(path, code)| (*path, imported(path, code))).collect();
    let mut found: Vec<String> = imports.iter().flat_map(|(user, used)| against_the_order(user, used)).collect();
    found.extend(cycle(&imports));
    found.extend(exported_twice(&codes));
    found
}

fn against_the_order(user: &str, imports: &[String]) -> Vec<String> {
    let Some((from, home)) = place(user) else {
        let alone = user.strip_prefix(PAGE).is_some_and(|name| ALONE.contains(&name));
        return match (alone, imports.is_empty()) {
            (true, true) => Vec::new(),
            (true, false) => vec![format!("{user}: a classic script imports nothing")],
            (false, _) => vec![format!("{user}: has no place in the order of modules: give it one")],
        };
    };
    let allowed =
        |used: &str| place(used).is_some_and(|(to, other)| to > from || (other == home && home.ends_with('/')));
    let wrong = imports.iter().filter(|used| !allowed(used));
    wrong.map(|used| format!("{user}: imports {used}, which does not lie to the right of it")).collect()
}

/// The rank of a file and the entry that gives it.
fn place(path: &str) -> Option<(usize, &'static str)> {
    let inside = path.strip_prefix(PAGE)?;
    let fits = |entry: &str| inside == entry || (entry.ends_with('/') && inside.starts_with(entry));
    ORDER.iter().enumerate().find_map(|(rank, group)| Some((rank, *group.iter().find(|entry| fits(entry))?)))
}

/// The files a module imports or re-exports from; a specifier that is no relative path is kept as it is.
pub(super) fn imported(path: &str, code: &str) -> Vec<String> {
    let mut found = Vec::new();
    for statement in code.split(['\n', ';']).scan(String::new(), whole_statement).flatten() {
        let from = statement.rsplit_once("from").map_or(statement.as_str(), |(_, from)| from);
        let quoted: Vec<&str> = from.split(['"', '\'']).collect();
        if let [_, specifier, ..] = quoted.as_slice() {
            found.push(resolved(path, specifier));
        }
    }
    found
}

/// Gathers lines into import and export-from statements; yields each when its specifier has come.
#[allow(clippy::unnecessary_wraps, reason = "`scan` wants an option")]
fn whole_statement(open: &mut String, line: &str) -> Option<Option<String>> {
    let text = line.trim();
    if open.is_empty() {
        let starts = |word: &str| text.strip_prefix(word).is_some_and(|rest| !rest.starts_with(is_word));
        let imports = starts("import") && !text.starts_with("import.");
        let exports = starts("export") && text[6..].trim_start().starts_with(['{', '*']);
        if !imports && !exports {
            return Some(None);
        }
    }
    open.push_str(text);
    open.push(' ');
    let done = open.contains(['"', '\'']);
    let local = !done && open.starts_with("export") && text.ends_with('}') && !open.contains("from");
    if local {
        open.clear();
    }
    Some(done.then(|| std::mem::take(open)))
}

fn is_word(sign: char) -> bool {
    sign.is_alphanumeric() || sign == '_' || sign == '$'
}

fn resolved(path: &str, specifier: &str) -> String {
    if !specifier.starts_with('.') {
        return specifier.to_owned();
    }
    let mut parts: Vec<&str> = path.split('/').collect();
    parts.pop();
    for part in specifier.split('/') {
        match part {
            "." | "" => {}
            ".." => drop(parts.pop()),
            name => parts.push(name),
        }
    }
    parts.join("/")
}

/// Takes away files that import nothing left; what stays is in a cycle or leads into one.
fn cycle(imports: &Imports) -> Option<String> {
    let mut left: BTreeSet<&str> = imports.keys().copied().collect();
    loop {
        let free: Vec<&str> = left
            .iter()
            .filter(|user| imports.get(*user).is_none_or(|used| used.iter().all(|used| !left.contains(used.as_str()))))
            .copied()
            .collect();
        if free.is_empty() {
            break;
        }
        left.retain(|file| !free.contains(file));
    }
    (!left.is_empty()).then(|| format!("imports in a circle: {}", left.into_iter().collect::<Vec<_>>().join(", ")))
}

fn exported_twice(codes: &[(&str, String)]) -> Vec<String> {
    let mut by_name: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for (path, code) in codes {
        for name in code.lines().filter_map(exported_name) {
            by_name.entry(name).or_default().push(path);
        }
    }
    let twice = by_name.into_iter().filter(|(_, files)| files.len() > 1);
    twice.map(|(name, files)| format!("`{name}` is exported by {}", files.join(" and "))).collect()
}

/// The name that a line starting with `export` gives away.
pub fn exported_name(line: &str) -> Option<&str> {
    let rest = line.strip_prefix("export ")?;
    let rest = rest.strip_prefix("async ").unwrap_or(rest);
    let kinds = ["function* ", "function ", "class ", "const ", "let ", "var "];
    let name = kinds.iter().find_map(|kind| rest.strip_prefix(kind))?;
    let end = name.find(|sign| !is_word(sign)).unwrap_or(name.len());
    name.get(..end)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(files: &[(&str, &str)]) -> Vec<String> {
        check(&Tree::of(files))
    }

    #[test]
    fn imports_go_right_only() {
        let cases = [
            ("www/main.js", "import { a } from \"./sections/a.js\";", 0),
            ("www/main.js", "import {\n  a,\n  b,\n} from './state.js'", 0),
            ("www/sections/a.js", "import * as view from \"../charts/view.js\";", 0),
            ("www/charts/a.js", "import { b } from \"./b.js\";", 0),
            ("www/parts/a.js", "import { b } from \"../charts/b.js\";", 1),
            ("www/parts/a.js", "import { b } from \"../analyst.js\";", 1),
            ("www/state.js", "import \"./main.js\";", 1),
            ("www/state.js", "// import \"./main.js\";", 0),
            ("www/protocol.js", "export { a } from \"./state.js\";", 1),
            ("www/state.js", "export * from \"./main.js\";", 1),
            ("www/main.js", "import a from \"left-pad\";", 1),
            ("www/worker.js", "let a = 1;", 0),
            ("www/worker.js", "import \"./protocol.js\";", 1),
            ("www/odd.js", "let a = 1;", 1),
            ("www/state.js", "export { a, b };\nconst c = \"./main.js\";", 0),
            ("www/state.js", "importAll(\"./main.js\");", 0),
        ];
        for (file, text, expected) in cases {
            let found = found(&[(file, text)]);
            assert_eq!(found.len(), expected, "{file}: {text}: {found:?}");
        }
    }

    #[test]
    fn a_circle_within_a_folder_is_found() {
        let files = [
            ("www/parts/a.js", "import { b } from \"./b.js\";"),
            ("www/parts/b.js", "import { c } from \"./c.js\";"),
            ("www/parts/c.js", "import { b } from \"./b.js\";"),
        ];
        assert_eq!(found(&files).len(), 1);
        assert!(found(&files[..2]).is_empty());
    }

    #[test]
    fn one_name_has_one_home() {
        let files = [("www/state.js", "export const a = 1;"), ("www/protocol.js", "export async function a() {}")];
        assert_eq!(found(&files), ["`a` is exported by www/state.js and www/protocol.js"]);
    }
}
