//! What can be asked for on the command line.

use crate::told::{Told, is_for};
use clap::{Args as Group, Parser, Subcommand};
use ringdown::card::{Choices, Feature, FileRole};
use ringdown::error::{Error, Place};
use std::path::{Path, PathBuf};

/// Knock-sensor recordings and control-unit logs: from file to findings and limits.
#[derive(Parser)]
#[command(version, about)]
pub struct Args {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The verbs.
#[derive(Subcommand)]
pub enum Command {
    /// Say what is in each file.
    Inspect(Inspect),
    /// Work out the whole card; recordings and logs together.
    Analyse(Analyse),
    /// Say what differs between before and after, at the same speeds and loads.
    Compare(Compare),
    /// Write the demo files with their truth.
    Synth(Synth),
}

/// Arguments of `inspect`.
#[derive(Group)]
pub struct Inspect {
    /// Recordings, logs, sheets, cards.
    #[arg(required = true)]
    pub files: Vec<PathBuf>,
    /// Write the result as JSON; `-` is standard output.
    #[arg(long, value_name = "OUT")]
    pub json: Option<PathBuf>,
    /// What the files do not say themselves.
    #[command(flatten)]
    pub told: Told,
}

/// Arguments of `analyse`.
#[derive(Group)]
pub struct Analyse {
    /// Recordings, logs, sheets, cards.
    #[arg(required = true)]
    pub files: Vec<PathBuf>,
    /// What the files do not say themselves.
    #[command(flatten)]
    pub told: Told,
    /// Engine sheet.
    #[arg(long, conflicts_with = "card")]
    pub sheet: Option<PathBuf>,
    /// Saved card: sheet, roles, labels, choices.
    #[arg(long)]
    pub card: Option<PathBuf>,
    /// Write the result as JSON; `-` is standard output.
    #[arg(long, value_name = "OUT")]
    pub json: Option<PathBuf>,
    /// Each file on a card of its own, all cores at work: adds a line of JSON a file, and leaves out those that have one.
    #[arg(long, value_name = "OUT", conflicts_with_all = ["json", "limits"])]
    pub lines: Option<PathBuf>,
    /// Role of a file: safe, knock, before, after, engine-off, listen.
    #[arg(long, value_name = "FILE=ROLE")]
    pub role: Vec<RoleOf>,
    /// Band edges.
    #[arg(long, num_args = 2, value_names = ["LO_HZ", "HI_HZ"])]
    pub band: Option<Vec<f64>>,
    /// Window after firing TDC, degrees.
    #[arg(long, num_args = 2, value_names = ["START", "END"], allow_negative_numbers = true)]
    pub window: Option<Vec<f64>>,
    /// What is measured in them: energy (mean square), peak (largest square), ratio (to a window before combustion).
    #[arg(long, value_name = "FEATURE")]
    pub feature: Option<String>,
    /// Where band and window are given: no search for better ones.
    #[arg(long)]
    pub no_search: bool,
    /// False alarms per combustion event (recordings) or sample (logs).
    #[arg(long, value_name = "P")]
    pub false_alarm: Option<f64>,
    /// Confidence that the limit holds that rate.
    #[arg(long, value_name = "C")]
    pub confidence: Option<f64>,
    /// Speeds of the table.
    #[arg(long, value_name = "RPM,RPM,...", value_delimiter = ',')]
    pub breakpoints: Option<Vec<f64>>,
    /// Write the limits as CSV; `-` is standard output.
    #[arg(long, value_name = "OUT.csv")]
    pub limits: Option<PathBuf>,
}

/// Arguments of `compare`.
#[derive(Group)]
pub struct Compare {
    /// Recordings or logs from before the change.
    #[arg(long, required = true, num_args = 1.., value_name = "FILE")]
    pub before: Vec<PathBuf>,
    /// Recordings or logs from after it.
    #[arg(long, required = true, num_args = 1.., value_name = "FILE")]
    pub after: Vec<PathBuf>,
    /// Engine sheet.
    #[arg(long)]
    pub sheet: Option<PathBuf>,
    /// Write the result as JSON; `-` is standard output.
    #[arg(long, value_name = "OUT")]
    pub json: Option<PathBuf>,
    /// Band edges.
    #[arg(long, num_args = 2, value_names = ["LO_HZ", "HI_HZ"])]
    pub band: Option<Vec<f64>>,
    /// Match by coolant temperature too.
    #[arg(long)]
    pub match_temperature: bool,
    /// Sensors, gain or band differ: compare contrast only.
    #[arg(long)]
    pub sensors_changed: bool,
    /// What the files themselves do not say.
    #[command(flatten)]
    pub told: Told,
}

impl Compare {
    /// What was chosen here.
    pub fn choices(&self) -> Choices {
        let band = self.band.as_deref().and_then(|band| <[f64; 2]>::try_from(band).ok());
        let (sensors_changed, match_temperature) = (self.sensors_changed, self.match_temperature);
        Choices { band, sensors_changed, match_temperature, ..Choices::default() }
    }
}

/// Arguments of `synth`.
#[derive(Group)]
pub struct Synth {
    /// Folder to write into; made if missing.
    pub dir: PathBuf,
    /// Excerpts of about 8 s instead of the full recordings.
    #[arg(long)]
    pub excerpts: bool,
}

/// A role given to a file.
#[derive(Clone)]
pub struct RoleOf {
    /// Path or name.
    pub file: String,
    /// Role.
    pub role: FileRole,
}

impl std::str::FromStr for RoleOf {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let (file, role) = text.rsplit_once('=').ok_or("expected FILE=ROLE")?;
        let role = FileRole::of_word(role).ok_or_else(|| format!("{role} is no role: {}", words()))?;
        Ok(Self { file: file.into(), role })
    }
}

