//! What of a line or an area lies inside a rectangle.

/// A point in CSS pixels.
pub type Point = (f64, f64);

/// A rectangle in CSS pixels, `top < bottom`.
#[derive(Debug, Clone, Copy, PartialEq)]
#[allow(missing_docs)]
pub struct Rect {
    pub left: f64,
    pub top: f64,
    pub right: f64,
    pub bottom: f64,
}

impl Rect {
    /// Whether a point lies inside, edges included.
    pub fn holds(&self, (x, y): Point) -> bool {
        (self.left..=self.right).contains(&x) && (self.top..=self.bottom).contains(&y)
    }

    /// Whether two rectangles share any area.
    pub fn meets(&self, other: &Rect) -> bool {
        self.left < other.right && other.left < self.right && self.top < other.bottom && other.top < self.bottom
    }

    /// Whether `other` lies wholly inside.
    pub fn contains(&self, other: &Rect) -> bool {
        self.holds((other.left, other.top)) && self.holds((other.right, other.bottom))
    }

    /// The shared part; empty ones have `right <= left` or `bottom <= top`.
    pub fn shared(&self, other: &Rect) -> Rect {
        Rect {
            left: self.left.max(other.left),
            top: self.top.max(other.top),
            right: self.right.min(other.right),
            bottom: self.bottom.min(other.bottom),
        }
    }

    /// Grown by `by` on all sides.
    pub fn grown(&self, by: f64) -> Rect {
        Rect { left: self.left - by, top: self.top - by, right: self.right + by, bottom: self.bottom + by }
    }
}

/// The part of the segment from `a` to `b` inside `rect`.
///
/// # Source
/// Y.-D. Liang, B. A. Barsky, ACM Trans. Graphics 3 (1984) 1-22.
pub fn segment(a: Point, b: Point, rect: &Rect) -> Option<(Point, Point)> {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let edges = [(-dx, a.0 - rect.left), (dx, rect.right - a.0), (-dy, a.1 - rect.top), (dy, rect.bottom - a.1)];
    let (mut enter, mut leave) = (0.0_f64, 1.0_f64);
    for (towards, room) in edges {
        if towards == 0.0 && room < 0.0 {
            return None;
        }
        if towards < 0.0 {
            enter = enter.max(room / towards);
        } else if towards > 0.0 {
            leave = leave.min(room / towards);
        }
    }
    let at = |share: f64| (a.0 + share * dx, a.1 + share * dy);
    (enter <= leave).then(|| (if enter > 0.0 { at(enter) } else { a }, if leave < 1.0 { at(leave) } else { b }))
}

/// The parts of an unbroken line inside `rect`, in order.
pub fn line(points: &[Point], rect: &Rect) -> Vec<Vec<Point>> {
    let mut parts: Vec<Vec<Point>> = Vec::new();
    for (a, b) in points.iter().zip(points.iter().skip(1)) {
        let Some((from, to)) = segment(*a, *b, rect) else { continue };
        match parts.last_mut() {
            Some(part) if part.last() == Some(&from) => part.push(to),
            _ => parts.push(vec![from, to]),
        }
    }
    parts
}

/// A line cut into dashes; `dash` and `gap` are their lengths in pixels, at least half a pixel each.
pub fn dashes(points: &[Point], [dash, gap]: [f64; 2]) -> Vec<Vec<Point>> {
    let (dash, gap) = (dash.max(0.5), gap.max(0.5));
    let mut done: Vec<Vec<Point>> = points.first().map(|first| vec![*first]).into_iter().collect();
    let (mut drawing, mut left) = (true, dash);
    for (a, b) in points.iter().zip(points.iter().skip(1)) {
        let length = libm::hypot(b.0 - a.0, b.1 - a.1);
        let mut along = 0.0;
        while length - along > left {
            along += left;
            let here = (a.0 + (b.0 - a.0) * along / length, a.1 + (b.1 - a.1) * along / length);
            match done.last_mut() {
                Some(current) if drawing => current.push(here),
                _ => done.push(vec![here]),
            }
            drawing = !drawing;
            left = if drawing { dash } else { gap };
        }
        left -= length - along;
        if let Some(current) = done.last_mut().filter(|_| drawing) {
            current.push(*b);
        }
    }
    done
}

/// The part of a polygon inside `rect`.
///
/// # Source
/// I. E. Sutherland, G. W. Hodgman, Comm. ACM 17 (1974) 32-42.
pub fn area(points: Vec<Point>, rect: &Rect) -> Vec<Point> {
    let points = half(points, |p| p.0 - rect.left);
    let points = half(points, |p| rect.right - p.0);
    let points = half(points, |p| p.1 - rect.top);
    half(points, |p| rect.bottom - p.1)
}

/// Keeps the side where `inside` is not negative.
fn half(points: Vec<Point>, inside: impl Fn(Point) -> f64) -> Vec<Point> {
    let mut kept = Vec::with_capacity(points.len() + 4);
    let Some(mut before) = points.last().copied() else { return kept };
    for point in points {
        let (was, is) = (inside(before), inside(point));
        if (was < 0.0) != (is < 0.0) {
            let share = was / (was - is);
            kept.push((before.0 + share * (point.0 - before.0), before.1 + share * (point.1 - before.1)));
        }
        if is >= 0.0 {
            kept.push(point);
        }
        before = point;
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const RECT: Rect = Rect { left: 10.0, top: 20.0, right: 110.0, bottom: 80.0 };

    #[test]
    fn a_diagonal_through_the_rectangle_is_cut_at_its_edges() {
        // By hand: y = x crosses left = 10 at 10 (outside), top = 20 at 20 and bottom = 80 at 80.
        assert_eq!(segment((0.0, 0.0), (100.0, 100.0), &RECT), Some(((20.0, 20.0), (80.0, 80.0))));
        assert_eq!(segment((0.0, 0.0), (9.0, 100.0), &RECT), None);
    }

    proptest! {
        #[test]
        fn nothing_clipped_lies_outside(points in proptest::collection::vec((-1e6..1e6f64, -1e6..1e6f64), 0..20)) {
            let near = RECT.grown(1e-6);
            for part in line(&points, &RECT) {
                prop_assert!(part.iter().all(|p| near.holds(*p)));
            }
            prop_assert!(area(points, &RECT).iter().all(|p| near.holds(*p)));
        }
    }
}
