//! What the control unit did about a loud sample: degrees taken out, how soon, and how long until given back.
//!
//! From the logged correction; where none is logged, from how far the ignition angle lies below its own map over speed
//! and load, learnt from the log itself.

use super::drive::{Drive, held, range};
use super::stretch::Stretches;
use crate::read::log::{Column, Of};
use crate::read::roles::Role;
use crate::stats::robust::{Definition, quantile};

/// Where degrees come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum From {
    /// A logged correction.
    Correction,
    /// Ignition angle against its own map over speed and load.
    Map,
    /// The same over speed alone: no load is logged.
    SpeedMap,
}

/// Degrees taken out over a log, for one cylinder, one sensor or all.
#[derive(Debug, Clone)]
pub struct Retard {
    /// Whose.
    pub of: Option<Of>,
    /// Where from.
    pub from: From,
    /// Degrees taken out, one a row, more is later; NaN where not known.
    pub deg: Vec<f64>,
    /// Smallest step that means something.
    pub resolution_deg: f64,
}

/// The answer to one sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Response {
    /// Degrees taken out because of it.
    pub deg: f64,
    /// From the sample to the first row with half of them; `None` if nothing was taken out.
    pub delay_s: Option<f64>,
    /// From the latest ignition until given back; `None` where the log ends or more is taken out before that.
    pub recovery_s: Option<f64>,
}

/// The control unit answers within so long, at least three rows.
const ANSWER_S: f64 = 0.3;
/// Longest wait for the degrees to be given back, s.
const MOST_RECOVERY_S: f64 = 30.0;
/// Cells of the map: speed, 1/min, and parts of the load's range.
const MAP_RPM: f64 = 250.0;
const MAP_LOADS: usize = 12;
/// The map is where ignition mostly is or earlier: knock control only takes out.
const MAP_QUANTILE: f64 = 0.7;
const MAP_FEWEST: usize = 6;
/// Degrees by a map scatter by what the map does not know.
const MAP_RESOLUTION_DEG: f64 = 0.5;

/// All corrections of a log; from the ignition angle where none is logged; empty without either.
pub fn retards(drive: &Drive, stretches: &Stretches) -> Vec<Retard> {
    let columns = drive.log.columns.iter().filter(|column| column.role == Role::Correction);
    let logged: Vec<Retard> = columns.filter_map(|column| correction(drive, column)).collect();
    if logged.is_empty() { from_map(drive, stretches).into_iter().collect() } else { logged }
}

/// Degrees out of one logged correction; some units write what they take out as negative. `None` where it never moves.
fn correction(drive: &Drive, column: &Column) -> Option<Retard> {
    if !column.figures.moves() {
        return None;
    }
    let mut deg = held(drive.t_s, column);
    let sum: f64 = deg.iter().copied().filter(|deg| deg.is_finite()).sum();
    if sum < 0.0 {
        deg.iter_mut().for_each(|deg| *deg = -*deg);
    }
    Some(Retard { of: column.of, from: From::Correction, resolution_deg: resolution(&deg), deg })
}

/// The smallest step that at least one step in a hundred has.
fn resolution(deg: &[f64]) -> f64 {
    let mut steps: Vec<f64> =
        deg.windows(2).map(|two| (two[1] - two[0]).abs()).filter(|step| *step > 1e-9).take(20_000).collect();
    steps.sort_unstable_by(f64::total_cmp);
    quantile(&steps, 0.01, Definition::Linear).unwrap_or(0.1).clamp(0.001, 1.0)
}

fn from_map(drive: &Drive, stretches: &Stretches) -> Option<Retard> {
    let ignition = held(drive.t_s, drive.log.first(Role::Ignition)?);
    let loads = drive.log.first(Role::Load).or(drive.log.first(Role::Throttle)).map(|column| held(drive.t_s, column));
    let map = Map::learn(drive, stretches, &ignition, loads)?;
    let known = |row: usize| stretches.upsets.get(row).is_some_and(Option::is_none);
    let of_row = |row: usize| if known(row) { map.at(drive.rpm[row], row) - ignition[row] } else { f64::NAN };
    let deg = (0..ignition.len()).map(of_row).collect();
    let from = if map.loads.is_some() { From::Map } else { From::SpeedMap };
    Some(Retard { of: None, from, deg, resolution_deg: MAP_RESOLUTION_DEG })
}

