//! Every word of a picture and a place for it where no two touch.

use super::super::{Along, Figure, Ink, Layer};
use super::clip::{self, Point, Rect};
use super::layout::{ColourScale, GAP, Layout, TICK};
use super::pen::Anchor;
use super::text::{clean, fitted, width};
use crate::stats::order::Arrange;

/// Words with their place. `rect` is what they cover by the width table.
#[derive(Debug, Clone, PartialEq)]
pub struct Label {
    /// What it says.
    pub text: String,
    /// The anchored end or middle, half-way up the letters.
    pub place: Point,
    /// Which point `place` is.
    pub anchor: Anchor,
    /// Its ink.
    pub ink: Ink,
    /// Area covered.
    pub rect: Rect,
    /// Stands among the data: needs the ground's colour behind it.
    pub among_data: bool,
}

/// The visible parts of every layer, in pixels; empty where a layer is neither line nor rule.
pub type Lines = Vec<Vec<Vec<Point>>>;

/// All words of `figure`. Those of the axes come first and always; a label that finds no free place is left out.
pub fn arrange(figure: &Figure, layout: &Layout, lines: &Lines) -> Vec<Label> {
    let mut words = Words { layout, lines, placed: Vec::new() };
    words.axes();
    if let Some(scale) = &layout.scale {
        words.colour_scale(scale);
    }
    words.right_ends(figure);
    figure.layers.iter().for_each(|layer| words.top(layer));
    figure.layers.iter().enumerate().for_each(|(index, layer)| words.among_data(index, layer));
    words.placed
}

struct Words<'a> {
    layout: &'a Layout,
    lines: &'a Lines,
    placed: Vec<Label>,
}

