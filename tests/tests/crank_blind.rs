//! Speed and combustions from the sensors alone, against engines whose crank angle is known at every instant.
//!
//! check: speed from the sensors alone | ten engines of 3 to 8 cylinders, noise that bursts after each firing; ten more drawn by chance, with valves and gear changes | 0.5 % of the speed for 95 % of the time over 1200 rpm, no half or double speed; none in sounds of no engine

#[path = "crank_bench/engine.rs"]
#[allow(dead_code)]
mod engine;
#[path = "crank_bench/followed.rs"]
mod followed;
#[path = "crank_bench/rhythm.rs"]
mod rhythm;
#[path = "crank_bench/sensor.rs"]
#[allow(dead_code)]
mod sensor;

use engine::{Engine, Random, Speed};
use followed::Followed;
use rhythm::{RATE_HZ, sensor};
use ringdown::crank::blind::{Blind, Ears, Layout};
use ringdown::crank::{Crank, LostReason};
use ringdown::read::sheet::Sheet;
use sensor::Sound;

/// Many seeds.
fn long() -> bool {
    std::env::var_os("RINGDOWN_LONG").is_some()
}

fn decode(cylinders: u16, sensors: &[Vec<f32>]) -> Crank {
    let sheet = Sheet { cylinders: Some(cylinders), ..Sheet::default() };
    let layout = Layout::of(&sheet).expect("cylinders are known");
    let channels = (1..).take(sensors.len()).collect();
    let mut ears = Ears::new(RATE_HZ, channels).expect("a usable rate");
    for first in (0..sensors[0].len()).step_by(777) {
        let part = |samples: &Vec<f32>| samples[first..(first + 777).min(samples.len())].to_vec();
        ears.push(&sensors.iter().map(part).collect());
    }
    let mut blind = Blind::new(layout, ears.finish()).expect("sensors");
    while blind.step(10) {}
    blind.finish()
}

struct Case {
    cylinders: usize,
    speed: Speed,
    /// How each sensor hears the cylinders, in firing order.
    heard: Vec<Vec<f64>>,
}

/// Sensors along a row of cylinders that fire in an order which jumps between them.
fn case(cylinders: usize, sensors: usize, speed: Speed) -> Case {
    let near = |sensor: usize, place: usize| {
        let own = place * sensors / cylinders == sensor || (place * 5 + 1) % cylinders * sensors / cylinders == sensor;
        if sensors == 1 {
            0.7 + 0.3 * ((place * 7 % cylinders) as f64 / cylinders as f64)
        } else if own {
            1.0
        } else {
            0.35
        }
    };
    let heard = (0..sensors).map(|sensor| (0..cylinders).map(|place| near(sensor, place)).collect()).collect();
    Case { cylinders, speed, heard }
}

/// Against the mean over the cycle around each moment.
fn followed(engine: &Engine, crank: &Crank) -> Followed {
    let mut followed = Followed::default();
    for step in 20..(engine.end_s() * 50.0) as usize - 20 {
        let t = f64::from(step as u32) / 50.0;
        let deg = engine.deg_at(t);
        let truth = 120.0 / (engine.time_at(deg + 360.0) - engine.time_at(deg - 360.0));
        followed.add(0.02, truth, crank.track.rpm_at(t));
    }
    followed
}

/// Speed, and combustions found and invented.
fn check(case: &Case, seed: u64) {
    let seconds = 10.0;
    let firings = case.cylinders as f64 / 2.0;
    let engine = Engine::new(case.speed, seconds, 31.0, firings, 0.01);
    let mut random = Random(seed);
    let sensors: Vec<Vec<f32>> = case.heard.iter().map(|heard| sensor(&engine, heard, &mut random)).collect();
    let crank = decode(case.cylinders as u16, &sensors);
    let truth = engine.passages(0.0, 720.0 / case.cylinders as f64);
    let what = format!("{} cylinders, {} sensors, {:?}", case.cylinders, case.heard.len(), case.speed);
    followed(&engine, &crank).check(&what);
    assert!(crank.events.iter().all(|event| event.cylinder.is_none() && event.pair.is_none()), "{what}");
    assert!((0.93..1.03).contains(&(crank.events.len() as f64 / truth.len() as f64)), "{what}");
    let off: Vec<f64> = crank
        .events
        .iter()
        .map(|event| {
            let half = 360.0 / case.cylinders as f64;
            (engine.deg_at(event.t_s) + half).rem_euclid(2.0 * half) - half
        })
        .collect();
    let mut sorted = off.clone();
    sorted.sort_by(f64::total_cmp);
    let claimed = crank.track.segments.iter().map(|segment| segment.error_deg).fold(0.0, f64::max);
    let middle = sorted[sorted.len() / 2];
    assert!(middle.abs() < claimed, "{what}: combustions stand {middle} degrees from TDC, claimed {claimed}");
}

