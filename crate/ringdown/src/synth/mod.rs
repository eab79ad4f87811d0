//! The demo engine with its truth: the Alder Valley hill-climb car. Invented data, for demos only.
//!
//! Bit-identical native and in wasm: nothing but `+ - * /`, square roots and the `libm` crate's functions, random
//! numbers of its own, no order that depends on a hash.

mod cycle;
mod engine;
mod impacts;
mod log;
mod noise;
mod random;
mod ringing;
mod run;
mod sensor;
mod story;
mod truth;
mod wav;
mod wheel;

use crate::progress::Progress;
use run::Run;
use truth::{Kept, SHEET, SHEET_NAME};

/// One file of the demo.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DemoFile {
    /// File name.
    pub name: String,
    /// Bytes.
    pub bytes: Vec<u8>,
    /// What the sample button gives it as role: `safe`, `knock`, `before`, ... ; `None` for sheet, log and truth.
    pub role: Option<&'static str>,
}

/// Which part of the story.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Evening {
    /// Sensor 2 on a bracket that rings on its own; role `before`.
    One,
    /// Both sensors on the block, no knock; role `safe`.
    Two,
    /// Light knock provoked by a sweep of ignition; role `knock`.
    Three,
    /// A tuned sensor and a log in another dialect, no sheet.
    Stranger,
}

impl Evening {
    /// All, in the story's order.
    pub const ALL: [Evening; 4] = [Evening::One, Evening::Two, Evening::Three, Evening::Stranger];
}

/// All files of the folder `demo-logs/` but its README: excerpts with their truth, whole logs, the sheet, one card.
pub fn demo_logs() -> Vec<DemoFile> {
    let mut files: Vec<DemoFile> = Vec::new();
    for file in Evening::ALL.into_iter().flat_map(|evening| Demo::excerpt(evening).finish()) {
        if files.iter().all(|present| present.name != file.name) {
            files.push(file);
        }
    }
    files
}

/// Signal made in one step, as a share of a second.
const STEPS_PER_S: u64 = 10;

/// Makes one evening's files step by step, so that a page stays alive.
pub struct Demo {
    run: Run,
    /// `-excerpt` or nothing.
    suffix: &'static str,
    with_sheet: bool,
}

impl Demo {
    /// One evening in full: recording, truth, log; the sheet with it (not for the stranger), and for the third evening
    /// the card with its marks and its labels by ear.
    pub fn new(evening: Evening) -> Demo {
        Demo { run: Run::new(story::plan(evening), None), suffix: "", with_sheet: evening != Evening::Stranger }
    }

    /// The same, but the recording, its truth and its card hold about 8 s only and are named `NAME-excerpt`; the log
    /// is whole. The excerpt's samples are those of the full recording.
    pub fn excerpt(evening: Evening) -> Demo {
        let plan = story::plan(evening);
        let kept_s = Some(plan.excerpt_s);
        Demo { run: Run::new(plan, kept_s), suffix: "-excerpt", with_sheet: evening != Evening::Stranger }
    }

    /// Works on for 100 ms of signal; returns the share done.
    pub fn step(&mut self) -> Progress {
        let frames = u64::from(self.run.plan.rate_hz) / STEPS_PER_S;
        let more = self.run.advance(frames);
        Progress { share: self.run.share(), done: !more }
    }

    /// All files. Called early, it works through to the end first.
    pub fn finish(mut self) -> Vec<DemoFile> {
        while !self.step().done {}
        let outcome = self.run.finish();
        let name = format!("{}{}", outcome.plan.name, self.suffix);
        let log_name = format!("{}.csv", outcome.plan.name);
        let kept = Kept {
            plan: &outcome.plan,
            name: &name,
            log_name: &log_name,
            from_s: outcome.from_s,
            to_s: outcome.to_s,
            events: &outcome.events,
        };
        let role = outcome.plan.role;
        let file = |name: String, bytes: Vec<u8>| DemoFile { name, bytes, role: None };
        let mut files = Vec::new();
        if self.with_sheet {
            files.push(file(SHEET_NAME.to_owned(), SHEET.as_bytes().to_vec()));
        }
        let card = kept.card(&outcome.wav).map(|card| file(format!("{name}.card.json"), card));
        let truth = file(format!("{name}.truth.json"), kept.truth());
        files.push(DemoFile { name: format!("{name}.wav"), bytes: outcome.wav, role });
        files.push(truth);
        files.push(file(log_name, outcome.log));
        files.extend(card);
        files
    }
}
