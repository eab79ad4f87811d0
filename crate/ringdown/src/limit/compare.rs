//! Before against after, matched by speed, load and temperature, never by time.
//!
//! In each cell both sides hold, floor, spread and limit of either side are estimated and subtracted; intervals come from
//! resampling whole stretches, since samples of one stretch resemble each other.

use crate::stats::bootstrap::{self, Estimate};
use crate::stats::robust::median;
use std::collections::BTreeMap;

/// One level of one side.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// Cylinder or sensor, the same number on both sides.
    pub group: u16,
    /// Speed, 1/min.
    pub rpm: f64,
    /// Load, the same unit on both sides.
    pub load: Option<f64>,
    /// Coolant, degC.
    pub degc: Option<f64>,
    /// dB.
    pub level: f64,
    /// Height over its own side's floor, dB, where it lies over that side's limit: knock.
    pub knock_db: Option<f64>,
    /// Stretch it belongs to, numbered from 0.
    pub block: u32,
}

/// One side.
#[derive(Debug, Clone, Default)]
pub struct Seens {
    /// Its levels.
    pub seen: Vec<Seen>,
    /// Height of its limit over the floor in spreads, by group; `None` without a limit.
    pub heights: Vec<Option<f64>>,
}

/// What the cells are made of.
#[derive(Debug, Clone, PartialEq)]
pub struct Grid {
    /// Middles of the speed cells, rising; a level belongs to the nearest.
    pub rpm: Vec<f64>,
    /// Lower end, upper end and number of the load cells.
    pub load: Option<(f64, f64, usize)>,
    /// Width of the temperature cells, K.
    pub degc: Option<f64>,
    /// Confidence of the intervals.
    pub confidence: f64,
}

/// After minus before.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Difference {
    /// dB.
    pub value: f64,
    /// Interval; `None` with fewer than three stretches on a side.
    pub interval: Option<(f64, f64)>,
}

impl Difference {
    /// The interval leaves out zero; `None` without one.
    pub fn is_real(&self) -> Option<bool> {
        self.interval.map(|(low, high)| low > 0.0 || high < 0.0)
    }
}

/// One cell that both sides hold.
#[derive(Debug, Clone, PartialEq)]
#[allow(missing_docs)]
pub struct CellDifference {
    pub group: u16,
    pub rpm: f64,
    /// Middle of the load cell.
    pub load: Option<f64>,
    /// Middle of the temperature cell.
    pub degc: Option<f64>,
    /// Levels before and after.
    pub counts: [usize; 2],
    pub floor: Difference,
    pub spread: Difference,
    pub limit: Option<Difference>,
}

/// All of it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Compared {
    /// Cells both sides hold.
    pub cells: Vec<CellDifference>,
    /// Over all cells, by group: (group, floor).
    pub by_group: Vec<(u16, Difference)>,
    /// Over all cells.
    pub floor: Option<Difference>,
    /// Over all cells.
    pub spread: Option<Difference>,
    /// Mean height of knock over the floor; `None` without enough of it on both sides.
    pub contrast: Option<Difference>,
    /// Share of the levels after that lie in cells both sides hold.
    pub overlap: f64,
    /// Knocks before and after, anywhere.
    pub knocks: [usize; 2],
}

/// A side needs so many levels in a cell.
const FEWEST: usize = 8;
/// And so many knocks for a contrast.
const FEWEST_KNOCKS: usize = 10;
/// Levels further than so many spreads from the floor have no weight: knock must not move it.
const CUT: f64 = 3.0;
/// Mean of `|z|` below the median of a normal law, inverted.
const MEAN_TO_SD: f64 = 1.253_314_137_315_500_1;

type Key = (u16, usize, usize, i32);

