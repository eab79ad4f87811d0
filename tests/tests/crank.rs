//! The crank decoder against engines whose angle is known at every instant.
//!
//! check: crank angle, clean wheels | an independent engine (Runge-Kutta, bisection) | 0.1 degree, no wrong cylinder
//! check: crank angle, sound input / reluctance in noise | an independent engine (Runge-Kutta, bisection) | 0.5 / 1 degree, no wrong cylinder
//! check: a real wheel's stretched gap on either edge, dying and unconnected sensors, hum | ratios measured on 112 records of a real 60-2 wheel | 0.5 degree; no event where no wheel is
//! check: firing order and angles | plain geometry (`vectors/crank.json`) | 1e-9 degree

#[path = "crank_bench/bench.rs"]
mod bench;
#[path = "crank_bench/engine.rs"]
#[allow(dead_code)]
mod engine;

use bench::{Bench, CLEAN, FOUR, GAP_DEG_BTDC, Limits, check, toothed};
use engine::{Random, Speed, noisy, pulses_at, reluctance, sound_input, spoil, square, to_f32, wheel};
use ringdown::crank::decode::Note;
use ringdown::crank::{Decoder, Lost, LostReason};
use ringdown::read::sheet::{Crank as Reference, Edge, Missing};

#[test]
fn clean_wheels_give_the_angle_to_a_tenth_of_a_degree() {
    let cases: &[(u16, u16, Speed, f64, &[u16])] = &[
        (60, 2, Speed::Steady(3000.0), 48_000.0, FOUR),
        (60, 2, Speed::Steady(410.0), 48_000.0, &[1, 3, 2]),
        (60, 2, Speed::Steady(7000.0), 48_000.0, &[1, 5, 3, 6, 2, 4]),
        (60, 2, Speed::Steady(9000.0), 192_000.0, FOUR),
        (60, 2, Speed::Ramp(1000.0, 7000.0, 6.0), 44_100.0, &[1, 8, 4, 3, 6, 5, 7, 2]),
        (60, 2, Speed::Swing(3500.0, 2500.0, 2.6), 96_000.0, &[2, 1, 3]),
        (36, 1, Speed::Steady(2500.0), 48_000.0, &[1, 2, 4, 5, 3]),
        (36, 2, Speed::Steady(5200.0), 48_000.0, FOUR),
        (12, 1, Speed::Steady(8900.0), 96_000.0, FOUR),
        (24, 1, Speed::Swing(4000.0, 2000.0, 2.1), 44_100.0, &[1, 2, 3, 4, 5, 6]),
    ];
    for &(teeth, missing, speed, rate_hz, order) in cases {
        let bench = Bench::new(order, toothed(teeth, missing), speed, 8.0, rate_hz);
        let bench = bench.wheel(usize::from(teeth), usize::from(missing)).cam(25.0);
        let crank = check(&format!("{teeth}-{missing} {speed:?} {rate_hz}"), &bench, &CLEAN);
        assert!(crank.notes.is_empty() && crank.events.iter().all(|e| e.cylinder.is_some()));
    }
}

#[test]
fn without_a_cam_cylinders_come_in_pairs() {
    let bench = Bench::new(FOUR, toothed(60, 2), Speed::Steady(2100.0), 4.0, 48_000.0).no_cam().wheel(60, 2);
    let crank = check("pairs", &bench, &CLEAN);
    assert_eq!(crank.notes, [Note::NoCam]);
    assert!(crank.events.iter().all(|e| e.cylinder.is_none() && e.pair.is_some()));
}

#[test]
fn a_square_through_a_sound_input_keeps_half_a_degree() {
    for (corner_hz, speed, inverted) in [
        (5.0, Speed::Steady(800.0), false),
        (20.0, Speed::Steady(3000.0), true),
        (40.0, Speed::Steady(450.0), false),
        (40.0, Speed::Ramp(900.0, 6900.0, 6.0), true),
        (20.0, Speed::Steady(6500.0), false),
    ] {
        let mut bench = Bench::new(FOUR, toothed(60, 2), speed, 8.0, 48_000.0).wheel(60, 2);
        let through =
            sound_input(&bench.planes[0].iter().map(|&x| f64::from(x)).collect::<Vec<_>>(), corner_hz, 48_000.0, 0.45);
        bench.planes[0] = to_f32(&through, if inverted { -1.0 } else { 1.0 });
        let bench = bench.cam(-30.0);
        let crank = check(&format!("sound input {corner_hz} Hz {speed:?}"), &bench, &Limits { deg: 0.5, ..CLEAN });
        assert_eq!(crank.notes.contains(&Note::Inverted), inverted, "{speed:?} {:?}", crank.notes);
    }
}

