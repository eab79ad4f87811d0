//! Zero-phase filtering of a short slice: forwards, then backwards, so that nothing is delayed and the gain is squared.

use super::filter::{Running, Section, Sos};

/// Filters `samples` forwards and backwards. The ends are extended by odd reflection and the sections start as if the first
/// value had lasted for ever, as `scipy.signal.sosfiltfilt` does with its default padding; a slice shorter than the padding
/// is reflected as far as it goes.
pub fn filtfilt(filter: &Sos, samples: &[f32]) -> Vec<f64> {
    let Some(last) = samples.len().checked_sub(1) else { return Vec::new() };
    let padding = default_padding(filter).min(last);
    let mut work = odd_extension(samples, padding);
    let steady = steady_delays(&filter.sections);
    let mut run = filter.start();
    one_way(&mut run, &steady, &mut work);
    work.reverse();
    one_way(&mut run, &steady, &mut work);
    work.reverse();
    work.drain(..padding);
    work.truncate(samples.len());
    work
}

/// Samples of padding at each end: three times the length of the filter's polynomials.
fn default_padding(filter: &Sos) -> usize {
    let sections = &filter.sections;
    let short = |coefficient: fn(&Section) -> f64| sections.iter().filter(|s| coefficient(s) == 0.0).count();
    3 * (2 * sections.len() + 1 - short(|s| s.b[2]).min(short(|s| s.a[1])))
}

fn odd_extension(samples: &[f32], padding: usize) -> Vec<f64> {
    let at = |n: usize| samples.get(n).map_or(0.0, |x| if x.is_finite() { f64::from(*x) } else { 0.0 });
    let last = samples.len() - 1;
    let before = (1..=padding).rev().map(|n| 2.0 * at(0) - at(n));
    let after = (1..=padding).map(|n| 2.0 * at(last) - at(last - n));
    before.chain((0..=last).map(at)).chain(after).collect()
}

/// Delays of each section under a constant 1 at the cascade's input (`scipy.signal.sosfilt_zi`).
fn steady_delays(sections: &[Section]) -> Vec<[f64; 2]> {
    let mut input = 1.0;
    let mut delays = Vec::with_capacity(sections.len());
    for Section { b: [b0, b1, b2], a: [a1, a2] } in sections {
        let output = input * (b0 + b1 + b2) / (1.0 + a1 + a2);
        delays.push([output - b0 * input, b2 * input - a2 * output]);
        input = output;
    }
    delays
}

fn one_way(run: &mut Running, steady: &[[f64; 2]], work: &mut [f64]) {
    let first = work.first().copied().unwrap_or(0.0);
    for (delays, steady) in run.delays.iter_mut().zip(steady) {
        *delays = steady.map(|delay| delay * first);
    }
    work.iter_mut().for_each(|x| *x = run.step(*x));
}