/// Compares two sides over a grid.
pub fn compare(before: &Seens, after: &Seens, grid: &Grid) -> Compared {
    let sides = [before, after].map(|side| gather(side, grid));
    let keys: Vec<Key> = sides[0].keys().filter(|key| sides[1].contains_key(*key)).copied().collect();
    let mut pairs: Vec<(Key, [Cell; 2])> = Vec::new();
    for key in keys {
        if let (Some(before), Some(after)) = (sides[0].get(&key), sides[1].get(&key)) {
            let enough = before.len() >= FEWEST && after.len() >= FEWEST;
            pairs.extend(enough.then(|| (key, cells([before, after], grid.rpm.get(key.1).copied().unwrap_or(0.0)))));
        }
    }
    let held: usize = pairs.iter().map(|(_, pair)| pair[1].count).sum();
    let knocks = [before, after].map(|side| side.seen.iter().filter(|seen| seen.knock_db.is_some()).count());
    let mut groups: Vec<u16> = pairs.iter().map(|(key, _)| key.0).collect();
    groups.dedup();
    let of_group = |group: u16| -> Vec<&[Cell; 2]> {
        pairs.iter().filter(|(key, _)| key.0 == group).map(|(_, pair)| pair).collect()
    };
    let all: Vec<&[Cell; 2]> = pairs.iter().map(|(_, pair)| pair).collect();
    let by_group = groups.iter().filter_map(|group| Some((*group, overall(&of_group(*group), grid, Sums::floor)?)));
    Compared {
        by_group: by_group.collect(),
        floor: overall(&all, grid, Sums::floor),
        spread: overall(&all, grid, Sums::spread),
        contrast: contrast([before, after], grid),
        overlap: held as f64 / after.seen.len().max(1) as f64,
        knocks,
        cells: pairs.iter().map(|(key, pair)| difference_of(*key, pair, [before, after], grid)).collect(),
    }
}

fn gather<'a>(side: &'a Seens, grid: &Grid) -> BTreeMap<Key, Vec<&'a Seen>> {
    let mut cells: BTreeMap<Key, Vec<&Seen>> = BTreeMap::new();
    for seen in &side.seen {
        if let Some(key) = grid.key(seen) {
            cells.entry(key).or_default().push(seen);
        }
    }
    cells
}

impl Grid {
    fn key(&self, seen: &Seen) -> Option<Key> {
        let after = self.rpm.partition_point(|rpm| *rpm < seen.rpm);
        let near = [after.checked_sub(1), Some(after)].into_iter().flatten().filter(|k| *k < self.rpm.len());
        let apart = |k: &usize| (self.rpm[*k] - seen.rpm).abs();
        let rpm = near.min_by(|a, b| apart(a).total_cmp(&apart(b)))?;
        let reach = self.reach(rpm);
        let load = match self.load {
            Some((low, high, count)) => {
                let share = (seen.load? - low) / (high - low);
                (-0.05..=1.05).contains(&share).then_some(((share * count as f64).max(0.0) as usize).min(count - 1))?
            }
            None => 0,
        };
        let degc = match self.degc {
            Some(width) => (seen.degc? / width).floor() as i32,
            None => 0,
        };
        (apart(&rpm) <= reach && seen.level.is_finite()).then_some((seen.group, rpm, load, degc))
    }

    /// Half the way to the nearer neighbour; 250 1/min for a single speed.
    fn reach(&self, k: usize) -> f64 {
        let gaps = [k.checked_sub(1).map(|before| (before, k)), Some((k, k + 1))];
        let width = |(a, b): (usize, usize)| Some(self.rpm.get(b)? - self.rpm.get(a)?);
        gaps.into_iter().flatten().filter_map(width).min_by(f64::total_cmp).map_or(250.0, |gap| 0.5 * gap)
    }

    fn load_middle(&self, k: usize) -> Option<f64> {
        self.load.map(|(low, high, count)| low + (k as f64 + 0.5) / count as f64 * (high - low))
    }
}

/// One side of one cell: its fit, and what each stretch adds to it.
struct Cell {
    count: usize,
    blocks: Vec<(u32, Sums)>,
}

/// What a stretch adds: to the floor by one Newton step of a bisquare mean, to the spread by depths below it.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    floor: f64,
    push: f64,
    slope: f64,
    depth: f64,
    below: f64,
}

impl Sums {
    fn plus(self, other: &Sums, times: f64) -> Sums {
        Sums {
            floor: other.floor,
            push: self.push + times * other.push,
            slope: self.slope + times * other.slope,
            depth: self.depth + times * other.depth,
            below: self.below + times * other.below,
        }
    }

    fn floor(&self) -> Option<f64> {
        (self.slope > 0.0).then(|| self.floor + self.push / self.slope)
    }

    fn spread(&self) -> Option<f64> {
        (self.below > 0.0).then(|| MEAN_TO_SD * self.depth / self.below)
    }
}

impl Cell {
    /// Sums with each stretch counted so often as `times` says.
    fn drawn(&self, times: impl Fn(usize, u32) -> f64) -> Sums {
        let blocks = self.blocks.iter().enumerate();
        blocks.fold(Sums::default(), |sums, (index, (block, own))| sums.plus(own, times(index, *block)))
    }