#[test]
fn a_reluctance_wheel_in_noise_keeps_a_degree() {
    for (teeth, missing, speed, turned) in [
        (60, 2, Speed::Ramp(700.0, 6700.0, 6.0), 1.0),
        (60, 2, Speed::Steady(3000.0), -1.0),
        (36, 1, Speed::Swing(3000.0, 2000.0, 3.0), 1.0),
    ] {
        let mut bench = Bench::new(FOUR, toothed(teeth, missing), speed, 8.0, 48_000.0);
        let first = bench.first_deg() - GAP_DEG_BTDC;
        let pure =
            reluctance(&bench.engine, usize::from(teeth), usize::from(missing), first, bench.samples(), 48_000.0);
        bench.planes.push(to_f32(&noisy(pure, 20.0, &mut Random(7)), turned));
        let bench = bench.cam(0.0);
        let limits = Limits { speed: 5e-4, deg: 1.0, found: 0.95 };
        let crank = check(&format!("reluctance {teeth}-{missing} {speed:?} {turned}"), &bench, &limits);
        assert_eq!(crank.notes.contains(&Note::OtherEdge), turned < 0.0, "{:?}", crank.notes);
    }
}

#[test]
fn missing_and_false_teeth_cost_few_events_and_never_a_cylinder() {
    for (teeth, missing, seed) in [(60, 2, 1), (60, 2, 2), (36, 1, 3), (36, 2, 4)] {
        let mut bench = Bench::new(FOUR, toothed(teeth, missing), Speed::Swing(3000.0, 1500.0, 4.0), 12.0, 48_000.0);
        let first = bench.first_deg() - GAP_DEG_BTDC;
        let pulses = wheel(&bench.engine, usize::from(teeth), usize::from(missing), first, 180.0 / f64::from(teeth));
        let pulses = spoil(pulses, 0.01, &mut Random(seed));
        bench.planes.push(to_f32(&square(&pulses, bench.samples(), 48_000.0), 0.5));
        let bench = bench.cam(10.0);
        check(&format!("spoilt {teeth}-{missing}"), &bench, &Limits { speed: 5e-4, deg: 1.0, found: 0.95 });
    }
}

/// Inductive and clipped 60-2 wheels as measured in 112 open records of one engine at 100 kHz (Mihai-Dragos,
/// 4GB10_Combustion-Engine, commit ad0fe42): on one edge the gap is 3.04 to 3.38 pitches, the one before it 0.86 to 0.99, the
/// one after it 0.79 to 0.98; on the other edge the gap splits into two intervals of about two pitches.
#[test]
fn the_edge_that_splits_the_gap_is_left_for_the_other() {
    for (gap, before) in [(3.04, 0.99), (3.28, 0.92), (3.34, 0.86)] {
        for (edge, notes) in [(Edge::Rising, vec![Note::OtherEdge]), (Edge::Falling, vec![])] {
            let speed = Speed::Swing(3000.0, 1500.0, 3.0);
            let mut bench = Bench::new(FOUR, toothed(60, 2), speed, 6.0, 96_000.0);
            if let Some(Reference::MissingTooth { edge: on, .. }) = &mut bench.sheet.crank {
                *on = Some(edge);
            }
            let first = bench.first_deg() - GAP_DEG_BTDC;
            // Each tooth's rise and width; the sheet's angle is that of the first fall after the gap.
            let teeth = (0..56).map(|tooth| (f64::from(tooth) + 0.5, 0.5));
            let last = [(56.5, before - 0.5), (58.5, before + gap - 2.5)];
            let pulse = |(rise, width): (f64, f64)| pulses_at(&bench.engine, first + 6.0 * rise, 360.0, 6.0 * width);
            let mut pulses: Vec<(f64, f64)> = teeth.chain(last).flat_map(pulse).collect();
            pulses.sort_by(|a, b| a.0.total_cmp(&b.0));
            bench.planes.push(to_f32(&square(&pulses, bench.samples(), 96_000.0), 0.5));
            let what = format!("gap {gap}, {edge:?}");
            let crank = check(&what, &bench.cam(0.0), &Limits { speed: 1e-3, deg: 1.0, found: 0.98 });
            assert_eq!(crank.notes, notes, "{what}");
        }
    }
}

