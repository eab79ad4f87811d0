//! Moments that raise a knock level without knock: starts, gear changes, cuts, lifts, misfires, a switched amplifier.
//!
//! How far around each moment the level is not to be believed, and what speed and throttle do in each: common practice,
//! no source.

use super::drive::{Drive, held};
use crate::read::log::Column;
use crate::read::roles::Role;

/// What upset the level.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[allow(missing_docs)]
pub enum Upset {
    GainSwitch,
    Misfire,
    Lift,
    Cut,
    GearChange,
    Start,
}

/// Below it an engine is cranked, not running.
const RUNNING_RPM: f64 = 400.0;
const START_S: f64 = 2.5;
/// The throttle falls by so much within `FALL_S`, to less than half: a lift.
const LIFT_SHARE: f64 = 0.25;
const FALL_S: f64 = 0.3;
/// Speed falls by at least this share within `CHANGE_S`: the next gear.
const UPSHIFT_SHARE: f64 = 0.08;
const DOWNSHIFT_SHARE: f64 = 0.12;
const CHANGE_S: f64 = 0.6;
/// Speed that moves faster than this near a logged gear change belongs to it.
const CHANGE_RPM_PER_S: f64 = 1500.0;
/// Speed dips by this share and comes back: a limiter.
const DIP_SHARE: f64 = 0.02;

/// The gravest upset of each row.
pub fn upsets(drive: &Drive) -> Vec<Option<Upset>> {
    let mut found = Found { drive, rows: vec![None; drive.rpm.len()], earlier: earlier(drive) };
    found.starts();
    found.changes(Role::Cut, Upset::Cut, -0.05, 0.1);
    if !found.changes(Role::Gear, Upset::GearChange, -0.15, 0.25) {
        found.speed_steps();
    }
    found.dips();
    found.lean();
    found.lifts();
    found.counters();
    found.gains();
    found.rows
}

struct Found<'a, 'b> {
    drive: &'a Drive<'b>,
    rows: Vec<Option<Upset>>,
    /// The row some [`AGO_S`] before each, at least one before it (the first is its own).
    earlier: Vec<usize>,
}

/// Falls are told over so long: a fast log shows them in many small steps.
const AGO_S: f64 = 0.1;

fn earlier(drive: &Drive) -> Vec<usize> {
    let mut from = 0;
    let mut ago = |row: usize| {
        while drive.t_s[from] < drive.t_s[row] - AGO_S {
            from += 1;
        }
        from.min(row.saturating_sub(1))
    };
    (0..drive.rpm.len()).map(&mut ago).collect()
}

impl Found<'_, '_> {
    fn mark(&mut self, rows: std::ops::Range<usize>, upset: Upset) {
        for row in self.rows.iter_mut().take(rows.end).skip(rows.start) {
            *row = (*row).max(Some(upset));
        }
    }

    fn mark_around(&mut self, row: usize, from_s: f64, to_s: f64, upset: Upset) {
        let rows = self.drive.around(row, from_s, to_s);
        self.mark(rows, upset);
    }

    /// From the first turn of an engine that stood until it has settled.
    fn starts(&mut self) {
        let mut stood = false;
        for row in 0..self.rows.len() {
            let rpm = self.drive.rpm[row];
            if stood && rpm >= RUNNING_RPM {
                self.mark_around(row, 0.0, START_S, Upset::Start);
                stood = false;
            } else if rpm < 0.85 * RUNNING_RPM {
                stood = true;
            }
        }
    }

    /// Where a column changes, or, for a cut, is anything but its resting value. True if the column ever did.
    fn changes(&mut self, role: Role, upset: Upset, from_s: f64, to_s: f64) -> bool {
        let columns: Vec<&Column> = self.drive.log.columns.iter().filter(|column| column.role == role).collect();
        let mut any = false;
        for column in columns {
            let values = held(self.drive.t_s, column);
            let rest = most_common(&values);
            let changes = |row: usize| match role {
                Role::Cut => values[row].is_finite() && values[row] != rest,
                _ => row > 0 && (values[row] - values[row - 1]).abs() >= 0.5,
            };
            // A column that changes in every fifth row is no state, whatever its name.
            let count = (0..values.len()).filter(|row| changes(*row)).count();
            if count == 0 || (role != Role::Cut && count * 5 > values.len()) {
                continue;
            }
            any = true;
            for row in (0..values.len()).filter(|row| changes(*row)) {
                if role == Role::Gear {
                    self.mark_change(row);
                } else {
                    self.mark_around(row, from_s, to_s, upset);
                }
            }
        }
        any
    }