fn words() -> String {
    FileRole::ALL.map(FileRole::word).join(", ")
}

impl RoleOf {
    /// Whether `path` is meant, by path or by name.
    pub fn is_for(&self, path: &Path) -> bool {
        is_for(&self.file, path)
    }
}

impl Analyse {
    /// What was chosen here over what a card brought.
    pub fn choices(&self, mut choices: Choices) -> Choices {
        let pair = |values: &Option<Vec<f64>>| values.as_deref().and_then(|values| <[f64; 2]>::try_from(values).ok());
        choices.band = pair(&self.band).or(choices.band);
        choices.window = pair(&self.window).or(choices.window);
        choices.feature = self.feature.as_deref().and_then(Feature::of_word).unwrap_or(choices.feature);
        choices.false_alarm = self.false_alarm.unwrap_or(choices.false_alarm);
        choices.confidence = self.confidence.unwrap_or(choices.confidence);
        choices.breakpoints = self.breakpoints.clone().or(choices.breakpoints);
        choices
    }

    /// What can be told wrong before any file is read.
    ///
    /// # Errors
    /// One sentence that names the option.
    pub fn check(&self) -> Result<(), String> {
        self.choices(Choices::default()).check().map_err(|wrong| in_words(&wrong))?;
        if let Some(word) = self.feature.as_deref().filter(|word| Feature::of_word(word).is_none()) {
            return Err(format!("--feature {word}: energy, peak or ratio"));
        }
        if let Some(role) = self.role.iter().find(|role| !self.files.iter().any(|file| role.is_for(file))) {
            return Err(format!("--role {}: no such file among those given", role.file));
        }
        self.told.check(&self.files)?;
        let to_stdout = |out: &Option<PathBuf>| out.as_deref() == Some(Path::new("-"));
        if to_stdout(&self.json) && to_stdout(&self.limits) {
            return Err("--json and --limits can't both go to standard output: give one a file".into());
        }
        Ok(())
    }
}

/// A refused choice, called by its option.
pub fn in_words(wrong: &Error) -> String {
    match &wrong.place {
        Place::Field(field) => format!("--{}: {}", field.replace('_', "-"), wrong.found()),
        _ => wrong.to_string(),
    }
}