/// A real 60-2 wheel under an inductive, clipped sensor (112 records of Mihai-Dragos/4GB10_Combustion-Engine, commit ad0fe42,
/// measured): on the rising edge the gap is 3.04-3.38 pitches, the pitch before it 0.86-0.99, after it 0.79-0.98; on the
/// falling edge the gap is two intervals of about two pitches.
#[test]
fn a_real_wheel_is_decoded_on_either_edge() {
    for (gap, before, edge) in [
        (3.04, 0.99, Edge::Rising),
        (3.28, 0.90, Edge::Rising),
        (3.34, 0.86, Edge::Rising),
        (3.38, 0.86, Edge::Rising),
        (3.45, 0.80, Edge::Rising),
        (3.28, 0.90, Edge::Falling),
        (3.34, 0.86, Edge::Falling),
        (3.38, 0.86, Edge::Falling),
        (3.45, 0.80, Edge::Falling),
    ] {
        for speed in [Speed::Steady(530.0), Speed::Swing(1800.0, 1200.0, 3.0)] {
            let missing = Missing::One(2);
            let reference = Reference::MissingTooth {
                channel: 1,
                teeth: 60,
                missing,
                gap_deg_btdc: Some(GAP_DEG_BTDC),
                edge: Some(edge),
            };
            let mut bench = Bench::new(FOUR, reference, speed, 6.0, 100_000.0);
            let first = bench.first_deg() - GAP_DEG_BTDC;
            let last = 56.0 + before;
            let late = last + gap - 60.0;
            let teeth = [(late, 0.5 - late), (last, 58.5 - last)];
            let even = (1..57).map(|tooth| (f64::from(tooth), 0.5));
            let pulse =
                |(pitches, width): (f64, f64)| pulses_at(&bench.engine, first + 6.0 * pitches, 360.0, 6.0 * width);
            let mut pulses: Vec<(f64, f64)> = teeth.into_iter().chain(even).flat_map(pulse).collect();
            pulses.sort_by(|a, b| a.0.total_cmp(&b.0));
            bench.planes.push(to_f32(&square(&pulses, bench.samples(), 100_000.0), 0.5));
            // Speed that changes over the most stretched gap as well costs a turn now and then.
            let limits = Limits { speed: 1e-3, deg: 0.5, found: 0.9 };
            let crank = check(&format!("gap {gap} {edge:?} {speed:?}"), &bench.cam(0.0), &limits);
            assert_eq!(crank.notes.contains(&Note::OtherEdge), edge == Edge::Falling, "{:?}", crank.notes);
        }
    }
}

/// A sensor that comes off, and one that was never connected.
#[test]
fn dying_and_unconnected_sensors_are_no_wheel() {
    let rate_hz = 48_000.0;
    let mut random = Random(21);
    let bench = Bench::new(FOUR, toothed(60, 2), Speed::Steady(1500.0), 4.0, rate_hz).no_cam();
    let first = bench.first_deg() - GAP_DEG_BTDC;
    let dying: Vec<f64> = reluctance(&bench.engine, 60, 2, first, bench.samples(), rate_hz)
        .into_iter()
        .enumerate()
        .map(|(i, x)| x * (-(i as f64) / rate_hz / 0.05).exp() + 2e-3 * random.normal())
        .collect();
    let crank = bench.plane(to_f32(&dying, 1.0)).decode();
    let last_s = crank.events.last().map_or(0.0, |event| event.t_s);
    assert!(last_s < 0.6 && crank.lost.iter().any(|lost| lost.to_s > 3.9), "{last_s} {:?}", crank.lost);
    let pickup: Vec<f64> = (0..200_000)
        .map(|i| {
            let hum = |order: f64| (std::f64::consts::TAU * 50.0 * order * f64::from(i) / rate_hz).sin() / order;
            0.02 * (hum(1.0) + 0.4 * hum(3.0) + 0.3 * hum(5.0)) + 1e-3 * random.normal()
        })
        .collect();
    let turn = Reference::PulsePerTurn { channel: 1, deg_btdc: Some(60.0), edge: None };
    let cycle = Reference::PulsePerCycle { channel: 1, deg_btdc: Some(60.0), edge: None };
    for reference in [toothed(60, 2), toothed(12, 1), turn, cycle] {
        let bench = Bench::new(FOUR, reference.clone(), Speed::Steady(2000.0), 4.0, rate_hz).no_cam();
        let crank = bench.plane(to_f32(&pickup, 1.0)).decode();
        assert!(crank.events.is_empty(), "{reference:?}: {} events", crank.events.len());
    }
}

