//! Control-unit logs: a table of text to series over time.

use super::{Source, roles::Role};
use crate::error::{Error, Loaded};
use serde::{Deserialize, Serialize};

/// A log, read whole.
#[derive(Debug, Clone)]
pub struct Log {
    /// File name as the user knows it.
    pub name: String,
    /// Time of each row, seconds from the first row, never falling.
    pub t_s: Vec<f64>,
    /// All columns, the time column included, in the file's order.
    pub columns: Vec<Column>,
    /// What was assumed about the text, one sentence: "semicolons, decimal comma, units in the header, UTF-8".
    pub assumed: String,
}

/// One column.
#[derive(Debug, Clone)]
pub struct Column {
    /// From 1, counted in the file.
    pub column: usize,
    /// Name as written, without the unit.
    pub name: String,
    /// Unit as written, if any.
    pub unit: Option<String>,
    /// What it is.
    pub role: Role,
    /// Which sensor or cylinder a level, background, limit, flag or correction belongs to, if told by its name.
    pub of: Option<Of>,
    /// Why this role.
    pub reason: String,
    /// One value a row; NaN = missing. Speeds are in 1/min, times in s, temperatures in degC, angles in degrees, each
    /// converted from `unit`; loads, levels, backgrounds and limits stay as logged.
    pub values: Vec<f64>,
}

/// What a column belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Of {
    /// Sensor, from 1.
    Sensor(u16),
    /// Cylinder, from 1.
    Cylinder(u16),
}

impl Log {
    /// Reads the whole table.
    pub fn read(_name: &str, _source: Box<dyn Source>) -> Result<Loaded<Log>, Error> {
        todo!("readers")
    }

    /// Median sampling rate, Hz, from the time column.
    pub fn rate_hz(&self) -> Option<f64> {
        todo!("readers")
    }

    /// First column of a role.
    pub fn first(&self, role: Role) -> Option<&Column> {
        self.columns.iter().find(|column| column.role == role)
    }
}
