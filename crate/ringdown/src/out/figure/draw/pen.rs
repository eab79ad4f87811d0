//! The one place where CSS pixels become a backend's whole numbers.

use super::super::colour::Rgb;
use super::clip::{Point, Rect};
use super::text::clean;
use plotters_backend::text_anchor::{HPos, Pos, VPos};
use plotters_backend::{
    BackendColor, BackendCoord, BackendStyle, BackendTextStyle, DrawingBackend, DrawingErrorKind, FontFamily,
};

/// The page's own font.
pub const FONT: &str = "system-ui, 'Segoe UI', Roboto, 'Helvetica Neue', Arial, sans-serif";

/// How a backend's units, letters and ground differ from ours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Device {
    /// Backend units per CSS pixel. Backends know whole units only: 10 and a matching transform keep curves smooth.
    pub units_per_px: f64,
    /// What the backend has to be told for letters of size 1.
    pub font_factor: f64,
    /// How far, in sizes, the backend sets vertically centred words too high.
    pub drop: f64,
    /// Ground and heat maps lie there already (an image beneath): only what stands on them is drawn.
    pub heat_beneath: bool,
    /// A thousand upright strips are drawn sooner than one outline with as many corners: so are pixels (on a canvas 2 ms
    /// against 6 to 43), while a file only grows by them.
    pub likes_strips: bool,
}

/// A backend drawn on in CSS pixels.
pub struct Pen<B: DrawingBackend> {
    backend: B,
    device: Device,
}

/// Which point of a word is given.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs)]
pub enum Anchor {
    Start,
    Middle,
    End,
}

/// What drawing on `B` may run into.
pub type Drawn<B> = Result<(), DrawingErrorKind<<B as DrawingBackend>::ErrorType>>;

struct Stroke {
    colour: BackendColor,
    width: u32,
}

impl BackendStyle for Stroke {
    fn color(&self) -> BackendColor {
        self.colour
    }

    fn stroke_width(&self) -> u32 {
        self.width
    }
}

impl<B: DrawingBackend> Pen<B> {
    /// A pen on `backend`.
    pub fn new(backend: B, device: Device) -> Self {
        Self { backend, device }
    }

    /// See [`Device::likes_strips`].
    pub fn likes_strips(&self) -> bool {
        self.device.likes_strips
    }

    /// Hands everything over to the screen or file.
    pub fn finish(mut self) -> Drawn<B> {
        self.backend.present()
    }

    /// A line through `points`.
    pub fn path(&mut self, points: &[Point], colour: Rgb, width: f64) -> Drawn<B> {
        self.veil(points, colour, 1.0, width)
    }

    /// A line through `points` that lets what lies beneath show through.
    pub fn veil(&mut self, points: &[Point], colour: Rgb, alpha: f64, width: f64) -> Drawn<B> {
        if points.len() < 2 {
            return Ok(());
        }
        let stroke =
            Stroke { colour: BackendColor { alpha, rgb: colour }, width: self.units(width.max(0.1)).max(1) as u32 };
        let path: Vec<BackendCoord> = points.iter().map(|point| self.at(*point)).collect();
        self.backend.draw_path(path, &stroke)
    }

    /// A filled polygon.
    pub fn fill(&mut self, points: &[Point], colour: Rgb, alpha: f64) -> Drawn<B> {
        if points.len() < 3 {
            return Ok(());
        }
        let path: Vec<BackendCoord> = points.iter().map(|point| self.at(*point)).collect();
        self.backend.fill_polygon(path, &BackendColor { alpha, rgb: colour })
    }

    /// A filled rectangle; empty ones are left out.
    pub fn rect(&mut self, rect: &Rect, colour: Rgb, alpha: f64) -> Drawn<B> {
        let (from, to) = (self.at((rect.left, rect.top)), self.at((rect.right, rect.bottom)));
        if to.0 <= from.0 || to.1 <= from.1 {
            return Ok(());
        }
        self.backend.draw_rect(from, to, &BackendColor { alpha, rgb: colour }, true)
    }

    /// A filled disc.
    pub fn disc(&mut self, centre: Point, radius: f64, colour: Rgb) -> Drawn<B> {
        let (at, radius) = (self.at(centre), self.units(radius).max(1) as u32);
        self.backend.draw_circle(at, radius, &solid(colour), true)
    }

    /// A circle.
    pub fn ring(&mut self, centre: Point, radius: f64, colour: Rgb, width: f64) -> Drawn<B> {
        let (at, radius) = (self.at(centre), self.units(radius).max(1) as u32);
        let stroke = Stroke { colour: solid(colour), width: self.units(width).max(1) as u32 };
        self.backend.draw_circle(at, radius, &stroke, false)
    }

    /// Words, vertically centred on `place`.
    pub fn words(&mut self, text: &str, place: Point, anchor: Anchor, size: f64, colour: Rgb) -> Drawn<B> {
        let text = clean(text);
        if text.is_empty() {
            return Ok(());
        }
        let at = self.at((place.0, place.1 + self.device.drop * size));
        let size = size * self.device.units_per_px * self.device.font_factor;
        self.backend.draw_text(&text, &Words { size, colour, anchor }, at)
    }

    fn at(&self, (x, y): Point) -> BackendCoord {
        (self.units(x), self.units(y))
    }

    fn units(&self, px: f64) -> i32 {
        // A float-to-integer `as` saturates; the clamp leaves room for differences of two.
        (px * self.device.units_per_px).round().clamp(-1e8, 1e8) as i32
    }
}

fn solid(rgb: Rgb) -> BackendColor {
    BackendColor { alpha: 1.0, rgb }
}

struct Words {
    size: f64,
    colour: Rgb,
    anchor: Anchor,
}

impl BackendTextStyle for Words {
    type FontError = std::fmt::Error;

    fn color(&self) -> BackendColor {
        solid(self.colour)
    }

    fn size(&self) -> f64 {
        self.size
    }

    fn family(&self) -> FontFamily<'_> {
        FontFamily::Name(FONT)
    }

    fn anchor(&self) -> Pos {
        let across = match self.anchor {
            Anchor::Start => HPos::Left,
            Anchor::Middle => HPos::Center,
            Anchor::End => HPos::Right,
        };
        Pos::new(across, VPos::Center)
    }

    fn layout_box(&self, text: &str) -> Result<((i32, i32), (i32, i32)), Self::FontError> {
        Ok(((0, 0), (super::text::width(text, self.size).ceil() as i32, self.size.ceil() as i32)))
    }

    /// Backends without letters of their own get none: canvas and SVG have theirs.
    fn draw<E, F: FnMut(i32, i32, BackendColor) -> Result<(), E>>(
        &self,
        _text: &str,
        _place: BackendCoord,
        _draw: F,
    ) -> Result<Result<(), E>, Self::FontError> {
        Ok(Ok(()))
    }
}
