//! Several files of one run as one recording: parts that follow each other, or channels kept in a file each.

use super::samples::{Body, Coding, Form, Label, Planes, Samples};
use super::wave::Cue;
use crate::error::{Error, Kind, Loaded, Place};
use serde::{Deserialize, Serialize};

/// How the files of one run belong together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Join {
    /// One after the other, as a recorder splits at 2 or 4 GB; in order of name.
    After,
    /// Side by side, one file a channel (or a few); in order of name.
    Beside,
}

/// Files joined at most.
const MOST_FILES: usize = 256;
const MOST_CHANNELS: usize = 32;
const APART: &str = "drop them one by one, or only those that belong together";

/// Joins recordings, sorted by name (numbers in a name count as numbers).
///
/// # Errors
/// Fewer than two, different rates, different numbers of channels (after), different lengths (beside).
pub fn join(mut parts: Vec<Samples>, how: Join) -> Result<Loaded<Samples>, Error> {
    parts.sort_by_cached_key(|part| in_order(&part.name));
    let mut names: Vec<&str> = parts.iter().map(|part| part.name.as_str()).collect();
    names.dedup();
    let name = title(&names);
    let refused =
        |found: String, expected| Error::new(&name, Place::File, Kind::Malformed { found, expected, remedy: APART });
    let Some(first) = parts.first().filter(|_| (2..=MOST_FILES).contains(&parts.len())) else {
        return Err(refused(format!("{} files", parts.len()), "2 to 256 files of one run"));
    };
    let (rate, channels, frames) = (first.sample_rate_hz, first.channels, first.frames);
    let told = |part: &Samples| format!("{} with {} Hz, {} channels", part.name, part.sample_rate_hz, part.channels);
    if let Some(other) = parts.iter().find(|part| part.sample_rate_hz != rate) {
        return Err(refused(format!("{rate} Hz in {}, {}", first.name, told(other)), "one sampling rate"));
    }
    if let Some(other) = parts.iter().find(|part| how == Join::After && part.channels != channels) {
        return Err(refused(
            format!("{channels} channels in {}, {}", first.name, told(other)),
            "as many channels in each",
        ));
    }
    let longest = parts.iter().map(|part| part.frames).max().unwrap_or(frames);
    let shortest = parts.iter().map(|part| part.frames).min().unwrap_or(frames);
    // Recorders stop their files within a block of each other; a tenth of a second is far more than that.
    if how == Join::Beside && (longest - shortest) as f64 > 0.1 * rate {
        return Err(refused(format!("lengths of {shortest} to {longest} samples"), "channels of one length"));
    }
    let all: usize = parts.iter().map(|part| part.channels).sum();
    if how == Join::Beside && all > MOST_CHANNELS {
        return Err(refused(format!("{all} channels together"), "at most 32 channels"));
    }
    let mut notes = if how == Join::After { gaps(&name, &parts) } else { Vec::new() };
    if how == Join::Beside && longest > shortest {
        let what = format!("the files differ by {} samples; the surplus was left out", longest - shortest);
        notes.push(Error::new(&name, Place::File, Kind::Noted { what, remedy: "" }));
    }
    let what = match how {
        Join::After => format!("joined one after the other: {}", list(&parts)),
        Join::Beside => format!("joined side by side: {}", list(&parts)),
    };
    let remedy = "check the order; take the file off the card if it is wrong";
    notes.push(Error::new(&name, Place::File, Kind::Noted { what, remedy }));
    let value = joined(name, parts, how, shortest);
    Ok(Loaded { value, notes })
}

fn joined(name: String, parts: Vec<Samples>, how: Join, shortest: u64) -> Samples {
    let sum = |parts: &[Samples]| parts.iter().map(|part| part.frames).sum();
    let bits = parts.iter().map(|part| part.bits).max().unwrap_or(0);
    let step = parts.iter().filter_map(|part| part.step).max_by(f64::total_cmp);
    let first = parts.first();
    Samples {
        sample_rate_hz: first.map_or(0.0, |part| part.sample_rate_hz),
        channels: match how {
            Join::After => first.map_or(0, |part| part.channels),
            Join::Beside => parts.iter().map(|part| part.channels).sum(),
        },
        frames: if how == Join::After { sum(&parts) } else { shortest },
        form: first.map_or(Coding::Text.into(), |part| Form { files: parts.len(), ..part.form.clone() }),
        bits,
        step,
        cues: cues(&parts, how),
        labels: if how == Join::After {
            first.map(|part| part.labels.clone()).unwrap_or_default()
        } else {
            labels(&parts)
        },
        time_reference: first.and_then(|part| part.time_reference),
        name,
        body: match how {
            Join::After => Box::new(After { parts }),
            Join::Beside => Box::new(Beside { parts, planes: Planes::new() }),
        },
    }
}