/// Ignition over speed and load, as the log shows it.
struct Map {
    /// Load of each row and its range.
    loads: Option<(Vec<f64>, f64, f64)>,
    /// Row by row of speeds, [`MAP_LOADS`] each; NaN where not known. Empty: nothing is.
    cells: Vec<f64>,
}

impl Map {
    fn learn(drive: &Drive, stretches: &Stretches, ignition: &[f64], loads: Option<Vec<f64>>) -> Option<Map> {
        let loads = loads.and_then(|loads| {
            let (low, high) = range(loads.iter().copied())?;
            (high > low).then_some((loads, low, high))
        });
        let mut map = Map { loads, cells: Vec::new() };
        let mut gathered: Vec<Vec<f64>> = Vec::new();
        for row in (0..ignition.len()).filter(|row| stretches.upsets.get(*row).is_some_and(Option::is_none)) {
            if let (Some((x, y)), true) = (map.place(drive.rpm[row], row), ignition[row].is_finite()) {
                let place = x.round() as usize * MAP_LOADS + y.round() as usize;
                if place >= gathered.len() {
                    gathered.resize(place + 1, Vec::new());
                }
                if gathered[place].len() < 2000 {
                    gathered[place].push(ignition[row]);
                }
            }
        }
        let mostly = |values: &mut Vec<f64>| {
            values.sort_unstable_by(f64::total_cmp);
            let deg = quantile(values, MAP_QUANTILE, Definition::Linear);
            deg.filter(|_| values.len() >= MAP_FEWEST).unwrap_or(f64::NAN)
        };
        map.cells = gathered.iter_mut().map(mostly).collect();
        map.cells.iter().any(|deg| deg.is_finite()).then_some(map)
    }

    /// In cells; the load's part is 0 without a load.
    fn place(&self, rpm: f64, row: usize) -> Option<(f64, f64)> {
        let x = ((0.0..30_000.0).contains(&rpm)).then_some(rpm / MAP_RPM)?;
        let Some((loads, low, high)) = &self.loads else { return Some((x, 0.0)) };
        let share = (loads.get(row)? - low) / (high - low);
        share.is_finite().then(|| (x, share.clamp(0.0, 1.0) * (MAP_LOADS - 1) as f64))
    }

