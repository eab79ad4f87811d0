//! The noise of combustion over crank angle: where in the firing interval it rises, and whether there is any.
//!
//! Combustion is told from what strikes (valves, injectors) by its length: it lasts for a part of the turn, a blow for as long
//! as metal rings. That is why the slow periods are looked at, where the two differ most. Two blows after each other last as
//! long, but each is as strong as chance has it; a combustion is strong or weak from beginning to end.

use super::blind::Loudness;
use super::track::{Segment, Track};
use crate::stats::order::Arrange;

/// Step of the profile, degrees.
const STEP_DEG: f64 = 2.0;
/// Degrees over which time counts as linear in angle.
const PIECE_DEG: f64 = 30.0;
/// Most periods read, and fewest firings worth a profile.
const MOST_PERIODS: usize = 2400;
const FEWEST_FIRINGS: usize = 90;
/// Share of the periods, the slowest ones, that are looked at.
const SLOW: f64 = 1.0 / 3.0;
/// Faster, a blow rings for as many degrees as combustion roars, 1/min.
const FASTEST_RPM: f64 = 3400.0;
/// Length that is searched for, degrees, as far as the interval leaves room.
const LENGTH_DEG: f64 = 40.0;
const LENGTH_SHARE: f64 = 0.4;
/// Shortest length at half the height: a blow rings for some 0.5 ms and is blurred by as much (common practice, no source).
const SHORTEST_DEG: f64 = 22.0;
const SHORTEST_S: f64 = 1.6e-3;
/// Least height over the quiet part, dB, and against the difference between two halves of the periods.
const LEAST_DB: f64 = 1.5;
const OVER_CHANCE: f64 = 6.0;
/// Periods read in one go: their neighbours are compared.
const TOGETHER: i64 = 16;
/// The beginning and the end of combustion vary together by so many standard errors at the least.
const COMMON: f64 = 2.0;
/// Halves of the periods whose rises lie further apart than this show no common one, degrees.
const APART_DEG: f64 = 12.0;

/// Combustion as the sensors hear it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Burst {
    /// Where the loudness passes half its height, degrees after where the firing angles say a TDC is, within half of
    /// `repeat_deg` to either side.
    pub rise_deg: f64,
    /// Angle by which all firing angles shift into each other.
    pub repeat_deg: f64,
    /// How far apart two halves of the periods have it, degrees.
    pub spread_deg: f64,
    /// By how many standard errors its beginning and its end vary together: two blows do so by chance only.
    pub common: f64,
}

impl Burst {
    /// The mean over all voices, folded over the firings; `None` where nothing in the profile lasts as long as combustion.
    pub fn find(track: &Track, voices: &[&Loudness], firing_deg: &[f64], period_deg: f64) -> Option<Burst> {
        let repeat_deg = repeat(firing_deg, period_deg)?;
        let rows = rows(track, voices, period_deg);
        let mut slow: Vec<&Row> = rows.iter().collect();
        slow.arrange(|a, b| a.rpm.total_cmp(&b.rpm));
        slow.truncate(((slow.len() as f64 * SLOW) as usize).max(FEWEST_FIRINGS / firing_deg.len().max(1)));
        slow.arrange(|a, b| (a.segment, a.period).cmp(&(b.segment, b.period)));
        let rpm = slow.iter().map(|row| row.rpm).sum::<f64>() / slow.len().max(1) as f64;
        if slow.len() * firing_deg.len() < FEWEST_FIRINGS || !(rpm > 0.0 && rpm < FASTEST_RPM) {
            return None;
        }
        let fold = |rows: &mut dyn Iterator<Item = &&Row>| Profile::new(rows, firing_deg, repeat_deg, period_deg);
        let whole = fold(&mut slow.iter());
        let parity = [0, 1].map(|odd| fold(&mut slow.iter().skip(odd).step_by(2)));
        let (first, last) = slow.split_at(slow.len() / 2);
        let halves = [fold(&mut first.iter()), fold(&mut last.iter())].map(|half| half.shape());
        let (shape, [Some(a), Some(b)]) = (whole.shape()?, halves) else { return None };
        let spread_deg = wrap(a.rise_deg - b.rise_deg, repeat_deg).abs();
        let long = shape.length_deg >= SHORTEST_DEG && shape.length_deg / (6.0 * rpm) >= SHORTEST_S;
        let loud = shape.height_db >= LEAST_DB.max(OVER_CHANCE * parity[0].apart(&parity[1]));
        let common = common(&rows, firing_deg, period_deg, &shape);
        (long && loud && common >= COMMON && spread_deg <= APART_DEG).then_some(Burst {
            rise_deg: wrap(shape.rise_deg, repeat_deg),
            repeat_deg,
            spread_deg,
            common,
        })
    }
}