    /// A logged gear change, from where speed and throttle start to move until they are done: the column itself comes
    /// earlier or later, by the control unit.
    fn mark_change(&mut self, row: usize) {
        let drive = self.drive;
        let near = drive.around(row, -0.5, 0.5);
        let most = self.highest_demand(near.clone()).unwrap_or(f64::NAN);
        let moves = |row: &usize| drive.rpm_per_s[*row].abs() > CHANGE_RPM_PER_S || drive.demand_at(*row) < 0.6 * most;
        let moving: Vec<usize> = near.filter(moves).collect();
        // Only what hangs together around the change, or nearest to it.
        let Some(&middle) = moving.iter().min_by_key(|other| other.abs_diff(row)) else {
            return self.mark_around(row, -0.15, 0.25, Upset::GearChange);
        };
        let is_moving = |row: usize| moving.binary_search(&row).is_ok();
        let (mut first, mut last) = (middle, middle);
        while first > 0 && is_moving(first - 1) {
            first -= 1;
        }
        while is_moving(last + 1) {
            last += 1;
        }
        self.mark_moment(first, last);
    }

    /// From the row before a moment starts until a tenth of a second after it.
    fn mark_moment(&mut self, first: usize, last: usize) {
        let end = self.drive.around(last, 0.0, 0.1).end;
        self.mark(first.saturating_sub(1)..end, Upset::GearChange);
    }

    /// Gear changes without a gear column: speed falls within a moment and stays there while the throttle is as open as
    /// before, or leaps up with the throttle shut before and after.
    fn speed_steps(&mut self) {
        let mut row = 1;
        while row < self.rows.len() {
            match self.upshift(row).or_else(|| self.downshift(row)) {
                Some((first, last)) => {
                    self.mark_moment(first, last);
                    row = last + 1;
                }
                None => row += 1,
            }
        }
    }

    fn upshift(&self, row: usize) -> Option<(usize, usize)> {
        let drive = self.drive;
        let before = drive.rpm[self.earlier[row]];
        if !(before > 1500.0 && drive.rpm[row] < before * (1.0 - 0.2 * UPSHIFT_SHARE)) {
            return None;
        }
        let lowest = self.lowest(drive.around(row, 0.0, CHANGE_S))?;
        let fall = before - drive.rpm[lowest];
        if fall < (UPSHIFT_SHARE * before).max(300.0) || fall > 0.6 * before {
            return None;
        }
        let was = self.highest_demand(drive.around(row, -0.2, 0.0));
        let after = drive.around(lowest, 0.0, 1.0);
        let is = self.highest_demand(after.clone());
        let asked_again = was.zip(is).is_none_or(|(was, is)| was >= 0.2 && is >= 0.6 * was);
        // Over the second after: a limiter is back where it was, a gear change is not.
        let back = after.clone().any(|row| drive.rpm[row] > before * (1.0 - 0.4 * UPSHIFT_SHARE));
        // A fall that goes on is a lift or brakes.
        let goes_on = drive.around(lowest, 0.0, 0.5).any(|row| drive.rpm[row] < drive.rpm[lowest] - 0.04 * before);
        (asked_again && !back && !goes_on).then_some((self.earlier[row], lowest))
    }

    fn downshift(&self, row: usize) -> Option<(usize, usize)> {
        let drive = self.drive;
        let before = drive.rpm[self.earlier[row]];
        if !(before > 1200.0 && drive.rpm[row] > before * (1.0 + 0.2 * DOWNSHIFT_SHARE)) {
            return None;
        }
        let after = drive.around(row, 0.0, CHANGE_S);
        let highest = after.max_by(|a, b| drive.rpm[*a].total_cmp(&drive.rpm[*b]))?;
        let leap = drive.rpm[highest] - before;
        let shut = |row: usize| drive.is_shut(row) == Some(true);
        let shut_before = drive.around(row, -0.6, 0.0).any(shut);
        let shut_after = drive.around(highest, 0.0, 0.8).any(shut);
        (leap > (DOWNSHIFT_SHARE * before).max(400.0) && shut_before && shut_after)
            .then_some((self.earlier[row], highest))
    }

    /// A limiter without a cut column: speed dips and comes back while the throttle stays open; and ignition that falls
    /// by 15 degrees at once.
    fn dips(&mut self) {
        let top = super::drive::range(self.drive.rpm.iter().copied()).map_or(f64::INFINITY, |(_, high)| high);
        let ignition = self.drive.log.first(Role::Ignition).map(|column| held(self.drive.t_s, column));
        for row in 1..self.rows.len() {
            let ago = self.earlier[row];
            let before = self.drive.rpm[ago];
            let open = |rows: std::ops::Range<usize>| rows.clone().all(|row| self.drive.demand_at(row) > 0.5);
            if before > 1500.0 && self.drive.rpm[row] < before * (1.0 - 0.3 * DIP_SHARE) {
                let fall = self.drive.around(row, 0.0, 0.3);
                let whole = self.drive.around(row, -0.1, 0.8);
                let deep = self.lowest(fall).is_some_and(|low| self.drive.rpm[low] < before * (1.0 - DIP_SHARE));
                let back =
                    whole.clone().filter(|other| *other > row).any(|other| self.drive.rpm[other] > before * 0.985);
                let held_open = if self.drive.demand.is_some() { open(whole.clone()) } else { before > 0.97 * top };
                if deep && back && held_open {
                    self.mark(whole, Upset::Cut);
                }
            }
            let plunge = ignition.as_ref().is_some_and(|deg| deg[ago] - deg[row] > 15.0 && deg[row] < 5.0);
            if plunge && open(self.drive.around(row, -0.1, 0.1)) {
                self.mark_around(row, -0.1, 0.4, Upset::Cut);
            }
        }
    }