    /// Between the four cells around, those known; NaN where none is.
    fn at(&self, rpm: f64, row: usize) -> f64 {
        let Some((x, y)) = self.place(rpm, row) else { return f64::NAN };
        let (mut sum, mut weights) = (0.0, 0.0);
        for (dx, dy) in [(0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (1.0, 1.0)] {
            let (cell_x, cell_y) = (x.floor() + dx, y.floor() + dy);
            let weight = (1.0 - (x - cell_x).abs()) * (1.0 - (y - cell_y).abs());
            // Beyond the last load lies another speed's first, but with no weight.
            let known = self.cells.get(cell_x as usize * MAP_LOADS + cell_y as usize).filter(|deg| deg.is_finite());
            if let Some(deg) = known.filter(|_| weight > 0.0) {
                sum += weight * deg;
                weights += weight;
            }
        }
        if weights > 0.2 { sum / weights } else { f64::NAN }
    }
}

/// The retard that belongs to a level: its own cylinder's or sensor's, else the one of all, else the most of all.
pub fn of_level(retards: &[Retard], of: Option<Of>) -> Option<Retard> {
    let own = retards.iter().find(|retard| retard.of == of && of.is_some());
    if let Some(retard) = own.or_else(|| retards.iter().find(|retard| retard.of.is_none())) {
        return Some(retard.clone());
    }
    let mut all = retards.first()?.clone();
    for other in retards.iter().skip(1) {
        all.deg.iter_mut().zip(&other.deg).for_each(|(most, deg)| *most = most.max(*deg));
    }
    all.of = None;
    Some(all)
}

/// Degrees from a map must move by so much within a row to count as pulled.
const MAP_PULL_DEG: f64 = 1.5;

/// Rows where any of them takes degrees out, rising; of rows within three of each other the first.
pub fn pulls(retards: &[Retard]) -> Vec<usize> {
    let mut rows: Vec<usize> = Vec::new();
    for retard in retards {
        let least = if retard.from == From::Correction { retard.least() } else { MAP_PULL_DEG };
        rows.extend((1..retard.deg.len()).filter(|row| retard.deg[*row] - retard.deg[row - 1] >= least));
    }
    rows.sort_unstable();
    rows.dedup_by(|later, earlier| *later - *earlier <= 3);
    rows
}

/// Rows that the control unit took for knock: before each pull, and where its knock flag stands.
pub fn taken_for_knock(drive: &Drive, retards: &[Retard]) -> Vec<bool> {
    let mut rows = vec![false; drive.rpm.len()];
    let mut mark = |around: std::ops::Range<usize>| {
        rows.iter_mut().take(around.end).skip(around.start).for_each(|row| *row = true);
    };
    for row in pulls(retards) {
        mark(drive.around(row, -ANSWER_S, 0.1));
    }
    for flag in drive.log.columns.iter().filter(|column| column.role == Role::KnockFlag) {
        let values = held(drive.t_s, flag);
        let raised =
            |row: &usize| values[*row] > 0.0 && !(*row > 0 && values[*row] <= values[row - 1] && values[*row] > 1.0);
        // A flag that is nearly always up says nothing.
        let up: Vec<usize> = (0..values.len()).filter(raised).collect();
        if up.len() * 5 < values.len() {
            up.into_iter().for_each(|row| mark(drive.around(row, -0.1, 0.1)));
        }
    }
    rows
}

impl Retard {
    /// The answer to a loud sample at `row`; `next`: row of the next loud one of the same level, whose own answer starts
    /// there. `None` where the degrees are not known around it.
    pub fn response(&self, drive: &Drive, row: usize, next: Option<usize>) -> Option<Response> {
        let before = self.before(drive, row)?;
        let reach = drive.around(row, 0.0, ANSWER_S.max(3.0 * drive.step_s));
        let end = reach.end.min(next.unwrap_or(usize::MAX)).max(row + 1);
        // From the ends of steps up: what is given back meanwhile is no answer.
        let latest = (row..end)
            .filter(|row| self.deg[*row].is_finite())
            .max_by(|a, b| self.deg[*a].total_cmp(&self.deg[*b]).then(b.cmp(a)))?;
        let deg = self.deg[latest] - before;
        if deg < self.least() {
            return Some(Response { deg: 0.0, delay_s: None, recovery_s: None });
        }
        let half = (row..=latest).find(|row| self.deg[*row] >= before + 0.5 * deg).unwrap_or(latest);
        let delay_s = drive.t_s[half] - drive.t_s[row];
        Some(Response { deg, delay_s: Some(delay_s), recovery_s: self.recovery_s(drive, latest, before, deg) })
    }

    /// Less than this is no answer.
    pub fn least(&self) -> f64 {
        (1.5 * self.resolution_deg).clamp(0.25, 1.0)
    }

    /// Degrees out just before a row; a map's are the middle of the last few rows.
    fn before(&self, drive: &Drive, row: usize) -> Option<f64> {
        let known = |row: &usize| self.deg.get(*row).is_some_and(|deg| deg.is_finite());
        let last = (row.saturating_sub(3)..row).rev().find(known);
        if self.from == From::Correction {
            return last.and_then(|row| self.deg.get(row)).copied();
        }
        let rows = drive.around(row, -0.25, 0.0).start..row;
        let recent: Vec<f64> = rows.filter(known).map(|row| self.deg[row]).collect();
        crate::stats::robust::median(&recent).or_else(|| last.and_then(|row| self.deg.get(row)).copied())
    }

    /// From `latest` until no more is out than before; by a straight line through a quarter and three quarters where
    /// the map's scatter hides the end.
    fn recovery_s(&self, drive: &Drive, latest: usize, before: f64, deg: f64) -> Option<f64> {
        let at_s = drive.t_s[latest];
        let from_s = |row: usize| drive.t_s[row] - at_s;
        let more = self.deg[latest] + self.least();
        let wait = (latest + 1..self.deg.len()).take_while(|row| from_s(*row) <= MOST_RECOVERY_S);
        let wait: Vec<usize> = wait.take_while(|row| self.deg[*row].is_nan() || self.deg[*row] <= more).collect();
        let falls_to = |share: f64| wait.iter().copied().find(|row| self.deg[*row] <= before + share * deg);
        if self.from == From::Correction {
            let given_back = before + (0.5 * self.resolution_deg).max(0.03 * deg);
            let end = wait.iter().copied().find(|row| self.deg[*row] <= given_back)?;
            return Some(from_s(end));
        }
        let (early, late) = (from_s(falls_to(0.75)?), from_s(falls_to(0.25)?));
        Some(late + 0.5 * (late - early))
    }
}