    fn estimate(&self, of: impl Fn(&Sums) -> Option<f64>) -> Option<Estimate> {
        bootstrap::estimate(self.blocks.len(), 11, |counts| {
            of(&self.drawn(|index, _| counts.get(index).copied().unwrap_or(0.0)))
        })
    }

    fn value(&self, of: impl Fn(&Sums) -> Option<f64>) -> Option<f64> {
        of(&self.drawn(|_, _| 1.0))
    }
}

/// Both sides of a cell, levels moved to its middle speed along a slope that both share.
fn cells(sides: [&Vec<&Seen>; 2], middle_rpm: f64) -> [Cell; 2] {
    let slope = shared_slope(sides);
    sides.map(|seen| {
        let moved: Vec<(u32, f64)> =
            seen.iter().map(|one| (one.block, one.level - slope * (one.rpm - middle_rpm))).collect();
        cell(&moved)
    })
}

/// dB per 1/min within both sides, each about its own mean; cut to what engines do.
fn shared_slope(sides: [&Vec<&Seen>; 2]) -> f64 {
    let (mut above, mut below) = (0.0, 1e-9);
    for side in sides {
        let n = side.len().max(1) as f64;
        let rpm = side.iter().map(|seen| seen.rpm).sum::<f64>() / n;
        let levels: Vec<f64> = side.iter().map(|seen| seen.level).collect();
        let level = median(&levels).unwrap_or(0.0);
        for seen in side {
            // Knock must not tilt the slope.
            above += (seen.rpm - rpm) * (seen.level - level).clamp(-6.0, 6.0);
            below += (seen.rpm - rpm).powi(2);
        }
    }
    (above / below).clamp(-0.02, 0.02)
}

fn cell(levels: &[(u32, f64)]) -> Cell {
    let values: Vec<f64> = levels.iter().map(|(_, level)| *level).collect();
    let mut floor = median(&values).unwrap_or(0.0);
    let mut spread = depth(&values, floor, f64::INFINITY);
    for _ in 0..8 {
        let step =
            levels.iter().fold(Sums::default(), |sums, (_, level)| sums.plus(&share(*level, floor, spread), 1.0));
        floor = step.floor().unwrap_or(floor);
        spread = depth(&values, floor, spread);
    }
    let mut blocks: BTreeMap<u32, Sums> = BTreeMap::new();
    for (block, level) in levels {
        let sums = blocks.entry(*block).or_default();
        *sums = sums.plus(&share(*level, floor, spread), 1.0);
    }
    Cell { count: levels.len(), blocks: blocks.into_iter().collect() }
}

fn depth(values: &[f64], floor: f64, spread: f64) -> f64 {
    let below = values.iter().map(|level| floor - level).filter(|depth| *depth > 0.0).map(|d| d.min(CUT * spread));
    let (sum, count) = below.fold((0.0, 0.0), |(sum, count), depth| (sum + depth, count + 1.0));
    (MEAN_TO_SD * sum / f64::max(count, 1.0)).max(1e-3)
}

/// One level's share in floor and spread: Tukey's bisquare and its derivative.
fn share(level: f64, floor: f64, spread: f64) -> Sums {
    let u = (level - floor) / (CUT * spread);
    let inside = (1.0 - u * u).max(0.0);
    let below = floor - level;
    Sums {
        floor,
        push: (level - floor) * inside * inside,
        slope: inside * (1.0 - 5.0 * u * u).max(if inside > 0.0 { -1.0 } else { 0.0 }),
        depth: below.clamp(0.0, CUT * spread),
        below: f64::from(u8::from(below > 0.0)),
    }
}

/// A figure of a cell's sums; `None` where they hold too little.
type Figure<'a> = &'a dyn Fn(&Sums) -> Option<f64>;

fn between(pair: &[Cell; 2], grid: &Grid, of: [Figure; 2]) -> Option<Difference> {
    let value = pair[1].value(of[1])? - pair[0].value(of[0])?;
    let estimates = pair[0].estimate(of[0]).zip(pair[1].estimate(of[1]));
    let interval = estimates.map(|(a, b)| bootstrap::difference(&a, &b, grid.confidence));
    Some(Difference { value, interval: interval.map(|interval| (interval.low, interval.high)) })
}

