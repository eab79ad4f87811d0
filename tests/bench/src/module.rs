//! The same work as exports of a module, each for one worker of the bench page.

use ringdown::read::{Content, Told, halves::Halves};
use ringdown_web::file::BrowserFile;
use wasm_bindgen::prelude::*;
use web_sys::File;

/// Noise in the worker's own memory, made before the clock runs.
#[wasm_bindgen]
pub struct Noise {
    samples: Vec<f32>,
    levels_db: Vec<f32>,
}

#[wasm_bindgen]
impl Noise {
    /// `count` samples.
    #[wasm_bindgen(constructor)]
    pub fn new(count: usize, seed: u32) -> Noise {
        Noise { samples: crate::noise(count, u64::from(seed)), levels_db: Vec::new() }
    }

    /// Mean level of the spectrogram, dB.
    pub fn stft(&mut self) -> f64 {
        crate::spectrogram_mean_db(&self.samples, &mut self.levels_db)
    }

    /// Mean square in all bands, dB.
    pub fn bands(&self) -> f64 {
        crate::bands_db(&self.samples)
    }

    /// The same in single precision.
    pub fn bands_single(&self) -> f64 {
        crate::bands_single_db(&self.samples)
    }

    /// Cell found, and the mean score of all.
    pub fn search(&self) -> f64 {
        crate::search_score(&self.samples)
    }
}

fn opened(file: File) -> Result<Box<BrowserFile>, JsValue> {
    let changed_ms = file.last_modified();
    BrowserFile::open(file, changed_ms).map(Box::new).map_err(said)
}

fn said(error: impl std::fmt::Display) -> JsValue {
    JsValue::from_str(&error.to_string())
}

/// Sum of all values of a log.
#[wasm_bindgen]
pub fn log(file: File) -> Result<f64, JsValue> {
    crate::log_sum(opened(file)?).map_err(said)
}

/// The half of a log that one of two workers reads and joins with the other's, which comes from `Halved` of the page.
#[wasm_bindgen]
pub struct LogHalf {
    halves: Halves,
    file: File,
}

#[wasm_bindgen]
impl LogHalf {
    /// Looks at the head.
    #[wasm_bindgen(constructor)]
    pub fn new(file: File) -> Result<LogHalf, JsValue> {
        let halves = Halves::of("log.csv", opened(file.clone())?.as_mut(), &Told::default());
        Ok(LogHalf { halves: halves.ok_or_else(|| said("too short for two"))?, file })
    }

    /// Reads the first half.
    pub fn first(&mut self) -> Result<(), JsValue> {
        self.halves.read_first("log.csv", opened(self.file.clone())?.as_mut()).map_err(said)
    }

    /// Joins both; sum of all values.
    pub fn sum(self, pieces: Vec<js_sys::Uint8Array>) -> Result<f64, JsValue> {
        let second = pieces.into_iter().map(|piece| piece.to_vec());
        let content = self.halves.open("log.csv", opened(self.file)?, &Told::default(), second).map_err(said)?.value;
        match content {
            Content::Log(log) => Ok(crate::sum(&log)),
            _ => Err(said("no log")),
        }
    }
}

/// Mean square of all samples of a recording, or of one of so many parts of it.
#[wasm_bindgen]
pub fn wave(file: File, part: u32, of: u32) -> Result<f64, JsValue> {
    crate::wave_mean_square(opened(file)?, part, of).map_err(said)
}

/// Reads a file in pieces of 32 MiB and does nothing with them; returns its length.
#[wasm_bindgen]
pub fn bare(file: File) -> Result<f64, JsValue> {
    let mut source = opened(file)?;
    crate::bare_read(source.as_mut()).map(|bytes| bytes as f64).map_err(said)
}