/// Marks of all parts, counted from the start of the first.
fn cues(parts: &[Samples], how: Join) -> Vec<Cue> {
    let mut start = 0;
    let mut all = Vec::new();
    for part in parts {
        all.extend(part.cues.iter().map(|cue| Cue { frame: cue.frame + start, ..cue.clone() }));
        start += if how == Join::After { part.frames } else { 0 };
    }
    all.sort_by_key(|cue| cue.frame);
    all
}

/// Each channel named by its file where nothing else names it.
fn labels(parts: &[Samples]) -> Vec<Label> {
    let of = |part: &Samples| {
        let stem = part.name.rsplit_once('.').map_or(part.name.as_str(), |(stem, _)| stem).to_owned();
        (0..part.channels)
            .map(move |k| match (part.labels.get(k), part.channels) {
                (Some(label), _) => label.clone(),
                (None, 1) => Label { name: stem.clone(), ..Label::default() },
                (None, _) => Label { name: format!("{stem} {}", k + 1), ..Label::default() },
            })
            .collect::<Vec<_>>()
    };
    parts.iter().flat_map(of).collect()
}

/// Parts that by the recorder's own clock do not follow each other without a gap.
fn gaps(name: &str, parts: &[Samples]) -> Vec<Error> {
    let gap = |pair: &[Samples]| {
        let [before, after] = pair else { return None };
        let end = before.time_reference? + before.frames;
        let apart = after.time_reference?.abs_diff(end);
        let what = format!(
            "by the recorder's clock {} does not start where {} ends ({apart} samples apart)",
            after.name, before.name
        );
        let remedy = "check the order and whether a file is missing";
        (apart > 0).then(|| Error::new(name, Place::File, Kind::Noted { what, remedy }))
    };
    parts.windows(2).filter_map(gap).collect()
}

fn list(parts: &[Samples]) -> String {
    let one = |part: &Samples| format!("{} ({} samples)", part.name, part.frames);
    parts.iter().map(one).collect::<Vec<_>>().join(", ")
}

/// "take_001.wav + 2".
fn title(names: &[&str]) -> String {
    match names {
        [] => "no file".to_owned(),
        [one] => (*one).to_owned(),
        [one, rest @ ..] => format!("{one} + {}", rest.len()),
    }
}

/// A key that sorts "take 2" before "take 10".
fn in_order(name: &str) -> Vec<(String, u64)> {
    let mut key = Vec::new();
    let mut rest = name;
    while !rest.is_empty() {
        let word = rest.find(|c: char| c.is_ascii_digit()).unwrap_or(rest.len());
        let (text, after) = rest.split_at(word);
        let digits = after.find(|c: char| !c.is_ascii_digit()).unwrap_or(after.len());
        let (number, after) = after.split_at(digits);
        key.push((text.to_lowercase(), number.parse().unwrap_or(u64::MAX)));
        rest = after;
    }
    key
}

struct After {
    parts: Vec<Samples>,
}

impl Body for After {
    fn fill(&mut self, first: u64, count: usize, planes: &mut Planes) -> Result<(), Error> {
        let (mut start, mut done) = (0, 0);
        let mut piece = Planes::new();
        for part in &mut self.parts {
            let wanted = first + done as u64;
            if done < count && wanted < start + part.frames {
                let got = part.read(wanted - start, count - done, &mut piece)?;
                for (out, from) in planes.iter_mut().zip(&piece) {
                    out.iter_mut().skip(done).zip(from).for_each(|(out, value)| *out = *value);
                }
                done += got;
            }
            start += part.frames;
        }
        Ok(())
    }

    fn non_finite(&self) -> u64 {
        self.parts.iter().map(Samples::non_finite).sum()
    }
}

struct Beside {
    parts: Vec<Samples>,
    planes: Planes,
}

impl Body for Beside {
    fn fill(&mut self, first: u64, count: usize, planes: &mut Planes) -> Result<(), Error> {
        let mut out = planes.iter_mut();
        for part in &mut self.parts {
            part.read(first, count, &mut self.planes)?;
            out.by_ref().zip(&mut self.planes).for_each(|(out, plane)| std::mem::swap(out, plane));
        }
        Ok(())
    }

    fn non_finite(&self) -> u64 {
        self.parts.iter().map(Samples::non_finite).sum()
    }
}