/// A hum of the mains while the engine stands, then pulses.
#[test]
fn hum_before_the_start_is_no_speed() {
    let rate_hz = 48_000.0;
    let reference = Reference::PulsePerTurn { channel: 1, deg_btdc: Some(60.0), edge: Some(Edge::Rising) };
    let bench = Bench::new(FOUR, reference, Speed::Steady(900.0), 6.0, rate_hz);
    let pulses: Vec<(f64, f64)> =
        pulses_at(&bench.engine, -60.0, 360.0, 12.0).into_iter().filter(|pulse| pulse.0 > 3.0).collect();
    let plane = square(&pulses, bench.samples(), rate_hz)
        .into_iter()
        .enumerate()
        .map(|(i, x)| 0.4 * x + 0.08 * (std::f64::consts::TAU * 50.0 * i as f64 / rate_hz).sin())
        .collect::<Vec<_>>();
    let crank = bench.plane(to_f32(&plane, 1.0)).no_cam().decode();
    assert!(crank.events.iter().all(|event| event.t_s > 2.9), "{:?}", crank.events.first());
    assert!(crank.events.len() > 60, "{} {:?}", crank.events.len(), crank.lost);
}

/// An hour at 4000 rpm may take 120 MB for its knots of two 8-byte numbers: 31 knots a turn.
#[test]
fn knots_stay_few_and_near_enough() {
    let bench = Bench::new(FOUR, toothed(60, 2), Speed::Steady(4000.0), 3.0, 48_000.0).no_cam().wheel(60, 2);
    let segments = bench.decode().track.segments;
    for segment in &segments {
        let turns = segment.span_deg().map_or(0.0, |(from, to)| (to - from) / 360.0);
        let knots = segment.t_s.len() as f64 / turns;
        assert!((15.0..31.0).contains(&knots), "{knots} knots a turn");
    }
    assert_eq!(segments.len(), 1);
}

/// Firing orders and angles by plain geometry, `vectors/crank.json`.
#[test]
fn cylinders_fire_where_geometry_says() {
    let truth = outside_truth::vector("crank");
    for layout in truth["firing"].as_array().expect("a list") {
        let order: Vec<u16> =
            outside_truth::numbers(&layout["order"]).into_iter().map(|cylinder| cylinder as u16).collect();
        let bench = Bench::new(&order, toothed(36, 1), Speed::Steady(3000.0), 1.0, 48_000.0).wheel(36, 1).cam(0.0);
        let crank = bench.decode();
        assert!(crank.events.len() > order.len() * 20, "{layout}");
        for event in &crank.events {
            let cylinder = event.cylinder.expect("the cam tells the turn");
            let expected = outside_truth::number(&layout["tdc_deg_by_cylinder"][cylinder.to_string()]);
            let off = (event.deg - expected + 360.0).rem_euclid(720.0) - 360.0;
            outside_truth::assert_close(off, 0.0, 1e-9, &format!("cylinder {cylinder} of {layout}"));
            let passed = (bench.engine.deg_at(event.t_s) - expected + 360.0).rem_euclid(720.0) - 360.0;
            outside_truth::assert_close(passed, 0.0, 0.2, &format!("true angle at cylinder {cylinder}'s TDC"));
        }
    }
}

