//! Every reference, signal, sampling rate and speed with each other. `RINGDOWN_LONG=1` runs all, another word what has it
//! in its name; otherwise a thin cut.
//!
//! check: crank angle over the whole range of references | the same engine, 44.1 to 192 kHz, 400 to 9000 rpm | square 0.1, sound input 0.5, spoilt or in noise 1 degree; speed 0.02 %; no wrong cylinder

#[path = "crank_bench/bench.rs"]
#[allow(dead_code)]
mod bench;
#[path = "crank_bench/engine.rs"]
#[allow(dead_code)]
mod engine;

use bench::{Bench, FOUR, GAP_DEG_BTDC, Measured, toothed};
use engine::{Pulses, Random, Speed, noisy, pulses_at, reluctance, sound_input, spoil, square, to_f32, wheel};
use ringdown::read::sheet::{Crank as Reference, Edge};
use std::collections::BTreeMap;

const EDGES_DEG: [f64; 6] = [10.0, 70.0, 95.0, 200.0, 290.0, 300.0];

#[derive(Clone, Copy, Debug, PartialEq)]
enum Wheel {
    Missing(u16, u16),
    Even(u16),
    Edges,
    Turn,
    Cycle,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Signal {
    Square,
    SoundInput,
    Spoilt,
    Reluctance,
}

const WHEELS: [Wheel; 8] = [
    Wheel::Missing(60, 2),
    Wheel::Missing(36, 1),
    Wheel::Missing(36, 2),
    Wheel::Missing(12, 1),
    Wheel::Even(24),
    Wheel::Edges,
    Wheel::Turn,
    Wheel::Cycle,
];
const SIGNALS: [Signal; 4] = [Signal::Square, Signal::SoundInput, Signal::Spoilt, Signal::Reluctance];
const RATES_HZ: [f64; 4] = [44_100.0, 48_000.0, 96_000.0, 192_000.0];
const SPEEDS: [Speed; 5] = [
    Speed::Steady(400.0),
    Speed::Steady(1300.0),
    Speed::Swing(3500.0, 1500.0, 4.0),
    Speed::Steady(6500.0),
    Speed::Steady(9000.0),
];

impl Wheel {
    fn reference(self) -> Reference {
        let edge = Some(Edge::Rising);
        let deg_btdc = Some(GAP_DEG_BTDC);
        match self {
            Wheel::Missing(teeth, missing) => toothed(teeth, missing),
            Wheel::Even(teeth) => Reference::EvenTeeth { channel: 1, teeth, edge },
            Wheel::Edges => Reference::EdgeList { channel: 1, edges_deg: EDGES_DEG.to_vec(), edge },
            Wheel::Turn => Reference::PulsePerTurn { channel: 1, deg_btdc, edge },
            Wheel::Cycle => Reference::PulsePerCycle { channel: 1, deg_btdc, edge },
        }
    }

    fn pulses(self, bench: &Bench) -> Pulses {
        let first = bench.first_deg() - GAP_DEG_BTDC;
        let engine = &bench.engine;
        match self {
            Wheel::Missing(teeth, missing) => {
                wheel(engine, teeth.into(), missing.into(), first, 180.0 / f64::from(teeth))
            }
            Wheel::Even(teeth) => wheel(engine, teeth.into(), 0, first, 180.0 / f64::from(teeth)),
            Wheel::Edges => {
                let mut pulses: Pulses = EDGES_DEG.iter().flat_map(|&deg| pulses_at(engine, deg, 360.0, 5.0)).collect();
                pulses.sort_by(|a, b| a.0.total_cmp(&b.0));
                pulses
            }
            Wheel::Turn => pulses_at(engine, first, 360.0, 12.0),
            Wheel::Cycle => pulses_at(engine, first, 720.0, 12.0),
        }
    }

    /// A single pulse is timed in steady running only, and has no teeth to spoil or to feel.
    fn has(self, signal: Signal, speed: Speed) -> bool {
        match self {
            Wheel::Missing(..) => true,
            Wheel::Even(_) | Wheel::Edges => signal != Signal::Reluctance,
            Wheel::Turn | Wheel::Cycle => {
                matches!(signal, Signal::Square | Signal::SoundInput) && matches!(speed, Speed::Steady(_))
            }
        }
    }

