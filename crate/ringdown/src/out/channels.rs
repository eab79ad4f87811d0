//! Every channel of a file in a line: name, unit, role and reason, rate, samples, missing, least, largest, mean.
//!
//! The result, the terminal and section 2 all show these.

use super::words::{column_name, say, text};
use crate::card::recording::Recording;
use crate::card::{Card, Content, File};
use crate::read::log::{Column, Log, Of};
use crate::read::roles::Role;
use serde::Serialize;

/// A channel of a recording or a column of a log.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Channel {
    /// From 1.
    pub channel: usize,
    /// As the file names it, else "channel 3".
    pub name: String,
    /// Unit of `min`, `max` and `mean`.
    pub unit: Option<String>,
    /// What it is.
    pub role: Role,
    /// Sensor or cylinder it belongs to, where its name says so.
    pub of: Option<Of>,
    /// Why this role.
    pub reason: String,
    /// Samples a second; of a column with empty cells, those that are there.
    pub rate_hz: Option<f64>,
    /// Samples that are there.
    pub samples: u64,
    /// Cells without a value.
    pub missing: u64,
    /// Least value; `None` until known.
    pub min: Option<f64>,
    /// Largest.
    pub max: Option<f64>,
    /// Mean.
    pub mean: Option<f64>,
}

/// The channels of a file, in its order; none for sheets and cards.
pub fn of(card: &Card, file: &File) -> Vec<Channel> {
    match &file.content {
        Content::Recording(recording) => (1..=recording.channels()).map(|n| recorded(card, recording, n)).collect(),
        Content::Log(log) => log.columns.iter().map(|column| logged(log, column)).collect(),
        Content::Sheet | Content::Card => Vec::new(),
    }
}

fn recorded(card: &Card, recording: &Recording, channel: u16) -> Channel {
    let samples = recording.samples.borrow();
    let index = usize::from(channel).saturating_sub(1);
    let label = samples.labels.get(index);
    let full_scale = label.and_then(|label| label.full_scale).unwrap_or(1.0);
    let named = label.map(|label| label.name.clone()).filter(|name| !name.is_empty());
    let unit = label.filter(|label| label.full_scale.is_some()).and_then(|label| label.unit.clone());
    let survey = recording.survey.as_ref().and_then(|survey| survey.channels.get(index));
    let in_unit = |value: f64| value * full_scale;
    Channel {
        channel: usize::from(channel),
        name: named.unwrap_or_else(|| say("recordings.channel.name", &[("n", channel.to_string())])),
        unit: Some(unit.unwrap_or_else(|| "re full scale".to_owned())),
        role: recording.role(channel, card.sheet()),
        of: None,
        reason: text(if card.sheet().is_some() { "recordings.reason.sheet" } else { "recordings.reason.signal" }),
        rate_hz: Some(samples.sample_rate_hz),
        samples: samples.frames,
        missing: 0,
        min: survey.map(|survey| in_unit(f64::from(survey.min))),
        max: survey.map(|survey| in_unit(f64::from(survey.max))),
        mean: survey.map(|survey| in_unit(survey.mean)),
    }
}

fn logged(log: &Log, column: &Column) -> Channel {
    let figures = &column.figures;
    let known = figures.count > 0;
    Channel {
        channel: column.column,
        name: column_name(&column.name),
        unit: column.unit.clone(),
        role: column.role,
        of: column.of,
        reason: column.reason.clone(),
        rate_hz: log.rate_of(column),
        samples: figures.count as u64,
        missing: (column.values.len() - figures.count) as u64,
        min: known.then_some(figures.low),
        max: known.then_some(figures.high),
        mean: figures.mean(),
    }
}
