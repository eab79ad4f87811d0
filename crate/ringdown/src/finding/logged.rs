//! Whether a control unit's logged knock level can be trusted.

use super::sensors::Kind;
use crate::stats::order::Arrange;
use crate::stats::robust::median;

/// A logged level beside the speed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// Seconds.
    pub t_s: f64,
    /// 1/min.
    pub rpm: f64,
    /// As logged.
    pub value: f64,
}

/// Fewest samples of a log that a judgement is based on.
const FEWEST_SAMPLES: usize = 100;
/// Samples a judgement looks at: of longer logs every n-th.
pub const MOST_SAMPLES: usize = 6000;
/// Share of samples at the very top from which on the level counts as saturated, and how many times as many as at the
/// value next below: a level of few steps is often at its top without being cut.
const SATURATED_SHARE: f64 = 0.01;
const SATURATED_TIMES: usize = 3;
/// Rank correlation with speed beyond which the level tells nothing but speed.
const FOLLOWS: f64 = 0.985;
/// Slower logs miss most cycles; a rate reckoned from clock times is ten but for its last digit.
const SLOW_HZ: f64 = 10.0 * (1.0 - 1e-6);
/// A level that holds one value so long while the speed moves so far is stuck; for this share of the time.
const STUCK_S: f64 = 5.0;
const STUCK_RPM: f64 = 500.0;
const STUCK_SHARE: f64 = 0.1;
/// The same of a zero, which an overrun may hold for long; not in a level that is zero in more than this share besides.
const STUCK_AT_ZERO_S: f64 = 20.0;
const OFTEN_ZERO: f64 = 0.01;
/// A held peak, or a mean over a window, stays within a few dB of the usual level of its speed. The momentary value of an
/// oscillation lies under a quarter of its median 13 % of the time (of a normal law, 2 Phi(0.169) - 1).
const FAR_UNDER: f64 = 0.25;
const SNAPSHOT_SHARE: f64 = 0.06;
/// Banks whose usual levels differ by more, dB.
const IMBALANCED_DB: f64 = 3.0;

/// Judges a level column. `linear`: volts and the like, not dB.
pub fn logged(samples: &[Sample], rate_hz: Option<f64>, linear: bool) -> Vec<Kind> {
    let mut kinds = Vec::new();
    if samples.len() < FEWEST_SAMPLES {
        return kinds;
    }
    if let Some(share) = stuck(samples) {
        return vec![Kind::Stuck { share }];
    }
    let step = samples.len().div_ceil(MOST_SAMPLES);
    let pairs: Vec<(f64, f64)> = samples.iter().step_by(step).map(|sample| (sample.rpm, sample.value)).collect();
    kinds.extend(saturated(samples));
    kinds.extend(follows(&pairs));
    kinds.extend(snapshot(&pairs, linear));
    if let Some(rate_hz) = rate_hz.filter(|rate_hz| *rate_hz < SLOW_HZ) {
        kinds.push(Kind::Slow { rate_hz });
    }
    kinds
}

/// Levels of one column against those of another at the same samples, [`MOST_SAMPLES`] or so, dB; the interval is the sign
/// test's.
pub fn imbalanced(own_db: &[f64], first_db: &[f64]) -> Option<Kind> {
    let gain =
        crate::feature::sensor::gain_between(first_db, own_db, 0.95).filter(|gain| gain.events >= FEWEST_SAMPLES)?;
    let apart = gain.low_db > IMBALANCED_DB || gain.high_db < -IMBALANCED_DB;
    apart.then_some(Kind::Imbalanced { db: gain.db, low: gain.low_db, high: gain.high_db })
}

/// Share of the time that it holds one value although the speed moves; `None` where that is hardly ever.
///
/// A zero may say "no knock", but not one that lasts, in a level that otherwise hardly ever says so.
fn stuck(samples: &[Sample]) -> Option<f64> {
    let runs = || samples.chunk_by(|a, b| a.value == b.value);
    if runs().count() < 2 {
        return Some(1.0);
    }
    let stands = |run: &&[Sample]| {
        let fold = |most: [f64; 2], sample: &Sample| [most[0].min(sample.rpm), most[1].max(sample.rpm)];
        let [low, high] = run.iter().fold([f64::INFINITY, f64::NEG_INFINITY], fold);
        let least_s = if run[0].value == 0.0 { STUCK_AT_ZERO_S } else { STUCK_S };
        lasts_s(run) >= least_s && high - low >= STUCK_RPM
    };
    let zeros = samples.iter().filter(|sample| sample.value == 0.0).count();
    let lasting: usize = runs().filter(|run| run[0].value == 0.0 && stands(run)).map(<[_]>::len).sum();
    let says_none = (zeros - lasting) as f64 > OFTEN_ZERO * samples.len() as f64;
    let held = runs().filter(|run| stands(run) && !(says_none && run[0].value == 0.0));
    let share = held.map(lasts_s).sum::<f64>() / lasts_s(samples);
    (share >= STUCK_SHARE).then_some(share.min(1.0))
}

