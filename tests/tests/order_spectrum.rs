//! Spectrum over engine order of tones locked to the crank angle, against their closed form.
//!
//! check: spectrum over engine order | tones locked to a known crank angle whose speed swings (closed form) | lines within 0.1 dB, 60 dB over what lies between | a tone of fixed frequency makes no line
//! check: spectrum over engine order | tones locked to a crank angle whose speed swings, closed form | lines within 0.1 dB, 60 dB over what lies between

#[path = "crank_bench/engine.rs"]
#[allow(dead_code)]
mod engine;

use engine::{Engine, Speed};
use ringdown::crank::track::Segment;
use ringdown::feature::orders::{Orders, TURNS};

/// Order and amplitude of each tone: half orders as a four-stroke makes them, a gear of 31 teeth.
const TONES: [(f64, f64); 4] = [(0.5, 0.02), (2.0, 0.2), (8.5, 0.05), (31.0, 0.01)];

/// Power over order of a signal made of crank angle and time, and the step of the orders.
fn spectrum(speed: Speed, rate_hz: f64, signal: impl Fn(f64, f64) -> f64) -> (f64, Vec<f64>) {
    let engine = Engine::new(speed, 6.0, 40.0, 2.0, 0.02);
    let samples: Vec<f32> = (0..(engine.end_s() * rate_hz) as usize)
        .map(|n| n as f64 / rate_hz)
        .map(|t| signal(engine.deg_at(t).to_radians(), t) as f32)
        .collect();
    let t_s: Vec<f64> = (0..(engine.end_s() * 1000.0) as usize).map(|knot| knot as f64 * 1e-3).collect();
    let deg = t_s.iter().map(|t| engine.deg_at(*t)).collect();
    let segment = Segment { t_s, deg, turn_known: true, error_deg: 0.0, ..Segment::default() };
    let (_, last) = segment.span_deg().expect("it turns");
    let mut orders = Orders::new(rate_hz);
    let mut from_deg = 720.0;
    while from_deg + 360.0 * TURNS as f64 + 360.0 < last {
        let (first, count) = orders.wants(&segment, from_deg).expect("inside");
        let end = samples.len().min(first as usize + count);
        assert!(orders.add(&segment, from_deg, first, &samples[first as usize..end]));
        from_deg += 360.0 * TURNS as f64;
    }
    assert!(orders.blocks() > 5, "{speed:?}");
    (orders.step(), orders.power())
}

fn db(power: f64) -> f64 {
    10.0 * power.max(1e-30).log10()
}

#[test]
fn tones_locked_to_the_crank_are_lines_of_half_their_squared_amplitude() {
    for (speed, rate_hz) in [
        (Speed::Swing(3000.0, 1500.0, 2.5), 48_000.0),
        (Speed::Ramp(900.0, 6500.0, 6.0), 44_100.0),
        (Speed::Steady(1200.0), 192_000.0),
    ] {
        let (step, power) = spectrum(speed, rate_hz, |angle, _| {
            TONES.iter().map(|(order, size)| size * (order * angle + order).cos()).sum()
        });
        let bin = |order: f64| (order / step).round() as usize;
        for (order, size) in TONES {
            let truth = db(size * size / 2.0);
            let got = db(power[bin(order)]);
            println!("{speed:?} order {order}: {got:.3} dB, truth {truth:.3}");
            assert!((got - truth).abs() < 0.1, "{speed:?} order {order}: {got} dB, truth {truth}");
        }
        // A Hann taper spreads a line over its neighbours and no further.
        let far = |k: &usize| TONES.iter().all(|(order, _)| k.abs_diff(bin(*order)) > 3);
        let between = (3..power.len()).filter(far).map(|k| db(power[k])).fold(f64::NEG_INFINITY, f64::max);
        println!("between {between:.1} dB");
        assert!(between < db(0.02) - 60.0, "{speed:?}: {between} dB between the lines");
    }
}

#[test]
fn a_tone_of_fixed_frequency_makes_no_line_while_the_speed_moves() {
    let (_, power) =
        spectrum(Speed::Ramp(1500.0, 6000.0, 6.0), 48_000.0, |_, t| 0.1 * (std::f64::consts::TAU * 900.0 * t).cos());
    let highest = power.iter().copied().map(db).fold(f64::NEG_INFINITY, f64::max);
    assert!(highest < db(0.005) - 10.0, "{highest} dB");
}

#[test]
fn what_lies_above_the_orders_shown_folds_into_none_of_them() {
    // Order 110 of 128 points a turn would stand at order 18.
    let (_, power) = spectrum(Speed::Steady(1500.0), 48_000.0, |angle, _| 0.1 * (110.0 * angle).cos());
    let highest = power.iter().copied().map(db).fold(f64::NEG_INFINITY, f64::max);
    assert!(highest < db(0.005) - 60.0, "{highest} dB");
}