fn difference_of(key: Key, pair: &[Cell; 2], sides: [&Seens; 2], grid: &Grid) -> CellDifference {
    let nothing = Difference { value: f64::NAN, interval: None };
    let heights = sides.map(|side| side.heights.get(usize::from(key.0)).copied().flatten());
    let limit = match heights {
        [Some(before), Some(after)] => {
            let limit_of = |height: f64| move |sums: &Sums| Some(sums.floor()? + height * sums.spread()?);
            between(pair, grid, [&limit_of(before), &limit_of(after)])
        }
        _ => None,
    };
    CellDifference {
        group: key.0,
        rpm: grid.rpm.get(key.1).copied().unwrap_or(f64::NAN),
        load: grid.load_middle(key.2),
        degc: grid.degc.map(|width| (f64::from(key.3) + 0.5) * width),
        counts: [pair[0].count, pair[1].count],
        floor: between(pair, grid, [&Sums::floor; 2]).unwrap_or(nothing),
        spread: between(pair, grid, [&Sums::spread; 2]).unwrap_or(nothing),
        limit,
    }
}

/// Mean over cells, weighted as a comparison of two counts is, stretches resampled over all cells at once: one stretch
/// passes through several.
fn overall(pairs: &[&[Cell; 2]], grid: &Grid, of: fn(&Sums) -> Option<f64>) -> Option<Difference> {
    let weights: Vec<f64> = pairs
        .iter()
        .map(|pair| {
            let [a, b] = [pair[0].count as f64, pair[1].count as f64];
            a * b / (a + b)
        })
        .collect();
    let side = |which: usize, times: &dyn Fn(u32) -> f64| {
        let (mut sum, mut total) = (0.0, 0.0);
        for (pair, weight) in pairs.iter().zip(&weights) {
            if let Some(value) = pair.get(which).and_then(|cell| of(&cell.drawn(|_, block| times(block)))) {
                // About the cell's own value: a cell that was not drawn must not shift the mean.
                let centre = pair.get(which).and_then(|cell| cell.value(of)).unwrap_or(value);
                sum += weight * (value - centre);
                total += weight;
            }
        }
        (total > 0.0).then(|| sum / total)
    };
    let centre = |which: usize| -> Option<f64> {
        let values = pairs.iter().zip(&weights).filter_map(|(pair, w)| Some((pair.get(which)?.value(of)?, w)));
        let (sum, total) = values.fold((0.0, 0.0), |(sum, total), (value, w)| (sum + w * value, total + w));
        (total > 0.0).then(|| sum / total)
    };
    let value = centre(1)? - centre(0)?;
    let estimate = |which: usize| {
        let blocks: std::collections::BTreeSet<u32> = pairs
            .iter()
            .filter_map(|pair| pair.get(which))
            .flat_map(|cell| cell.blocks.iter().map(|(b, _)| *b))
            .collect();
        let blocks: Vec<u32> = blocks.into_iter().collect();
        bootstrap::estimate(blocks.len(), 12, |counts| {
            side(which, &|block| {
                blocks.binary_search(&block).ok().and_then(|at| counts.get(at)).copied().unwrap_or(0.0)
            })
        })
    };
    let interval = estimate(0).zip(estimate(1)).map(|(a, b)| bootstrap::difference(&a, &b, grid.confidence));
    let interval = interval.map(|interval| (value + interval.low, value + interval.high));
    Some(Difference { value, interval })
}

/// Mean height of knock over its floor, after against before.
fn contrast(sides: [&Seens; 2], grid: &Grid) -> Option<Difference> {
    let estimates = sides.map(|side| {
        let mut blocks: BTreeMap<u32, (f64, f64)> = BTreeMap::new();
        for seen in &side.seen {
            if let Some(height) = seen.knock_db {
                let sums = blocks.entry(seen.block).or_default();
                *sums = (sums.0 + height, sums.1 + 1.0);
            }
        }
        let blocks: Vec<(f64, f64)> = blocks.into_values().collect();
        let knocks: f64 = blocks.iter().map(|(_, count)| count).sum();
        let mean = |counts: &[f64]| {
            let pairs = blocks.iter().zip(counts);
            let (sum, total) =
                pairs.fold((0.0, 0.0), |(s, n), ((sum, count), times)| (s + times * sum, n + times * count));
            (total > 0.0).then(|| sum / total)
        };
        let value = mean(&vec![1.0; blocks.len()]).filter(|_| knocks >= FEWEST_KNOCKS as f64)?;
        Some((value, bootstrap::estimate(blocks.len(), 13, mean)))
    });
    let [Some((before, a)), Some((after, b))] = estimates else { return None };
    let interval = a.zip(b).map(|(a, b)| bootstrap::difference(&a, &b, grid.confidence));
    Some(Difference { value: after - before, interval: interval.map(|interval| (interval.low, interval.high)) })
}
