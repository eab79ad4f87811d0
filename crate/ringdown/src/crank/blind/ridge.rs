//! The most likely course of speed through the scores of all moments, by dynamic programming.

/// Cost of a step on the grid from one moment to the next.
const STEP_COST: f32 = 0.2;
/// Cost of beginning and of ending a stretch.
const SWITCH_COST: f32 = 12.0;
/// Longest step from one moment to the next.
const FARTHEST: usize = 60;
/// The mark of a step that began a stretch.
const BEGIN: i8 = i8::MAX;
/// Scores are kept in steps of this.
const KEPT_STEP: f32 = 1.0;

/// Takes the moments one after another.
pub struct Ridge {
    count: usize,
    on: Vec<f32>,
    off: f32,
    from: Vec<i8>,
    /// For each moment, the place a stretch ended at if "off" came from "on".
    ended: Vec<Option<u16>>,
    kept: Vec<i8>,
    best: Vec<f32>,
    origin: Vec<u16>,
}

/// The course found: the place on the grid at each moment.
pub struct Course {
    /// Place, or none where nothing repeats.
    pub places: Vec<Option<u16>>,
    kept: Vec<i8>,
    count: usize,
}

impl Ridge {
    /// For a grid of `count` speeds.
    pub fn new(count: usize) -> Ridge {
        Ridge {
            count,
            on: vec![f32::NEG_INFINITY; count],
            off: 0.0,
            from: Vec::new(),
            ended: Vec::new(),
            kept: Vec::new(),
            best: vec![0.0; count],
            origin: vec![0; count],
        }
    }

    /// The scores of the next moment: above 0 speaks for a turning engine, below against it. `steps`: by how much the
    /// speed seems to have changed since the moment before, on the grid.
    pub fn push(&mut self, scores: &[f32], steps: i64) {
        self.spread(steps);
        let begin = self.off - SWITCH_COST;
        let top = (0..self.count).max_by(|&a, &b| self.on[a].total_cmp(&self.on[b])).unwrap_or(0);
        let end = self.on.get(top).map_or(f32::NEG_INFINITY, |on| on - SWITCH_COST);
        for (place, &score) in scores.iter().enumerate().take(self.count) {
            let step = place as i64 - i64::from(self.origin[place]);
            let (value, from) = if self.best[place] >= begin { (self.best[place], step as i8) } else { (begin, BEGIN) };
            self.on[place] = value + score;
            self.from.push(from);
            self.kept.push((score / KEPT_STEP).round().clamp(-127.0, 127.0) as i8);
        }
        self.ended.push((end > self.off).then_some(top as u16));
        self.off = self.off.max(end);
    }

    /// For each place the best one to come from.
    fn spread(&mut self, steps: i64) {
        for place in 0..self.count {
            let moved = usize::try_from(place as i64 - steps).ok().filter(|from| *from < self.count);
            let from = moved.filter(|&from| self.on[from] > self.on[place]).unwrap_or(place);
            (self.best[place], self.origin[place]) = (self.on[from], from as u16);
        }
        let order = 1..self.count;
        for place in order.clone() {
            self.reach(place, place - 1);
        }
        for place in order.rev() {
            self.reach(place - 1, place);
        }
    }

    fn reach(&mut self, place: usize, from: usize) {
        let value = self.best[from] - STEP_COST;
        let far = usize::from(self.origin[from]).abs_diff(place) > FARTHEST;
        if value > self.best[place] && !far {
            self.best[place] = value;
            self.origin[place] = self.origin[from];
        }
    }

    /// Ends it.
    pub fn finish(self) -> Course {
        let moments = self.ended.len();
        let mut places = vec![None; moments];
        let top = (0..self.count).max_by(|&a, &b| self.on[a].total_cmp(&self.on[b]));
        let mut state = top.filter(|&top| self.on[top] > self.off);
        for moment in (0..moments).rev() {
            match state {
                Some(place) => {
                    places[moment] = Some(place as u16);
                    let step = self.from.get(moment * self.count + place).copied().unwrap_or(BEGIN);
                    state = (step != BEGIN).then(|| (place as i64 - i64::from(step)).max(0) as usize);
                }
                None => state = self.ended[moment].map(usize::from),
            }
        }
        Course { places, kept: self.kept, count: self.count }
    }
}

impl Course {
    /// Score of a place at a moment.
    pub fn score(&self, moment: usize, place: usize) -> Option<f32> {
        let value = (place < self.count).then(|| self.kept.get(moment * self.count + place))??;
        Some(f32::from(*value) * KEPT_STEP)
    }

    /// The place of the summit near `place`, between the steps of the grid.
    pub fn summit(&self, moment: usize, place: usize) -> f64 {
        let at = |offset: i64| self.score(moment, usize::try_from(place as i64 + offset).ok()?).map(f64::from);
        match (at(-2), at(0), at(2)) {
            (Some(a), Some(b), Some(c)) if b >= a.max(c) && 2.0 * b - a - c > 0.0 => {
                place as f64 + (c - a) / (2.0 * b - a - c)
            }
            _ => place as f64,
        }
    }
}
