//! How well the levels of one cell set knock apart from background, counted in a histogram.
//!
//! A provoked recording is a mixture: most of its cycles do not knock, and those that don't may be louder and scatter
//! differently than safe running. So the limits of safe running are first moved to where the quieter events of the
//! provoked recording lie; what counts is the share of it beyond such a limit at the user's false-alarm rate, less that
//! rate. What lies beyond is no quieter event: the places are looked for again without it, else knock would pass for
//! scatter and the limits be judged at a far rarer rate, where other cells are best. Few events say little there, so the same at higher rates steadies it, the less the more events there are. It
//! grows with the share of knock alike in every cell, so cells can be compared without knowing the share.

/// Contiguous stretches that are left out in turn.
pub const FOLDS: usize = 10;
/// Bins of the histogram.
pub const BINS: usize = 512;
/// Bins a spread.
const PER_SPREAD: f32 = 16.0;
/// Lowest level counted, in spreads.
const LOWEST: f32 = -8.0;
/// Share of the background beyond which its tail is taken as exponential.
const TAIL: f64 = 0.03;

/// A histogram of one class.
pub type Histogram = [u32; BINS];

/// Bin of a level in spreads; what lies outside counts in the outermost.
#[inline]
pub fn bin_of(over: f32) -> usize {
    // A NaN becomes 0.
    (((over - LOWEST) * PER_SPREAD) as usize).min(BINS - 1)
}

/// False-alarm rates that steady the score, beside the user's own.
const RATES: [f64; 2] = [0.003, 0.01];
/// So many provoked events weigh the user's own rate as much as those.
const EVEN: f32 = 1000.0;
/// Shares of a law that lie below the places where its quieter events are measured.
const QUIET: [f64; 2] = [0.1, 0.45];
/// Times the places are looked for again without what lies beyond the limit. Where nothing does nothing changes, so that a
/// file that is only louder gains nothing.
const ROUNDS: usize = 2;
/// Most of the provoked events that are left out of it.
const MOST_KNOCK: f64 = 0.8;
/// Largest stretch of the quieter events that is taken for a difference in scatter; a narrower law is left as it is.
const MOST_STRETCH: f32 = 1.6;

/// Counts of one cell, stretch by stretch.
#[derive(Debug, Clone)]
pub struct Tally {
    /// Safe running.
    pub background: Box<[Histogram; FOLDS]>,
    /// Provoked running, or of it the cycles judged as knock by ear.
    pub provoked: Box<[Histogram; FOLDS]>,
    /// All of provoked running: tells where its quieter events lie.
    pub around: Box<Histogram>,
}

impl Default for Tally {
    fn default() -> Self {
        let empty = || Box::new([[0; BINS]; FOLDS]);
        Self { background: empty(), provoked: empty(), around: Box::new([0; BINS]) }
    }
}

/// One cell judged.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Score {
    /// Over everything: the share beyond the limit less the false-alarm rate, steadied by that at higher rates.
    pub whole: f32,
    /// The same learnt without a stretch.
    pub train: [f32; FOLDS],
    /// The same of the stretch left out.
    pub test: [f32; FOLDS],
    /// Share of the provoked events of the stretch left out that lie over the limit learnt without it.
    pub test_share: [f32; FOLDS],
    /// The same of safe events.
    pub test_false: [f32; FOLDS],
    /// Share of the provoked events over the limit at the user's false-alarm rate.
    pub share: f32,
    /// That limit, spreads over the background.
    pub limit: f32,
    /// How provoked levels lie among safe ones.
    pub fit: Fit,
    /// How far that moved the limit, spreads.
    pub moved: f32,
}

/// Where the quieter events of provoked running lie against those of safe running.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fit {
    /// Lower place of safe running and of provoked running, spreads.
    from: [f32; 2],
    /// Provoked spreads for one safe one.
    stretch: f32,
}

impl Default for Fit {
    fn default() -> Self {
        Self { from: [0.0; 2], stretch: 1.0 }
    }
}