#[test]
fn single_pulses_time_steady_running() {
    let turn = Reference::PulsePerTurn { channel: 1, deg_btdc: Some(60.0), edge: Some(Edge::Rising) };
    let cycle = Reference::PulsePerCycle { channel: 1, deg_btdc: Some(60.0), edge: Some(Edge::Rising) };
    let spacings = [
        (turn.clone(), 360.0, 0.0, 1.0),
        (cycle.clone(), 720.0, 0.0, 2.0),
        (turn, 360.0, 0.03, 2.0),
        (cycle, 720.0, 0.03, 3.0),
    ];
    for (reference, period, ripple, deg) in spacings {
        let sheet = Bench::new(FOUR, reference, Speed::Steady(2500.0), 0.1, 48_000.0).sheet;
        let bench = Bench::rippling(sheet, Speed::Swing(2500.0, 150.0, 5.0), 8.0, 48_000.0, ripple);
        let pulses = pulses_at(&bench.engine, -60.0, period, 12.0);
        let plane = to_f32(&square(&pulses, bench.samples(), 48_000.0), 0.5);
        let bench = bench.plane(plane).cam(35.0);
        check(&format!("pulse each {period}, ripple {ripple}"), &bench, &Limits { speed: 0.02, deg, found: 0.98 });
    }
}

#[test]
fn even_teeth_take_their_angle_from_the_cam() {
    let reference = Reference::EvenTeeth { channel: 1, teeth: 60, edge: Some(Edge::Rising) };
    let bench = Bench::new(FOUR, reference, Speed::Swing(3000.0, 1000.0, 3.0), 8.0, 48_000.0);
    check("even teeth", &bench.wheel(60, 0).cam(0.0), &Limits { deg: 0.5, ..CLEAN });
}

#[test]
fn a_list_of_edges_names_its_own_position() {
    let edges_deg = vec![20.0, 110.0, 200.0, 290.0, 310.0];
    let reference = Reference::EdgeList { channel: 1, edges_deg: edges_deg.clone(), edge: Some(Edge::Rising) };
    let bench = Bench::new(FOUR, reference, Speed::Swing(2500.0, 1000.0, 4.0), 8.0, 48_000.0);
    let mut pulses: Vec<(f64, f64)> = edges_deg.iter().flat_map(|&d| pulses_at(&bench.engine, d, 360.0, 6.0)).collect();
    pulses.sort_by(|a, b| a.0.total_cmp(&b.0));
    let plane = to_f32(&square(&pulses, bench.samples(), 48_000.0), 0.5);
    check("edge list", &bench.plane(plane).cam(20.0), &Limits { speed: 0.01, deg: 1.0, found: 0.98 });
}

/// Even teeth and one between them: all that tells the place is one edge, and a false one beside a lost one looks like it.
#[test]
fn a_wheel_told_by_a_single_edge_is_never_counted_from_another() {
    let plus_one = |teeth: u16, between: f64| -> Vec<f64> {
        (0..teeth).map(|tooth| 360.0 / f64::from(teeth) * f64::from(tooth)).chain([between]).collect()
    };
    for (seed, edges_deg) in (0..12).zip([plus_one(4, 300.0), plus_one(8, 22.0)].into_iter().cycle()) {
        let speed = [Speed::Steady(4300.0), Speed::Gears(2000.0, 6500.0, 1.5, 0.25)][seed as usize / 2 % 2];
        let reference = Reference::EdgeList { channel: 1, edges_deg: edges_deg.clone(), edge: Some(Edge::Rising) };
        let order: &[u16] = if seed % 3 == 0 { &[1, 2, 3, 4, 5, 6, 7] } else { FOUR };
        let bench = Bench::new(order, reference, speed, 9.0, 48_000.0);
        let pulses = edges_deg.iter().flat_map(|&deg| pulses_at(&bench.engine, deg, 360.0, 6.0));
        let mut pulses: Vec<(f64, f64)> = pulses.collect();
        pulses.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut random = Random(4000 + seed);
        random.uniform();
        let plane = to_f32(&square(&spoil(pulses, 0.005, &mut random), bench.samples(), 48_000.0), 0.5);
        let limits = Limits { speed: 1e-3, deg: 1.0, found: 0.9 };
        check(&format!("seed {seed}: {edges_deg:?} {speed:?}"), &bench.plane(plane).cam(20.0), &limits);
    }
}

