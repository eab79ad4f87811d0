//! Limits on engines that nobody has seen: law, width, floor, resonances, cylinders, speeds, knock, correlation, drift and number
//! of combustions drawn by chance, from laws that are foreign to every model the limits know. The true rate is computed.
//!
//! `RINGDOWN_SEED` draws others than the usual ones; `RINGDOWN_LONG=1` two hundred instead of a few, and prints the table.
//!
//! check: false-alarm rate of the limits for laws foreign to the model: logistic, Laplace, exponential and Lomax powers, contaminated, loads apart, t, drawn shapes; drift | the laws in closed form, `scipy.stats` | held in 182 of 200; 95 % of cells filled, 1.5 dB

#[path = "limits_bench/engine.rs"]
#[allow(dead_code)]
mod engine;

use engine::{Background, Draw, Engine, Form, learn, long, naive};
use outside_truth::assert_close;
use ringdown::limit::limits::Wanted;

/// Base of the seeds.
fn base() -> u64 {
    std::env::var("RINGDOWN_SEED").ok().and_then(|seed| seed.parse().ok()).unwrap_or(1)
}

const FOREIGN: usize = 11;

fn law(which: usize, draw: &mut Draw) -> Background {
    match which {
        0 => Background::Logistic,
        1 => Background::Laplace,
        2 => Background::Exponential,
        3 => Background::Lomax,
        4 => Background::Heavier,
        5 => Background::GammaOf(2 + (14.0 * draw.uniform()) as u32),
        6 => Background::WeibullOf(1.0 + 3.0 * draw.uniform()),
        7 => Background::NormalOf(0.8 + 3.2 * draw.uniform()),
        8 => Background::GumbelOf(0.8 + 1.2 * draw.uniform()),
        9 => Background::Contaminated(0.02 + 0.18 * draw.uniform()),
        _ => Background::LoadsApart(0.1 + 0.5 * draw.uniform(), 1.0 + 4.0 * draw.uniform()),
    }
}

/// The engine of a seed, its observations and what is asked of its limits.
fn unseen(seed: u64) -> (Engine, usize, Wanted) {
    let mut draw = Draw::new(77_777 + seed);
    let law = law((draw.uniform() * FOREIGN as f64) as usize, &mut draw);
    let low = 900.0 + 1600.0 * draw.uniform();
    let rpm = (low, low + 2000.0 + 4000.0 * draw.uniform());
    let mut ring = || {
        let at = rpm.0 + (rpm.1 - rpm.0) * draw.uniform();
        (at, 150.0 + 400.0 * draw.uniform(), 5.0 * draw.uniform())
    };
    let resonances = [ring(), ring()];
    let wide = 0.85 + 0.3 * draw.uniform();
    let form = Form {
        db_per_rpm: 0.004 * draw.uniform(),
        bow_db: 6.0 * (draw.uniform() - 0.5),
        apart_db: 2.0 * (draw.uniform() - 0.5),
        resonances,
        width: (wide, 2.0 - wide),
    };
    let serial = if draw.uniform() < 0.3 { 0.6 * draw.uniform() } else { 0.0 };
    let drift_db = if draw.uniform() < 0.2 { 3.0 * draw.uniform() } else { 0.0 };
    let groups = 1 + (8.0 * draw.uniform()) as u16;
    let engine = Engine { law, groups, rpm, knock_share: 0.2 * draw.uniform(), serial, drift_db, form };
    let observations = (300.0 * (20_000.0_f64 / 300.0).powf(draw.uniform())) as usize;
    let false_alarm = [1e-2, 1e-3, 1e-3, 1e-3, 1e-4][(5.0 * draw.uniform()) as usize];
    (engine, observations, Wanted { false_alarm, confidence: 0.95 })
}