impl Fit {
    fn of(background: &Curve, provoked: &Curve, false_alarm: f64) -> Self {
        let limit = LOWEST + background.limit(false_alarm) / PER_SPREAD;
        let mut fit = Self::without(background, provoked, 0.0);
        for _ in 0..ROUNDS {
            let beyond = provoked.share((fit.provoked(limit) - LOWEST) * PER_SPREAD);
            let knock = (beyond - false_alarm) / (1.0 - false_alarm);
            fit = Self::without(background, provoked, knock.clamp(0.0, MOST_KNOCK));
        }
        fit
    }

    /// With the loudest `knock` of the provoked events left out.
    fn without(background: &Curve, provoked: &Curve, knock: f64) -> Self {
        let safe = QUIET.map(|share| background.place(1.0 - share));
        let loud = QUIET.map(|share| provoked.place(1.0 - share * (1.0 - knock)));
        let stretch = (loud[1] - loud[0]) / (safe[1] - safe[0]).max(0.5);
        let level = |place: f32| LOWEST + place / PER_SPREAD;
        // At the upper place both laws are fitted exactly, at the lower one as far as the stretch allows.
        Self { from: [level(safe[1]), level(loud[1])], stretch: stretch.clamp(1.0, MOST_STRETCH) }
    }

    /// A safe level as a provoked one.
    fn provoked(&self, level: f32) -> f32 {
        self.from[1] + (level - self.from[0]) * self.stretch
    }

    /// A provoked level as a safe one.
    pub fn safe(&self, level: f32) -> f32 {
        self.from[0] + (level - self.from[1]) / self.stretch
    }
}

impl Tally {
    /// Empties it.
    pub fn clear(&mut self) {
        self.background.iter_mut().chain(self.provoked.iter_mut()).for_each(|histogram| histogram.fill(0));
        self.around.fill(0);
    }

    /// Judges the cell over everything; its stretches stay empty. Without a background of its own (`mirrored`) the quieter
    /// half of the provoked events, mirrored about their centre, stands for it.
    pub fn whole(&self, false_alarm: f64, mirrored: bool) -> Score {
        let background = self.all_background(mirrored);
        let provoked = sum(&self.provoked);
        let curve = Curve::of(&background);
        let fit = if mirrored { Fit::default() } else { Fit::of(&curve, &Curve::of(&self.around), false_alarm) };
        let limits = Limits::of(&curve, false_alarm, &fit);
        Score {
            whole: limits.score(&provoked, 0.0),
            share: share_over(&provoked, limits.provoked[0]),
            limit: LOWEST + limits.safe / PER_SPREAD,
            fit,
            moved: (limits.provoked[0] - limits.safe) / PER_SPREAD,
            ..Score::default()
        }
    }

    /// The same with each stretch left out in turn. What the cell scores is judged as if the limit had been `moved` so far
    /// (how far is told by a few quantiles, and all good cells tell it better); what it finds in the stretch left out is not.
    pub fn score(&self, false_alarm: f64, mirrored: bool, moved: Option<f32>) -> Score {
        let mut score = self.whole(false_alarm, mirrored);
        let by = moved.map_or(0.0, |moved| moved - score.moved);
        let (all_background, all_provoked) = (self.all_background(mirrored), sum(&self.provoked));
        score.whole = Limits::of(&Curve::of(&all_background), false_alarm, &score.fit).score(&all_provoked, by);
        for fold in 0..FOLDS {
            // Without safe running the background is that of everything: its centre would wander from part to part.
            let background = if mirrored { all_background } else { less(&all_background, &self.background[fold]) };
            let limits = Limits::of(&Curve::of(&background), false_alarm, &score.fit);
            score.train[fold] = limits.score(&less(&all_provoked, &self.provoked[fold]), by);
            score.test[fold] = limits.score(&self.provoked[fold], 0.0);
            score.test_share[fold] = share_over(&self.provoked[fold], limits.provoked[0]);
            let safe = if mirrored { &all_background } else { &self.background[fold] };
            score.test_false[fold] = share_over(safe, limits.safe);
        }
        score
    }

    fn all_background(&self, mirrored: bool) -> Histogram {
        if mirrored { mirror(&self.around) } else { sum(&self.background) }
    }
}

