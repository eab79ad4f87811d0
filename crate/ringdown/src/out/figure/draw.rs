//! Draws any figure on any plotters backend.

use super::Figure;
use plotters_backend::{DrawingBackend, DrawingErrorKind};
use serde::{Deserialize, Serialize};

/// How and how much of a figure is drawn.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct View {
    /// Width in CSS pixels.
    pub width: f64,
    /// Height in CSS pixels.
    pub height: f64,
    /// Device pixels per CSS pixel: everything is scaled once, in the backend.
    pub pixel_ratio: f64,
    /// Paper, sun or print.
    pub scheme: Scheme,
    /// Shown range of x, inside or outside the axis' full range; `None` = full.
    pub x: Option<[f64; 2]>,
    /// Shown range of y.
    pub y: Option<[f64; 2]>,
    /// Colour limits locked by the user.
    pub heat: Option<[f64; 2]>,
    /// Pointer position in data units: a thin cross is drawn there.
    pub pointer: Option<[Option<f64>; 2]>,
}

/// Colour scheme.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum Scheme {
    Paper,
    Sun,
    Print,
}

/// The plot area of a figure at a view: CSS pixels of its edges and the data ranges shown.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Plot {
    pub left: f64,
    pub top: f64,
    pub right: f64,
    pub bottom: f64,
    pub x: [f64; 2],
    pub y: [f64; 2],
}

/// Where the plot lies, without drawing: what pointer and zoom work with, and where heat maps go.
pub fn plot(_figure: &Figure, _view: &View) -> Plot {
    todo!("figures")
}

/// Draws `figure`. Heat layers are left to the caller where `heat_beneath` is true (the page puts them down as
/// `ImageData` first), else drawn as an image by the backend.
pub fn draw<B: DrawingBackend>(
    _figure: &Figure,
    _view: &View,
    _heat_beneath: bool,
    _backend: B,
) -> Result<Plot, DrawingErrorKind<B::ErrorType>> {
    todo!("figures")
}

/// The figure as a stand-alone SVG: lines and text are vectors, heat maps an embedded PNG of at least 200 dpi.
pub fn svg(_figure: &Figure, _view: &View) -> String {
    todo!("figures")
}

/// RGBA pixels (`width` x `height`) of the heat layers over the plot area at `view`; `None` without heat layers.
pub fn heat_rgba(_figure: &Figure, _view: &View, _width: u32, _height: u32) -> Option<Vec<u8>> {
    todo!("figures")
}

/// Read-out at a place: every quantity there with unit, one line ("24.61 s · 6.02 kHz · 14.2 dB").
pub fn read_out(_figure: &Figure, _x: f64, _y: f64) -> String {
    todo!("figures")
}
