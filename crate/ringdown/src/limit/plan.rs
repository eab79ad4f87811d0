//! What to record next: how many short pulls fill the cells that are still empty.

use super::floor::NEAR_RPM;
use super::limits::LimitAt;

/// Rise of speed in a pull, 1/min per second: 2000 to 6500 in six seconds.
pub const PULL_RPM_PER_S: f64 = 750.0;

/// Narrowest range of a pull whose cycles may lie at any speed, 1/min: two seconds.
const LEAST_RANGE_RPM: f64 = 1500.0;
/// A pull is not begun below this for want of range, 1/min (common practice, no source).
const LOWEST_RPM: f64 = 1000.0;

/// One act of recording.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Load breakpoint to pull at; `None`: load parts nothing, or any load does.
    pub load: Option<f64>,
    /// Speeds to pull through, 1/min.
    pub from_rpm: f64,
    /// See `from_rpm`.
    pub to_rpm: f64,
    /// Cycles still missing for each cylinder or sensor, at most.
    pub missing: u32,
    /// Short pulls that bring them.
    pub pulls: u32,
}

/// Stretches of speed whose cells are empty, low loads first and in each slow speeds first, each with the pulls it takes.
///
/// * `table`: one row a group over `breakpoints_rpm`, rising; `loads`: the load breakpoint of each row.
/// * A cell without a floor needs cycles within 150 1/min of it. A cell with a floor but no limit lacks cycles anywhere:
///   the whole table's range is pulled through for it, or 1500 1/min around it where the table is narrower. A pull rises by
///   750 1/min a second; four-stroke, one combustion in two turns.
pub fn plan(table: &[Vec<LimitAt>], loads: &[Option<f64>], breakpoints_rpm: &[f64]) -> Vec<Step> {
    let Some((first, last)) = breakpoints_rpm.first().zip(breakpoints_rpm.last()) else { return Vec::new() };
    let load_of = |row: usize| loads.get(row).copied().flatten();
    let mut each: Vec<Option<f64>> = (0..table.len()).map(load_of).collect();
    each.sort_by(|a, b| a.unwrap_or(f64::INFINITY).total_cmp(&b.unwrap_or(f64::INFINITY)));
    each.dedup();
    let rows_of = |load: &Option<f64>| {
        let own = table.iter().enumerate().filter(|(row, _)| load_of(*row) == *load);
        own.map(|(_, cells)| cells.as_slice()).collect::<Vec<_>>()
    };
    let mut steps: Vec<Step> =
        each.iter().flat_map(|load| without_floor(&rows_of(load), *load, breakpoints_rpm)).collect();
    let rows: Vec<&[LimitAt]> = table.iter().map(Vec::as_slice).collect();
    let anywhere = (0..breakpoints_rpm.len()).map(|column| worst(&rows, column, true)).max().unwrap_or(0);
    if anywhere > 0 {
        let groups = table.len().max(1) as u32;
        let missing = anywhere.div_ceil(groups);
        let (from_rpm, to_rpm) = wide_enough(*first, *last);
        let pulls = pulls(missing, cycles_between(from_rpm, to_rpm));
        steps.push(Step { load: None, from_rpm, to_rpm, missing, pulls });
    }
    steps
}

/// Most cycles that a cell of a speed lacks, of those with a floor or of those without.
fn worst(rows: &[&[LimitAt]], column: usize, has_floor: bool) -> u32 {
    let cells = rows.iter().filter_map(|row| row.get(column)).filter(|cell| cell.limit.is_none());
    cells.filter(|cell| cell.floor.is_some() == has_floor).map(|cell| cell.more_needed).max().unwrap_or(0)
}

/// Neighbouring speeds without a floor at a load, together.
fn without_floor(rows: &[&[LimitAt]], load: Option<f64>, breakpoints_rpm: &[f64]) -> Vec<Step> {
    let mut steps: Vec<Step> = Vec::new();
    for (column, rpm) in breakpoints_rpm.iter().enumerate() {
        let missing = worst(rows, column, false);
        if missing == 0 {
            continue;
        }
        let here = Step {
            load,
            from_rpm: *rpm,
            to_rpm: *rpm,
            missing,
            pulls: pulls(missing, cycles_between(rpm - NEAR_RPM, rpm + NEAR_RPM)),
        };
        let beside = column.checked_sub(1).and_then(|before| breakpoints_rpm.get(before));
        match steps.last_mut().filter(|step| Some(&step.to_rpm) == beside) {
            Some(step) => {
                step.to_rpm = *rpm;
                step.missing = step.missing.max(here.missing);
                step.pulls = step.pulls.max(here.pulls);
            }
            None => steps.push(here),
        }
    }
    steps
}

