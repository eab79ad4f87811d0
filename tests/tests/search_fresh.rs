//! The cell that the search picks is judged on cycles it never saw: 20 000 that knock and 100 000 that don't, against every
//! other cell of the grid. (Of 20 000 quiet ones 20 lie over the limit: the limit of each cell would be off by a fifth of the
//! rate, and the best of thousands by 0.01 mere luck.)
//!
//! `RINGDOWN_SEED=101` begins elsewhere, `RINGDOWN_LONG=1` tries twenty engines instead of two.
//!
//! The maps are drawn here, power by power: noise that falls with frequency, a valve's strike, knock of log-normal
//! strength that rings in two modes and dies away. Normal and exponential draws are Box and Muller's and the inverse of
//! the law; the generator is xorshift64* (from memory).
//!
//! check: search: recall on fresh cycles against the best cell of the grid | maps drawn by other means, 20 000 knocking and 100 000 quiet, any seeds by `RINGDOWN_SEED` | 0.01 for 7 of 10 engines, 0.008 in the mean

use ringdown::feature::grid::choose::{cell, choose};
use ringdown::feature::grid::map::pack;
use ringdown::feature::grid::separate::{Case, Measure, Separator};
use ringdown::feature::grid::{BIN_HZ, Cell, FIRST_BIN, FIRST_DEG_ATDC, ROWS, STEP_DEG, STEPS, after_last_bin};
use std::f64::consts::TAU;

const FALSE_ALARM: f64 = 1e-3;
const SAMPLE_RATE_HZ: f64 = 48_000.0;

struct Draw(u64);

