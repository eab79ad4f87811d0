//! Every sensor of the card with its figures and what was found of it.

use super::recording::{Listened, Recording};
use super::{Card, File, FileId, FileRole};
use crate::feature::logged;
use crate::feature::sensor::{Gain, Heard};
use crate::finding::logged::{MOST_SAMPLES, Sample, imbalanced, missing};
use crate::finding::sensors::{self, Context, Kind, Weight};
use crate::read::log::{Log, Of};
use crate::read::roles::Role;
use crate::read::sheet::SheetSensor;
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
    /// Level with the engine off or at rest, else of the quietest stretches, dB re full scale.
    pub noise_floor_db: Option<f64>,
    /// Where that comes from.
    pub noise_floor_from: Option<FloorFrom>,
    /// Level of the whole, without its mean, dB re full scale.
    pub level_db: Option<f64>,
    /// Noise floor and level in volts and g, as far as the sheet gives the scale.
    pub scaled: Option<Scaled>,
    /// Gain against the first sensor of the recording, dB.
    pub gain_db: Option<f64>,
    /// Its 95 % interval.
    pub gain_interval_db: Option<[f64; 2]>,
    /// Share of clipped samples.
    pub clipped_share: Option<f64>,
    /// Hum over its neighbourhood, dB.
    pub hum_db: Option<f64>,
    /// Electrical spikes a second.
    pub spikes_per_s: Option<f64>,
    /// How loud it hears each cylinder over its own mean of all, dB; empty without known cylinders.
    pub hears: Vec<Heard>,
    /// What was found.
    pub findings: Vec<Kind>,
}

/// Where a noise floor comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum FloorFrom {
    /// A recording with the engine off.
    EngineOff,
    /// Stretches at rest.
    AtRest,
    /// The quietest stretches.
    Quietest,
}

/// Root mean squares by the sheet's scale.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Scaled {
    /// Noise floor, volts.
    pub noise_floor_v: f64,
    /// Level of the whole, volts.
    pub level_v: f64,
    /// Noise floor, g; `None` without the sensor's sensitivity.
    pub noise_floor_g: Option<f64>,
    /// Level of the whole, g.
    pub level_g: Option<f64>,
}

impl Scaled {
    /// Levels are 10 log10 of the mean square with full scale 1: full scale is `volts_full_scale`.
    fn new(sensor: &SheetSensor, noise_floor_db: f64, level_db: f64) -> Option<Self> {
        let volts = |db: f64| Some(sensor.volts_full_scale? * 10.0_f64.powf(0.05 * db));
        let g = |db: f64| Some(1000.0 * volts(db)? / sensor.mv_per_g.filter(|scale| *scale > 0.0)?);
        Some(Self {
            noise_floor_v: volts(noise_floor_db)?,
            level_v: volts(level_db)?,
            noise_floor_g: g(noise_floor_db),
            level_g: g(level_db),
        })
    }
}

impl SensorReport {
    /// The heaviest finding's weight.
    pub fn weight(&self) -> Option<Weight> {
        self.findings.iter().map(Kind::weight).max()
    }
}

impl Card {
    /// All sensors, recordings first.
    pub fn sensor_reports(&self) -> &[SensorReport] {
        self.reports.get_or_init(|| {
            let recorded = self.recordings().flat_map(|(file, recording)| self.recorded_reports(file, recording));
            recorded.chain(self.logs().flat_map(|(file, log)| logged_reports(file, log))).collect()
        })
    }

    fn recorded_reports(&self, file: &File, recording: &Recording) -> Vec<SensorReport> {
        let Some(sensors) = &recording.sensors else { return Vec::new() };
        let modes = self.modes();
        let cylinders: Vec<_> = sensors.iter().map(|(channel, _)| self.heard_by(*channel)).collect();
        let context = |own: usize| Context {
            modes: modes.as_ref().map(|modes| &modes[..]),
            sample_rate_hz: recording.sample_rate_hz(),
            sensors,
            own,
            cylinders: &cylinders,
        };
        let judged = |own: usize, channel: u16, listened: &Listened| {
            let findings = sensors::recorded(listened, &context(own));
            self.recorded_report(file, channel, listened, findings)
        };
        sensors.iter().enumerate().map(|(own, (channel, listened))| judged(own, *channel, listened)).collect()
    }

