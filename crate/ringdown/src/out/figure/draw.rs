//! Draws any figure on any plotters backend.
//!
//! First everything gets its place ([`layout`], [`labels`]), then it is drawn, bottom to top: heat maps, layers, axes,
//! words. All lengths are CSS pixels; the [`Pen`] alone knows the backend's units.

mod axis;
mod clip;
mod colour_map;
mod heat;
mod labels;
mod layout;
mod pen;
mod read_out;
mod svg;
mod text;
mod thin;
mod ticks;

pub use pen::Device;
pub use text::width as text_width;

use super::colour::{Palette, Rgb};
use super::{Along, Dash, Figure, Ink, Layer, Mark, Numbers};
use clip::{Point, Rect};
use labels::Lines;
use layout::{Layout, TICK};
use pen::{Drawn, Pen};
use plotters_backend::{DrawingBackend, DrawingErrorKind};
use serde::{Deserialize, Serialize};
use std::collections::HashSet;

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

/// Opacity of the casing of lines over a heat map.
const CASING: f64 = 0.75;
/// Most pixels of a heat map: 256 MB of RGBA.
const MOST_PIXELS: u64 = 64 << 20;

/// Where the plot lies, without drawing: what pointer and zoom work with, and where heat maps go.
pub fn plot(figure: &Figure, view: &View) -> Plot {
    Layout::of(figure, view).plot()
}

/// Draws `figure` on `backend`, whose units `device` describes.
pub fn draw<B: DrawingBackend>(
    figure: &Figure,
    view: &View,
    device: Device,
    backend: B,
) -> Result<Plot, DrawingErrorKind<B::ErrorType>> {
    let layout = Layout::of(figure, view);
    let palette = Palette::of(view.scheme);
    let ratio = if view.pixel_ratio.is_finite() { view.pixel_ratio.clamp(0.25, 8.0) } else { 1.0 };
    let mut easel = Easel { layout: &layout, palette, ratio, pen: Pen::new(backend, device) };
    if !device.heat_beneath {
        easel.pen.rect(&layout.picture, palette.ground, 1.0)?;
        easel.heat(figure, view)?;
    }
    let lines: Lines = figure.layers.iter().map(|layer| easel.visible(layer)).collect();
    for (layer, parts) in figure.layers.iter().zip(&lines) {
        easel.layer(layer, parts)?;
    }
    easel.axes()?;
    easel.colour_scale()?;
    easel.pointer(view)?;
    easel.words(&labels::arrange(figure, &layout, &lines))?;
    easel.pen.finish()?;
    Ok(layout.plot())
}

/// The figure as a stand-alone SVG: lines and text are vectors, heat maps an embedded PNG of at least 200 dpi.
pub fn svg(figure: &Figure, view: &View) -> String {
    svg::svg(figure, view)
}

/// RGBA pixels (`width` x `height`) of the heat layers over the plot area at `view`, top row first; `None` without
/// heat layers or beyond 64 Mpx. Enlarged maps show the nearest cell, reduced ones the largest value of the cells
/// in a pixel, so that a short knock stays visible.
pub fn heat_rgba(figure: &Figure, view: &View, width: u32, height: u32) -> Option<Vec<u8>> {
    if u64::from(width) * u64::from(height) > MOST_PIXELS {
        return None;
    }
    heat::rgba(figure, view, &Layout::of(figure, view), width, height)
}

/// Read-out at a place: every quantity there with unit, one line ("24.61 s · 6.02 kHz · 14.2 dB").
pub fn read_out(figure: &Figure, x: f64, y: f64) -> String {
    read_out::read_out(figure, x, y)
}

/// A pen with its paper.
struct Easel<'a, B: DrawingBackend> {
    layout: &'a Layout,
    palette: Palette,
    ratio: f64,
    pen: Pen<B>,
}

