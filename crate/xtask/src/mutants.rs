//! What the tests of a part notice: cargo-mutants changes its code, one change after another, and the tests must fail.
//!
//! A change costs a build. So the part and what stands to its left in the order of modules are copied beside the checks
//! of that part alone, as a small workspace under `target/mutants`, and all changes are built at once ([`switched`]).

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use crate::shell;
use crate::switched::{self, Change, Outcome, Outcomes};

/// The release whose changes the figures in `tests/README.md` are about.
const TOOL: &str = "27.1.0";

/// What a part needs, and which checks are about it.
struct Part {
    name: &'static str,
    /// Modules to its left that it uses.
    uses: &'static [&'static str],
    /// Files of `tests/tests`, without those that need more than the part.
    checks: &'static [&'static str],
    /// The same, each a program of its own: it counts what is allocated, or is slow and need not run where others notice.
    alone: &'static [&'static str],
    /// How well the part is built: its checks compute for seconds, or its build is what a change costs.
    opt_level: u8,
    /// Folders of `tests/tests` that they share.
    shared: &'static [&'static str],
}

const PARTS: [Part; 3] = [
    Part {
        name: "stats",
        uses: &[],
        checks: &["stats_laws", "stats_limits", "stats_roc", "stats_scale"],
        alone: &[],
        opt_level: 1,
        shared: &[],
    },
    Part {
        name: "read",
        uses: &["error", "units", "progress", "stats"],
        checks: &[
            "read_apart",
            "read_broken",
            "read_edges",
            "read_flac",
            "read_headers",
            "read_log",
            "read_packed",
            "read_roles",
            "read_round_trip",
            "read_scope",
            "read_sheet",
            "read_sound",
            "read_wave",
        ],
        alone: &["read_huge"],
        opt_level: 1,
        shared: &[],
    },
    Part {
        name: "crank",
        uses: &["error", "units", "progress", "sparing", "stats", "read", "signal"],
        checks: &["crank_laws", "crank_edges"],
        alone: &["crank", "crank_matrix", "crank_blind", "crank_ignition", "crank_offset"],
        opt_level: 3,
        shared: &["crank_bench"],
    },
];

/// What was asked for.
pub struct Options {
    part: &'static Part,
    sample: usize,
    seed: u64,
    only: Option<String>,
    minutes: Option<u64>,
}

impl Options {
    /// `PART [--sample N] [--seed N] [--only TEXT] [--minutes N]`: a sample of 0 is all.
    pub fn parse(args: &[String]) -> Result<Self, String> {
        let (name, rest) = args.split_first().ok_or("which part: stats, read or crank?")?;
        let part = PARTS.iter().find(|part| part.name == name).ok_or_else(|| format!("there is no part `{name}`"))?;
        let mut options = Self { part, sample: 100, seed: 1, only: None, minutes: None };
        for pair in rest.chunks(2) {
            let [option, value] = pair else { return Err(format!("`{}` lacks its value", pair[0])) };
            let number = || value.parse::<u64>().map_err(|_| format!("`{value}` is no whole number"));
            match option.as_str() {
                "--sample" => options.sample = number()? as usize,
                "--seed" => options.seed = number()?,
                "--minutes" => options.minutes = Some(number()?),
                "--only" => options.only = Some(value.clone()),
                _ => return Err(crate::unknown_option(option)),
            }
        }
        Ok(options)
    }
}

