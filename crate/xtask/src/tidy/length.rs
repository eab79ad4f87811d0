//! A file too long to read at a sitting holds more than one idea.

use super::code::{self, Language};
use super::tree::{Source, Tree};

/// Lines of code: neither blank nor comment, nor the tests at a Rust file's foot.
const MOST_LINES: usize = 700;

pub fn check(tree: &Tree) -> Vec<String> {
    tree.under("", &["rs", "js", "mjs"]).filter_map(offence).collect()
}

fn offence(source: &Source) -> Option<String> {
    let code = if source.extension() == "rs" {
        code::without_tests(&code::without_comments(&source.text, Language::Rust)).to_owned()
    } else {
        code::without_comments(&source.text, Language::JavaScript)
    };
    let count = code.lines().filter(|line| !line.trim().is_empty()).count();
    (count > MOST_LINES).then(|| format!("{}: {count} lines of code, {MOST_LINES} at most", source.path))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_of_code_are_counted_and_the_rest_is_not() {
        let code = "let a = 1;\n".repeat(MOST_LINES);
        let fits = format!("{code}\n// b\n/* c\n d */\n#[cfg(test)]\nmod tests {{\n{code}}}\n");
        assert!(check(&Tree::of(&[("a.rs", &fits)])).is_empty());
        assert_eq!(check(&Tree::of(&[("a.rs", &format!("{code}let b = 2;\n"))])).len(), 1);
        assert_eq!(check(&Tree::of(&[("a.mjs", &format!("{code}{code}"))])).len(), 1);
        assert!(check(&Tree::of(&[("a.json", &format!("{code}{code}"))])).is_empty());
    }
}
