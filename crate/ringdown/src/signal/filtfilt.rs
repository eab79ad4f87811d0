//! Zero-phase filtering of a short slice: forwards, then backwards, so that nothing is delayed and the gain is squared.

use super::filter::{Abreast, Section, Sos};
use std::array::from_fn;

/// Filters `samples` forwards and backwards. The ends are extended by odd reflection and the sections start as if the first
/// value had lasted for ever, as `scipy.signal.sosfiltfilt` does with its default padding; a slice shorter than the padding
/// is reflected as far as it goes. A sample that is no number counts as 0.
pub fn filtfilt(filter: &Sos, samples: &[f32]) -> Vec<f64> {
    let [filtered] = filtfilt_together(filter, [samples]);
    filtered
}

/// The same for several slices side by side: a recursion waits for its own last output, so four take little longer than one.
pub fn filtfilt_together<const N: usize>(filter: &Sos, slices: [&[f32]; N]) -> [Vec<f64>; N] {
    let padding = slices.map(|samples| default_padding(filter).min(samples.len().saturating_sub(1)));
    let extended: [usize; N] = from_fn(|lane| slices[lane].len() + 2 * padding[lane]);
    let longest = extended.into_iter().max().unwrap_or(0);
    let mut work = vec![[0.0; N]; longest];
    // All lanes end together; before its begin a shorter one rests at its first value, where its filter stays as it starts.
    for (lane, samples) in slices.into_iter().enumerate().filter(|(_, samples)| !samples.is_empty()) {
        let rest = longest - extended[lane];
        let mut values = odd_extension(samples, padding[lane]).peekable();
        let first = values.peek().copied().unwrap_or(0.0);
        work.iter_mut().zip(std::iter::repeat_n(first, rest).chain(values)).for_each(|(row, value)| row[lane] = value);
    }
    let steady = steady_delays(&filter.sections);
    let mut run = Abreast::new(filter);
    let start = |run: &mut Abreast<N>, first: Option<&[f64; N]>| {
        let first = first.copied().unwrap_or([0.0; N]);
        run.delays.iter_mut().zip(&steady).for_each(|(delays, two)| *delays = two.map(|z| first.map(|x| x * z)));
    };
    start(&mut run, work.first());
    run.forwards(&mut work);
    start(&mut run, work.last());
    run.backwards(&mut work);
    from_fn(|lane| {
        let from = longest - extended[lane] + padding[lane];
        work.iter().skip(from).take(slices[lane].len()).map(|row| row[lane]).collect()
    })
}

/// Samples of padding at each end: three times the length of the filter's polynomials.
fn default_padding(filter: &Sos) -> usize {
    let sections = &filter.sections;
    let short = |coefficient: fn(&Section) -> f64| sections.iter().filter(|s| coefficient(s) == 0.0).count();
    3 * (2 * sections.len() + 1 - short(|s| s.b[2]).min(short(|s| s.a[1])))
}

fn odd_extension(samples: &[f32], padding: usize) -> impl Iterator<Item = f64> {
    let at = |n: usize| samples.get(n).map_or(0.0, |x| if x.is_finite() { f64::from(*x) } else { 0.0 });
    let last = samples.len().saturating_sub(1);
    let before = (1..=padding).rev().map(move |n| 2.0 * at(0) - at(n));
    let after = (1..=padding).map(move |n| 2.0 * at(last) - at(last - n));
    before.chain((0..samples.len()).map(at)).chain(after)
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
