//! Where everything stands: margins, axes, ticks, the colour scale of heat maps.

use super::super::{Along, Axis, Figure, Layer};
use super::axis::Range;
use super::clip::Rect;
use super::text::{broken, clean, width};
use super::ticks::{self, Tick};
use super::{Plot, Scheme, View, heat};
use crate::stats::order::Arrange;

/// Length of a tick and the gap to its figure, in CSS pixels.
pub const TICK: f64 = 4.0;
/// Gap between a mark and its words.
pub const GAP: f64 = 6.0;
/// Left margin that most figures share, so that charts above one another line up.
const LEFT: f64 = 46.0;
/// Width of the colour scale.
const BAR: f64 = 12.0;
/// Largest share of the width given to labels right of the plot.
const LABEL_SHARE: f64 = 0.28;

/// Everything that is decided before drawing.
#[derive(Debug, Clone, PartialEq)]
pub struct Layout {
    /// Whole picture.
    pub picture: Rect,
    /// Inside the axes.
    pub plot: Rect,
    /// Shown range along the bottom.
    pub x: Range,
    /// Shown range along the left.
    pub y: Range,
    /// Bottom ticks.
    pub x_ticks: Vec<Tick>,
    /// Left ticks.
    pub y_ticks: Vec<Tick>,
    /// Lines of the bottom label, right-aligned under the axis.
    pub x_label: Vec<String>,
    /// Lines of the left label, above the axis.
    pub y_label: Vec<String>,
    /// Where the y label starts.
    pub y_label_left: f64,
    /// Colour scale, if there are heat maps.
    pub scale: Option<ColourScale>,
    /// Size of letters in CSS pixels.
    pub size: f64,
    /// Distance of lines of words.
    pub leading: f64,
    /// Labels of lines have room right of the plot.
    pub outside: bool,
}

/// The colour scale at the right.
#[derive(Debug, Clone, PartialEq)]
pub struct ColourScale {
    /// The coloured bar.
    pub bar: Rect,
    /// Its ends.
    pub limits: Range,
    /// Figures beside it, both ends included.
    pub ticks: Vec<Tick>,
    /// Quantity and unit.
    pub label: String,
}

impl Layout {
    /// Lays out `figure` at `view`. Any size gives a layout with a plot of at least one pixel.
    pub fn of(figure: &Figure, view: &View) -> Self {
        let picture = Rect { left: 0.0, top: 0.0, right: sane(view.width), bottom: sane(view.height) };
        let size = if view.scheme == Scheme::Sun { 13.0 } else { 12.0 };
        let leading = (size * 1.3_f64).round();
        let (x, y) = (Range::shown(&figure.x, view.x), Range::shown(&figure.y, view.y));
        let scale = heat::limits(figure, view).map(|(limits, label)| scale_of(limits, &clean(&label)));

        let scale_label = scale.as_ref().map_or(0.0, |scale| width(&scale.label, size) + 2.0 * GAP);
        let (labels, outside) = side_labels(figure, picture.right, size, scale.is_some());
        let right = picture.right - right_margin(scale.as_ref(), labels, size);
        let y_label = broken(&figure.y.label, size, (picture.right - scale_label).max(picture.right / 3.0));
        let x_label = broken(&figure.x.label, size, picture.right);
        let heading = (y_label.len().max(usize::from(scale.is_some()))) as f64 * leading;
        let tagged = if has_top_labels(figure) { leading } else { 0.0 };
        let top = if heading + tagged > 0.0 { heading + tagged + GAP } else { size };
        let bottom = picture.bottom - (TICK + 3.0 + leading * (1 + x_label.len()) as f64);
        let (top, bottom) = ordered(top, bottom, picture.bottom);

        let most = ((bottom - top) / (2.0 * leading)).floor().max(2.0) as usize + 1;
        let y_ticks = chosen(&figure.y, &y, most, |ticks| ticks.len() <= most_rows(bottom - top, leading));
        let widest = y_ticks.iter().map(|tick| width(&tick.text, size)).fold(0.0, f64::max);
        let left = (widest + TICK + 3.0 + 2.0).clamp(LEFT, (picture.right * 0.5).max(LEFT)).min(picture.right * 0.6);
        let (left, right) = ordered(left, right, picture.right);
        let x_ticks = chosen(&figure.x, &x, ticks::MOST, |ticks| side_by_side(ticks, &x, right - left, size));

        let widest_line = y_label.iter().map(|line| width(line, size)).fold(0.0, f64::max);
        let y_label_left = left.min(picture.right - scale_label - widest_line).max(0.0);
        let scale = scale.map(|scale| scale.standing(right + 2.0 * GAP, top, bottom, leading));
        let plot = Rect { left, top, right, bottom };
        Self { picture, plot, x, y, x_ticks, y_ticks, x_label, y_label, y_label_left, scale, size, leading, outside }
    }

    /// What pointer, zoom and the page's image of a heat map need to know.
    pub fn plot(&self) -> Plot {
        Plot {
            left: self.plot.left,
            top: self.plot.top,
            right: self.plot.right,
            bottom: self.plot.bottom,
            x: [self.x.low, self.x.high],
            y: [self.y.low, self.y.high],
        }
    }

    /// Pixel of a value along the bottom.
    pub fn px(&self, x: f64) -> f64 {
        self.plot.left + self.x.share(x) * (self.plot.right - self.plot.left)
    }

    /// Pixel of a value along the left.
    pub fn py(&self, y: f64) -> f64 {
        self.plot.bottom - self.y.share(y) * (self.plot.bottom - self.plot.top)
    }

