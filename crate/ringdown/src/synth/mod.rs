//! The demo engine with its truth: the Alder Valley hill-climb car. Bit-identical native and in wasm: transcendental
//! functions come from `libm`.

/// One file of the demo.
#[derive(Debug, Clone)]
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
#[allow(missing_docs)]
pub enum Evening {
    One,
    Two,
    Three,
    Stranger,
}

/// Makes one evening's files step by step, so that a page stays alive.
pub struct Demo {}

impl Demo {
    /// The files of one evening: sheet, recordings, logs, truth.
    pub fn new(_evening: Evening) -> Demo {
        todo!("synth")
    }
    /// Works on for about 100 ms of signal per call; returns the share done.
    pub fn step(&mut self) -> crate::progress::Progress {
        todo!("synth")
    }
    /// All files, once done. Each: NAME.wav with NAME.truth.json (`events[] {t_s, cylinder, rpm, knock}`), logs, sheet.
    pub fn finish(self) -> Vec<DemoFile> {
        todo!("synth")
    }
}