/// One period.
#[derive(Default)]
struct Row {
    segment: usize,
    period: i64,
    rpm: f64,
    db: Vec<f32>,
}

fn rows(track: &Track, voices: &[&Loudness], period_deg: f64) -> Vec<Row> {
    let periods = |segment: &Segment| {
        let (from, to) = segment.span_deg().unwrap_or_default();
        ((from / period_deg).ceil() as i64)..((to / period_deg).floor() as i64)
    };
    let all: usize = track.segments.iter().map(|segment| periods(segment).count()).sum();
    let step = all.div_ceil(MOST_PERIODS).max(1) as i64;
    let mut rows = Vec::new();
    for (index, segment) in track.segments.iter().enumerate() {
        for period in periods(segment).filter(|period| period.div_euclid(TOGETHER) % step == 0) {
            let start_deg = period as f64 * period_deg;
            let rpm = segment.rpm_between(start_deg, start_deg + period_deg);
            let db = heard(segment, voices, start_deg, period_deg);
            rows.extend(rpm.zip(db).map(|(rpm, db)| Row { segment: index, period, rpm, db }));
        }
    }
    rows
}

/// Loudness of a period at each step.
fn heard(segment: &Segment, voices: &[&Loudness], start_deg: f64, period_deg: f64) -> Option<Vec<f32>> {
    let pieces = (period_deg / PIECE_DEG).round() as usize;
    let times = (0..=pieces).map(|piece| segment.time_at(start_deg + piece as f64 * PIECE_DEG));
    let times = times.collect::<Option<Vec<f64>>>()?;
    let inner = (PIECE_DEG / STEP_DEG) as usize;
    let mut db = Vec::with_capacity(pieces * inner);
    for (from, to) in times.iter().zip(times.iter().skip(1)) {
        let at = |k: usize| from + (to - from) * (k as f64 + 0.5) / inner as f64;
        let mean = |t_s: f64| voices.iter().map(|voice| voice.at(t_s)).sum::<f32>() / voices.len() as f32;
        db.extend((0..inner).map(|k| mean(at(k))));
    }
    Some(db)
}

/// By how many standard errors the first and the last third of the loud stretch are loud in the same firings: the covariance of
/// how one firing differs from those two periods before and after, which are the same cylinder's in any case. 0 of too few.
fn common(rows: &[Row], firing_deg: &[f64], period_deg: f64, shape: &Shape) -> f64 {
    let mut places: Vec<f64> = Vec::new();
    for deg in firing_deg {
        if places.iter().all(|known| wrap(known - deg, period_deg).abs() >= STEP_DEG) {
            places.push(*deg);
        }
    }
    let third = |row: &Row, firing: f64, from: f64| {
        let count = (shape.length_deg / 3.0 / STEP_DEG).max(1.0) as usize;
        let first = ((firing + shape.rise_deg + from) / STEP_DEG).rem_euclid(row.db.len() as f64) as usize;
        let value = |k: usize| row.db.get((first + k) % row.db.len()).copied().unwrap_or(0.0);
        (0..count).map(|k| f64::from(value(k))).sum::<f64>() / count as f64
    };
    let mut products = Vec::new();
    for around in rows.windows(5) {
        let [before, _, row, _, after] = around else { continue };
        let apart = (after.segment, after.period) != (before.segment, before.period + 4);
        if apart || row.rpm > FASTEST_RPM {
            continue;
        }
        products.extend(places.iter().map(|&firing| {
            let differs =
                |from: f64| third(row, firing, from) - 0.5 * (third(before, firing, from) + third(after, firing, from));
            differs(0.0) * differs(2.0 / 3.0 * shape.length_deg)
        }));
    }
    let count = products.len() as f64;
    let mean = products.iter().sum::<f64>() / count;
    let squares: f64 = products.iter().map(|product| (product - mean).powi(2)).sum();
    let error = (squares / count / (count - 1.0)).sqrt();
    if count >= 30.0 && error > 0.0 { mean / error } else { 0.0 }
}

fn folded(db: &[f64], firing_deg: &[f64]) -> Vec<f64> {
    let steps: Vec<usize> = firing_deg.iter().map(|deg| (deg / STEP_DEG).round() as usize).collect();
    let at = |place: usize, step: &usize| db.get((place + step) % db.len()).copied().unwrap_or(0.0);
    let mean = |place: usize| steps.iter().map(|step| at(place, step)).sum::<f64>() / steps.len() as f64;
    (0..db.len()).map(mean).collect()
}