pub fn run(options: &Options) -> Result<(), String> {
    let begun = Instant::now();
    let until = options.minutes.map(|minutes| begun + Duration::from_secs(60 * minutes));
    let has = shell::answer(shell::cargo().args(["mutants", "--version"])).unwrap_or_default();
    if !has.ends_with(TOOL) {
        return Err(format!("`cargo install cargo-mutants --locked --version {TOOL}` first"));
    }
    let place = cut_out(options.part)?;
    let list = shell::answer(tool(&place, options.part).args(["--list", "--json"]));
    let changes = switched::changes(&list.ok_or("`cargo mutants --list` failed")?, &place)?;
    let by_name: BTreeMap<&str, &Change> = changes.iter().map(|change| (change.name.as_str(), change)).collect();
    let names: Vec<String> = by_name.keys().map(|name| (*name).to_owned()).collect();
    let chosen: Vec<&String> = match &options.only {
        Some(text) => names.iter().filter(|name| name.contains(text)).collect(),
        None => drawn(&names, options.sample, options.seed),
    };
    println!("{} of {} changes, seed {}", chosen.len(), names.len(), options.seed);
    if chosen.is_empty() {
        return Ok(());
    }
    let chosen: Vec<&Change> = chosen.iter().filter_map(|name| by_name.get(name.as_str()).copied()).collect();
    let outcomes = switched::tried(&place, || in_cut(&place), &chosen, until)?;
    if outcomes.tried.is_empty() {
        return Err("no change could be tried".to_owned());
    }
    told(options.part, &outcomes, begun);
    Ok(())
}

/// The figures so far.
fn told(part: &Part, outcomes: &Outcomes, begun: Instant) {
    let count = |wanted: Outcome| outcomes.tried.iter().filter(|(_, outcome)| *outcome == wanted).count();
    let (tried, hung) = (outcomes.tried.len(), count(Outcome::Hung));
    let noticed = tried - count(Outcome::Missed);
    let [low, high] = wilson(noticed as f64, tried as f64);
    println!(
        "{}: {noticed} of {tried} noticed ({hung} by hanging), {:.1} % (95 %: {:.1} to {:.1}); {} did not compile; {:.0} s",
        part.name,
        100.0 * noticed as f64 / tried as f64,
        100.0 * low,
        100.0 * high,
        outcomes.not_compiled.len(),
        begun.elapsed().as_secs_f64()
    );
}

/// Cargo in the part's own workspace, what it builds beside it so that it outlives the copy and serves all parts.
fn in_cut(place: &Path) -> std::process::Command {
    let mut command = shell::cargo();
    command.current_dir(place).env("CARGO_TARGET_DIR", place.with_file_name("built"));
    // What a change leaves unused is no fault of it. The same for all builds, or what they stand on is built again.
    command.env("RUSTFLAGS", "--cap-lints=allow");
    command
}

fn tool(place: &Path, part: &Part) -> std::process::Command {
    let mut command = in_cut(place);
    command.arg("mutants").arg("-f").arg(format!("ringdown/src/{}/**", part.name));
    command
}

/// The workspace of a part, written anew.
fn cut_out(part: &Part) -> Result<PathBuf, String> {
    let (root, place) = (shell::root(), shell::root().join("target").join("mutants").join(part.name));
    if place.exists() {
        std::fs::remove_dir_all(&place).map_err(|error| format!("{}: {error}", place.display()))?;
    }
    let (core, checks) = (root.join("crate/ringdown"), root.join("tests"));
    let manifest = text(&root.join("Cargo.toml"))?.replace("\"crate/ringdown\"", "\"ringdown\"");
    let (head, rest) = manifest.split_once("members = [").ok_or("the workspace has no members")?;
    let (_, rest) = rest.split_once("]\nexclude").and_then(|(_, rest)| rest.split_once('\n')).ok_or("no exclude")?;
    let (rest, _) = rest.split_once("[profile.dev]").ok_or("no profile")?;
    // What the members stand on is built well, once.
    let profile = format!(
        "[profile.dev]\ndebug = false\nopt-level = {}\n\n[profile.dev.package.\"*\"]\nopt-level = 2\n",
        part.opt_level
    );
    write(&place.join("Cargo.toml"), &format!("{head}members = [\"ringdown\", \"tests\"]\n{rest}{profile}"))?;
    let modules: Vec<&str> = part.uses.iter().chain([&part.name]).copied().collect();
    let library: String = modules.iter().map(|name| format!("pub mod {name};\n")).collect();
    write(&place.join("ringdown/src/lib.rs"), &format!("#![allow(missing_docs)]\n{library}"))?;
    for name in modules {
        let file = format!("src/{name}.rs");
        let from = if core.join(&file).exists() { file } else { format!("src/{name}") };
        copy(&core.join(&from), &place.join("ringdown").join(&from))?;
    }
    for name in ["Cargo.toml", "src", "vectors", "fuzz/kept"] {
        copy(&checks.join(name), &place.join("tests").join(name))?;
    }
    // One program of all checks: a change costs one link.
    for name in part.checks {
        copy(&checks.join(format!("tests/{name}.rs")), &place.join(format!("tests/tests/all/{name}.rs")))?;
    }
    for name in part.shared {
        for folder in ["tests/tests", "tests/tests/all"] {
            copy(&checks.join("tests").join(name), &place.join(folder).join(name))?;
        }
    }
    let all: String = part.checks.iter().map(|name| format!("mod {name};\n")).collect();
    write(&place.join("tests/tests/all/main.rs"), &format!("//! All of them.\n{all}"))?;
    for name in part.alone {
        copy(&checks.join(format!("tests/{name}.rs")), &place.join(format!("tests/tests/{name}.rs")))?;
    }
    copy(&core.join("Cargo.toml"), &place.join("ringdown/Cargo.toml"))?;
    copy(&root.join("Cargo.lock"), &place.join("Cargo.lock"))?;
    copy(&root.join("demo-logs"), &place.join("demo-logs"))?;
    Ok(place)
}