#[test]
fn cranking_stop_and_stall_never_name_a_wrong_cylinder() {
    for speed in [Speed::Cranking(220.0, 0.7), Speed::Stop(900.0, 3.0, 6.0), Speed::Ramp(150.0, 1200.0, 2.0)] {
        for (teeth, missing) in [(60, 2), (36, 1), (12, 1)] {
            let bench = Bench::new(FOUR, toothed(teeth, missing), speed, 10.0, 48_000.0);
            let bench = bench.wheel(usize::from(teeth), usize::from(missing)).cam(15.0);
            let crank = check(&format!("{speed:?} {teeth}"), &bench, &Limits { speed: 2e-3, deg: 0.3, found: 0.94 });
            let stopped = |lost: &Lost| lost.reason == LostReason::NoEdges && lost.from_s > 3.0 && lost.to_s < 7.5;
            if matches!(speed, Speed::Stop(..)) {
                assert!(crank.lost.iter().any(stopped), "{:?}", crank.lost);
            }
        }
    }
}

#[test]
fn another_wheel_than_the_sheet_says_is_named_and_refused() {
    for (says, is) in
        [((60, 2), (36, 1)), ((36, 1), (60, 2)), ((36, 2), (36, 1)), ((12, 1), (24, 1)), ((60, 2), (12, 1))]
    {
        let bench = Bench::new(FOUR, toothed(says.0, says.1), Speed::Steady(2000.0), 4.0, 48_000.0);
        let crank = bench.wheel(is.0 as usize, is.1 as usize).cam(0.0).decode();
        assert!(crank.events.is_empty(), "{says:?} {is:?}");
        assert!(crank.notes.contains(&Note::LooksLike { teeth: is.0, missing: is.1 }), "{:?}", crank.notes);
        assert_eq!(crank.lost.iter().map(|l| l.reason).collect::<Vec<_>>(), [LostReason::PatternBroken]);
    }
}

#[test]
fn noise_hum_and_silence_are_no_wheel() {
    let turn = Reference::PulsePerTurn { channel: 1, deg_btdc: Some(60.0), edge: None };
    let even = Reference::EvenTeeth { channel: 1, teeth: 60, edge: None };
    for reference in [toothed(60, 2), toothed(12, 1), turn, even] {
        let mut random = Random(11);
        let noise: Vec<f64> = (0..200_000).map(|_| 0.01 * random.normal()).collect();
        let slow: Vec<f64> = noise
            .iter()
            .scan([0.0; 2], |s, x| {
                s[0] += 0.02 * (x - s[0]);
                s[1] += 0.02 * (s[0] - s[1]);
                Some(s[1])
            })
            .collect();
        for plane in [to_f32(&noise, 1.0), to_f32(&slow, 1.0), vec![0.0; 200_000], vec![f32::NAN; 200_000]] {
            let bench = Bench::new(FOUR, reference.clone(), Speed::Steady(2000.0), 4.0, 48_000.0).no_cam().plane(plane);
            let crank = bench.decode();
            assert!(crank.events.is_empty() && crank.track.segments.is_empty(), "{reference:?} {:?}", crank.edges);
            assert_eq!(
                crank.lost.iter().map(|l| l.reason).collect::<Vec<_>>(),
                [LostReason::NotAWheel],
                "{reference:?}"
            );
        }
    }
}

#[test]
fn the_length_of_slices_changes_nothing() {
    let mut bench =
        Bench::new(FOUR, toothed(60, 2), Speed::Swing(2500.0, 1500.0, 2.0), 3.0, 44_100.0).wheel(60, 2).cam(0.0);
    bench.planes[0][40_000] = 3.0;
    bench.planes[0][60_000] = f32::NAN;
    bench.planes[0][..100].fill(f32::NAN);
    let whole = bench.decode_by(usize::MAX >> 1);
    assert!(whole.events.len() > 100);
    for slice in [1, 7, 1000, 4096, 65_537] {
        let sliced = bench.decode_by(slice);
        assert_eq!(whole.events, sliced.events, "slices of {slice}");
        assert_eq!((whole.edges, &whole.lost), (sliced.edges, &sliced.lost));
    }
}

