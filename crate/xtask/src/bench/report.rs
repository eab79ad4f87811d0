//! What was measured, as Markdown: medians, spread, ratios, and whether all came to the same figure.

use super::items::Item;
use super::peer;
use crate::{shell, tools};
use std::fmt::Write;
use std::path::PathBuf;

/// A peer's answers.
#[derive(Debug)]
pub struct Row {
    pub label: String,
    took_ms: Vec<f64>,
    figure: Option<f64>,
    most_mb: Option<f64>,
}

impl Row {
    /// Without answers yet.
    pub fn new(label: &str) -> Row {
        Row { label: label.to_owned(), took_ms: Vec::new(), figure: None, most_mb: None }
    }

    /// Takes one run's milliseconds, figure and megabytes.
    pub fn add(&mut self, (took_ms, figure, mb): (f64, Option<f64>, Option<f64>)) {
        self.took_ms.push(took_ms);
        self.figure = figure.or(self.figure);
        self.most_mb = self.most_mb.into_iter().chain(mb).reduce(f64::max);
    }

    /// The middle one; the mean of both where two stand in the middle.
    pub fn median_ms(&self) -> f64 {
        let mut sorted = self.took_ms.clone();
        sorted.sort_by(f64::total_cmp);
        let at = |place: usize| sorted.get(place).copied().unwrap_or(f64::NAN);
        0.5 * (at((sorted.len().max(1) - 1) / 2) + at(sorted.len() / 2))
    }

    fn spread(&self) -> String {
        let least = self.took_ms.iter().copied().fold(f64::INFINITY, f64::min);
        let most = self.took_ms.iter().copied().fold(0.0, f64::max);
        format!("{least:.0}-{most:.0}")
    }
}

/// One item's table. The ratio is the speed relative to the first row.
pub fn table(item: &Item, rows: &[Row]) -> String {
    let base = rows.first().map_or(f64::NAN, Row::median_ms);
    let mut text = format!(
        "\n## {}: {}\n\n| peer | median ms | spread | times the base's speed | most memory, MB |\n| --- | --- | --- | --- | --- |\n",
        item.name, item.title
    );
    for row in rows {
        let mb = row.most_mb.map_or(String::from("-"), |mb| format!("{mb:.0}"));
        let median = row.median_ms();
        let _ = writeln!(text, "| {} | {median:.0} | {} | {:.2} | {mb} |", row.label, row.spread(), base / median);
    }
    if let Some(sentence) = item.agree.map(|share| agreement(rows, share)) {
        let _ = writeln!(text, "\n{sentence}");
    }
    text
}

/// Whether every peer that gave a figure came to that of the first.
fn agreement(rows: &[Row], share: f64) -> String {
    let figures: Vec<f64> = rows.iter().filter_map(|row| row.figure).collect();
    let first = figures.first().copied().unwrap_or(f64::NAN);
    let worst = figures.iter().map(|figure| (figure / first - 1.0).abs()).fold(0.0, f64::max);
    let word =
        if worst <= share { "All came to the same figure" } else { "**The figures differ: this table is void**" };
    format!("{word} (largest difference {worst:.1e} of it).")
}

/// Machine, versions and date.
pub fn head(canary: f64) -> Result<String, String> {
    let line =
        |mut command: std::process::Command| shell::answer(&mut command).unwrap_or_else(|| String::from("unknown"));
    let with = |program: PathBuf, args: &[&str]| {
        let mut command = shell::command(program);
        command.args(args);
        line(command)
    };
    let python = "import numpy, scipy, pandas, polars, sys; print('Python', sys.version.split()[0], 'numpy', numpy.__version__, \
                  'scipy', scipy.__version__, 'pandas', pandas.__version__, 'polars', polars.__version__)";
    let cores = std::thread::available_parallelism().map_or(0, usize::from);
    let versions = [
        with("date".into(), &["-I"]),
        format!("{cores} cores of {}", processor()),
        with("rustc".into(), &["--version"]),
        with(peer::python(), &["-c", python]),
        with(tools::need_chromium()?, &["--version"]),
    ];
    Ok(format!(
        "# Ringdown beside its peers\n\nWritten by `cargo xtask bench`. {}. Two threads before the run: {canary:.2} times one.\n",
        versions.join("; ")
    ))
}

fn processor() -> String {
    let info = std::fs::read_to_string("/proc/cpuinfo").unwrap_or_default();
    let name = info.lines().find_map(|line| line.strip_prefix("model name")?.split_once(':'));
    name.map_or_else(|| String::from("an unknown processor"), |(_, name)| name.trim().to_owned())
}

/// Whether the machine was ours alone.
pub fn foot(before: f64, after: f64) -> String {
    format!("\nTwo threads gave {before:.2} times the speed of one before the run and {after:.2} times after it.\n")
}

/// Keeps a full run's tables.
pub fn keep(text: &str) -> Result<(), String> {
    let path = shell::root().join("tests").join("bench").join("RESULTS.md");
    std::fs::write(&path, text).map_err(|error| format!("{}: {error}", path.display()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn medians_of_odd_and_even_counts() {
        let mut row = Row::new("x");
        for took_ms in [9.0, 1.0, 4.0] {
            row.add((took_ms, Some(2.0), None));
        }
        assert_eq!(row.median_ms(), 4.0);
        row.add((5.0, None, Some(7.0)));
        assert_eq!((row.median_ms(), row.figure, row.most_mb), (4.5, Some(2.0), Some(7.0)));
    }

    #[test]
    fn figures_that_differ_void_a_table() {
        let row = |figure| {
            let mut row = Row::new("x");
            row.add((1.0, Some(figure), None));
            row
        };
        assert!(agreement(&[row(100.0), row(100.05)], 1e-3).starts_with("All"));
        assert!(agreement(&[row(100.0), row(101.0)], 1e-3).contains("void"));
    }
}