/// Of engines with limits 182 in 200 (the same share of a few, less what chance takes from so few) hold the rate they state at
/// 95 % confidence; from 2000 observations on, at rates of 1 in 1000 and more, 95 % of all cells have a limit, on average at
/// most 1.5 dB over the true quantile. Engines are drawn until so many have limits; how many were refused is printed.
#[test]
fn limits_hold_on_engines_of_laws_that_no_model_knows() {
    let wanted_engines = if long() { 200 } else { 40 };
    let (mut held, mut judged, mut refused) = (0, 0, 0);
    let (mut over_db, mut covered, mut ample, mut filled_over) = (0.0, 0.0, 0.0, 0.0);
    let mut others = [0; 2];
    let mut seed = base() * 100_000;
    while judged < wanted_engines {
        seed += 1;
        let (engine, observations, wanted) = unseen(seed);
        let outcome = learn(&engine, observations, seed, wanted);
        let is_ample = observations >= 2000 && wanted.false_alarm >= 1e-3;
        if is_ample {
            ample += 1.0;
            covered += outcome.covered;
        }
        if outcome.covered == 0.0 {
            refused += 1;
            assert!(refused <= wanted_engines, "more engines refused than judged");
            continue;
        }
        judged += 1;
        held += usize::from(outcome.false_alarm <= wanted.false_alarm);
        if is_ample {
            filled_over += 1.0;
            over_db += outcome.over_db;
        }
        if long() {
            let rates = naive(&engine, observations, seed, wanted);
            others.iter_mut().zip(rates).for_each(|(sum, rate)| *sum += usize::from(rate <= wanted.false_alarm));
            println!(
                "{seed} {:?} n {observations} groups {} serial {:.1} drift {:.1} at {}: {:.1e} {}, {:+.2} dB, {:.2} covered, {:?}",
                engine.law,
                engine.groups,
                engine.serial,
                engine.drift_db,
                wanted.false_alarm,
                outcome.false_alarm,
                if outcome.false_alarm <= wanted.false_alarm { "held" } else { "NOT" },
                outcome.over_db,
                outcome.covered,
                outcome.law
            );
        }
    }
    println!(
        "held {held} of {judged}, {refused} refused beside; from 2000 on {:.1} % of cells, {:.2} dB over; plain quantile {}, mean + k sigma {}",
        100.0 * covered / ample,
        over_db / filled_over,
        others[0],
        others[1]
    );
    // Of 40 engines at exactly 95 % fewer than 34 hold once in 300 draws; 182 of 200 is the promise itself.
    let least = if long() { 182 } else { 34 };
    assert!(held >= least, "{held} of {judged} held");
    assert!(covered >= 0.95 * ample, "{covered} of {ample} covered");
    assert!(over_db <= 1.5 * filled_over, "{} dB over", over_db / filled_over);
}

/// The laws are what they are called: shares above a height by scipy.stats 1.17.1 (`logistic(scale=1.1).sf(3)`,
/// `laplace(scale=1.1).sf(3)`, `t(6).sf(3 / 1.3)`, `t(4).sf(3 / 1.2)`, and of power p = 10^0.3 `expon.sf(p)`, `lomax(3).sf(p)`,
/// `gamma(5).sf(5 p)`, `weibull_min(2.5).sf(p)`, and `gumbel_r(scale=1.5).sf(3)`).
#[test]
fn the_laws_are_those_of_scipy() {
    let cases = [
        (Background::Logistic, 0.0613831074034922),
        (Background::Laplace, 0.032698701614930104),
        (Background::Heavier, 0.03022984754060905),
        (Background::Heavy, 0.03338327240599407),
        (Background::Exponential, 0.13597798042847153),
        (Background::Lomax, 0.037213062528998204),
        (Background::GammaOf(5), 0.029703991343717227),
        (Background::WeibullOf(2.5), 0.0036122903858564794),
        (Background::GumbelOf(1.5), 0.12657698150688337),
    ];
    for (law, above) in cases {
        assert_close(law.above(3.0), above, 1e-9 * above, &format!("{law:?}"));
        assert_close(law.quantile_above(above), 3.0, 1e-6, &format!("{law:?}"));
    }
}
