//! `tidy`: the house rules that code can check. Each rule is a file here, its list of names data at the top.

mod arrows;
mod code;
mod imports;
mod length;
mod packages;
mod top;
mod tree;
mod words;

pub use tree::Tree;

pub use imports::exported_name;

type Rule = (&'static str, fn(&Tree) -> Vec<String>);

const RULES: &[Rule] = &[
    ("the visible top level is as agreed", top::check),
    ("modules of the core use only what lies to their left", arrows::check),
    ("modules of the page import only what lies to their right", imports::check),
    ("files stay short", length::check),
    ("no banned word", words::check),
    ("the table of checks says what the test files say", crate::checks::check),
    ("packages of others: licence, origin, bans, doubles", packages::check),
];

/// The files that a module of the page imports, in its own order.
pub fn imports_of(path: &str, text: &str) -> Vec<String> {
    imports::imported(path, &code::without_comments(text, code::Language::JavaScript))
}

/// Each rule with the lines that break it.
pub fn offences() -> Vec<(&'static str, Vec<String>)> {
    let tree = Tree::read(&crate::shell::root());
    RULES.iter().map(|(name, rule)| (*name, rule(&tree))).collect()
}

/// Prints what breaks a rule; an error if anything does.
pub fn run() -> Result<(), String> {
    let mut count = 0;
    for (rule, offences) in offences() {
        println!("{} {rule}", if offences.is_empty() { "holds: " } else { "broken:" });
        for offence in &offences {
            println!("    {offence}");
        }
        count += offences.len();
    }
    if count == 0 { Ok(()) } else { Err(format!("{count} offences against the house rules")) }
}