    /// Pixels of the strip between two values.
    pub fn strip(&self, along: Along, from: f64, to: f64) -> Rect {
        match along {
            Along::X => {
                let (a, b) = (self.px(from), self.px(to));
                Rect { left: a.min(b), right: a.max(b), ..self.plot }
            }
            Along::Y => {
                let (a, b) = (self.py(from), self.py(to));
                Rect { top: a.min(b), bottom: a.max(b), ..self.plot }
            }
        }
    }
}

impl ColourScale {
    fn standing(mut self, left: f64, top: f64, bottom: f64, leading: f64) -> Self {
        self.bar = Rect { left, top, right: left + BAR, bottom };
        let height = bottom - top;
        let apart = |tick: &Tick, other: &Tick| {
            (self.limits.share(tick.value) - self.limits.share(other.value)).abs() * height >= 1.2 * leading
        };
        let ends = ends(&self.limits);
        let between = std::mem::take(&mut self.ticks);
        self.ticks = between.into_iter().filter(|tick| ends.iter().all(|end| apart(tick, end))).collect();
        self.ticks.extend(ends);
        self
    }
}

/// Both ends with as many decimals as tell them within a hundredth of the scale.
fn ends(limits: &Range) -> [Tick; 2] {
    let length = limits.high - limits.low;
    [limits.low, limits.high].map(|value| {
        let ten = libm::pow(10.0, libm::floor(libm::log10(length)));
        let told = |step: &f64| ((value / step).round() * step - value).abs() <= length / 100.0;
        let step = [ten, ten / 10.0, ten / 100.0].into_iter().find(told).unwrap_or(ten / 1000.0);
        Tick { value, text: ticks::figure(value, step) }
    })
}

fn scale_of(limits: Range, label: &str) -> ColourScale {
    let bar = Rect { left: 0.0, top: 0.0, right: 0.0, bottom: 0.0 };
    ColourScale { bar, limits, ticks: ticks::ticks(&limits, 5), label: label.to_string() }
}

fn right_margin(scale: Option<&ColourScale>, labels: f64, size: f64) -> f64 {
    let Some(scale) = scale else { return labels.max(16.0) };
    let figures = scale.ticks.iter().map(|tick| tick.text.clone()).chain(ends(&scale.limits).map(|tick| tick.text));
    let widest = figures.map(|text| width(&text, size)).fold(0.0, f64::max);
    2.0 * GAP + BAR + 4.0 + widest + 2.0
}

/// Room right of the plot for the labels of lines and level rules, and whether they all find place there.
fn side_labels(figure: &Figure, picture: f64, size: f64, heat: bool) -> (f64, bool) {
    let labels = figure.layers.iter().filter_map(|layer| match layer {
        Layer::Line { label, .. } => label.as_ref(),
        Layer::Rule { along: Along::Y, label, .. } | Layer::Span { along: Along::Y, label, .. } => label.as_ref(),
        _ => None,
    });
    let widest = labels.map(|label| width(&clean(label), size)).fold(0.0, f64::max);
    let fits = !heat && widest > 0.0 && widest + GAP <= LABEL_SHARE * picture;
    (if fits { widest + GAP + 2.0 } else { 0.0 }, fits)
}

fn has_top_labels(figure: &Figure) -> bool {
    figure.layers.iter().any(|layer| {
        matches!(
            layer,
            Layer::Span { along: Along::X, label: Some(_), .. } | Layer::Rule { along: Along::X, label: Some(_), .. }
        )
    })
}

/// The ticks of an axis that `fit`: given ones thinned out evenly, others in wider steps.
fn chosen(axis: &Axis, range: &Range, most: usize, fit: impl Fn(&[Tick]) -> bool) -> Vec<Tick> {
    if axis.ticks.is_empty() {
        let mut coarser = (2..=most.min(ticks::MOST)).rev().map(|most| ticks::ticks(range, most));
        let fitting = coarser.find(|ticks| fit(ticks));
        return fitting.unwrap_or_else(|| ticks::ticks(range, 2).into_iter().take(1).collect());
    }
    let given: Vec<(f64, String)> = axis.ticks.iter().map(|(value, text)| (*value, clean(text))).collect();
    let all = ticks::fixed(range, &given);
    let thinned = (1..=all.len().max(1)).map(|stride| all.iter().step_by(stride).cloned().collect::<Vec<_>>());
    thinned.into_iter().find(|ticks| fit(ticks)).unwrap_or_default()
}

fn most_rows(height: f64, leading: f64) -> usize {
    (height / leading).floor().max(1.0) as usize + 1
}

fn side_by_side(ticks: &[Tick], range: &Range, length: f64, size: f64) -> bool {
    let ends = |tick: &Tick| {
        let (centre, half) = (range.share(tick.value) * length, width(&tick.text, size) / 2.0);
        (centre - half, centre + half)
    };
    let mut ends: Vec<(f64, f64)> = ticks.iter().map(ends).collect();
    ends.arrange(|a, b| a.0.total_cmp(&b.0));
    ends.iter().zip(ends.iter().skip(1)).all(|(a, b)| b.0 - a.1 >= size * 0.7)
}

/// `low < high`, at least one pixel apart, as far as the picture allows.
fn ordered(low: f64, high: f64, whole: f64) -> (f64, f64) {
    if high - low >= 1.0 {
        return (low, high);
    }
    let middle = (whole / 2.0).max(0.5);
    (middle - 0.5, middle + 0.5)
}

fn sane(length: f64) -> f64 {
    if length.is_finite() { length.clamp(1.0, 16_384.0) } else { 1.0 }
}