#[test]
fn a_position_not_known_is_said_and_names_no_cylinder() {
    let missing = Missing::One(2);
    let reference = Reference::MissingTooth { channel: 1, teeth: 60, missing, gap_deg_btdc: None, edge: None };
    let bench = Bench::new(FOUR, reference, Speed::Steady(2000.0), 3.0, 48_000.0).wheel(60, 2).cam(0.0);
    let crank = bench.decode();
    assert!(crank.notes.contains(&Note::OffsetUnknown));
    assert!(!crank.events.is_empty() && crank.events.iter().all(|e| e.cylinder.is_none() && e.pair.is_none()));
    let tooth_s = bench.engine.time_at(720.0 - GAP_DEG_BTDC);
    let deg = crank.track.segment_at(tooth_s).and_then(|s| s.deg_at(tooth_s)).expect("inside");
    let off = (deg + 180.0).rem_euclid(360.0) - 180.0;
    assert!(off.abs() < 0.1, "zero lies {off} degrees from the first tooth");
}

#[test]
fn a_dead_or_random_cam_names_no_turn() {
    let mut random = Random(5);
    let bench = |plane: Vec<f32>| {
        Bench::new(FOUR, toothed(60, 2), Speed::Steady(2000.0), 4.0, 48_000.0).wheel(60, 2).plane(plane)
    };
    let dead = bench(vec![0.0; 192_000]).decode();
    assert!(
        dead.notes.contains(&Note::CamDead) && dead.events.iter().all(|e| e.cylinder.is_none() && e.pair.is_some())
    );
    let hum = |i: usize| (std::f64::consts::TAU * 50.0 * i as f64 / 48_000.0).sin() * 0.1;
    let hum = bench((0..192_000).map(|i| hum(i) as f32).collect()).decode();
    assert!(hum.events.iter().all(|e| e.cylinder.is_none()), "{:?}", hum.notes);
    let noise = bench((0..192_000).map(|_| random.normal() as f32 * 0.01).collect()).decode();
    assert!(!noise.events.is_empty() && noise.events.iter().all(|e| e.cylinder.is_none()), "{:?}", noise.notes);
}

#[test]
fn channels_that_are_not_there_are_named() {
    let bench = Bench::new(FOUR, toothed(60, 2), Speed::Steady(2000.0), 2.0, 48_000.0).wheel(60, 2);
    assert!(bench.decode().notes.contains(&Note::NoChannel { channel: 2 }));
    let decoder = Decoder::new(&bench.sheet, 48_000.0, 0).expect("the reference itself is usable");
    assert!(decoder.channels().is_empty());
    assert_eq!(decoder.finish().notes, [Note::NoChannel { channel: 1 }]);
}

#[test]
fn arbitrary_samples_never_panic() {
    let mut random = Random(99);
    let list = vec![f64::NAN, 10.0, 10.1, 190.0, 1e300];
    let references = [
        toothed(60, 2),
        toothed(3, 2),
        toothed(4, 1),
        Reference::MissingTooth {
            channel: 1,
            teeth: 36,
            missing: Missing::Several(vec![2, 2, 2]),
            gap_deg_btdc: Some(f64::INFINITY),
            edge: None,
        },
        Reference::EdgeList { channel: 1, edges_deg: list, edge: Some(Edge::Falling) },
        Reference::EvenTeeth { channel: 1, teeth: 4, edge: None },
        Reference::PulsePerTurn { channel: 1, deg_btdc: None, edge: None },
        Reference::PulsePerCycle { channel: 1, deg_btdc: Some(1e9), edge: None },
    ];
    for reference in &references {
        for round in 0..12 {
            let bits = |random: &mut Random| f32::from_bits((random.uniform() * 4_294_967_296.0) as u32);
            let plane: Vec<f32> = (0..20_000)
                .map(|i| match round % 4 {
                    0 => bits(&mut random),
                    1 if random.uniform() < 0.02 => bits(&mut random),
                    1 | 2 => (i as f32 * (0.1 + 0.01 * round as f32)).sin(),
                    _ => {
                        if i / (5 + round) % 3 == 0 {
                            1e30
                        } else {
                            -1e-30
                        }
                    }
                })
                .collect();
            let bench = Bench::new(FOUR, reference.clone(), Speed::Steady(2000.0), 0.1, 48_000.0);
            let crank = bench.plane(plane.clone()).plane(plane).decode_by(777);
            for segment in &crank.track.segments {
                assert!(segment.t_s.windows(2).all(|p| p[0] < p[1]) && segment.deg.windows(2).all(|p| p[0] < p[1]));
            }
        }
    }
}
