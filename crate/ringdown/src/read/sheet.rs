//! The engine sheet: versioned JSON, ranges with reasons.

use super::sheet_check;
use crate::error::{Error, Loaded};
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

/// The engine sheet, version 1. What a section needs decides what is asked: every field may be missing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[allow(missing_docs)]
pub struct Sheet {
    pub sheet: u32,
    pub name: Option<String>,
    pub bore_mm: Option<f64>,
    pub stroke_mm: Option<f64>,
    pub cylinders: Option<u16>,
    pub strokes: u16,
    pub firing_order: Option<Vec<u16>>,
    /// Firing TDC of the cylinders in firing order, the first 0; left out = even.
    pub firing_angles_deg: Option<Vec<f64>>,
    pub gas_temperature_k: Option<[f64; 2]>,
    pub sensors: Option<Vec<SheetSensor>>,
    pub crank: Option<Crank>,
    pub cam: Option<Cam>,
    pub ignition: Option<Ignition>,
    pub events_deg_atdc: Option<Map<String, Value>>,
    pub control: Option<Map<String, Value>>,
    /// Unknown fields, kept and reported.
    #[serde(flatten)]
    pub unknown: Map<String, Value>,
}

impl Default for Sheet {
    fn default() -> Self {
        Self {
            sheet: 1,
            name: None,
            bore_mm: None,
            stroke_mm: None,
            cylinders: None,
            strokes: 4,
            firing_order: None,
            firing_angles_deg: None,
            gas_temperature_k: None,
            sensors: None,
            crank: None,
            cam: None,
            ignition: None,
            events_deg_atdc: None,
            control: None,
            unknown: Map::new(),
        }
    }
}

/// A knock sensor: its channel in the recordings and the cylinders it hears.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct SheetSensor {
    pub channel: u16,
    #[serde(default)]
    pub cylinders: Option<Vec<u16>>,
    #[serde(default)]
    pub volts_full_scale: Option<f64>,
    #[serde(default)]
    pub mv_per_g: Option<f64>,
}

/// Which edge, or zero crossing, marks a tooth.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum Edge {
    Rising,
    Falling,
}

/// The crank reference.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum Crank {
    /// `teeth` counts the missing ones.
    MissingTooth {
        channel: u16,
        teeth: u16,
        missing: Missing,
        /// First tooth edge after the gap before cylinder 1's firing TDC, modulo 360; `None` = not known.
        #[serde(default)]
        gap_deg_btdc: Option<f64>,
        #[serde(default)]
        edge: Option<Edge>,
    },
    EvenTeeth {
        channel: u16,
        teeth: u16,
        #[serde(default)]
        edge: Option<Edge>,
    },
    /// Degrees after cylinder 1's TDC, 0-360.
    EdgeList {
        channel: u16,
        edges_deg: Vec<f64>,
        #[serde(default)]
        edge: Option<Edge>,
    },
    PulsePerTurn {
        channel: u16,
        #[serde(default)]
        deg_btdc: Option<f64>,
        #[serde(default)]
        edge: Option<Edge>,
    },
    PulsePerCycle {
        channel: u16,
        #[serde(default)]
        deg_btdc: Option<f64>,
        #[serde(default)]
        edge: Option<Edge>,
    },
    None,
}

/// Missing teeth: one gap, or several listed in order of rotation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Missing {
    /// One gap of this many teeth.
    One(u16),
    /// Several gaps. An even number of figures that add up to `teeth` holds standing and missing teeth in turn, the
    /// standing ones before each gap first: `[15, 1, 18, 2]` of 36. Any other list holds the missing teeth of each gap, which
    /// end evenly spaced over the turn, so that `teeth` must divide by their number: `[2, 2]` of 36.
    Several(Vec<u16>),
}

/// Tells which of the two turns it is, and nothing finer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum Cam {
    PulsePerCycle {
        channel: u16,
        #[serde(default)]
        deg_btdc: Option<f64>,
        #[serde(default)]
        edge: Option<Edge>,
    },
    None,
}

/// The logic-level trigger that fires one cylinder (never a coil's primary), at an angle that was held while recording: says
/// where the crank reference stands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Ignition {
    /// From 1.
    pub channel: u16,
    /// Whose spark it fires; two cylinders with one coil: either.
    pub cylinder: u16,
    /// Ignition angle, degrees before that cylinder's firing TDC.
    pub deg_btdc: f64,
    /// Which edge fires; falling where not told.
    #[serde(default)]
    pub edge: Option<Edge>,
}

impl Sheet {
    /// Parses and checks a sheet. Unknown fields are kept and noted; a silly value is refused with its range.
    ///
    /// # Errors
    /// More than 1 MiB or 32 levels, broken JSON (with its line), another version than 1, a value of the wrong kind or
    /// outside its range (with the field).
    pub fn parse(name: &str, json: &[u8]) -> Result<Loaded<Sheet>, Error> {
        sheet_check::parse(name, json)
    }

    /// Firing TDC of each cylinder in degrees after cylinder `firing_order[0]`'s, as (cylinder, deg) in firing order;
    /// `None` while cylinders or firing order are missing.
    pub fn firing(&self) -> Option<Vec<(u16, f64)>> {
        let order = self.firing_order.as_ref()?;
        if usize::from(self.cylinders?) != order.len() {
            return None;
        }
        let step_deg = self.cycle_deg() / order.len().max(1) as f64;
        let even = || (0..order.len()).map(|k| k as f64 * step_deg).collect();
        let angles = self.firing_angles_deg.clone().filter(|angles| angles.len() == order.len()).unwrap_or_else(even);
        Some(order.iter().copied().zip(angles).collect())
    }

    /// Crank degrees of one cycle: 720, or 360 for a two-stroke.
    pub fn cycle_deg(&self) -> f64 {
        if self.strokes == 2 { 360.0 } else { 720.0 }
    }
}
