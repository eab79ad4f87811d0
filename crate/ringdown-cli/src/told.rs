//! Options that say about a file what the file itself does not.

use clap::{Args as Group, ValueEnum};
use ringdown::card::Join;
use ringdown::read::Told as OfFile;
use ringdown::read::raw::{RawForm, RawWord};
use std::path::Path;
use std::str::FromStr;

/// What is told about the files given.
#[derive(Group, Default)]
pub struct Told {
    /// Samples without a header: rate in Hz, channels, word (u8, s8, s16le, s16be, s24le, s24be, s32le, s32be, f32le,
    /// f32be, f64le, f64be), bytes to skip.
    #[arg(long, value_name = "FILE=HZ,CHANNELS,WORD[,SKIP]")]
    raw: Vec<Of<Raw>>,
    /// Rows a second of a log without a time column.
    #[arg(long, value_name = "FILE=HZ")]
    log_rate: Vec<Of<Rate>>,
    /// The recordings given are one run: files that follow each other, or a file for each channel; in order of name.
    #[arg(long, value_name = "HOW")]
    pub join: Option<How>,
}

/// How files belong together.
#[derive(Clone, Copy, ValueEnum)]
pub enum How {
    /// One after the other.
    After,
    /// Side by side.
    Beside,
}

impl From<How> for Join {
    fn from(how: How) -> Join {
        match how {
            How::After => Join::After,
            How::Beside => Join::Beside,
        }
    }
}

/// Something said about one file.
#[derive(Clone)]
struct Of<T> {
    file: String,
    value: T,
}

impl<T: FromStr<Err = String>> FromStr for Of<T> {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let (file, value) = text.rsplit_once('=').ok_or("expected FILE=...")?;
        Ok(Self { file: file.into(), value: value.parse()? })
    }
}

#[derive(Clone)]
struct Raw(RawForm);

impl FromStr for Raw {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let parts: Vec<&str> = text.split(',').collect();
        let [rate, channels, word, skip @ ..] = parts.as_slice() else {
            return Err("expected HZ,CHANNELS,WORD, for example 48000,2,s16le".into());
        };
        let sample_rate_hz = rate.parse().map_err(|_| format!("{rate} is no rate in Hz"))?;
        let channels = channels.parse().map_err(|_| format!("{channels} is no number of channels"))?;
        let known = RawWord::ALL.map(RawWord::name).join(", ");
        let word = RawWord::named(word).ok_or_else(|| format!("{word} is none of {known}"))?;
        let skip = match skip {
            [] => 0,
            [skip, ..] => skip.parse().map_err(|_| format!("{skip} is no number of bytes"))?,
        };
        Ok(Self(RawForm { sample_rate_hz, channels, word, skip }))
    }
}

#[derive(Clone)]
struct Rate(f64);

impl FromStr for Rate {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let rate: f64 = text.parse().map_err(|_| format!("{text} is no rate in Hz"))?;
        if rate > 0.0 && rate.is_finite() { Ok(Self(rate)) } else { Err(format!("{text} is no rate above 0 Hz")) }
    }
}

impl Told {
    /// What is told about one file.
    pub fn of(&self, path: &Path) -> OfFile {
        let raw = self.raw.iter().find(|of| is_for(&of.file, path)).map(|of| of.value.0);
        let log_rate_hz = self.log_rate.iter().find(|of| is_for(&of.file, path)).map(|of| of.value.0);
        OfFile { raw, log_rate_hz, packed_bytes: None }
    }

    /// The first option that speaks of a file that is not among `files`.
    ///
    /// # Errors
    /// One sentence that names the option.
    pub fn check<P: AsRef<Path>>(&self, files: &[P]) -> Result<(), String> {
        let absent = |name: &str| !files.iter().any(|file| is_for(name, file.as_ref()));
        let raw = self.raw.iter().map(|of| ("--raw", &of.file));
        let rates = self.log_rate.iter().map(|of| ("--log-rate", &of.file));
        match raw.chain(rates).find(|(_, file)| absent(file)) {
            Some((option, file)) => Err(format!("{option} {file}: no such file among those given")),
            None => Ok(()),
        }
    }
}

/// Whether `path` is meant by `name`, as a path or by its last part.
pub fn is_for(name: &str, path: &Path) -> bool {
    Path::new(name) == path || path.file_name().is_some_and(|last| *last == *name)
}