/// Limits (in bins) at each false-alarm rate.
struct Limits {
    rates: [f64; RATES.len() + 1],
    /// Among provoked levels; the user's rate first.
    provoked: [f32; RATES.len() + 1],
    /// Among safe levels, at the user's rate.
    safe: f32,
}

impl Limits {
    fn of(curve: &Curve, false_alarm: f64, fit: &Fit) -> Self {
        let [low, high] = RATES.map(|rate| rate.max(false_alarm));
        let rates = [false_alarm, low, high];
        let among_provoked = |rate| (fit.provoked(LOWEST + curve.limit(rate) / PER_SPREAD) - LOWEST) * PER_SPREAD;
        Self { rates, provoked: rates.map(among_provoked), safe: curve.limit(false_alarm) }
    }

    /// Score with all limits moved up by so many spreads.
    fn score(&self, provoked: &Histogram, by: f32) -> f32 {
        let beyond = |at: usize| share_over(provoked, self.provoked[at] + PER_SPREAD * by) - self.rates[at] as f32;
        let own = 1.0 / (1.0 + EVEN / count(provoked).max(1) as f32);
        own * beyond(0) + (1.0 - own) * 0.5 * (beyond(1) + beyond(2))
    }
}

/// What lies beyond each place of a histogram.
struct Curve {
    /// Events from each bin on.
    beyond: [u32; BINS + 1],
    tail_from: f32,
    tail_mean: f32,
}

impl Curve {
    fn of(histogram: &Histogram) -> Self {
        let mut curve = Self { beyond: [0; BINS + 1], tail_from: 0.0, tail_mean: 0.0 };
        for bin in (0..BINS).rev() {
            curve.beyond[bin] = curve.beyond[bin + 1] + histogram[bin];
        }
        curve.tail_from = curve.place(TAIL);
        // Events times their distance from there: the sum of what lies beyond each later bin.
        let first = (curve.tail_from as usize).min(BINS - 1);
        let whole: u32 = curve.beyond[first + 1..].iter().sum();
        let distance = whole as f32 + curve.beyond[first + 1] as f32 * (0.5 - curve.tail_from.fract());
        curve.tail_mean = distance / (TAIL as f32 * curve.beyond[0] as f32).max(1.0);
        curve
    }

    /// Place that a share lies beyond.
    fn place(&self, share: f64) -> f32 {
        let wanted = (share * f64::from(self.beyond[0])) as f32;
        let after = self.beyond.partition_point(|events| *events as f32 > wanted).min(BINS);
        let Some(bin) = after.checked_sub(1) else { return 0.0 };
        let (from, to) = (self.beyond[bin] as f32, self.beyond[after] as f32);
        bin as f32 + if from > to { (from - wanted) / (from - to) } else { 0.0 }
    }

    /// Share beyond a place in bins.
    fn share(&self, place: f32) -> f64 {
        let place = place.clamp(0.0, (BINS - 1) as f32);
        let (bin, part) = (place as usize, f64::from(place.fract()));
        let [from, to] = [self.beyond[bin], self.beyond[bin + 1]].map(f64::from);
        (from - part * (from - to)) / f64::from(self.beyond[0].max(1))
    }

    /// Place that `false_alarm` lies beyond: counted where enough lie there, else the tail carried on as an exponential
    /// law.
    fn limit(&self, false_alarm: f64) -> f32 {
        if false_alarm >= TAIL {
            return self.place(false_alarm);
        }
        self.tail_from + self.tail_mean * (TAIL / false_alarm).ln() as f32
    }
}

/// Share of a histogram beyond a place in bins.
fn share_over(histogram: &Histogram, limit: f32) -> f32 {
    let limit = limit.clamp(0.0, BINS as f32);
    let bin = limit as usize;
    let part = histogram.get(bin).map_or(0.0, |events| *events as f32 * (1.0 - limit.fract()));
    let beyond: u32 = histogram.iter().skip(bin + 1).sum();
    (beyond as f32 + part) / count(histogram).max(1) as f32
}

fn count(histogram: &Histogram) -> u32 {
    histogram.iter().sum()
}

