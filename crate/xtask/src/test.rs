//! `test`: everything that must hold, cheapest first; ends at the first step that fails, and what runs beside it.

use std::path::PathBuf;
use std::process::Command;
use std::thread;
use std::time::Instant;

use crate::tally::{self, Tally};
use crate::{dist, long, shell, tidy, tools};

/// What `test` was asked for.
#[derive(Debug, Default, PartialEq)]
pub struct Options {
    /// The slow checks too.
    long: bool,
    no_browser: bool,
}

impl Options {
    /// From the words after the verb.
    pub fn parse(words: &[String]) -> Result<Self, String> {
        let mut options = Self::default();
        for word in words {
            match word.as_str() {
                "--long" => options.long = true,
                "--no-browser" => options.no_browser = true,
                other => return Err(crate::unknown_option(other)),
            }
        }
        Ok(options)
    }
}

/// Outcome of one step: what it counted, and the sentence if it failed.
type Outcome = (Tally, Result<(), String>);
type Step<'a> = (&'a str, Box<dyn Fn() -> Outcome + Send + 'a>);
/// Steps one after the other.
type Lane<'a> = Vec<Step<'a>>;

/// Runs the steps; the last line is `N passed, M failed` either way.
pub fn run(options: &Options) -> Result<(), String> {
    let start = Instant::now();
    let mut sum = Tally::default();
    let mut end = Ok(());
    for lanes in [vec![before()], vec![core(options), page()], vec![whole(options)]] {
        for (tally, outcome) in side_by_side(lanes) {
            sum += tally;
            end = end.and(outcome);
        }
        if end.is_err() {
            break;
        }
    }
    println!("\nin {:.0} s", start.elapsed().as_secs_f64());
    if let Err(why) = &end {
        println!("{why}");
    }
    println!("{} passed, {} failed", sum.passed, sum.failed);
    end
}

/// One compiler often keeps one core busy only: another lane has use for the rest.
fn side_by_side(lanes: Vec<Lane<'_>>) -> Vec<Outcome> {
    thread::scope(|scope| {
        let running: Vec<_> = lanes.into_iter().map(|lane| scope.spawn(move || in_turn(lane))).collect();
        let lost = |_| (Tally { failed: 1, ..Tally::default() }, Err("a step ended without a word".into()));
        running.into_iter().map(|lane| lane.join().unwrap_or_else(lost)).collect()
    })
}

fn in_turn(lane: Lane<'_>) -> Outcome {
    let mut sum = Tally::default();
    for (name, step) in lane {
        println!("\n== {name}");
        let begun = Instant::now();
        let (tally, outcome) = step();
        sum += tally;
        let took_s = begun.elapsed().as_secs_f64();
        if let Err(why) = outcome {
            println!("-- {name}: failed after {took_s:.1} s");
            sum.failed = sum.failed.max(1);
            return (sum, Err(format!("stopped at \"{name}\": {why}")));
        }
        println!("-- {name}: {took_s:.1} s");
    }
    (sum, Ok(()))
}

fn check<'a>(name: &'a str, step: fn() -> Result<(), String>) -> Step<'a> {
    (name, Box::new(move || one(step())))
}

/// What takes no time to speak of, and the lints.
fn before() -> Lane<'static> {
    vec![
        check("tools", tools_present),
        check("format", || shell::run(shell::cargo().args(["fmt", "--all", "--check"]))),
        ("tidy", Box::new(house_rules)),
        check("lints", || lints(&["--workspace", "--all-targets"])),
        check("lints of the page's module", || {
            lints(&["--package", "ringdown-web", "--target", "wasm32-unknown-unknown"])
        }),
    ]
}

fn core(options: &Options) -> Lane<'_> {
    vec![
        ("tests", Box::new(|| cargo_test(options, &["--workspace", "--exclude", "xtask"]))),
        // In the profile xtask runs in, so that its dependencies are compiled once.
        ("tests of xtask", Box::new(|| cargo_test(options, &["--package", "xtask", "--profile", "tool"]))),
    ]
}

fn page() -> Lane<'static> {
    vec![
        check("page", dist::run),
        check("browser tools", || {
            shell::run(shell::npm().args(["ci", "--ignore-scripts"]).current_dir(browser_tests()))
        }),
        check("known weaknesses of the browser tools", audit),
        check("types of the page", || types("www/tsconfig.json")),
        check("types of the module's glue", || types("tests/browser/glue/tsconfig.json")),
        check("types of the browser tests", || types("tests/browser/tsconfig.json")),
    ]
}

/// The page as its user sees it, and what is slow.
fn whole(options: &Options) -> Lane<'_> {
    let mut lane: Lane<'_> = Vec::new();
    if !options.no_browser {
        lane.push(("browser tests", Box::new(|| browser_test(options, &[]))));
    }
    if options.long {
        lane.extend(long::STEPS.iter().map(|(name, step)| check(name, *step)));
    }
    if options.long && !options.no_browser && tools::can_be_alone() {
        lane.push(("browser tests without a network", Box::new(|| browser_test(options, tools::ALONE))));
    }
    lane
}

