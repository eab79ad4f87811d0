//! Files from disk onto the card, and the card's work with a progress bar.

use crate::args::RoleOf;
use crate::told::Told;
use indicatif::{ProgressBar, ProgressStyle};
use ringdown::card::{Card, FileId, FileRole, Input};
use ringdown::error::Error;
use ringdown::read::{self, Content, Source};
use ringdown::synth::{Demo, Evening};
use std::fs::File;
use std::io::IsTerminal;
use std::path::{Path, PathBuf};

/// The sheet or card named by an option; true if one can't be read.
pub fn add_first(card: &mut Card, sheet: Option<&Path>, saved: Option<&Path>) -> bool {
    let named: Vec<&Path> = sheet.into_iter().chain(saved).collect();
    add_all(card, &named, &Told::default(), None)
}

/// All files, those of an archive each on its own; each that can't be read gets its line on standard error and the
/// others go on. True if any can't.
pub fn add_all(card: &mut Card, paths: &[impl AsRef<Path>], told: &Told, roles: Option<&[RoleOf]>) -> bool {
    let mut unreadable = false;
    let (mut run, mut run_role) = (Vec::new(), None);
    for path in paths {
        let path = path.as_ref();
        let role = roles.unwrap_or_default().iter().find(|role| role.is_for(path)).map(|role| role.role);
        let inputs = match input(path, told).and_then(|input| input.unpacked().map_err(|error| error.to_string())) {
            Ok(inputs) => inputs,
            Err(why) => {
                eprintln!("{why}");
                unreadable = true;
                continue;
            }
        };
        for input in inputs {
            if told.join.is_some() && is_recording(&input) {
                run.push(input);
                run_role = run_role.or(role);
            } else {
                unreadable |= complained(card.add(input, role));
            }
        }
    }
    match (told.join, run.is_empty()) {
        (Some(how), false) => unreadable | complained(card.add_joined(run, how.into(), run_role)),
        _ => unreadable,
    }
}

/// The files of one side of a comparison; true if any can't be read.
pub fn add_side(card: &mut Card, paths: &[PathBuf], told: &Told, role: FileRole) -> bool {
    let roles: Vec<RoleOf> =
        paths.iter().map(|path| RoleOf { file: path.to_string_lossy().into_owned(), role }).collect();
    add_all(card, paths, told, Some(&roles))
}

fn is_recording(input: &Input) -> bool {
    let opened = input.source().and_then(|source| read::open(&input.name, source, &input.told));
    opened.is_ok_and(|loaded| matches!(loaded.value, Content::Recording(_)))
}

/// One line on standard error for a file that was not taken.
fn complained(added: Result<FileId, Error>) -> bool {
    if let Err(error) = &added {
        eprintln!("{error}");
    }
    added.is_err()
}

/// One line for each file that is not the one a saved card means; true if there is any.
pub fn tell_refused(card: &Card) -> bool {
    for refused in card.refused_files() {
        let (here, wanted) = (&refused.sha256[..12], &refused.wanted[..12]);
        eprintln!(
            "{}: is not the file the card was made from (SHA-256 begins {here}, the card's {wanted}); \
             find that file, or leave its entry out of the card",
            refused.name
        );
    }
    !card.refused_files().is_empty()
}

fn input(path: &Path, told: &Told) -> Result<Input, String> {
    input_told(path, told.of(path))
}

/// A file as the core takes it, with what was said about it.
pub fn input_told(path: &Path, told: read::Told) -> Result<Input, String> {
    let name = path.file_name().map_or_else(|| path.display().to_string(), |name| name.to_string_lossy().into_owned());
    let metadata = match std::fs::metadata(path) {
        Ok(metadata) if metadata.is_file() => metadata,
        Ok(_) => return Err(format!("{name}: is not a file; name the files in it")),
        Err(error) => return Err(format!("{name}: could not be read ({error}); check the path and the permissions")),
    };
    let owned = path.to_path_buf();
    let open = move || File::open(&owned).map(|file| Box::new(file) as Box<dyn Source>);
    Ok(Input { name, bytes: metadata.len(), open: Box::new(open), told })
}

/// Works the card to its end; progress only where standard error is a terminal.
pub fn work(card: &mut Card, paths: &[PathBuf]) {
    let bar = std::io::stderr().is_terminal().then(|| {
        let style = ProgressStyle::with_template("{bar:40} {percent} % {eta} left")
            .unwrap_or_else(|_| ProgressStyle::default_bar());
        ProgressBar::new(1000).with_style(style)
    });
    crate::helped::work(card, paths, |share| {
        if let Some(bar) = &bar {
            bar.set_position((1000.0 * share) as u64);
        }
    });
    if let Some(bar) = bar {
        bar.finish_and_clear();
    }
}

/// Writes the demo; returns the exit status.
pub fn synth(dir: &Path, excerpts: bool) -> u8 {
    let write = || -> std::io::Result<()> {
        std::fs::create_dir_all(dir)?;
        for evening in Evening::ALL {
            let demo = if excerpts { Demo::excerpt(evening) } else { Demo::new(evening) };
            for file in demo.finish() {
                std::fs::write(dir.join(&file.name), &file.bytes)?;
                println!("{} ({} bytes)", file.name, file.bytes.len());
            }
        }
        Ok(())
    };
    match write() {
        Ok(()) => 0,
        Err(error) => {
            eprintln!("{}: could not be written ({error}); choose a folder you may write to", dir.display());
            super::UNREADABLE
        }
    }
}