fn sum(folds: &[Histogram; FOLDS]) -> Histogram {
    let mut all = [0; BINS];
    for fold in folds {
        all.iter_mut().zip(fold).for_each(|(sum, events)| *sum += events);
    }
    all
}

fn less(all: &Histogram, part: &Histogram) -> Histogram {
    let mut rest = *all;
    rest.iter_mut().zip(part).for_each(|(rest, events)| *rest = rest.saturating_sub(*events));
    rest
}

/// The part below the centre and its mirror image. The centre is where 45 % lie below: a little under the median, since
/// what knocks lies above.
fn mirror(all: &Histogram) -> Histogram {
    let wanted = 0.45 * count(all) as f32;
    let mut below = 0.0;
    let centre = all.iter().position(|events| {
        below += *events as f32;
        below >= wanted
    });
    let centre = centre.unwrap_or(0);
    let mut out = [0; BINS];
    for (bin, events) in all.iter().enumerate().take(centre + 1) {
        out[bin] += events;
        if let Some(image) = out.get_mut(2 * centre + 1 - bin) {
            *image += events;
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::normal;

    /// Levels at even shares of a normal law.
    fn normal_levels(n: usize, mean: f64) -> impl Iterator<Item = f32> {
        (0..n).map(move |i| (mean + normal::quantile((i as f64 + 0.5) / n as f64)) as f32)
    }

    fn tally(n: usize, knocking: usize, over: f64) -> Tally {
        let mut tally = Tally::default();
        normal_levels(n, 0.0).enumerate().for_each(|(i, z)| tally.background[i % FOLDS][bin_of(z)] += 1);
        let loud = normal_levels(n - knocking, 0.0).chain(normal_levels(knocking, over));
        loud.enumerate().for_each(|(i, z)| {
            tally.provoked[i % FOLDS][bin_of(z)] += 1;
            tally.around[bin_of(z)] += 1;
        });
        tally
    }

    #[test]
    fn share_and_limit_are_those_of_two_normal_laws() {
        let score = tally(40_000, 2000, 8.0).score(0.05, false, None);
        // Five in a hundred knock, 8 spreads up: 10 and 45 % of all are 10.53 and 47.37 % of the others, -1.2523 and -0.0660
        // against -1.2816 and -0.1257, and the limit 1.6449 moves to 1.7508, with 0.0880 beyond. Without those 4.00 % it
        // moves to 1.6660, with 0.0955 beyond, without those 4.79 % to 1.6494 (statistics.NormalDist).
        assert!((score.share - 0.0971).abs() < 0.001, "{score:?}");
        assert!((score.limit - 1.6449).abs() < 0.03, "{score:?}"); // scipy.stats.norm.ppf(0.95)
    }

    #[test]
    fn louder_and_more_scattered_is_no_tail() {
        let mut tally = Tally::default();
        for (i, z) in normal_levels(20_000, 0.0).enumerate() {
            tally.background[i % FOLDS][bin_of(z)] += 1;
            tally.provoked[i % FOLDS][bin_of(1.5 * z + 3.0)] += 1;
            tally.around[bin_of(1.5 * z + 3.0)] += 1;
        }
        let score = tally.score(1e-3, false, None);
        assert!(score.share < 2e-3 && score.whole.abs() < 2e-3, "{score:?}");
        assert!((score.fit.safe(3.0)).abs() < 0.05 && (score.fit.safe(6.0) - 2.0).abs() < 0.05, "{score:?}");
    }

    #[test]
    fn two_equal_laws_are_not_told_apart_with_or_without_safe_running() {
        for mirrored in [false, true] {
            let score = tally(20_000, 0, 0.0).score(1e-3, mirrored, None);
            assert!(score.whole.abs() < 0.02 && score.share < 4e-3, "{mirrored}: {score:?}");
        }
    }

    #[test]
    fn the_quieter_half_stands_for_a_background_nobody_recorded() {
        let score = tally(20_000, 1600, 8.0).score(1e-3, true, None);
        assert!((score.share - 0.08).abs() < 0.004, "{score:?}");
    }
}