impl Words<'_> {
    fn axes(&mut self) {
        let (plot, size, leading) = (self.layout.plot, self.layout.size, self.layout.leading);
        let below = plot.bottom + TICK + 3.0 + leading / 2.0;
        for tick in &self.layout.x_ticks {
            let half = width(&tick.text, size) / 2.0;
            let centre = self.layout.px(tick.value).min(self.layout.picture.right - half).max(half);
            self.put(&tick.text, (centre, below), Anchor::Middle, Ink::Ink);
        }
        for tick in &self.layout.y_ticks {
            let place = (plot.left - TICK - 3.0, self.layout.py(tick.value));
            self.put(&tick.text, place, Anchor::End, Ink::Ink);
        }
        for (row, line) in self.layout.x_label.iter().enumerate() {
            let across = plot.right.max(width(line, size));
            self.put(line, (across, below + leading * (row + 1) as f64), Anchor::End, Ink::Ink);
        }
        for (row, line) in self.layout.y_label.iter().enumerate() {
            self.put(line, (self.layout.y_label_left, leading * (row as f64 + 0.5)), Anchor::Start, Ink::Ink);
        }
    }

    fn colour_scale(&mut self, scale: &ColourScale) {
        for tick in &scale.ticks {
            let share = scale.limits.share(tick.value);
            let across = scale.bar.bottom - share * (scale.bar.bottom - scale.bar.top);
            self.put(&tick.text, (scale.bar.right + 4.0, across), Anchor::Start, Ink::Ink);
        }
        let room = self.layout.picture.right * 0.6;
        let text = fitted(&scale.label, self.layout.size, room);
        self.put(&text, (self.layout.picture.right - 1.0, self.layout.leading * 0.5), Anchor::End, Ink::Ink);
    }

    /// Labels right of the plot, each as near its line's end as the others allow.
    fn right_ends(&mut self, figure: &Figure) {
        if !self.layout.outside {
            return;
        }
        let plot = self.layout.plot;
        let room = ((plot.bottom - plot.top) / self.layout.leading).floor().max(1.0) as usize;
        let mut ends: Vec<(f64, &str, Ink)> = figure
            .layers
            .iter()
            .enumerate()
            .filter_map(|(index, layer)| self.right_end(index, layer))
            .take(room)
            .collect();
        ends.arrange(|a, b| a.0.total_cmp(&b.0));
        let wanted: Vec<f64> = ends.iter().map(|end| end.0).collect();
        let half = self.layout.leading / 2.0;
        let heights = spread(&wanted, self.layout.leading, plot.top + half, plot.bottom - half);
        for ((_, text, ink), height) in ends.into_iter().zip(heights) {
            self.put(text, (plot.right + GAP, height), Anchor::Start, ink);
        }
    }

    fn right_end<'f>(&self, index: usize, layer: &'f Layer) -> Option<(f64, &'f str, Ink)> {
        let plot = self.layout.plot;
        match layer {
            Layer::Line { label: Some(label), ink, .. } => {
                let (x, y) = self.end_of(index)?;
                let near = x + GAP + width(&clean(label), self.layout.size) > plot.right;
                near.then_some((y, label, *ink))
            }
            Layer::Rule { along: Along::Y, at, label: Some(label), ink, .. } => {
                let y = self.layout.py(*at);
                (plot.top..=plot.bottom).contains(&y).then_some((y, label, *ink))
            }
            Layer::Span { along: Along::Y, from, to, label: Some(label), ink } => {
                let strip = self.layout.strip(Along::Y, *from, *to).shared(&plot);
                (strip.top < strip.bottom).then_some(((strip.top + strip.bottom) / 2.0, label, *ink))
            }
            _ => None,
        }
    }

    fn end_of(&self, index: usize) -> Option<Point> {
        self.lines.get(index)?.last()?.last().copied()
    }

    /// Labels of strips and rules along x stand above the plot, or in its first rows where that is taken.
    fn top(&mut self, layer: &Layer) {
        let (strip, label, ink) = match layer {
            Layer::Span { along: Along::X, from, to, label: Some(label), ink } => {
                (self.layout.strip(Along::X, *from, *to), label, ink)
            }
            Layer::Rule { along: Along::X, at, label: Some(label), ink, .. } => {
                (self.layout.strip(Along::X, *at, *at), label, ink)
            }
            _ => return,
        };
        let plot = self.layout.plot;
        let (left, right) = (strip.left.max(plot.left), strip.right.min(plot.right));
        if left > right || left.is_nan() || right.is_nan() {
            return;
        }
        let text = fitted(&clean(label), self.layout.size, self.layout.picture.right);
        let half = width(&text, self.layout.size) / 2.0;
        let centre = ((left + right) / 2.0).min(self.layout.picture.right - half).max(half);
        let leading = self.layout.leading;
        let rows = [-GAP / 2.0 - leading / 2.0, leading * 0.5, leading * 1.5, leading * 2.5].map(|row| plot.top + row);
        let places = rows.into_iter().flat_map(|row| {
            [
                (centre, row),
                (left + half, row),
                (right - half, row),
                (right + half + 3.0, row),
                (left - half - 3.0, row),
            ]
        });
        self.first_free(&text, places.map(|place| (place, Anchor::Middle)).collect(), *ink);
    }

    fn among_data(&mut self, index: usize, layer: &Layer) {
        let (size, plot) = (self.layout.size, self.layout.plot);
        let room = plot.right - plot.left;
        match layer {
            Layer::Line { label: Some(label), ink, .. }
                if !(self.layout.outside && self.right_end(index, layer).is_some()) =>
            {
                let text = fitted(&clean(label), size, room);
                let places = self.line_places(index, &text);
                self.clearest(&text, places, *ink);
            }
            Layer::Points { x, y, label: Some(label), ink, size: mark, .. } => {
                let pixels =
                    x.0.iter().zip(&y.0).map(|(x, y)| (self.layout.px(f64::from(*x)), self.layout.py(f64::from(*y))));
                let rightmost = pixels.filter(|point| plot.holds(*point)).max_by(|a, b| a.0.total_cmp(&b.0));
                let text = fitted(&clean(label), size, room);
                self.clearest(
                    &text,
                    rightmost.map_or_else(Vec::new, |point| around(point, self.layout.leading, mark_gap(*mark))),
                    *ink,
                );
            }
            Layer::Box { x0, x1, y0, y1, label: Some(label), ink, .. } => {
                self.box_label([*x0, *x1, *y0, *y1], label, *ink)
            }
            Layer::Text { x, y, text, ink } => {
                let place = (self.layout.px(*x), self.layout.py(*y));
                if plot.holds(place) {
                    let text = fitted(&clean(text), size, room);
                    let mut places = vec![(place, Anchor::Start), (place, Anchor::End)];
                    places.extend(around(place, self.layout.leading, 0.0));
                    self.first_free(&text, places, *ink);
                }
            }
            Layer::Rule { along: Along::Y, at, label: Some(label), ink, .. } if !self.layout.outside => {
                self.level_label(self.layout.py(*at), label, *ink);
            }
            Layer::Span { along: Along::Y, from, to, label: Some(label), ink } if !self.layout.outside => {
                let strip = self.layout.strip(Along::Y, *from, *to).shared(&plot);
                self.level_label((strip.top + strip.bottom) / 2.0, label, *ink);
            }
            _ => {}
        }
    }

    fn box_label(&mut self, [x0, x1, y0, y1]: [f64; 4], label: &str, ink: Ink) {
        let (across, up) = (self.layout.strip(Along::X, x0, x1), self.layout.strip(Along::Y, y0, y1));
        let area = across.shared(&up).shared(&self.layout.plot);
        if !(area.left <= area.right && area.top <= area.bottom) {
            return;
        }
        let text = fitted(&clean(label), self.layout.size, self.layout.plot.right - self.layout.plot.left);
        let (middle_x, middle_y) = ((area.left + area.right) / 2.0, (area.top + area.bottom) / 2.0);
        let away = self.layout.leading / 2.0 + 1.0;
        let places = vec![
            ((area.right + GAP, middle_y), Anchor::Start),
            ((area.left - GAP, middle_y), Anchor::End),
            ((middle_x, area.top - away), Anchor::Middle),
            ((middle_x, area.bottom + away), Anchor::Middle),
        ];
        self.clearest(&text, places, ink);
    }

    /// A label at the right end of a level line, inside the plot.
    fn level_label(&mut self, height: f64, label: &str, ink: Ink) {
        let plot = self.layout.plot;
        if !(plot.top..=plot.bottom).contains(&height) {
            return;
        }
        let text = fitted(&clean(label), self.layout.size, plot.right - plot.left);
        let away = self.layout.leading / 2.0 + 1.0;
        let places = [(plot.right - 2.0, Anchor::End), (plot.left + GAP, Anchor::Start)]
            .into_iter()
            .flat_map(|(x, anchor)| [((x, height - away), anchor), ((x, height + away), anchor)]);
        self.first_free(&text, places.collect(), ink);
    }

    /// Places for the label of a line: right of its end, then above and below it, ever further from the end.
    fn line_places(&self, index: usize, text: &str) -> Vec<(Point, Anchor)> {
        let points: Vec<Point> = self.lines.get(index).into_iter().flatten().flatten().copied().collect();
        let Some(end) = points.last().copied() else { return Vec::new() };
        let away = self.layout.leading * 0.75;
        let mut places = vec![((end.0 + GAP, end.1), Anchor::Start)];
        for share in [1.0, 0.9, 0.75, 0.6, 0.45, 0.3, 0.15] {
            let from = points.first().map_or(end.0, |first| first.0.min(end.0));
            let across = from + share * (end.0 - from);
            let nearest = points.iter().min_by(|a, b| (a.0 - across).abs().total_cmp(&(b.0 - across).abs()));
            let Some((x, y)) = nearest.copied() else { continue };
            let x =
                x.min(self.layout.plot.right - 2.0).max(self.layout.plot.left + width(text, self.layout.size) + 2.0);
            places.extend([((x, y - away), Anchor::End), ((x, y + away), Anchor::End)]);
        }
        places
    }

    /// Puts words where they always stand.
    fn put(&mut self, text: &str, place: Point, anchor: Anchor, ink: Ink) {
        let text = clean(text);
        let rect = self.covered(&text, place, anchor);
        self.placed.push(Label { text, place, anchor, ink, rect, among_data: false });
    }

    fn first_free(&mut self, text: &str, places: Vec<(Point, Anchor)>, ink: Ink) {
        let free = places.into_iter().find(|(place, anchor)| self.free(text, *place, *anchor));
        self.put_among(text, free, ink);
    }

    /// The free place that the fewest lines cross, the earliest of equals.
    fn clearest(&mut self, text: &str, places: Vec<(Point, Anchor)>, ink: Ink) {
        let free = places.into_iter().filter(|(place, anchor)| self.free(text, *place, *anchor));
        let best = free.min_by_key(|(place, anchor)| self.crossings(&self.covered(text, *place, *anchor)));
        self.put_among(text, best, ink);
    }

    fn put_among(&mut self, text: &str, place: Option<(Point, Anchor)>, ink: Ink) {
        let Some((place, anchor)) = place else { return };
        let rect = self.covered(text, place, anchor);
        let among_data = rect.bottom > self.layout.plot.top;
        self.placed.push(Label { text: text.to_string(), place, anchor, ink, rect, among_data });
    }

    fn free(&self, text: &str, place: Point, anchor: Anchor) -> bool {
        let rect = self.covered(text, place, anchor);
        let bounds = Rect { top: 0.0, bottom: self.layout.plot.bottom, left: 0.0, right: self.layout.picture.right };
        !text.is_empty() && bounds.contains(&rect) && !self.placed.iter().any(|label| label.rect.meets(&rect))
    }

    fn crossings(&self, rect: &Rect) -> usize {
        let crosses = |part: &&Vec<Point>| {
            part.iter().zip(part.iter().skip(1)).any(|(a, b)| clip::segment(*a, *b, rect).is_some())
        };
        self.lines.iter().flatten().filter(crosses).count()
    }

    fn covered(&self, text: &str, (x, y): Point, anchor: Anchor) -> Rect {
        let (wide, half) = (width(text, self.layout.size), self.layout.size * 0.55);
        let left = match anchor {
            Anchor::Start => x,
            Anchor::Middle => x - wide / 2.0,
            Anchor::End => x - wide,
        };
        Rect { left, right: left + wide, top: y - half, bottom: y + half }
    }
}