/// A step that is a single check.
fn one(outcome: Result<(), String>) -> Outcome {
    let passed = u32::from(outcome.is_ok());
    (Tally { passed, failed: 1 - passed, left_out: 0 }, outcome)
}

fn tools_present() -> Result<(), String> {
    tools::need_judges()?;
    tools::need_wasm_target()?;
    tools::need_node()
}

fn house_rules() -> Outcome {
    let broken = tidy::offences();
    for offence in broken.iter().flat_map(|(_, offences)| offences) {
        println!("{offence}");
    }
    let failed = broken.iter().filter(|(_, offences)| !offences.is_empty()).count();
    let count = |rules: usize| u32::try_from(rules).unwrap_or(u32::MAX);
    let tally = Tally { passed: count(broken.len() - failed), failed: count(failed), left_out: 0 };
    let outcome = if failed == 0 { Ok(()) } else { Err("the lines above break the house rules".into()) };
    (tally, outcome)
}

fn lints(which: &[&str]) -> Result<(), String> {
    shell::run(shell::cargo().arg("clippy").args(which).args(["--", "--deny", "warnings"]))
}

fn cargo_test(options: &Options, which: &[&str]) -> Outcome {
    let mut cargo = shell::cargo();
    counted(long(options, cargo.arg("test").args(which)), tally::of_cargo)
}

fn types(project: &str) -> Result<(), String> {
    shell::run(shell::command("node").args(["tests/browser/node_modules/typescript/bin/tsc", "--project", project]))
}

/// Where the registry knows of weaknesses, none may be known; one that does not answer proves nothing, and that is said.
fn audit() -> Result<(), String> {
    let told = shell::npm().arg("audit").current_dir(browser_tests()).output();
    let told = told.map_err(|error| format!("npm could not be started: {error}"))?;
    let text = String::from_utf8_lossy(&[told.stdout, told.stderr].concat()).into_owned();
    if told.status.success() {
        return Ok(());
    }
    let unanswered = ["audit endpoint returned an error", "ENOTFOUND", "EAI_AGAIN", "ECONNREFUSED", "ETIMEDOUT"];
    if unanswered.iter().any(|sign| text.contains(sign)) {
        println!("the registry does not answer questions about weaknesses: not checked");
        return Ok(());
    }
    Err(text)
}

/// `before`: words put before the command, to run it elsewhere.
fn browser_test(options: &Options, before: &[&str]) -> Outcome {
    let (browser, files) = match tools::need_chromium().and_then(|browser| Ok((browser, browser_test_files()?))) {
        Ok(found) => found,
        Err(why) => return one(Err(why)),
    };
    let firefox = match tools::need_firefox().and_then(|firefox| tools::need_pdftotext().map(|()| firefox)) {
        Ok(found) => found,
        Err(why) => return one(Err(why)),
    };
    let words: Vec<&str> = before.iter().copied().chain(["node"]).collect();
    let mut node = shell::command(words[0]);
    node.args(&words[1..]).args(["--test", "--test-reporter=spec", "--test-concurrency=2"]).args(files);
    node.env("NO_COLOR", "1").env("CHROMIUM", browser).env("FIREFOX", firefox);
    if let Ok(xtask) = std::env::current_exe() {
        node.env("XTASK", xtask);
    }
    counted(long(options, &mut node), tally::of_node)
}

fn long<'a>(options: &Options, command: &'a mut Command) -> &'a mut Command {
    if options.long { command.env("RINGDOWN_LONG", "1") } else { command.env_remove("RINGDOWN_LONG") }
}

/// A runner that counts its own tests. One that ran none, or left some out, has not done its work.
fn counted(command: &mut Command, count: fn(&str) -> Tally) -> Outcome {
    let (output, outcome) = shell::run_and_keep(command);
    let tally = count(&output);
    let outcome = outcome.and_then(|()| match tally {
        Tally { passed: 0, .. } => Err("no test ran".into()),
        Tally { left_out: 1.., .. } => Err(format!("{} tests were left out", tally.left_out)),
        _ => Ok(()),
    });
    (tally, outcome)
}

fn browser_tests() -> PathBuf {
    shell::root().join("tests").join("browser")
}

fn browser_test_files() -> Result<Vec<PathBuf>, String> {
    let folder = browser_tests();
    let entries = std::fs::read_dir(&folder).map_err(|error| format!("{}: {error}", folder.display()))?;
    let mut files: Vec<PathBuf> = entries.filter_map(|entry| Some(entry.ok()?.path())).collect();
    files.retain(|file| file.to_string_lossy().ends_with(".test.mjs"));
    files.sort();
    if files.is_empty() { Err("tests/browser holds no *.test.mjs".into()) } else { Ok(files) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn options_are_read_and_unknown_ones_are_named() {
        let parsed = |line: &str| Options::parse(&line.split_whitespace().map(str::to_owned).collect::<Vec<_>>());
        assert_eq!(parsed(""), Ok(Options::default()));
        assert_eq!(parsed("--no-browser --long"), Ok(Options { long: true, no_browser: true }));
        assert!(parsed("--lnog").unwrap_err().contains("`--lnog`"));
    }
}