#[test]
fn engines_of_three_to_eight_cylinders_show_their_speed_without_a_crank_signal() {
    let all = [
        case(3, 1, Speed::Swing(3400.0, 1600.0, 5.0)),
        case(4, 1, Speed::Ramp(1300.0, 6500.0, 6.0)),
        case(4, 2, Speed::Swing(3500.0, 2000.0, 6.0)),
        case(5, 1, Speed::Steady(2600.0)),
        case(5, 2, Speed::Ramp(6800.0, 1500.0, 7.0)),
        case(6, 1, Speed::Swing(4000.0, 2200.0, 7.0)),
        case(6, 2, Speed::Ramp(900.0, 6000.0, 8.0)),
        case(7, 2, Speed::Swing(3000.0, 900.0, 4.0)),
        case(8, 1, Speed::Ramp(1500.0, 6800.0, 7.0)),
        case(8, 2, Speed::Swing(3300.0, 1500.0, 5.0)),
    ];
    let seeds = if long() { 5 } else { 1 };
    for (index, case) in all.iter().enumerate() {
        (0..seeds).for_each(|seed| check(case, 100 * seed + index as u64));
    }
}

/// Bursts, valves, cylinders' own loudness and course of speed all drawn by chance. The bar of half a percent was set before any
/// engine was looked at; seeds 700 to 729 were looked at while the search was mended, so `RINGDOWN_SEED` draws ten others.
#[test]
fn ten_engines_drawn_by_chance_are_followed_through_their_gears() {
    let (first, rounds) = match std::env::var("RINGDOWN_SEED") {
        Ok(seed) => (seed.parse().expect("a number"), 1),
        Err(_) => (700, if long() { 3 } else { 1 }),
    };
    for seed in first..first + rounds * 10 {
        drawn(seed);
    }
}

fn drawn(seed: u64) {
    // The generator's first numbers go with its seed.
    let mut random = Random(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15));
    let mut between = |low: f64, high: f64| low + (high - low) * random.uniform();
    let cylinders = 3 + (seed % 6) as usize;
    let speed = match between(0.0, 3.0) as u32 {
        0 => Speed::Gears(between(2000.0, 3500.0), between(5000.0, 6800.0), between(2.5, 5.0), between(0.4, 0.9)),
        1 => Speed::Swing(between(2800.0, 4000.0), between(500.0, 1500.0), between(3.0, 6.0)),
        _ => Speed::Ramp(between(1000.0, 2000.0), between(5000.0, 7000.0), between(4.0, 8.0)),
    };
    let ways = (0..1 + seed as usize / 2 % 2)
        .map(|_| (0..cylinders).map(|_| between(-6.0, 0.0)).collect::<Vec<f64>>())
        .collect::<Vec<_>>();
    let spacing = 720.0 / cylinders as f64;
    let sound = Sound::drawn(&(0..cylinders).map(|place| spacing * place as f64).collect::<Vec<_>>(), &mut random);
    let engine = Engine::new(speed, 10.0, 31.0, cylinders as f64 / 2.0, 0.02);
    let sensors: Vec<_> = ways.iter().map(|way| sound.sensor(&engine, way, RATE_HZ, &mut random)).collect();
    let what = format!("seed {seed}, {cylinders} cylinders, {} sensors, {speed:?}", ways.len());
    followed(&engine, &decode(cylinders as u16, &sensors)).check(&what);
}

/// Three cylinders whose valves strike midway between firings, and a climb whose mean firing frequency is one of the mains': the
/// speed is neither doubled nor lost. Found on seeds 1032, 1086 and 1131 of the test above.
#[test]
fn valves_midway_between_firings_do_not_double_the_speed() {
    for seed in [1032, 1086, 1131] {
        drawn(seed);
    }
}

#[test]
fn no_speed_is_invented_where_no_engine_turns() {
    let mut random = Random(3);
    let count = (8.0 * RATE_HZ) as usize;
    let mut noise = |level: &dyn Fn(f64) -> f64| -> Vec<f32> {
        (0..count).map(|i| (level(i as f64 / RATE_HZ) * random.normal()) as f32).collect()
    };
    let hum = |hz: f64, depth: f64| move |t: f64| 0.01 * (1.0 + depth * (std::f64::consts::TAU * hz * t).sin());
    let silence = vec![0.0_f32; count];
    let quiet = noise(&|_| 1e-4);
    let rising = noise(&|t| 1e-3 * (0.3 * t).exp());
    // A tone without noise, steps of speech, a mains-fed lamp and a fan that hiss with their own rhythm.
    let tone: Vec<f32> = (0..count).map(|i| (0.1 * (i as f64 * 0.7).sin()) as f32).collect();
    let speech = noise(&|t| if (t * 4.7).fract() < 0.4 && (t * 1.3).fract() < 0.7 { 0.03 } else { 0.001 });
    let mains = noise(&hum(100.0, 0.5));
    let mains_60 = noise(&hum(120.0, 0.5));
    let spikes: Vec<f32> = (0..count).map(|i| if i % 11_113 < 3 { 0.5 } else { 0.0 }).collect();
    for (what, samples) in [
        ("silence", silence),
        ("quiet room", quiet),
        ("rising noise", rising),
        ("tone", tone),
        ("speech", speech),
        ("mains", mains),
        ("mains of 60 Hz", mains_60),
        ("spikes", spikes),
        ("no numbers", vec![f32::NAN; count]),
    ] {
        for cylinders in [3, 4, 6, 8] {
            let crank = decode(cylinders, std::slice::from_ref(&samples));
            assert!(crank.events.is_empty() && crank.track.segments.is_empty(), "{what}, {cylinders} cylinders");
            let known = |reason| matches!(reason, LostReason::NoPattern | LostReason::Ambiguous);
            assert!(crank.lost.iter().all(|lost| known(lost.reason)) && !crank.lost.is_empty(), "{what}");
        }
    }
}
