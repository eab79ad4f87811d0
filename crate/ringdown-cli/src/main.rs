//! `ringdown`: the native twin of the page. Same core, same steps, same numbers.

mod args;
mod batch;
mod files;
mod helped;
mod report;
mod told;

use clap::Parser;
use ringdown::card::{Card, FileRole};
use std::path::PathBuf;
use std::process::ExitCode;

/// Exit status: wrong use (clap uses the same).
const WRONG_USE: u8 = 2;
/// Exit status: a file can't be read.
const UNREADABLE: u8 = 3;
/// Exit status: nothing could be computed.
const NOTHING: u8 = 4;

fn main() -> ExitCode {
    let status = match args::Args::parse().command {
        args::Command::Inspect(inspect) => run_inspect(&inspect),
        args::Command::Analyse(analyse) => run_analyse(&analyse),
        args::Command::Compare(compare) => run_compare(&compare),
        args::Command::Synth(synth) => files::synth(&synth.dir, synth.excerpts),
    };
    ExitCode::from(status)
}

fn run_inspect(args: &args::Inspect) -> u8 {
    if let Err(wrong) = args.told.check(&args.files) {
        eprintln!("ringdown: {wrong}");
        return WRONG_USE;
    }
    let mut card = Card::default();
    let unreadable = files::add_all(&mut card, &args.files, &args.told, None);
    files::work(&mut card, &args.files);
    let written = report::inspect(&card, args.json.as_deref());
    status(unreadable, written, card.files().is_empty())
}

fn run_analyse(args: &args::Analyse) -> u8 {
    if let Err(wrong) = args.check() {
        eprintln!("ringdown: {wrong}");
        return WRONG_USE;
    }
    if let Some(out) = &args.lines {
        return batch::run(args, out);
    }
    let (mut card, mut unreadable) = match card_of(args, &args.files) {
        Ok(found) => found,
        Err(wrong) => {
            eprintln!("ringdown: {wrong}");
            return WRONG_USE;
        }
    };
    files::work(&mut card, &args.files);
    unreadable |= files::tell_refused(&card);
    let written = report::analyse(&card, args.json.as_deref(), args.limits.as_deref());
    let nothing = card.modes().is_none() && card.recordings().next().is_none() && card.logs().next().is_none();
    status(unreadable, written, nothing)
}

/// A card with the files on it and all that is asked for, and whether any can't be read.
fn card_of(args: &args::Analyse, paths: &[PathBuf]) -> Result<(Card, bool), String> {
    let mut card = Card::default();
    let mut unreadable = files::add_first(&mut card, args.sheet.as_deref(), args.card.as_deref());
    unreadable |= files::add_all(&mut card, paths, &args.told, Some(&args.role));
    // After all files: a card among them brings choices, and what is asked for here stands over them.
    card.choose(args.choices(card.choices().clone())).map_err(|wrong| args::in_words(&wrong))?;
    if args.no_search {
        card.leave_search();
    }
    Ok((card, unreadable))
}

fn run_compare(args: &args::Compare) -> u8 {
    let all: Vec<_> = args.before.iter().chain(&args.after).cloned().collect();
    if let Err(wrong) = args.told.check(&all) {
        eprintln!("ringdown: {wrong}");
        return WRONG_USE;
    }
    let mut card = Card::default();
    if let Err(wrong) = card.choose(args.choices()) {
        eprintln!("ringdown: {}", args::in_words(&wrong));
        return WRONG_USE;
    }
    let mut unreadable = files::add_first(&mut card, args.sheet.as_deref(), None);
    unreadable |= files::add_side(&mut card, &args.before, &args.told, FileRole::Before);
    unreadable |= files::add_side(&mut card, &args.after, &args.told, FileRole::After);
    files::work(&mut card, &all);
    let written = report::compare(&card, args.json.as_deref());
    status(unreadable, written, card.comparison().is_none())
}

/// A file that can't be read or written weighs more than having nothing to compute.
fn status(unreadable: bool, written: Result<(), String>, nothing: bool) -> u8 {
    if let Err(wrong) = written {
        eprintln!("ringdown: {wrong}");
        return UNREADABLE;
    }
    match (unreadable, nothing) {
        (true, _) => UNREADABLE,
        (false, true) => NOTHING,
        _ => 0,
    }
}
