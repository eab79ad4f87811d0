//! Fewer points, same picture: what falls into one pixel column is told by its first, lowest, highest and last point.

use super::clip::{Point, Rect};

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

/// Outermost edges of some slices.
fn outermost(slices: &[Slice]) -> (f64, f64) {
    let top = slices.iter().map(|slice| slice.1).fold(f64::INFINITY, f64::min);
    (top, slices.iter().map(|slice| slice.2).fold(f64::NEG_INFINITY, f64::max))
}

/// An unbroken band thinned: a pixel column keeps its outermost edges.
pub fn band(slices: &[Slice], left: f64, right: f64, column: f64) -> Vec<Slice> {
    let mut out = Vec::new();
    for group in slices.chunk_by(|a, b| column_of(a.0, left, right, column) == column_of(b.0, left, right, column)) {
        let (top, bottom) = outermost(group);
        out.extend(group.first().map(|slice| (slice.0, top, bottom)));
        out.extend(group.last().filter(|_| group.len() > 1).map(|slice| (slice.0, top, bottom)));
    }
    out
}

/// Fewest pixel columns that are worth strips instead of an outline.
const FEWEST_STRIPS: usize = 64;
/// Most columns in a row that may lack a slice.
const MOST_LACKING: f64 = 2.0;

/// An unbroken band as upright strips, a pixel column of width `column` each, side by side without a gap and reaching
/// to their neighbours' edges as an outline would; `None` where the band has fewer corners than that is worth.
pub fn strips(slices: &[Slice], column: f64) -> Option<Vec<Rect>> {
    let place = |slice: &Slice| (slice.0 / column).floor();
    let mut out: Vec<Rect> = Vec::new();
    for group in slices.chunk_by(|a, b| place(a) == place(b)) {
        let left = place(group.first()?) * column;
        let (top, bottom) = outermost(group);
        let strip = |left: f64, top: f64, bottom: f64| Rect { left, top, right: left + column, bottom };
        let lacking = out.last().map_or(0.0, |last| ((left - last.right) / column).round());
        if !(0.0..=MOST_LACKING).contains(&lacking) {
            return None;
        }
        // A column that no slice falls into shows what an outline would there.
        for at in 1..=lacking as u32 {
            let share = 1.0 / (lacking + 2.0 - f64::from(at));
            let last = *out.last()?;
            let toward = |from: f64, to: f64| from + (to - from) * share;
            out.push(strip(last.left + column, toward(last.top, top), toward(last.bottom, bottom)));
        }
        out.push(strip(left, top, bottom));
    }
    if out.len() < FEWEST_STRIPS {
        return None;
    }
    for at in 1..out.len() {
        let [earlier, later] = out.get_mut(at - 1..=at)? else { return None };
        let (above, below) = if earlier.bottom < later.top { (earlier, later) } else { (later, earlier) };
        if above.bottom < below.top {
            let middle = 0.5 * (above.bottom + below.top);
            (above.bottom, below.top) = (middle, middle);
        }
    }
    for strip in &mut out {
        let lacking = 0.5 * (column - (strip.bottom - strip.top)).max(0.0);
        (strip.top, strip.bottom) = (strip.top - lacking, strip.bottom + lacking);
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Truth: by hand.
    #[test]
    fn a_dense_band_becomes_strips_that_touch() {
        let slices: Vec<Slice> = (0..100)
            .map(|k| (f64::from(k) + 0.3, if k < 50 { 10.0 } else { 30.0 }, if k < 50 { 20.0 } else { 30.0 }))
            .collect();
        let strips = strips(&slices, 1.0).unwrap();
        assert_eq!(strips.len(), 100);
        assert!(strips.windows(2).all(|pair| pair[0].right == pair[1].left), "side by side");
        let at = |k: usize| (strips[k].left, strips[k].top, strips[k].right, strips[k].bottom);
        assert_eq!(at(0), (0.0, 10.0, 1.0, 20.0));
        assert_eq!(
            (at(49), at(50)),
            ((49.0, 10.0, 50.0, 25.0), (50.0, 25.0, 51.0, 30.0)),
            "both reach to the middle between them"
        );
        assert_eq!(at(99), (99.0, 29.5, 100.0, 30.5), "what has no height is a pixel high");
    }

    #[test]
    fn few_corners_stay_an_outline() {
        let every = |step: f64, count: u32| (0..count).map(|k| (f64::from(k) * step, 0.0, 5.0)).collect::<Vec<Slice>>();
        assert!(strips(&every(1.0, 63), 1.0).is_none() && strips(&every(1.0, 64), 1.0).is_some());
        assert!(strips(&every(4.0, 200), 1.0).is_none() && strips(&every(3.0, 200), 1.0).is_some());
        assert!(strips(&[], 1.0).is_none());
        assert!(strips(&[(0.0, 0.0, 5.0), (1e12, 0.0, 5.0)], 1.0).is_none());
    }

    /// Truth: straight lines between slices three columns apart.
    #[test]
    fn a_column_without_a_slice_lies_on_the_way() {
        let slices: Vec<Slice> =
            (0..40).map(|k| (3.0 * f64::from(k), 30.0 * f64::from(k), 30.0 * f64::from(k) + 60.0)).collect();
        for (k, strip) in strips(&slices, 1.0).unwrap().iter().enumerate() {
            let k = k as f64;
            let truth = [k, 10.0 * k, k + 1.0, 10.0 * k + 60.0];
            let found = [strip.left, strip.top, strip.right, strip.bottom];
            assert!(found.iter().zip(truth).all(|(found, truth)| (found - truth).abs() < 1e-9), "{found:?} {truth:?}");
        }
    }
}