    fn recorded_report(&self, file: &File, channel: u16, listened: &Listened, findings: Vec<Kind>) -> SensorReport {
        let features = &listened.features;
        let own_floor = if features.floor_at_rest { FloorFrom::AtRest } else { FloorFrom::Quietest };
        let engine_off = self.engine_off_db(channel).map(|db| (db, FloorFrom::EngineOff));
        let floor = engine_off.or(features.noise_floor_db.map(|db| (db, own_floor)));
        let sheet = self.sheet_sensor(channel);
        let gain = listened.gain.as_ref();
        SensorReport {
            file: file.input.name.clone(),
            file_id: file.id,
            channel: Some(channel),
            column: None,
            name: None,
            cylinders: self.heard_by(channel),
            noise_floor_db: floor.map(|(db, _)| db),
            noise_floor_from: floor.map(|(_, from)| from),
            level_db: Some(features.rms_db),
            scaled: sheet.zip(floor).and_then(|(sheet, (db, _))| Scaled::new(sheet, db, features.rms_db)),
            gain_db: gain.map(|gain| gain.db),
            gain_interval_db: gain.map(|gain: &Gain| [gain.low_db, gain.high_db]),
            clipped_share: Some(features.clipped_share),
            hum_db: features.hum.map(|hum| hum.db),
            spikes_per_s: features.spikes.map(|spikes| spikes.per_s),
            hears: listened.hears.clone(),
            findings,
        }
    }

    /// Noise of a channel in a recording with the engine off.
    fn engine_off_db(&self, channel: u16) -> Option<f64> {
        let off = self.recordings().filter(|(file, _)| file.role == FileRole::EngineOff);
        let heard = |(_, listened): &(u16, Listened)| listened.features.noise_floor_db;
        off.filter_map(|(_, recording)| {
            recording.sensors.as_ref()?.iter().find(|(known, _)| *known == channel).and_then(heard)
        })
        .last()
    }

    fn sheet_sensor(&self, channel: u16) -> Option<&SheetSensor> {
        self.sheet()?.sensors.as_ref()?.iter().find(|sensor| sensor.channel == channel)
    }

    fn heard_by(&self, channel: u16) -> Option<Vec<u16>> {
        self.sheet_sensor(channel)?.cylinders.clone()
    }
}

fn logged_reports(file: &File, log: &Log) -> Vec<SensorReport> {
    let levels = logged::levels(log);
    let reports = levels.iter().enumerate().map(|(index, column)| {
        let linear = !column.unit.as_deref().is_some_and(|unit| unit.to_lowercase().contains("db"));
        let mut findings = crate::finding::logged::logged(&samples(log, column), log.rate_hz(), linear);
        if !is_stuck(&findings) {
            findings.extend(missing(&filled(log, column)).map(|share| Kind::Stuck { share }));
        }
        // banks are compared sensor by sensor; single cylinders differ by nature, and what stands still tells no level
        let moves = !is_stuck(&findings);
        let first = levels.first().filter(|first| moves && index > 0 && is_bank(first) && is_bank(column));
        findings.extend(first.and_then(|first| imbalanced(&decibels(column), &decibels(first))));
        SensorReport {
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
            noise_floor_from: None,
            level_db: None,
            scaled: None,
            gain_db: None,
            gain_interval_db: None,
            clipped_share: None,
            hum_db: None,
            spikes_per_s: None,
            hears: Vec::new(),
            findings,
        }
    });
    reports.collect()
}

fn is_stuck(findings: &[Kind]) -> bool {
    findings.iter().any(|kind| matches!(kind, Kind::Stuck { .. }))
}

fn is_bank(column: &logged::LevelColumn<'_>) -> bool {
    matches!(column.of, Some(Of::Sensor(_)))
}

/// A column row by row, of a long log every n-th, dB; NaN where it holds nothing.
fn decibels(column: &logged::LevelColumn<'_>) -> Vec<f64> {
    let one = |value: f64| match column.linear {
        true if value > 0.0 => 20.0 * value.log10(),
        true => f64::NAN,
        false => value,
    };
    let values = &column.column.values;
    let step = values.len().div_ceil(MOST_SAMPLES).max(1);
    (0..values.len()).step_by(step).filter_map(|row| values.get(row)).map(one).collect()
}

/// From here on the engine turns by itself, 1/min.
const TURNS_RPM: f64 = 400.0;

/// Time of each row with the engine turning, of a long log every n-th, and whether the column holds a number there.
fn filled(log: &Log, column: &logged::LevelColumn<'_>) -> Vec<(f64, bool)> {
    let speed = log.first(Role::Speed);
    let turns = |row: usize| speed.is_none_or(|speed| speed.values.get(row).is_some_and(|rpm| rpm >= TURNS_RPM));
    let holds = |row: usize| column.column.values.get(row).is_some_and(f64::is_finite);
    let step = log.t_s.len().div_ceil(MOST_SAMPLES).max(1);
    (0..log.t_s.len()).step_by(step).filter(|row| turns(*row)).map(|row| (log.t_s[row], holds(row))).collect()
}

/// The column as logged at known speed.
fn samples(log: &Log, column: &logged::LevelColumn<'_>) -> Vec<Sample> {
    let Some(speed) = log.first(Role::Speed) else { return Vec::new() };
    let rows = log.t_s.iter().zip(speed.values.iter()).zip(column.column.values.iter());
    let sample = |((t_s, rpm), value): ((&f64, f64), f64)| Sample { t_s: *t_s, rpm, value };
    rows.map(sample).filter(|sample| sample.rpm >= TURNS_RPM && sample.value.is_finite()).collect()
}