/// Smallest angle by which the firing angles shift into themselves; `None` without any, or where it leaves no quiet part.
fn repeat(firing_deg: &[f64], period_deg: f64) -> Option<f64> {
    const SAME_DEG: f64 = 1.0;
    const LEAST_DEG: f64 = 50.0;
    let near = |a: f64, b: f64| wrap(a - b, period_deg).abs() < SAME_DEG;
    let same = |shift: f64| firing_deg.iter().all(|a| firing_deg.iter().any(|b| near(a + shift, *b)));
    let count = (1..=firing_deg.len()).rev().find(|&count| same(period_deg / count as f64))?;
    Some(period_deg / count as f64).filter(|deg| *deg >= LEAST_DEG)
}

/// Loudness over one repeat of the firings.
struct Profile {
    db: Vec<f64>,
    step_deg: f64,
}

struct Shape {
    rise_deg: f64,
    length_deg: f64,
    height_db: f64,
}

impl Profile {
    fn new(rows: &mut dyn Iterator<Item = &&Row>, firing_deg: &[f64], repeat_deg: f64, period_deg: f64) -> Profile {
        let (mut sums, mut count) = (Vec::new(), 0.0);
        for row in rows {
            sums.resize(row.db.len(), 0.0);
            sums.iter_mut().zip(&row.db).for_each(|(sum, db)| *sum += f64::from(*db));
            count += 1.0;
        }
        let sums = folded(&sums, firing_deg);
        let steps = (repeat_deg / STEP_DEG).round() as usize;
        let repeats = (period_deg / repeat_deg).round() as usize;
        let at = |place: usize, repeat: usize| {
            let index = (place as f64 + repeat as f64 * repeat_deg / STEP_DEG).round() as usize;
            sums.get(index % sums.len().max(1)).copied().unwrap_or(0.0)
        };
        let mean = |place: usize| (0..repeats).map(|repeat| at(place, repeat)).sum::<f64>() / (count * repeats as f64);
        let rough: Vec<f64> = (0..steps).map(mean).collect();
        let around = |place: usize| {
            let weights = [(steps - 2, 1.0), (steps - 1, 2.0), (0, 3.0), (1, 2.0), (2, 1.0)];
            weights.iter().map(|(off, weight)| rough[(place + off) % steps] * weight / 9.0).sum()
        };
        let mut db: Vec<f64> = (0..steps).map(around).collect();
        let mean = db.iter().sum::<f64>() / steps.max(1) as f64;
        db.iter_mut().for_each(|value| *value -= mean);
        Profile { db, step_deg: repeat_deg / steps as f64 }
    }

    fn at(&self, place: i64) -> f64 {
        self.db.get(place.rem_euclid(self.db.len().max(1) as i64) as usize).copied().unwrap_or(0.0)
    }

    /// Root mean square of the difference from another.
    fn apart(&self, other: &Profile) -> f64 {
        let sum: f64 = self.db.iter().zip(&other.db).map(|(a, b)| (a - b).powi(2)).sum();
        (sum / self.db.len().max(1) as f64).sqrt()
    }

    /// The loudest stretch of the length of a combustion, from where it rises to where it falls.
    fn shape(&self) -> Option<Shape> {
        /// Between the quietest and the loudest, these shares count as quiet and as loud: single steps are chance.
        const QUIET: f64 = 0.1;
        const LOUD: f64 = 0.8;
        let steps = self.db.len() as i64;
        let length = (LENGTH_DEG / self.step_deg).min(LENGTH_SHARE * steps as f64) as i64;
        let mean = |from: i64| (from..from + length).map(|place| self.at(place)).sum::<f64>();
        let from = (0..steps).max_by(|&a, &b| mean(a).total_cmp(&mean(b)))?;
        let mut inside: Vec<f64> = (from..from + length).map(|place| self.at(place)).collect();
        let mut all = self.db.clone();
        inside.sort_by(f64::total_cmp);
        all.sort_by(f64::total_cmp);
        let share = |sorted: &[f64], share: f64| sorted.get((share * sorted.len() as f64) as usize).copied();
        let (quiet, loud) = (share(&all, QUIET)?, share(&inside, LOUD)?);
        let half = 0.5 * (quiet + loud);
        let middle = from + length / 2;
        let near = (0..=length).flat_map(|off| [middle - off, middle + off]).find(|&place| self.at(place) >= half)?;
        let rise = (near - steps..=near).rev().find(|&place| self.at(place - 1) < half)?;
        let fall = (near..near + steps).find(|&place| self.at(place + 1) < half)?;
        let (before, after) = (self.at(rise - 1), self.at(rise));
        let part = (half - before) / (after - before);
        Some(Shape {
            rise_deg: (rise as f64 - 0.5 + part) * self.step_deg,
            length_deg: (fall - rise + 1) as f64 * self.step_deg,
            height_db: loud - quiet,
        })
    }
}

/// Into -half..half of `period`.
fn wrap(deg: f64, period: f64) -> f64 {
    (deg + 0.5 * period).rem_euclid(period) - 0.5 * period
}
