//! Files from disk onto the card, and the card's work with a progress bar.

use crate::args::RoleOf;
use indicatif::{ProgressBar, ProgressStyle};
use ringdown::card::{Card, Input};
use ringdown::read::{Source, Told};
use ringdown::synth::{Demo, Evening};
use std::fs::File;
use std::io::IsTerminal;
use std::path::Path;

/// The sheet or card named by an option; true if one can't be read.
pub fn add_first(card: &mut Card, sheet: Option<&Path>, saved: Option<&Path>) -> bool {
    sheet.into_iter().chain(saved).fold(false, |unreadable, path| !add(card, path, None) | unreadable)
}

/// All files; each that can't be read gets its line on standard error and the others go on. True if any can't.
pub fn add_all(card: &mut Card, paths: &[impl AsRef<Path>], roles: Option<&[RoleOf]>) -> bool {
    let mut unreadable = false;
    for path in paths {
        let path = path.as_ref();
        let role = roles.unwrap_or_default().iter().find(|role| role.is_for(path));
        unreadable |= !add(card, path, role);
    }
    unreadable
}

fn add(card: &mut Card, path: &Path, role: Option<&RoleOf>) -> bool {
    let name = path.file_name().map_or_else(|| path.display().to_string(), |name| name.to_string_lossy().into_owned());
    let metadata = match std::fs::metadata(path) {
        Ok(metadata) if metadata.is_file() => metadata,
        Ok(_) => {
            eprintln!("{name}: is not a file; name the files in it");
            return false;
        }
        Err(error) => {
            eprintln!("{name}: could not be read ({error}); check the path and the permissions");
            return false;
        }
    };
    let owned = path.to_path_buf();
    let open = move || File::open(&owned).map(|file| Box::new(file) as Box<dyn Source>);
    let input = Input { name, bytes: metadata.len(), open: Box::new(open), told: Told::default() };
    match card.add(input, role.map(|role| role.role)) {
        Ok(_) => true,
        Err(error) => {
            eprintln!("{error}");
            false
        }
    }
}

/// Works the card to its end; progress only where standard error is a terminal.
pub fn work(card: &mut Card) {
    let bar = std::io::stderr().is_terminal().then(|| {
        let style = ProgressStyle::with_template("{bar:40} {percent} % {eta} left")
            .unwrap_or_else(|_| ProgressStyle::default_bar());
        ProgressBar::new(1000).with_style(style)
    });
    loop {
        let step = card.step();
        if let Some(bar) = &bar {
            bar.set_position((1000.0 * step.progress.share) as u64);
        }
        if step.progress.done {
            break;
        }
    }
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
