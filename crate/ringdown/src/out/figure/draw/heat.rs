//! Heat maps as pixels.

use super::super::{Figure, Layer};
use super::axis::Range;
use super::layout::Layout;
use super::{View, colour_map};
use crate::out::figure::colour::{Palette, Rgb};

/// Distance of hatch lines over missing cells, in CSS pixels.
const HATCH: f64 = 6.0;

/// Colour limits and label of the first heat map: what the colour scale shows and all heat maps of a figure use.
/// Limits locked in the view win; unusable ones give way to the values' own.
pub fn limits(figure: &Figure, view: &View) -> Option<(Range, String)> {
    figure.layers.iter().find_map(|layer| match layer {
        Layer::Heat { low, high, label, values, .. } => {
            let usable = |limits: &[f64; 2]| limits.iter().all(|limit| limit.is_finite()) && limits[0] < limits[1];
            let given = view.heat.filter(usable).or(Some([*low, *high]).filter(usable));
            let [low, high] = given.unwrap_or_else(|| extent(&values.0));
            Some((Range::linear(low, high), label.clone()))
        }
        _ => None,
    })
}

fn extent(values: &[f32]) -> [f64; 2] {
    let finite = || values.iter().filter(|value| value.is_finite()).map(|value| f64::from(*value));
    let (low, high) = (finite().fold(f64::INFINITY, f64::min), finite().fold(f64::NEG_INFINITY, f64::max));
    if low <= high { [low, high] } else { [0.0, 1.0] }
}

/// A grid of values in its rectangle, borrowed from a layer that holds as many values as it promises.
struct Grid<'a> {
    columns: usize,
    rows: usize,
    x: [f64; 2],
    y: [f64; 2],
    values: &'a [f32],
}

impl<'a> Grid<'a> {
    fn of(layer: &'a Layer) -> Option<Self> {
        let Layer::Heat { columns, rows, x0, x1, y0, y1, values, .. } = layer else { return None };
        let (columns, rows) = (*columns as usize, *rows as usize);
        let count = columns.checked_mul(rows)?;
        let whole = count > 0 && values.0.len() >= count && [x0, x1, y0, y1].iter().all(|edge| edge.is_finite());
        (whole && x0 != x1 && y0 != y1).then_some(Self {
            columns,
            rows,
            x: [*x0, *x1],
            y: [*y0, *y1],
            values: &values.0,
        })
    }

    fn column(&self, index: usize) -> &[f32] {
        let from = index * self.rows;
        self.values.get(from..from + self.rows).unwrap_or_default()
    }

    /// The largest value of some cells: a short knock stays bright at any zoom. `None` where all are missing.
    fn largest(&self, columns: &Cells, rows: &Cells) -> Option<f32> {
        let cells = columns.clone().flat_map(|column| self.column(column).get(rows.clone()).unwrap_or_default());
        cells.copied().filter(|value| value.is_finite()).max_by(f32::total_cmp)
    }
}

type Cells = std::ops::Range<usize>;

/// Which of `count` cells between `edges` the stretch from `a` to `b` covers; `None` outside.
fn covered(a: f64, b: f64, edges: [f64; 2], count: usize) -> Option<Cells> {
    let at = |value: f64| (value - edges[0]) / (edges[1] - edges[0]) * count as f64;
    let middle = at((a + b) / 2.0);
    if !(middle >= 0.0 && middle < count as f64) {
        return None;
    }
    let (from, to) = (at(a).min(at(b)).max(0.0), at(a).max(at(b)).min(count as f64));
    // Less than a whole cell shows the one in its middle; more shows every cell whose centre is covered.
    let (first, past) = ((from + 0.5).floor() as usize, (to + 0.5).floor() as usize);
    if past > first { Some(first..past.min(count)) } else { Some(middle as usize..middle as usize + 1) }
}

/// The stretches of cells under each of `pixels` pixels along an axis.
fn along(range: &Range, pixels: u32, edges: [f64; 2], count: usize) -> Vec<Option<Cells>> {
    let edge = |pixel: u32| range.value(f64::from(pixel) / f64::from(pixels));
    (0..pixels).map(|pixel| covered(edge(pixel), edge(pixel + 1), edges, count)).collect()
}

/// RGBA pixels of a figure's heat maps over its plot, top row first; transparent where there is none.
/// Nearest cell when enlarged, largest value when reduced.
pub fn rgba(figure: &Figure, view: &View, layout: &Layout, width: u32, height: u32) -> Option<Vec<u8>> {
    let (limits, _) = limits(figure, view)?;
    let bytes = (width as usize).checked_mul(height as usize)?.checked_mul(4)?;
    let mut pixels = vec![0u8; bytes];
    let palette = Palette::of(view.scheme);
    let hatch = (HATCH * f64::from(width) / (layout.plot.right - layout.plot.left)).round().max(2.0) as usize;
    for grid in figure.layers.iter().filter_map(Grid::of) {
        let columns = along(&layout.x, width, grid.x, grid.columns);
        let mut rows = along(&layout.y, height, grid.y, grid.rows);
        rows.reverse();
        for (row, (line, cells)) in pixels.chunks_exact_mut(width.max(1) as usize * 4).zip(&rows).enumerate() {
            let Some(cells) = cells else { continue };
            for (column, (pixel, wide)) in line.as_chunks_mut::<4>().0.iter_mut().zip(&columns).enumerate() {
                let Some(wide) = wide else { continue };
                let (red, green, blue) = match grid.largest(wide, cells) {
                    Some(value) => colour_map::colour(limits.share(f64::from(value))),
                    None => hatched(&palette, row + column, hatch),
                };
                *pixel = [red, green, blue, 255];
            }
        }
    }
    Some(pixels)
}

fn hatched(palette: &Palette, diagonal: usize, distance: usize) -> Rgb {
    if diagonal % distance < distance.div_ceil(6) { palette.quiet } else { palette.ground }
}

/// The value at a place, of the topmost heat map there: `Some(None)` for a missing cell.
pub fn value(figure: &Figure, x: f64, y: f64) -> Option<Option<f32>> {
    figure.layers.iter().rev().filter_map(Grid::of).find_map(|grid| {
        let column = covered(x, x, grid.x, grid.columns)?;
        let row = covered(y, y, grid.y, grid.rows)?;
        Some(grid.largest(&column, &row))
    })
}