impl<B: DrawingBackend> Easel<'_, B> {
    /// The visible parts of a line or rule, thinned to what its pixels can show.
    fn visible(&self, layer: &Layer) -> Vec<Vec<Point>> {
        let (x, y) = match layer {
            Layer::Line { x, y, .. } => (x, y),
            Layer::Rule { along, at, .. } => return self.level(*along, *at).into_iter().collect(),
            _ => return Vec::new(),
        };
        let plot = self.layout.plot;
        let thin = |run: Vec<Point>| thin::line(&run, plot.left, plot.right, 1.0 / self.ratio);
        let alone =
            |run: &[Point]| run.first().filter(|point| run.len() == 1 && plot.holds(**point)).map(|point| vec![*point]);
        let parts = thin::runs(self.pixels(x, y)).into_iter().map(thin);
        parts.flat_map(|run| alone(&run).map_or_else(|| clip::line(&run, &plot), |point| vec![point])).collect()
    }

    fn pixels<'n>(&'n self, x: &'n Numbers, y: &'n Numbers) -> impl Iterator<Item = Point> + 'n {
        x.0.iter().zip(&y.0).map(|(x, y)| (self.layout.px(f64::from(*x)), self.layout.py(f64::from(*y))))
    }

    fn layer(&mut self, layer: &Layer, parts: &[Vec<Point>]) -> Drawn<B> {
        match layer {
            Layer::Line { ink, dash, width, .. } => self.line(parts, *ink, *dash, *width),
            Layer::Points { x, y, ink, mark, size, .. } => self.points(x, y, *ink, *mark, *size),
            Layer::Between { x, low, high, ink, opacity } => self.band(x, low, high, *ink, *opacity),
            Layer::Span { along, from, to, ink, .. } if self.on_heat() => {
                [*from, *to].into_iter().try_for_each(|at| self.rule(*along, at, *ink, Dash::Solid))
            }
            Layer::Span { along, from, to, ink, .. } => {
                let strip = self.layout.strip(*along, *from, *to).shared(&self.layout.plot);
                self.pen.rect(&strip, self.palette.line(*ink), self.palette.shade)
            }
            Layer::Rule { along, at, ink, dash, .. } => self.rule(*along, *at, *ink, *dash),
            Layer::Box { x0, x1, y0, y1, ink, opacity, .. } => self.filled_box([*x0, *x1, *y0, *y1], *ink, *opacity),
            Layer::Heat { .. } | Layer::Text { .. } => Ok(()),
        }
    }

    /// Over a heat map nothing is shaded, which would change the colours read off the scale: strips and boxes are
    /// outlined there, and every line and mark has a casing in the ground's colour.
    fn on_heat(&self) -> bool {
        self.layout.scale.is_some()
    }

    fn rule(&mut self, along: Along, at: f64, ink: Ink, dash: Dash) -> Drawn<B> {
        self.level(along, at).map_or(Ok(()), |ends| self.line(&[ends], ink, dash, 1.25))
    }

    /// Both ends of a straight line across the plot, if it is in sight.
    fn level(&self, along: Along, at: f64) -> Option<Vec<Point>> {
        let strip = self.layout.strip(along, at, at);
        let ends = vec![(strip.left, strip.top), (strip.right, strip.bottom)];
        self.layout.plot.grown(0.5).contains(&strip).then_some(ends)
    }

    fn line(&mut self, parts: &[Vec<Point>], ink: Ink, dash: Dash, width: f64) -> Drawn<B> {
        let width = thickness(width) * self.palette.line_factor;
        let colour = self.palette.line(ink);
        if self.on_heat() {
            parts.iter().try_for_each(|part| self.pen.veil(part, self.palette.ground, CASING, width + 2.0))?;
        }
        for part in parts {
            match (part.as_slice(), dash) {
                ([point], _) => self.pen.disc(*point, width.max(1.0), colour)?,
                (points, Dash::Solid) => self.pen.path(points, colour, width)?,
                (points, Dash::Dashed) => self.dashed(points, [6.0 + width, 3.0 + width], colour, width)?,
                (points, Dash::Dotted) => self.dashed(points, [width.max(1.0), 2.0 + width], colour, width)?,
            }
        }
        Ok(())
    }

    fn dashed(&mut self, points: &[Point], pattern: [f64; 2], colour: Rgb, width: f64) -> Drawn<B> {
        clip::dashes(points, pattern).iter().try_for_each(|dash| self.pen.path(dash, colour, width))
    }

    fn points(&mut self, x: &Numbers, y: &Numbers, ink: Ink, mark: Mark, size: f64) -> Drawn<B> {
        let size = thickness(size);
        let plot = self.layout.plot;
        // Marks nearer than half their size hide one another: one of them is drawn.
        let cell = (size / 2.0).max(0.5);
        let mut taken = HashSet::new();
        let inside = self.pixels(x, y).filter(|point| plot.holds(*point));
        let apart: Vec<Point> = inside.filter(|(x, y)| taken.insert(((x / cell) as i32, (y / cell) as i32))).collect();
        let colour = self.palette.line(ink);
        let stroke = 1.25 * self.palette.line_factor;
        for point in apart {
            if self.on_heat() {
                let more = if mark == Mark::Ring { 0.0 } else { 2.0 };
                self.mark(point, mark, size + more, stroke + 2.0, self.palette.ground)?;
            }
            self.mark(point, mark, size, stroke, colour)?;
        }
        Ok(())
    }

    fn mark(&mut self, (x, y): Point, mark: Mark, size: f64, stroke: f64, colour: Rgb) -> Drawn<B> {
        let half = size / 2.0;
        match mark {
            Mark::Dot if size <= 2.0 => {
                self.pen.rect(&Rect { left: x - half, top: y - half, right: x + half, bottom: y + half }, colour, 1.0)
            }
            Mark::Dot => self.pen.disc((x, y), half, colour),
            Mark::Ring => self.pen.ring((x, y), half, colour, stroke),
            Mark::Cross => {
                self.pen.path(&[(x - half, y - half), (x + half, y + half)], colour, stroke)?;
                self.pen.path(&[(x - half, y + half), (x + half, y - half)], colour, stroke)
            }
            Mark::Triangle => {
                self.pen.fill(&[(x, y - half), (x + half, y + half * 0.8), (x - half, y + half * 0.8)], colour, 1.0)
            }
        }
    }

    fn band(&mut self, x: &Numbers, low: &Numbers, high: &Numbers, ink: Ink, opacity: f64) -> Drawn<B> {
        let plot = self.layout.plot;
        let edges = x.0.iter().zip(low.0.iter().zip(&high.0)).map(|(x, (low, high))| {
            let (a, b) = (self.layout.py(f64::from(*low)), self.layout.py(f64::from(*high)));
            // `min` and `max` would hide a missing edge.
            let (top, bottom) = if a <= b { (a, b) } else { (b, a) };
            (self.layout.px(f64::from(*x)), top, bottom)
        });
        let colour = self.palette.line(ink);
        for run in thin::band_runs(edges) {
            let strips = if self.pen.likes_strips() { thin::strips(&run, 1.0 / self.ratio) } else { None };
            if let Some(strips) = strips {
                let mut seen = strips.iter().map(|strip| strip.shared(&plot));
                seen.try_for_each(|strip| self.pen.rect(&strip, colour, share(opacity)))?;
                continue;
            }
            let area = clip::area(outline(&thin::band(&run, plot.left, plot.right, 1.0 / self.ratio)), &plot);
            self.pen.fill(&area, colour, share(opacity))?;
        }
        Ok(())
    }

    fn filled_box(&mut self, [x0, x1, y0, y1]: [f64; 4], ink: Ink, opacity: f64) -> Drawn<B> {
        let across = self.layout.strip(Along::X, x0, x1);
        let area = across.shared(&self.layout.strip(Along::Y, y0, y1)).shared(&self.layout.plot);
        // A box of no width or height still says where it is.
        let least = |low: f64, high: f64| {
            if (0.0..1.0).contains(&(high - low)) { (low - 0.5, high + 0.5) } else { (low, high) }
        };
        let ((left, right), (top, bottom)) = (least(area.left, area.right), least(area.top, area.bottom));
        if !self.on_heat() {
            return self.pen.rect(&Rect { left, top, right, bottom }, self.palette.line(ink), share(opacity));
        }
        if left > right || top > bottom {
            return Ok(());
        }
        let around = vec![(left, top), (right, top), (right, bottom), (left, bottom), (left, top)];
        self.line(&[around], ink, Dash::Solid, 1.5)
    }

    /// Heat maps pixel by pixel, one rectangle for each stretch of equal colour in a row.
    fn heat(&mut self, figure: &Figure, view: &View) -> Drawn<B> {
        let plot = self.layout.plot;
        let (columns, rows) = ((plot.right - plot.left).ceil() as u32, (plot.bottom - plot.top).ceil() as u32);
        let Some(pixels) = heat::rgba(figure, view, self.layout, columns, rows) else { return Ok(()) };
        for (row, line) in pixels.chunks_exact(columns.max(1) as usize * 4).enumerate() {
            let top = plot.top + row as f64;
            let mut left = plot.left;
            for equal in line.as_chunks::<4>().0.chunk_by(|a, b| a == b) {
                let right = left + equal.len() as f64;
                if let Some([red, green, blue, 255]) = equal.first() {
                    self.pen.rect(&Rect { left, top, right, bottom: top + 1.0 }, (*red, *green, *blue), 1.0)?;
                }
                left = right;
            }
        }
        Ok(())
    }

    fn axes(&mut self) -> Drawn<B> {
        let plot = self.layout.plot;
        let (left, bottom) = (self.crisp(plot.left), self.crisp(plot.bottom));
        self.thin(&[(left, plot.top), (left, bottom), (plot.right, bottom)])?;
        for tick in &self.layout.x_ticks {
            let x = self.crisp(self.layout.px(tick.value));
            self.thin(&[(x, bottom), (x, bottom + TICK)])?;
        }
        for tick in &self.layout.y_ticks {
            let y = self.crisp(self.layout.py(tick.value));
            self.thin(&[(left, y), (left - TICK, y)])?;
        }
        Ok(())
    }

    fn colour_scale(&mut self) -> Drawn<B> {
        let Some(scale) = &self.layout.scale else { return Ok(()) };
        const STEPS: u32 = 64;
        let height = (scale.bar.bottom - scale.bar.top) / f64::from(STEPS);
        for step in 0..STEPS {
            let bottom = scale.bar.bottom - height * f64::from(step);
            // Each reaches under the next: no seams.
            let top = (bottom - height * 1.5).max(scale.bar.top);
            let colour = colour_map::colour((f64::from(step) + 0.5) / f64::from(STEPS));
            self.pen.rect(&Rect { top, bottom, ..scale.bar }, colour, 1.0)?;
        }
        for tick in &scale.ticks {
            let y = scale.bar.bottom - scale.limits.share(tick.value) * (scale.bar.bottom - scale.bar.top);
            self.thin(&[(scale.bar.right, y), (scale.bar.right + 3.0, y)])?;
        }
        Ok(())
    }

    fn pointer(&mut self, view: &View) -> Drawn<B> {
        let plot = self.layout.plot;
        let [x, y] = view.pointer.unwrap_or([None, None]);
        if let Some(x) = x.map(|x| self.layout.px(x)).filter(|x| (plot.left..=plot.right).contains(x)) {
            self.thin(&[(self.crisp(x), plot.top), (self.crisp(x), plot.bottom)])?;
        }
        if let Some(y) = y.map(|y| self.layout.py(y)).filter(|y| (plot.top..=plot.bottom).contains(y)) {
            self.thin(&[(plot.left, self.crisp(y)), (plot.right, self.crisp(y))])?;
        }
        Ok(())
    }

    fn words(&mut self, labels: &[labels::Label]) -> Drawn<B> {
        for label in labels {
            if label.among_data {
                self.pen.rect(&label.rect.grown(1.0), self.palette.ground, 0.8)?;
            }
            let colour = self.palette.text(label.ink);
            self.pen.words(&label.text, label.place, label.anchor, self.layout.size, colour)?;
        }
        Ok(())
    }

    fn thin(&mut self, points: &[Point]) -> Drawn<B> {
        self.pen.path(points, self.palette.ink, 0.8 * self.palette.line_factor)
    }

    /// The middle of the device pixel at `px`: thin lines there are sharp.
    fn crisp(&self, px: f64) -> f64 {
        ((px * self.ratio).floor() + 0.5) / self.ratio
    }
}

/// Around a band, there and back; at least a pixel high and wide.
fn outline(slices: &[thin::Slice]) -> Vec<Point> {
    let thick = |(x, top, bottom): thin::Slice| {
        let more = ((1.0 - (bottom - top)) / 2.0).max(0.0);
        (x, top - more, bottom + more)
    };
    let mut slices: Vec<thin::Slice> = slices.iter().copied().map(thick).collect();
    if let [(x, top, bottom)] = slices[..] {
        slices = vec![(x - 0.5, top, bottom), (x + 0.5, top, bottom)];
    }
    let there = slices.iter().map(|slice| (slice.0, slice.1));
    there.chain(slices.iter().rev().map(|slice| (slice.0, slice.2))).collect()
}

fn thickness(width: f64) -> f64 {
    if width.is_finite() { width.clamp(0.5, 40.0) } else { 1.0 }
}

fn share(opacity: f64) -> f64 {
    if opacity.is_finite() { opacity.clamp(0.0, 1.0) } else { 1.0 }
}
