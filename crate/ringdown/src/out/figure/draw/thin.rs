//! Fewer points, same picture: what falls into one pixel column is told by its first, lowest, highest and last point.

use super::clip::Point;

/// Runs of points without a gap: a point that is not finite ends one.
pub fn runs(points: impl Iterator<Item = Point>) -> Vec<Vec<Point>> {
    let mut runs = vec![Vec::new()];
    for point in points {
        let finite = point.0.is_finite() && point.1.is_finite();
        match runs.last_mut() {
            Some(run) if finite => run.push(point),
            Some(run) if !run.is_empty() => runs.push(Vec::new()),
            _ => {}
        }
    }
    runs.retain(|run| !run.is_empty());
    runs
}

/// An unbroken line thinned for drawing between `left` and `right`: consecutive points of one pixel column of a width
/// of `column` become at most four, so that one-sample spikes survive. What lies beyond either side is one column.
pub fn line(points: &[Point], left: f64, right: f64, column: f64) -> Vec<Point> {
    let mut out = Vec::new();
    for group in points.chunk_by(|a, b| column_of(a.0, left, right, column) == column_of(b.0, left, right, column)) {
        if group.len() <= 4 {
            out.extend_from_slice(group);
        } else {
            out.extend(ends(group));
        }
    }
    out
}

fn column_of(x: f64, left: f64, right: f64, column: f64) -> i64 {
    // A float-to-integer `as` saturates.
    ((x.clamp(left - column, right + column) - left) / column).floor() as i64
}

/// First, lowest and highest in the order they come, last.
fn ends(group: &[Point]) -> Vec<Point> {
    let by_y = |(_, a): &(usize, &Point), (_, b): &(usize, &Point)| a.1.total_cmp(&b.1);
    let lowest = group.iter().enumerate().min_by(by_y).map_or(0, |(at, _)| at);
    let highest = group.iter().enumerate().max_by(by_y).map_or(0, |(at, _)| at);
    let mut kept = [0, lowest.min(highest), lowest.max(highest), group.len().saturating_sub(1)].to_vec();
    kept.dedup();
    kept.into_iter().filter_map(|at| group.get(at)).copied().collect()
}

/// A band between two edges: x, top and bottom in pixels.
pub type Slice = (f64, f64, f64);

/// Runs of slices without a gap.
pub fn band_runs(slices: impl Iterator<Item = Slice>) -> Vec<Vec<Slice>> {
    let mut runs = vec![Vec::new()];
    for slice in slices {
        let finite = slice.0.is_finite() && slice.1.is_finite() && slice.2.is_finite();
        match runs.last_mut() {
            Some(run) if finite => run.push(slice),
            Some(run) if !run.is_empty() => runs.push(Vec::new()),
            _ => {}
        }
    }
    runs.retain(|run| !run.is_empty());
    runs
}

/// An unbroken band thinned: a pixel column keeps its outermost edges.
pub fn band(slices: &[Slice], left: f64, right: f64, column: f64) -> Vec<Slice> {
    let mut out = Vec::new();
    for group in slices.chunk_by(|a, b| column_of(a.0, left, right, column) == column_of(b.0, left, right, column)) {
        let top = group.iter().map(|slice| slice.1).fold(f64::INFINITY, f64::min);
        let bottom = group.iter().map(|slice| slice.2).fold(f64::NEG_INFINITY, f64::max);
        out.extend(group.first().map(|slice| (slice.0, top, bottom)));
        out.extend(group.last().filter(|_| group.len() > 1).map(|slice| (slice.0, top, bottom)));
    }
    out
}
