//! Many files, each on a card of its own: as many at a time as there are cores, a line of JSON each as soon as it is done.
//! A file whose line is there already is left out, so that what was stopped goes on where it was.

use crate::args::Analyse;
use crate::{UNREADABLE, WRONG_USE, card_of};
use rayon::prelude::*;
use ringdown::out::result;
use ringdown::read::Hasher;
use serde::Deserialize;
use serde_json::Value;
use std::collections::HashSet;
use std::fs::{File, OpenOptions};
use std::io::{BufRead, BufReader, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

/// Which file, how long it was, and how it was asked for: equal in all three, it need not be done again.
#[derive(Deserialize, PartialEq, Eq, Hash)]
struct Line {
    path: String,
    bytes: u64,
    asked: String,
}

/// Works through the files; returns the exit status.
pub fn run(args: &Analyse, out: &Path) -> u8 {
    let told = |error: std::io::Error| format!("{}: {error}", out.display());
    let opened = OpenOptions::new().read(true).append(true).create(true).open(out).map_err(told);
    let taken_up = opened.and_then(|mut file| {
        let done = lines(&mut file).map_err(told)?;
        Ok((file, done))
    });
    let (file, done) = match taken_up {
        Ok(taken_up) => taken_up,
        Err(why) => return complained(&why, UNREADABLE),
    };
    let asked = asked(args, out);
    let line_of = |path: &PathBuf| Line {
        path: path.display().to_string(),
        bytes: std::fs::metadata(path).map_or(0, |metadata| metadata.len()),
        asked: asked.clone(),
    };
    let left: Vec<(&PathBuf, Line)> =
        args.files.iter().map(|path| (path, line_of(path))).filter(|(_, line)| !done.contains(line)).collect();
    let file = Mutex::new(file);
    let alone = left.len() == 1;
    let work = |(path, line): (&PathBuf, Line)| -> u8 {
        let (text, is_whole) = match one(args, path, line, alone) {
            Ok(line) => line,
            Err(why) => return complained(&why, WRONG_USE),
        };
        let mut file = file.lock().unwrap_or_else(PoisonError::into_inner);
        match file.write_all(text.as_bytes()).and_then(|()| file.flush()) {
            Err(error) => complained(&told(error), UNREADABLE),
            Ok(()) if is_whole => 0,
            Ok(()) => UNREADABLE,
        }
    };
    let ended: Vec<u8> = left.into_par_iter().map(work).collect();
    if ended.contains(&WRONG_USE) { WRONG_USE } else { ended.into_iter().max().unwrap_or(0) }
}

fn complained(why: &str, status: u8) -> u8 {
    eprintln!("ringdown: {why}");
    status
}

/// The line of one file, and whether all of it could be read; `alone`: the other cores have nothing to do.
fn one(args: &Analyse, path: &PathBuf, line: Line, alone: bool) -> Result<(String, bool), String> {
    let (mut card, unreadable) = card_of(args, std::slice::from_ref(path))?;
    if alone {
        crate::helped::work(&mut card, std::slice::from_ref(path), |_| {});
    } else {
        while !card.step().progress.done {}
    }
    let mut all = result::result(&card);
    all["path"] = Value::from(line.path);
    all["bytes"] = Value::from(line.bytes);
    all["asked"] = Value::from(line.asked);
    all["unreadable"] = Value::from(unreadable);
    Ok((format!("{all}\n"), !unreadable))
}

/// What is written already; a line that was cut off is taken away.
fn lines(file: &mut File) -> std::io::Result<HashSet<Line>> {
    let (mut done, mut whole) = (HashSet::new(), 0);
    let mut reader = BufReader::new(&*file);
    let mut text = Vec::new();
    while reader.read_until(b'\n', &mut text)? > 0 && text.ends_with(b"\n") {
        whole += text.len() as u64;
        done.extend(serde_json::from_slice::<Line>(&text).ok());
        text.clear();
    }
    file.set_len(whole)?;
    file.seek(SeekFrom::End(0))?;
    Ok(done)
}

/// A hash of this version, of all that was asked for beside the files, and of the sheet or card.
fn asked(args: &Analyse, out: &Path) -> String {
    let mut hasher = Hasher::new();
    hasher.update(env!("CARGO_PKG_VERSION").as_bytes());
    let is_file = |word: &Path| word == out || args.files.iter().any(|file| file == word);
    for word in std::env::args_os().skip(1).map(PathBuf::from).filter(|word| !is_file(word)) {
        hasher.update(word.as_os_str().as_encoded_bytes());
        hasher.update(&[0]);
    }
    for named in args.sheet.iter().chain(&args.card) {
        hasher.update(&std::fs::read(named).unwrap_or_default());
    }
    hasher.finish()
}
