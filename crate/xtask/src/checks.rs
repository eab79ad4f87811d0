//! `checks`: the table of what is checked against what, in DEVELOPERS.md, made from what the test files say themselves.
//!
//! A test file states each of its checks in a line of its head: `check: WHAT | SOURCE | TOLERANCE`. What was achieved comes
//! from the tests' last run (`target/achieved`, see `outside_truth::achieved`); a row without a new figure keeps its last.

use std::collections::BTreeMap;
use std::path::Path;

use crate::shell;
use crate::tidy::Tree;

const GUIDE: &str = "DEVELOPERS.md";
const START: &str = "<!-- made by `cargo xtask checks` from the heads of the test files -->\n";
const END: &str = "<!-- end of what was made -->\n";
const HEAD: &str = "| check | source | tolerance | achieved |\n| --- | --- | --- | --- |\n";
const WORDS: &str = "check: ";

/// One row, all but the figure.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Row {
    /// What is checked, against what, how closely.
    cells: [String; 3],
    /// Name of the test file, without its ending.
    file: String,
}

/// Writes the table anew.
pub fn run() -> Result<(), String> {
    let root = shell::root();
    let path = root.join(GUIDE);
    let guide = std::fs::read_to_string(&path).map_err(|error| format!("{GUIDE}: {error}"))?;
    let (before, table, after) = parts(&guide)?;
    let rows = rows(&Tree::read(&root));
    let figures = figures(&root.join("target").join("achieved"), table);
    let made = rendered(&rows, &figures);
    std::fs::write(&path, format!("{before}{START}{made}{END}{after}")).map_err(|error| format!("{GUIDE}: {error}"))?;
    println!("{GUIDE}: {} checks", rows.len());
    Ok(())
}

/// The rule: the table says what the test files say, figures aside.
pub fn check(tree: &Tree) -> Vec<String> {
    let Some(guide) = tree.sources.iter().find(|source| source.path == GUIDE) else { return Vec::new() };
    let table = match parts(&guide.text) {
        Ok((_, table, _)) => table,
        Err(_) => return Vec::new(),
    };
    let mut stand: Vec<String> =
        table.lines().skip(2).filter_map(|line| Some(line.rsplit_once(" | ")?.0.into())).collect();
    let mut offences = Vec::new();
    for row in rows(tree) {
        let line = format!("| {}", row.cells.join(" | "));
        match stand.iter().position(|one| *one == line) {
            Some(at) => _ = stand.remove(at),
            None => {
                offences.push(format!("{GUIDE} lacks \"{}\" of {}: run `cargo xtask checks`", row.cells[0], row.file))
            }
        }
    }
    offences.extend(stand.iter().map(|line| format!("{GUIDE} holds a check that no test file states: {line}")));
    offences
}

fn parts(guide: &str) -> Result<(&str, &str, &str), String> {
    let missing = || format!("{GUIDE} lacks the marks of the table of checks");
    let (before, rest) = guide.split_once(START).ok_or_else(missing)?;
    let (table, after) = rest.split_once(END).ok_or_else(missing)?;
    Ok((before, table, after))
}

fn rows(tree: &Tree) -> Vec<Row> {
    let is_test = |path: &str| path.starts_with("tests/") || path.contains("/tests/");
    let files =
        tree.sources.iter().filter(|source| is_test(&source.path) && ["rs", "mjs"].contains(&source.extension()));
    files.flat_map(|source| of_file(&source.path, &source.text)).collect()
}

fn of_file(path: &str, text: &str) -> Vec<Row> {
    let path = Path::new(path);
    let stem = path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
    let folder = path.parent().and_then(Path::file_name).unwrap_or_default().to_string_lossy().into_owned();
    let file = if stem == "main" { folder } else { stem };
    let head = text.lines().take_while(|line| ["//!", "/**", " *"].iter().any(|mark| line.starts_with(mark)));
    let said = head.filter_map(|line| line.trim_start_matches(['/', '!', '*', ' ']).strip_prefix(WORDS));
    said.filter_map(|said| {
        let cells: Vec<String> = said.split(" | ").map(|cell| cell.trim().to_owned()).collect();
        Some(Row { cells: cells.try_into().ok()?, file: file.clone() })
    })
    .collect()
}

/// Figures by check or by file: those of the last run, else those that stand in the table.
fn figures(folder: &Path, table: &str) -> BTreeMap<String, String> {
    let stand = table.lines().skip(2).filter_map(|line| {
        let cells: Vec<&str> = line.trim_matches(['|', ' ']).split(" | ").collect();
        Some(((*cells.first()?).to_owned(), (*cells.get(3)?).to_owned()))
    });
    let mut figures: BTreeMap<String, String> = stand.collect();
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let text = std::fs::read_to_string(entry.path()).unwrap_or_default();
        if let Some((of, figure)) = text.trim().split_once('\n') {
            figures.insert(of.to_owned(), figure.to_owned());
        }
    }
    figures
}

fn rendered(rows: &[Row], figures: &BTreeMap<String, String>) -> String {
    let mut text = HEAD.to_owned();
    for Row { cells, file } in rows {
        let figure = figures.get(file).or_else(|| figures.get(&cells[0])).map_or("holds", String::as_str);
        let own = figures.get(&cells[0]).filter(|own| *own != "holds" && !own.contains("of what is allowed"));
        text += &format!("| {} | {} |\n", cells.join(" | "), own.map_or(figure, String::as_str));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    const FILE: &str = "//! Modes.\n//!\n//! check: zeros | a table | 1e-6\n//! check: speed | a paper | 2 %\n\nuse a;\n//! check: not | in | the head\n";

    fn guide(rows: &str) -> String {
        format!("# Guide\n{START}{HEAD}{rows}{END}rest\n")
    }

    #[test]
    fn rows_come_from_the_heads_and_figures_from_the_last_run_or_the_last_table() {
        let rows = of_file("tests/tests/modes.rs", FILE);
        assert_eq!(rows.len(), 2);
        assert_eq!(of_file("tests/tests/figures/main.rs", FILE)[0].file, "figures");
        let folder = std::env::temp_dir().join(format!("ringdown-achieved-{}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        std::fs::write(folder.join("a.txt"), "zeros\n4e-7\n").unwrap();
        let figures = figures(&folder, &format!("{HEAD}| speed | a paper | 3 % | 1 % |\n"));
        std::fs::remove_dir_all(&folder).unwrap();
        let table = rendered(&rows, &figures);
        assert_eq!(table, format!("{HEAD}| zeros | a table | 1e-6 | 4e-7 |\n| speed | a paper | 2 % | 1 % |\n"));
    }

    #[test]
    fn a_row_that_is_missing_changed_or_of_nobody_is_named() {
        let found = |rows: &str| check(&Tree::of(&[("tests/tests/modes.rs", FILE), (GUIDE, &guide(rows))])).len();
        assert_eq!(found("| zeros | a table | 1e-6 | x |\n| speed | a paper | 2 % | |\n"), 0);
        assert_eq!(found("| zeros | a table | 1e-6 | x |\n"), 1);
        assert_eq!(found("| zeros | a table | 1e-5 | x |\n| speed | a paper | 2 % | |\n"), 2);
        assert_eq!(found("| zeros | a table | 1e-6 | x |\n| speed | a paper | 2 % | |\n| own | word | 1 | 2 |\n"), 1);
    }
}
