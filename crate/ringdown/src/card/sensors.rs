//! Every sensor of the card with its figures and what was found of it.

use super::{Card, FileId};
use crate::feature::logged;
use crate::feature::sensor::{Gain, SensorFeatures};
use crate::finding::sensors::{self, Kind, Weight};
use crate::read::log::Of;
use serde::Serialize;

/// One sensor: a channel of a recording, or a level column of a log.
#[derive(Debug, Clone, Serialize)]
pub struct SensorReport {
    /// File name.
    pub file: String,
    /// File number.
    pub file_id: FileId,
    /// Channel of a recording, from 1.
    pub channel: Option<u16>,
    /// Column of a log, from 1.
    pub column: Option<usize>,
    /// Name of the log's column.
    pub name: Option<String>,
    /// Cylinders it hears, as the sheet or the log's names say.
    pub cylinders: Option<Vec<u16>>,
    /// Level of the quietest stretches, dB re full scale.
    pub noise_floor_db: Option<f64>,
    /// Gain against the first sensor of the recording, dB.
    pub gain_db: Option<f64>,
    /// Its 95 % interval.
    pub gain_interval_db: Option<[f64; 2]>,
    /// Share of clipped samples.
    pub clipped_share: Option<f64>,
    /// Hum over its neighbourhood, dB.
    pub hum_db: Option<f64>,
    /// What was found.
    pub findings: Vec<Kind>,
}

impl SensorReport {
    /// The heaviest finding's weight.
    pub fn weight(&self) -> Option<Weight> {
        self.findings.iter().map(Kind::weight).max()
    }
}

impl Card {
    /// All sensors, recordings first.
    pub fn sensor_reports(&self) -> Vec<SensorReport> {
        let mut reports = Vec::new();
        let modes = self.modes();
        for (file, recording) in self.recordings() {
            let rate = recording.sample_rate_hz();
            for (channel, listened) in recording.sensors.iter().flatten() {
                let gain = listened.gain.as_ref();
                let features: &SensorFeatures = &listened.features;
                let findings = sensors::recorded(features, modes.as_ref().map(|modes| &modes[..]), rate, gain);
                reports.push(SensorReport {
                    file: file.input.name.clone(),
                    file_id: file.id,
                    channel: Some(*channel),
                    column: None,
                    name: None,
                    cylinders: self.heard_by(*channel),
                    noise_floor_db: features.noise_floor_db,
                    gain_db: gain.map(|gain| gain.db),
                    gain_interval_db: gain.map(|gain: &Gain| [gain.low_db, gain.high_db]),
                    clipped_share: Some(features.clipped_share),
                    hum_db: features.hum.map(|hum| hum.db),
                    findings,
                });
            }
        }
        for (file, log) in self.logs() {
            for column in logged::levels(log) {
                let pairs: Vec<(f64, f64)> = logged::cells(log, &column).map(|cell| (cell.rpm, cell.level)).collect();
                reports.push(SensorReport {
                    file: file.input.name.clone(),
                    file_id: file.id,
                    channel: None,
                    column: Some(column.column.column),
                    name: Some(column.name.clone()),
                    cylinders: match column.of {
                        Some(Of::Cylinder(cylinder)) => Some(vec![cylinder]),
                        _ => None,
                    },
                    noise_floor_db: None,
                    gain_db: None,
                    gain_interval_db: None,
                    clipped_share: None,
                    hum_db: None,
                    findings: sensors::logged(&pairs, log.rate_hz()),
                });
            }
        }
        reports
    }

    fn heard_by(&self, channel: u16) -> Option<Vec<u16>> {
        let sensors = self.sheet()?.sensors.as_ref()?;
        sensors.iter().find(|sensor| sensor.channel == channel)?.cylinders.clone()
    }
}
