//! What events near in time have in common: advanced ignition is louder without knocking.

use std::array::from_fn;

/// Events whose common loudness is taken off: near enough in time to share ignition and load.
const LIKE_EVENTS: usize = 2 * HOP;
/// Events between two looks at that common loudness.
const HOP: usize = 16;
/// Share of them that lies below that common loudness.
const QUIET_SHARE: f64 = 0.3;
/// Place of that level among [`LIKE_EVENTS`] in rising order.
const QUIET: usize = (QUIET_SHARE * LIKE_EVENTS as f64) as usize;
/// Variance of that level by chance, square spreads: of a normal law `0.3 * 0.7 / 32 / 0.348^2`, the density there squared,
/// 0.054; half as much again with knock among the events.
const CHANCE: f32 = 0.08;

/// Takes off what events near in time have in common. The common level is that of the quieter events before or after,
/// whichever are louder, so that knock does not count into it and a step of load or ignition stays a step. As far as
/// chance alone spreads that level it is drawn to its mean: where nothing changes nothing but noise would be taken off.
pub fn level_out(over: &mut [f32], quiet: f32) {
    let mut levels = quiet_levels(over, quiet);
    let mean = levels.iter().sum::<f32>() / levels.len().max(1) as f32;
    let variance = levels.iter().map(|level| (level - mean).powi(2)).sum::<f32>() / levels.len().max(1) as f32;
    let kept = (1.0 - CHANCE / variance.max(CHANCE)).max(0.0);
    levels.iter_mut().for_each(|level| *level = mean + kept * (*level - mean));
    let near = LIKE_EVENTS.min(over.len());
    for (hop, part) in over.chunks_mut(HOP).enumerate() {
        let after = levels[hop];
        let before = levels[hop.saturating_sub(near / HOP)];
        let common = after.max(before) - quiet;
        part.iter_mut().for_each(|level| *level -= common);
    }
}

/// Level that [`QUIET_SHARE`] of a sample of the background lies below.
pub fn quiet_level(over: &[f32]) -> f32 {
    let step = (over.len() / 500).max(1);
    let mut sample: Vec<f32> = over.iter().step_by(step).copied().collect();
    quantile(&mut sample).unwrap_or(0.0)
}

fn quantile(sample: &mut [f32]) -> Option<f32> {
    let at = (QUIET_SHARE * sample.len() as f64) as usize;
    (at < sample.len()).then(|| *sample.select_nth_unstable_by(at, f32::total_cmp).1)
}

/// The quieter level of [`LIKE_EVENTS`] from every [`HOP`]th on, of the last ones from where so many are left; `otherwise`
/// without any. Windows share halves with their neighbours, so that halves are put in order, one stretch of windows a lane.
fn quiet_levels(over: &[f32], otherwise: f32) -> Vec<f32> {
    let whole = (over.len() / HOP).saturating_sub(1);
    let each = whole / LANES;
    let mut levels = vec![otherwise; over.len().div_ceil(HOP)];
    let half = |step: usize| rising(from_fn(|event| from_fn(|lane| over[(lane * each + step) * HOP + event])));
    if each > 0 {
        let mut before = half(0);
        for step in 0..each {
            let after = half(step + 1);
            let found = quiet_of(&before, &after);
            (0..LANES).for_each(|lane| levels[lane * each + step] = found[lane]);
            before = after;
        }
    }
    let near = LIKE_EVENTS.min(over.len());
    for (hop, level) in levels.iter_mut().enumerate().skip(LANES * each) {
        let from = (hop * HOP).min(over.len() - near);
        let mut sample = [0.0; LIKE_EVENTS];
        sample[..near].copy_from_slice(&over[from..from + near]);
        *level = quantile(&mut sample[..near]).unwrap_or(otherwise);
    }
    levels
}

/// Stretches worked through side by side.
const LANES: usize = 8;
type Lanes = [f32; LANES];

/// Lane by lane the lower and the higher of two; as comparisons they become one instruction each.
fn apart(a: &Lanes, b: &Lanes) -> (Lanes, Lanes) {
    let lower = from_fn(|lane| if a[lane] < b[lane] { a[lane] } else { b[lane] });
    let higher = from_fn(|lane| if a[lane] < b[lane] { b[lane] } else { a[lane] });
    (lower, higher)
}

/// Each lane in rising order.
///
/// # Source
/// K. E. Batcher, Sorting networks and their applications, AFIPS Spring Joint Computer Conf. 32 (1968) 307-314: merges
/// of odd and even places.
fn rising(mut values: [Lanes; HOP]) -> [Lanes; HOP] {
    let mut run = 1;
    while run < HOP {
        let mut apart_by = run;
        while apart_by > 0 {
            for first in (apart_by % run..HOP - apart_by).step_by(2 * apart_by) {
                for low in first..(first + apart_by).min(HOP - apart_by) {
                    let high = low + apart_by;
                    if low / (2 * run) == high / (2 * run) {
                        (values[low], values[high]) = apart(&values[low], &values[high]);
                    }
                }
            }
            apart_by /= 2;
        }
        run *= 2;
    }
    values
}

/// Value in place [`QUIET`] of two rising halves taken together: the least that the last ones of any so many can be.
fn quiet_of(before: &[Lanes; HOP], after: &[Lanes; HOP]) -> Lanes {
    let lower = |a, b| apart(&a, &b).0;
    let of_both = (0..QUIET).map(|from_first| apart(&before[from_first], &after[QUIET - 1 - from_first]).1);
    of_both.fold(lower(before[QUIET], after[QUIET]), lower)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_stretch_that_is_only_louder_is_levelled_out_and_its_loud_tail_stays() {
        let mut over: Vec<f32> = (0..4000).map(|n| ((n * 37) % 101) as f32 / 101.0 + 3.0 * (n / 1000) as f32).collect();
        over[500] += 10.0;
        level_out(&mut over, 0.3);
        let middle = |from: usize| over[from..from + 500].iter().sum::<f32>() / 500.0;
        for stretch in 0..4 {
            assert!((middle(1000 * stretch + 250) - 0.5).abs() < 0.15, "{stretch}");
        }
        assert!(over[500] > 9.0);
    }

    proptest! {
        #[test]
        fn quiet_levels_are_those_of_each_window_sorted_by_the_library(
            over in prop::collection::vec(prop_oneof![-9.0_f32..9.0, Just(0.5)], 0..700)
        ) {
            let near = over.len().min(32);
            let sorted = |hop: usize| {
                let from = (16 * hop).min(over.len() - near);
                let mut window = over[from..from + near].to_vec();
                window.sort_by(f32::total_cmp);
                window[3 * near / 10]
            };
            let expected: Vec<f32> = (0..over.len().div_ceil(16)).map(sorted).collect();
            prop_assert_eq!(quiet_levels(&over, 7.0), expected);
        }
    }
}