    fn limit_deg(self, signal: Signal) -> f64 {
        match (self, signal) {
            (Wheel::Turn, _) => 1.0,
            (Wheel::Cycle, _) => 2.0,
            (_, Signal::Square) => 0.1,
            (_, Signal::SoundInput) => 0.5,
            (_, Signal::Spoilt | Signal::Reluctance) => 1.0,
        }
    }
}

fn bench(wheel: Wheel, signal: Signal, rate_hz: f64, speed: Speed, seed: u64) -> Bench {
    // A single pulse shows no ripple: 3 % from the lowest to the highest speed there, twice as much elsewhere.
    let ripple = if matches!(wheel, Wheel::Turn | Wheel::Cycle) { 0.015 } else { 0.03 };
    let sheet = Bench::new(FOUR, wheel.reference(), speed, 0.1, rate_hz).sheet;
    // A spoilt tooth beside the first or last gap costs up to three turns at either end, and no more in a longer recording: forty
    // turns are too few to count one in twenty.
    let slow = matches!((signal, speed), (Signal::Spoilt, Speed::Steady(rpm)) if rpm < 1000.0);
    let mut bench = Bench::rippling(sheet, speed, if slow { 12.0 } else { 6.0 }, rate_hz, ripple);
    let mut random = Random(seed);
    // The first draw of a small seed is next to nothing: all sound inputs would have the same corner.
    random.uniform();
    let pulses = wheel.pulses(&bench);
    let samples = bench.samples();
    let plane = match (signal, wheel) {
        (Signal::Square, _) => to_f32(&square(&pulses, samples, rate_hz), 0.5),
        (Signal::SoundInput, _) => {
            let through = sound_input(&square(&pulses, samples, rate_hz), 5.0 + 35.0 * random.uniform(), rate_hz, 0.9);
            to_f32(&through, if seed.is_multiple_of(2) { 0.5 } else { -0.5 })
        }
        (Signal::Spoilt, _) => to_f32(&square(&spoil(pulses, 0.01, &mut random), samples, rate_hz), 0.5),
        (Signal::Reluctance, Wheel::Missing(teeth, missing)) => {
            let first = bench.first_deg() - GAP_DEG_BTDC;
            let pure = reluctance(&bench.engine, teeth.into(), missing.into(), first, samples, rate_hz);
            to_f32(&noisy(pure, 20.0, &mut random), 1.0)
        }
        (Signal::Reluctance, _) => Vec::new(),
    };
    bench.planes.push(plane);
    bench.cam(0.0)
}

/// Figures that miss what is asked, by name.
#[allow(clippy::neg_cmp_op_on_partial_ord)] // a figure that is none misses, too
fn misses(wheel: Wheel, signal: Signal, got: &Measured) -> Vec<&'static str> {
    let clean = matches!(signal, Signal::Square | Signal::SoundInput);
    let single = matches!(wheel, Wheel::Turn | Wheel::Cycle);
    let asked = [
        (got.wrong > 0, "cylinder"),
        (got.invented > 0, "invented"),
        (!(got.deg < wheel.limit_deg(signal)), "angle"),
        (!(got.found >= if clean { 0.99 } else { 0.95 }), "found"),
        // A single pulse tells no speed within its turn.
        (!single && !(got.speed < 2e-4), "speed"),
        (!(got.deg < got.claimed_deg), "claim"),
    ];
    asked.into_iter().filter(|(missed, _)| *missed).map(|(_, name)| name).collect()
}

#[test]
fn every_reference_keeps_its_angle_at_every_rate_and_speed() {
    let long = std::env::var("RINGDOWN_LONG").ok();
    let mut failed = Vec::new();
    let mut worst: BTreeMap<String, (usize, f64, f64, f64)> = BTreeMap::new();
    // `RINGDOWN_SEED` draws others.
    let first = std::env::var("RINGDOWN_SEED").map_or(0, |seed| seed.parse::<u64>().expect("a number"));
    let mut index = 0;
    for wheel in WHEELS {
        for signal in SIGNALS {
            for rate_hz in RATES_HZ {
                for speed in SPEEDS.into_iter().filter(|speed| wheel.has(signal, *speed)) {
                    index += 1;
                    let what = format!("{wheel:?} {signal:?}");
                    if long.as_ref().map_or(index % 19 != 0, |only| only != "1" && !what.contains(only)) {
                        continue;
                    }
                    let bench = bench(wheel, signal, rate_hz, speed, first + index);
                    let got = bench.measure(&bench.decode());
                    let at = worst.entry(what).or_insert((0, 0.0, 0.0, 1.0));
                    *at = (at.0 + 1, at.1.max(got.deg), at.2.max(got.speed), at.3.min(got.found));
                    let misses = misses(wheel, signal, &got);
                    if !misses.is_empty() {
                        failed.push(format!("{wheel:?} {signal:?} {rate_hz} {speed:?}: {misses:?} {got:?}"));
                    }
                }
            }
        }
    }
    for (what, (count, deg, speed, found)) in &worst {
        println!("{what}: {count} cases, worst angle {deg:.3} deg, speed {:.4} %, found {found:.4}", 100.0 * speed);
    }
    assert!(failed.is_empty(), "{} of {index}:\n{}", failed.len(), failed.join("\n"));
}