/// Range of a pull that holds both speeds: begun lower, or where that is no pull any more, ended higher.
fn wide_enough(first_rpm: f64, last_rpm: f64) -> (f64, f64) {
    let from_rpm = first_rpm.min((last_rpm - LEAST_RANGE_RPM).max(LOWEST_RPM));
    (from_rpm, last_rpm.max(from_rpm + LEAST_RANGE_RPM))
}

/// Combustions of one cylinder while a pull rises from one speed to another.
fn cycles_between(from_rpm: f64, to_rpm: f64) -> f64 {
    let from_rpm = from_rpm.max(0.0);
    (to_rpm * to_rpm - from_rpm * from_rpm) / (2.0 * 120.0 * PULL_RPM_PER_S)
}

fn pulls(missing: u32, in_one: f64) -> u32 {
    (f64::from(missing) / in_one.max(0.5)).ceil().clamp(1.0, 1000.0) as u32
}

#[cfg(test)]
mod tests {
    use super::*;

    /// From 2000 to 6500 1/min in 6 s at 4250 1/min on average: 212.5 combustions.
    #[test]
    fn a_pull_brings_the_combustions_its_mean_speed_gives() {
        assert!((cycles_between(2000.0, 6500.0) - 212.5).abs() < 1e-9);
    }

    #[test]
    fn neighbouring_empty_speeds_are_one_act_and_full_ones_ask_for_nothing() {
        let full = LimitAt { floor: Some(-40.0), limit: Some(-30.0), cycles: 50.0, more_needed: 0 };
        let empty = LimitAt { floor: None, limit: None, cycles: 0.0, more_needed: 8 };
        let speeds = [1000.0, 2000.0, 3000.0, 4000.0, 5000.0];
        assert_eq!(plan(&[vec![full; 5]], &[], &speeds), []);
        let steps = plan(&[vec![empty, full, full, empty, empty]], &[], &speeds);
        let [low, high] = steps.as_slice() else { panic!("{steps:?}") };
        assert_eq!((low.from_rpm, low.to_rpm, low.missing), (1000.0, 1000.0, 8));
        assert_eq!((high.from_rpm, high.to_rpm), (4000.0, 5000.0));
        // 0.4 s at 1000 1/min hold 3.3 combustions, at 4000 1/min 13.
        assert_eq!((low.pulls, high.pulls), (3, 1));
    }

    /// Light load first whatever the order of the rows; what is lacking anywhere is asked for once.
    #[test]
    fn each_load_has_its_own_acts_light_load_first() {
        let empty = LimitAt { floor: None, limit: None, cycles: 0.0, more_needed: 8 };
        let lacking = LimitAt { floor: Some(-40.0), limit: None, cycles: 50.0, more_needed: 300 };
        let loads = [Some(90.0), Some(40.0), Some(90.0), Some(40.0)];
        let high = vec![lacking, lacking, empty];
        let low = vec![empty, lacking, lacking];
        let steps = plan(&[high.clone(), low.clone(), high, low], &loads, &[2000.0, 3000.0, 4000.0]);
        let places: Vec<(Option<f64>, f64, f64)> = steps.iter().map(|s| (s.load, s.from_rpm, s.to_rpm)).collect();
        let wanted = [(Some(40.0), 2000.0, 2000.0), (Some(90.0), 4000.0, 4000.0), (None, 2000.0, 4000.0)];
        assert_eq!(places, wanted);
        assert_eq!(steps[2].missing, 75);
    }

    /// From 1500 to 3000 1/min in 2 s at 2250 1/min on average: 37.5 combustions; 75 a cylinder are two pulls.
    #[test]
    fn a_table_of_one_speed_is_pulled_through_not_stood_at() {
        let lacking = LimitAt { floor: Some(-40.0), limit: None, cycles: 50.0, more_needed: 300 };
        let steps = plan(&vec![vec![lacking]; 4], &[], &[3000.0]);
        let pull = Step { load: None, from_rpm: 1500.0, to_rpm: 3000.0, missing: 75, pulls: 2 };
        assert_eq!(steps, [pull]);
        let at_idle = plan(&[vec![lacking]], &[], &[900.0]);
        assert_eq!((at_idle[0].from_rpm, at_idle[0].to_rpm), (900.0, 2400.0));
        let wide = plan(&[vec![lacking; 2]], &[], &[2000.0, 6500.0]);
        assert_eq!((wide[0].from_rpm, wide[0].to_rpm), (2000.0, 6500.0));
    }
}