    /// Mixture that leaps lean under an open throttle: a cut if it is pumping air, else a misfire where speed dips too.
    fn lean(&mut self) {
        let Some(mixture) = self.drive.log.first(Role::Mixture).map(|column| held(self.drive.t_s, column)) else {
            return;
        };
        let usual = super::drive::range(mixture.iter().copied()).map_or(f64::NAN, |(low, high)| 0.5 * (low + high));
        for row in 1..self.rows.len() {
            let leap = mixture[row] / mixture[self.earlier[row]];
            if !(leap > 1.12 && usual > 0.0 && self.drive.demand_at(row) > 0.3) {
                continue;
            }
            let dips = self.drive.around(row, -0.2, 0.2).any(|row| self.drive.rpm_per_s[row] < -300.0);
            if leap > 1.35 {
                self.mark_around(row, -0.3, 0.3, Upset::Cut);
            } else if dips {
                self.mark_around(row, -0.3, 0.2, Upset::Misfire);
            }
        }
    }

    fn lifts(&mut self) {
        for row in 1..self.rows.len() {
            let (before, now) = (self.drive.demand_at(self.earlier[row]), self.drive.demand_at(row));
            let closes = before - now > 0.08;
            if !closes {
                continue;
            }
            let was = self.highest_demand(self.drive.around(row, -FALL_S, 0.0)).unwrap_or(before);
            let ends = self.drive.around(row, 0.0, FALL_S);
            let is = ends.map(|row| self.drive.demand_at(row)).filter(|share| share.is_finite()).fold(now, f64::min);
            if was - is > LIFT_SHARE && is < 0.5 * was {
                self.mark_around(row, -0.15, 0.5, Upset::Lift);
            }
        }
    }

    /// Misfire counters.
    fn counters(&mut self) {
        for values in self.named(&["misfire", "aussetzer", "rate d allumage", "ratees", "fallo de encendido"]) {
            for row in 1..values.len().min(self.rows.len()) {
                if values[row] > values[row - 1] {
                    self.mark_around(row, -0.4, 0.1, Upset::Misfire);
                }
            }
        }
    }

    /// A column of the amplifier's setting that steps now and then.
    fn gains(&mut self) {
        for values in self.named(&["gain", "verstaerkung", "amplif", "ganancia"]) {
            let steps: Vec<usize> =
                (1..values.len()).filter(|row| (values[*row] - values[row - 1]).abs() > 1e-9).collect();
            if steps.len() * 20 > values.len() {
                continue;
            }
            for row in steps {
                self.mark_around(row, -0.1, 0.3, Upset::GainSwitch);
            }
        }
    }

    fn named(&self, words: &[&str]) -> Vec<Vec<f64>> {
        let plain = |name: &str| name.to_lowercase().replace('ä', "ae").replace('é', "e").replace('\'', " ");
        let other = self.drive.log.columns.iter().filter(|column| column.role == Role::Other);
        let fits = |column: &&Column| words.iter().any(|word| plain(&column.name).contains(word));
        other.filter(fits).map(|column| held(self.drive.t_s, column)).collect()
    }

    fn lowest(&self, rows: std::ops::Range<usize>) -> Option<usize> {
        rows.filter(|row| self.drive.rpm[*row].is_finite())
            .min_by(|a, b| self.drive.rpm[*a].total_cmp(&self.drive.rpm[*b]))
    }

    fn highest_demand(&self, rows: std::ops::Range<usize>) -> Option<f64> {
        rows.map(|row| self.drive.demand_at(row)).filter(|share| share.is_finite()).max_by(f64::total_cmp)
    }
}

/// The value most rows have, by a majority that survives pairing off (R. S. Boyer, J S. Moore, 1981, from memory).
fn most_common(values: &[f64]) -> f64 {
    let (mut candidate, mut lead) = (0.0, 0_u64);
    for value in values.iter().copied().filter(|value| value.is_finite()) {
        if lead == 0 {
            (candidate, lead) = (value, 1);
        } else if value == candidate {
            lead += 1;
        } else {
            lead -= 1;
        }
    }
    candidate
}