fn copy(from: &Path, to: &Path) -> Result<(), String> {
    let failed = |error: std::io::Error| format!("{}: {error}", from.display());
    if !from.is_dir() {
        to.parent().map_or(Ok(()), std::fs::create_dir_all).map_err(failed)?;
        return std::fs::copy(from, to).map(|_| ()).map_err(failed);
    }
    for entry in std::fs::read_dir(from).map_err(failed)? {
        let entry = entry.map_err(failed)?;
        copy(&entry.path(), &to.join(entry.file_name()))?;
    }
    Ok(())
}

pub fn text(path: &Path) -> Result<String, String> {
    std::fs::read_to_string(path).map_err(|error| format!("{}: {error}", path.display()))
}

pub fn write(path: &Path, text: &str) -> Result<(), String> {
    let failed = |error: std::io::Error| format!("{}: {error}", path.display());
    path.parent().map_or(Ok(()), std::fs::create_dir_all).map_err(failed)?;
    std::fs::write(path, text).map_err(failed)
}

/// `count` names without one twice, by the keys that Splitmix64 gives them (G. L. Steele and others, OOPSLA 2014); 0: all.
fn drawn(names: &[String], count: usize, seed: u64) -> Vec<&String> {
    let mut state = seed;
    let mut key = || {
        state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (state ^ (state >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    };
    let keyed: BTreeMap<u64, &String> = names.iter().map(|name| (key(), name)).collect();
    keyed.into_values().take(if count == 0 { usize::MAX } else { count }).collect()
}

/// Interval of a share at 95 % (E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209).
fn wilson(hits: f64, trials: f64) -> [f64; 2] {
    let z = 1.959_964;
    let centre = (hits + 0.5 * z * z) / (trials + z * z);
    let half = z / (trials + z * z) * (hits * (trials - hits) / trials + 0.25 * z * z).sqrt();
    [centre - half, centre + half]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// R. G. Newcombe, Stat. Med. 17 (1998) 857, table I: 81 of 263 and 15 of 148 (from memory).
    #[test]
    fn intervals_are_those_of_the_printed_examples() {
        for (hits, trials, low, high) in [(81.0, 263.0, 0.2553, 0.3662), (15.0, 148.0, 0.0624, 0.1605)] {
            let got = wilson(hits, trials);
            assert!((got[0] - low).abs() < 1e-4 && (got[1] - high).abs() < 1e-4, "{got:?}");
        }
    }

    #[test]
    fn a_sample_has_no_name_twice_and_is_the_same_again() {
        let names: Vec<String> = (0..50).map(|k| k.to_string()).collect();
        let first = drawn(&names, 20, 7);
        assert_eq!(first, drawn(&names, 20, 7));
        assert_ne!(first, drawn(&names, 20, 8));
        let apart: std::collections::BTreeSet<_> = first.iter().collect();
        assert_eq!((apart.len(), drawn(&names, 0, 7).len()), (20, 50));
    }
}