/// Places around a mark: right, left, then above and below.
fn around((x, y): Point, leading: f64, gap: f64) -> Vec<(Point, Anchor)> {
    let mut places = vec![((x + gap, y), Anchor::Start), ((x - gap, y), Anchor::End)];
    for row in [1.0, 2.0, 3.0] {
        let away = leading * row;
        places.extend([((x + gap, y - away), Anchor::Start), ((x + gap, y + away), Anchor::Start)]);
        places.extend([((x - gap, y - away), Anchor::End), ((x - gap, y + away), Anchor::End)]);
    }
    places
}

/// From the middle of a mark to its words.
fn mark_gap(size: f64) -> f64 {
    if size.is_finite() { size.clamp(0.0, 40.0) / 2.0 + GAP * 0.75 } else { GAP }
}

/// Heights nearest to the `wanted` ones (ascending) that keep `apart` and stay between `top` and `bottom`: least squares
/// under an order, by pooling adjacent violators (Ayer et al., Ann. Math. Statist. 26 (1955) 641-647).
fn spread(wanted: &[f64], apart: f64, top: f64, bottom: f64) -> Vec<f64> {
    let mut blocks: Vec<(f64, usize)> = Vec::new();
    for (index, height) in wanted.iter().enumerate() {
        let mut block = (height - apart * index as f64, 1);
        while let Some(before) = blocks.pop_if(|before| before.0 >= block.0) {
            let count = before.1 + block.1;
            block = ((before.0 * before.1 as f64 + block.0 * block.1 as f64) / count as f64, count);
        }
        blocks.push(block);
    }
    let last = apart * wanted.len().saturating_sub(1) as f64;
    let shifted = blocks.into_iter().flat_map(|(height, count)| std::iter::repeat_n(height, count));
    shifted.enumerate().map(|(index, height)| height.min(bottom - last).max(top) + apart * index as f64).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_labels_at_one_height_part_evenly() {
        assert_eq!(spread(&[50.0, 50.0], 16.0, 0.0, 100.0), [42.0, 58.0]);
        assert_eq!(spread(&[98.0, 99.0], 16.0, 0.0, 100.0), [84.0, 100.0]);
        assert_eq!(spread(&[10.0, 60.0], 16.0, 0.0, 100.0), [10.0, 60.0]);
    }
}
