//! Figures: numbers that come ready to draw, drawn by one function on any plotters backend.
//!
//! `mod.rs` says what a figure is made of, `draw.rs` draws any of them, every other file makes one figure from results.

pub mod colour;
pub mod draw;

use serde::{Deserialize, Serialize};

/// One picture: two axes and layers drawn in order, first at the bottom. No title: the finding is the title.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Figure {
    /// Stable identifier, e.g. `floor`.
    pub id: String,
    /// One or two sentences with the main figures: the accessible name of the canvas.
    pub summary: String,
    /// Bottom axis.
    pub x: Axis,
    /// Left axis.
    pub y: Axis,
    /// Bottom to top.
    pub layers: Vec<Layer>,
}

/// An axis.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Axis {
    /// Quantity and unit at the axis end: "level, dB re full scale".
    pub label: String,
    /// What it measures; charts of one quantity share the pointer.
    pub quantity: Quantity,
    /// Full range; a view may show less.
    pub low: f64,
    /// Full range.
    pub high: f64,
    /// Linear or logarithmic.
    pub scale: Scale,
    /// Fixed ticks (categories, "1 in 1000"); empty = steps of 1, 2 or 5.
    pub ticks: Vec<(f64, String)>,
}

/// What an axis measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum Quantity {
    Time,
    Angle,
    Frequency,
    Speed,
    Level,
    Share,
    Other,
}

/// Axis scale.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum Scale {
    Linear,
    Log,
}

/// Which ink: resolved to a colour by the scheme (paper, sun, print).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Ink {
    /// Full ink.
    Ink,
    /// Grey, for background data.
    Quiet,
    /// Lighter grey.
    Faint,
    /// What the sentence speaks of.
    Accent,
    /// Okabe-Ito colour by index, always together with a dash or a mark.
    Set(u8),
}

/// Line dash.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum Dash {
    Solid,
    Dashed,
    Dotted,
}

/// Point mark.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum Mark {
    Dot,
    Ring,
    Cross,
    Triangle,
}

/// Along which axis a span or rule is placed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum Along {
    X,
    Y,
}

/// Numbers of a layer. Crosses the browser boundary as one typed array (its little-endian bytes).
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Numbers(pub Vec<f32>);

impl Serialize for Numbers {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let bytes: Vec<u8> = self.0.iter().flat_map(|number| number.to_le_bytes()).collect();
        serializer.serialize_bytes(&bytes)
    }
}

impl<'de> Deserialize<'de> for Numbers {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Bytes;
        impl<'de> serde::de::Visitor<'de> for Bytes {
            type Value = Numbers;
            fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                write!(f, "bytes of little-endian f32")
            }
            fn visit_bytes<E: serde::de::Error>(self, bytes: &[u8]) -> Result<Numbers, E> {
                Ok(Numbers(bytes.as_chunks::<4>().0.iter().map(|four| f32::from_le_bytes(*four)).collect()))
            }
            fn visit_byte_buf<E: serde::de::Error>(self, bytes: Vec<u8>) -> Result<Numbers, E> {
                self.visit_bytes(&bytes)
            }
        }
        deserializer.deserialize_byte_buf(Bytes)
    }
}

/// One layer. NaN in any array is a gap: no line is drawn across it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "layer", rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum Layer {
    /// A polyline; `label` stands at its right end.
    Line { x: Numbers, y: Numbers, ink: Ink, dash: Dash, width: f64, label: Option<String> },
    /// Unjoined points.
    Points { x: Numbers, y: Numbers, ink: Ink, mark: Mark, size: f64, label: Option<String> },
    /// Filled between `low` and `high`: a confidence band, or an envelope of minimum and maximum.
    Between { x: Numbers, low: Numbers, high: Numbers, ink: Ink, opacity: f64 },
    /// A lightly shaded strip across the whole plot; `label` stands at its top (along x) or right end (along y).
    Span { along: Along, from: f64, to: f64, ink: Ink, label: Option<String> },
    /// A straight line across the whole plot with its figure.
    Rule { along: Along, at: f64, ink: Ink, dash: Dash, label: Option<String> },
    /// A filled box, e.g. one mode's range.
    Box { x0: f64, x1: f64, y0: f64, y1: f64, ink: Ink, opacity: f64, label: Option<String> },
    /// A heat map of `columns` x `rows` values, column after column, lowest row first, filling the given rectangle.
    /// NaN cells are hatched. `low`..`high` are the colour limits; the colour scale stands at the right with `label`.
    Heat {
        columns: u32,
        rows: u32,
        x0: f64,
        x1: f64,
        y0: f64,
        y1: f64,
        values: Numbers,
        low: f64,
        high: f64,
        label: String,
    },
    /// Words at a place.
    Text { x: f64, y: f64, text: String, ink: Ink },
}