impl Draw {
    fn even(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        ((self.0.wrapping_mul(0x2545_f491_4f6c_dd1d) >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.even()
    }

    fn normal(&mut self) -> f64 {
        (-2.0 * self.even().ln()).sqrt() * (TAU * self.even()).cos()
    }

    /// Power of noise about its mean: two independent pairs of squares.
    fn power(&mut self) -> f64 {
        -0.5 * (self.even() * self.even()).ln()
    }
}

/// What an engine sounds like.
struct Engine {
    first_mode_hz: f64,
    strike_deg: f64,
    strike_hz: f64,
    strike_db: f64,
    knock_db: f64,
}

impl Engine {
    fn drawn(draw: &mut Draw) -> Self {
        Self {
            first_mode_hz: draw.between(5000.0, 8500.0),
            strike_deg: draw.between(35.0, 100.0),
            strike_hz: draw.between(5000.0, 14_000.0),
            strike_db: draw.between(6.0, 16.0),
            knock_db: draw.between(3.0, 9.0),
        }
    }

    /// Powers of one event, row after row, the reference first.
    fn event(&self, knock: bool, bins: usize, draw: &mut Draw) -> Vec<f64> {
        let bell = |x: f64| (-0.5 * x * x).exp();
        let times = |db: f64| 10.0_f64.powf(db / 10.0);
        let strike = times(self.strike_db + 3.0 * draw.normal());
        let strength = if knock { times(self.knock_db + 5.0 * draw.normal()) } else { 0.0 };
        let onset_deg = 14.0 + 4.0 * draw.normal();
        let pitch = 1.0 + 0.02 * draw.normal();
        let hz: Vec<f64> = (0..bins).map(|bin| BIN_HZ * (FIRST_BIN + bin) as f64).collect();
        let noise = |hz: f64| (4000.0 / hz).powi(2) + 0.05;
        let struck: Vec<f64> = hz.iter().map(|hz| 0.1 * strike * bell((hz - self.strike_hz) / 1200.0)).collect();
        let mode = |hz: f64, of: f64, width_hz: f64| bell((hz - of * pitch * self.first_mode_hz) / width_hz);
        let rung = |hz: f64| (mode(hz, 1.0, 450.0) + 0.3 * mode(hz, 1.66, 600.0)) * noise(hz).max(0.2);
        let rung: Vec<f64> = hz.iter().map(|hz| rung(*hz)).collect();
        let mut out = Vec::with_capacity(ROWS * bins);
        for row in 0..ROWS {
            let deg = FIRST_DEG_ATDC + STEP_DEG * (row as f64 - 0.5);
            let blow = if row > 0 { bell((deg - self.strike_deg) / 6.0) } else { 0.0 };
            let since = deg - onset_deg;
            let ring = if row > 0 && since > 0.0 { strength * (-since / 18.0).exp() } else { 0.0 };
            for bin in 0..bins {
                let quiet = (noise(hz[bin]) + blow * struck[bin]) * draw.power();
                out.push(if ring > 0.0 { quiet + ring * rung[bin] * draw.power() } else { quiet });
            }
        }
        out
    }
}

/// Sums from the first bin and step on, so that any cell of an event is four look-ups.
fn sums(powers: &[f64], bins: usize) -> Vec<f32> {
    let mut out = vec![0.0_f32; (STEPS + 1) * (bins + 1)];
    let mut above = vec![0.0_f64; bins + 1];
    for step in 0..STEPS {
        let mut along = 0.0;
        for bin in 0..bins {
            along += powers[(step + 1) * bins + bin];
            above[bin + 1] += along;
            out[(step + 1) * (bins + 1) + bin + 1] = above[bin + 1] as f32;
        }
    }
    out
}

fn power(sums: &[f32], bins: usize, cell: Cell) -> f32 {
    let (left, right) = (cell.band.first - FIRST_BIN, cell.band.first - FIRST_BIN + cell.band.bins);
    let at = |step: usize, bin: usize| sums[step * (bins + 1) + bin];
    let (from, to) = (cell.span.first, cell.span.first + cell.span.steps);
    at(to, right) - at(from, right) - at(to, left) + at(from, left)
}

/// Counts of power in every cell, 64 classes an octave, told from the first bits of the number.
struct Counts {
    cells: Vec<Cell>,
    classes: Vec<u32>,
}

const CLASSES: usize = 2048;
/// Number of the class of 2^-8.
const LOWEST: u32 = (127 - 8) << 6;

impl Counts {
    fn of(cells: &[Cell], bins: usize, mut events: impl Iterator<Item = Vec<f64>>) -> Self {
        let mut own = Self { cells: cells.to_vec(), classes: vec![0; cells.len() * CLASSES] };
        for powers in &mut events {
            let sums = sums(&powers, bins);
            for (cell, classes) in own.cells.iter().zip(own.classes.chunks_mut(CLASSES)) {
                let class = (power(&sums, bins, *cell).to_bits() >> 17).saturating_sub(LOWEST);
                classes[(class as usize).min(CLASSES - 1)] += 1;
            }
        }
        own
    }

    fn of_cell(&self, cell: usize) -> &[u32] {
        &self.classes[cell * CLASSES..(cell + 1) * CLASSES]
    }
}

/// Share of the knocking events over the level that [`FALSE_ALARM`] of the quiet ones pass; a class is parted evenly.
fn recall(quiet: &[u32], knocking: &[u32]) -> f64 {
    let all = |counts: &[u32]| f64::from(counts.iter().sum::<u32>());
    let mut left = FALSE_ALARM * all(quiet);
    let mut over = 0.0;
    for (quiet, knocking) in quiet.iter().zip(knocking).rev().map(|(q, k)| (f64::from(*q), f64::from(*k))) {
        let part = if quiet > left { left / quiet } else { 1.0 };
        over += part * knocking;
        left -= quiet;
        if left <= 0.0 {
            break;
        }
    }
    over / all(knocking)
}

/// Counts of a cell over both halves of the fresh cycles.
fn both(halves: &[Counts; 2], cell: usize) -> Vec<u32> {
    halves[0].of_cell(cell).iter().zip(halves[1].of_cell(cell)).map(|(a, b)| a + b).collect()
}

/// A cell may recall so much less than the best of the grid: seven engines in ten less than the first, the mean of all less
/// than the second. Sixteen of twenty did when they were first looked at, 0.0053 in the mean, the worst 0.03; of twenty others (from seed 221) eighteen,
/// 0.0064, one 0.055, its band one step too wide. The best of thousands is itself partly luck, some 0.0015 of it, and
/// some 3000 knocking cycles are all the search has seen.
const NEAR: f64 = 0.01;
const MEAN: f64 = 0.008;

#[test]
fn on_fresh_cycles_the_cell_found_recalls_about_as_much_as_the_best_of_the_grid() {
    let bins = after_last_bin(SAMPLE_RATE_HZ) - FIRST_BIN;
    let first = std::env::var("RINGDOWN_SEED").ok().map_or(1, |seed| seed.parse().expect("a number"));
    let seeds = if std::env::var_os("RINGDOWN_LONG").is_some() { 20 } else { 2 };
    let (mut short, mut without_luck) = (Vec::new(), Vec::new());
    for seed in first..first + seeds {
        let mut draw = Draw(0x9e37_79b9_7f4a_7c15_u64.wrapping_mul(seed));
        let engine = Engine::drawn(&mut draw);
        let seen: Vec<(bool, f32, Vec<u16>)> = (0..20_000)
            .map(|number| {
                let provoked = number >= 10_000;
                let knock = provoked && draw.even() < 0.3;
                let map = engine.event(knock, bins, &mut draw).iter().map(|power| pack(*power as f32)).collect();
                (provoked, draw.between(2000.0, 6000.0) as f32, map)
            })
            .collect();
        let cases: Vec<Case> = seen
            .iter()
            .enumerate()
            .map(|(number, (provoked, rpm, map))| Case {
                group: (number % 4) as u16,
                rpm: *rpm,
                t_s: 0.02 * number as f64,
                provoked: *provoked,
                knock: false,
                map,
                bins,
            })
            .collect();
        let mut separator = Separator::new(&cases, 4, bins, Measure::Energy, FALSE_ALARM).expect("enough events");
        while separator.advance() {}
        let (bands, spans) = (separator.bands().to_vec(), separator.spans().to_vec());
        let cells = bands.len() * spans.len();
        assert!(cells >= 2000, "{cells} cells");
        let choice =
            choose(&bands, &spans, separator.scores(), separator.closer(), separator.positives()).expect("a choice");
        let found = cell(&bands, &spans, choice.best).expect("a cell");

        let all: Vec<Cell> = (0..cells).filter_map(|at| cell(&bands, &spans, at)).collect();
        let mut half = |knock: bool, events: usize| {
            Counts::of(&all, bins, (0..events / 2).map(|_| engine.event(knock, bins, &mut draw)))
        };
        let quiet = [half(false, 100_000), half(false, 100_000)];
        let knocking = [half(true, 20_000), half(true, 20_000)];
        let of_half = |at: usize, cell: usize| recall(quiet[at].of_cell(cell), knocking[at].of_cell(cell));
        let recall = |cell: usize| recall(&both(&quiet, cell), &both(&knocking, cell));
        let got = recall(choice.best);
        let (most, at) = (0..cells).map(|cell| (recall(cell), cell)).max_by(|a, b| a.0.total_cmp(&b.0)).expect("cells");
        println!("seed {seed}: {cells} cells, recall {got:.4} in {found:?}, best {most:.4} in {:?}", all[at]);
        short.push(most - got);
        // The best on one half of the fresh cycles, judged like the cell found on the other, in turn: no luck in either.
        let other = |pick: usize, judge: usize| {
            let best = (0..cells).max_by(|a, b| of_half(pick, *a).total_cmp(&of_half(pick, *b))).expect("cells");
            of_half(judge, best) - of_half(judge, choice.best)
        };
        without_luck.push(0.5 * (other(0, 1) + other(1, 0)));
    }
    let count = short.len() as f64;
    let mean = short.iter().sum::<f64>() / count;
    let far = short.iter().filter(|short| **short > NEAR).count();
    println!(
        "{far} of {count} further than {NEAR}, mean {mean:.4}, most {:.4}",
        short.iter().copied().fold(0.0, f64::max)
    );
    println!(
        "without the luck of the best: {} of {count} further, mean {:.4}, most {:.4}",
        without_luck.iter().filter(|short| **short > NEAR).count(),
        without_luck.iter().sum::<f64>() / count,
        without_luck.iter().copied().fold(f64::MIN, f64::max)
    );
    assert!(far as f64 <= 0.3 * count && mean <= MEAN, "{far} of {count}, mean {mean}: {short:?}");
}