/// From the first of some samples to the last, s.
fn lasts_s(run: &[Sample]) -> f64 {
    run.last().map_or(0.0, |last| (last.t_s - run[0].t_s).max(0.0))
}

/// Share of the rows, each with its time, in which a column holds no number for a while; `None` where that is hardly ever.
/// Columns logged at a slower pace have gaps, too, but short ones.
pub fn missing(rows: &[(f64, bool)]) -> Option<f64> {
    let gaps = rows.chunk_by(|a, b| a.1 == b.1).filter(|run| !run[0].1);
    let lasting = gaps.filter(|run| run.len() == rows.len() || run[run.len() - 1].0 - run[0].0 >= STUCK_S);
    let share = lasting.map(<[_]>::len).sum::<usize>() as f64 / rows.len().max(1) as f64;
    (rows.len() >= FEWEST_SAMPLES && share >= STUCK_SHARE).then_some(share)
}

/// How often it stands at its largest value, if that is more than its spread explains.
fn saturated(samples: &[Sample]) -> Option<Kind> {
    // the largest value and the next, each with its count
    let mut two = [(f64::NEG_INFINITY, 0_usize); 2];
    for sample in samples {
        match two {
            [(top, _), _] if sample.value > top => two = [(sample.value, 1), two[0]],
            [(top, count), next] if sample.value == top => two = [(top, count + 1), next],
            [top, (next, _)] if sample.value > next => two = [top, (sample.value, 1)],
            [top, (next, count)] if sample.value == next => two = [top, (next, count + 1)],
            _ => {}
        }
    }
    let [(_, top), (_, next)] = two;
    let share = top as f64 / samples.len() as f64;
    (share > SATURATED_SHARE && top >= SATURATED_TIMES * next).then_some(Kind::Saturated { share })
}

/// Rank correlation with speed, with the interval of Fisher's z (variance 1.06 / (n - 3): E. C. Fieller, H. O. Hartley,
/// E. S. Pearson, Biometrika 44 (1957) 470, from memory).
fn follows(pairs: &[(f64, f64)]) -> Option<Kind> {
    let correlation = rank_correlation(pairs);
    let (z, half) =
        (correlation.clamp(-0.999_999, 0.999_999).atanh(), 1.96 * (1.06 / (pairs.len() as f64 - 3.0)).sqrt());
    let (low, high) = ((z - half).tanh(), (z + half).tanh());
    (correlation.abs() > FOLLOWS).then_some(Kind::FollowsSpeed { correlation, low, high })
}

/// Share of samples far under the usual level of their speed; the least value of all may stand for "nothing" and is left
/// out.
fn snapshot(pairs: &[(f64, f64)], linear: bool) -> Option<Kind> {
    const CLASS_RPM: f64 = 250.0;
    let least = pairs.iter().map(|(_, value)| *value).fold(f64::INFINITY, f64::min);
    let mut by_speed: std::collections::BTreeMap<u64, Vec<f64>> = std::collections::BTreeMap::new();
    for (rpm, value) in pairs.iter().filter(|(_, value)| *value > least) {
        let amplitude = if linear { value.abs() } else { 10.0_f64.powf(0.05 * value) };
        by_speed.entry((rpm / CLASS_RPM).clamp(0.0, 1e6) as u64).or_default().push(amplitude);
    }
    let (mut far, mut all) = (0, 0);
    for class in by_speed.values().filter(|class| class.len() >= 20) {
        let usual = median(class)?;
        far += class.iter().filter(|value| **value < FAR_UNDER * usual).count();
        all += class.len();
    }
    let share = far as f64 / all.max(1) as f64;
    (all >= FEWEST_SAMPLES && share > SNAPSHOT_SHARE).then_some(Kind::Snapshot { share })
}

/// Spearman's correlation; ties take their mean rank.
fn rank_correlation(pairs: &[(f64, f64)]) -> f64 {
    let ranks = |pick: fn(&(f64, f64)) -> f64| {
        let mut order: Vec<usize> = (0..pairs.len()).collect();
        order.arrange(|a, b| pick(&pairs[*a]).total_cmp(&pick(&pairs[*b])));
        let mut ranks = vec![0.0; pairs.len()];
        let mut from = 0;
        while from < order.len() {
            let same = order[from..].iter().take_while(|&&i| pick(&pairs[i]) == pick(&pairs[order[from]])).count();
            for &index in &order[from..from + same] {
                ranks[index] = from as f64 + 0.5 * (same as f64 - 1.0);
            }
            from += same.max(1);
        }
        ranks
    };
    let (a, b) = (ranks(|pair| pair.0), ranks(|pair| pair.1));
    let mean = 0.5 * (pairs.len() as f64 - 1.0);
    let sum = |x: &[f64], y: &[f64]| -> f64 { x.iter().zip(y).map(|(x, y)| (x - mean) * (y - mean)).sum() };
    let scale = (sum(&a, &a) * sum(&b, &b)).sqrt();
    if scale > 0.0 { sum(&a, &b) / scale } else { 0.0 }
}
