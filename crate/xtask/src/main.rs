//! `cargo xtask <verb>`: builds, serves and tests Ringdown. One verb a file.

mod bench;
mod build;
mod checks;
mod dist;
mod long;
mod mutants;
mod open;
mod serve;
mod shell;
mod single;
mod switched;
mod tally;
mod test;
mod tidy;
mod tools;

use std::process::ExitCode;

const USAGE: &str = "\
usage: cargo xtask <verb>

  build                         the page (dist) and the native program `ringdown`
  dist                          the page: dist/site for any static server, dist/ringdown.html as one file
  open [--port N] [--no-browser] [--no-build]
                                dist, then serve it on 127.0.0.1 until interrupted
  test [--long] [--no-browser]  everything that must hold before a change is kept
  tidy                          the house rules alone
  bench [ITEM...]               times the work beside its peers, turn about; all items: writes tests/bench/RESULTS.md
  mutants PART [--sample N] [--seed N] [--only TEXT] [--minutes N]
                                changes stats, read or crank at N places and counts which the tests notice
  checks                        writes the table of checks in DEVELOPERS.md anew, with the figures of the last tests";

fn main() -> ExitCode {
    let args: Vec<String> = std::env::args().skip(1).collect();
    match run(&args) {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            eprintln!("{why}");
            ExitCode::FAILURE
        }
    }
}

fn run(args: &[String]) -> Result<(), String> {
    let (verb, rest) = args.split_first().ok_or(USAGE)?;
    match verb.as_str() {
        "build" => no_options(rest).and_then(|()| build::run()),
        "dist" => no_options(rest).and_then(|()| dist::run()),
        "open" => open::run(&open::Options::parse(rest)?),
        "test" => test::run(&test::Options::parse(rest)?),
        "bench" => bench::run(rest),
        "mutants" => mutants::run(&mutants::Options::parse(rest)?),
        "checks" => no_options(rest).and_then(|()| checks::run()),
        "tidy" => no_options(rest).and_then(|()| tidy::run()),
        "help" | "--help" | "-h" => {
            println!("{USAGE}");
            Ok(())
        }
        other => Err(format!("there is no verb `{other}`\n\n{USAGE}")),
    }
}

fn no_options(rest: &[String]) -> Result<(), String> {
    rest.first().map_or(Ok(()), |option| Err(unknown_option(option)))
}

/// The sentence for an option no verb knows.
fn unknown_option(option: &str) -> String {
    format!("there is no option `{option}` here\n\n{USAGE}")
}
