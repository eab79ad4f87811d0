//! What a visitor sees first.

use super::tree::Tree;

const VISIBLE: &[&str] = &[
    "Cargo.lock",
    "Cargo.toml",
    "DEVELOPERS.md",
    "LICENSE-APACHE",
    "LICENSE-MIT",
    "README.md",
    "crate",
    "demo-logs",
    "rust-toolchain.toml",
    "tests",
    "www",
];

pub fn check(tree: &Tree) -> Vec<String> {
    let missing = VISIBLE.iter().filter(|name| !tree.top.iter().any(|there| there == *name));
    let there = tree.top.iter().filter(|name| !name.starts_with('.') && !VISIBLE.contains(&name.as_str()));
    let missing = missing.map(|name| format!("{name}: missing from the top level"));
    missing.chain(there.map(|name| format!("{name}: does not belong on the top level"))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_missing_and_what_is_extra_are_both_named() {
        let top = |names: &[&str]| Tree { top: names.iter().map(|&name| name.into()).collect(), ..Tree::default() };
        assert!(check(&top(VISIBLE)).is_empty());
        let mut names = VISIBLE.to_vec();
        names[0] = "notes.txt";
        names.push(".github");
        let found = check(&top(&names));
        assert_eq!(found.len(), 2, "{found:?}");
        assert!(found[0].starts_with("Cargo.lock") && found[1].starts_with("notes.txt"), "{found:?}");
    }
}
