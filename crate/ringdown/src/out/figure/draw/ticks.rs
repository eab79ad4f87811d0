//! Ticks in steps of 1, 2 or 5, at most seven, and how their figures are written.

use super::super::Scale;
use super::axis::Range;
use crate::out::{speech::decimal_mark, words::text};

/// The most ticks an axis carries.
pub const MOST: usize = 7;

/// One tick: its value and figure.
#[derive(Debug, Clone, PartialEq)]
pub struct Tick {
    /// In units of the axis.
    pub value: f64,
    /// As written.
    pub text: String,
}

/// Ticks of a shown range: at most `most`, in steps of 1, 2 or 5 times a power of ten.
pub fn ticks(range: &Range, most: usize) -> Vec<Tick> {
    let most = most.clamp(2, MOST);
    match range.scale {
        Scale::Linear => linear(range, most),
        Scale::Log => log(range, most),
    }
}

/// The given ticks that are shown.
pub fn fixed(range: &Range, given: &[(f64, String)]) -> Vec<Tick> {
    let inside = |value: f64| (-1e-9..=1.0 + 1e-9).contains(&range.share(value));
    given
        .iter()
        .filter(|(value, _)| inside(*value))
        .map(|(value, text)| Tick { value: *value, text: text.clone() })
        .collect()
}

fn linear(range: &Range, most: usize) -> Vec<Tick> {
    let finest = libm::floor(libm::log10((range.high - range.low) / most as f64));
    let steps = [0.0, 1.0, 2.0].into_iter().flat_map(|decade| {
        let ten = libm::pow(10.0, finest + decade);
        [1.0, 2.0, 5.0].map(|factor| factor * ten)
    });
    let found = steps.map(|step| (step, multiples(range, step))).find(|(_, (first, last))| last - first < most as f64);
    let Some((step, (first, last))) = found else { return Vec::new() };
    (0..MOST as u32)
        .map(|index| first + f64::from(index))
        .take_while(|multiple| *multiple <= last)
        .map(|multiple| Tick { value: multiple * step, text: figure(multiple * step, step) })
        .collect()
}

/// First and last multiple of `step` in a range, in steps.
fn multiples(range: &Range, step: f64) -> (f64, f64) {
    ((range.low / step - 1e-6).ceil(), (range.high / step + 1e-6).floor())
}

fn log(range: &Range, most: usize) -> Vec<Tick> {
    let (first, last) = (libm::floor(libm::log10(range.low)) as i32, libm::ceil(libm::log10(range.high)) as i32);
    let sparse = usize::try_from(last - first).unwrap_or(1).div_ceil(most - 1).max(1);
    let choices = [(1, &[1.0, 2.0, 5.0][..]), (1, &[1.0][..]), (sparse, &[1.0][..])];
    let found = choices
        .into_iter()
        .map(|(decades, factors)| decade_ticks(range, (first..=last).step_by(decades), factors))
        .find(|found| found.len() <= most)
        .unwrap_or_default();
    // Less than a decade may show too few: plain steps then, at their logarithmic places.
    if found.len() >= 3 || range.high / range.low >= 10.0 { found } else { linear(range, most) }
}

fn decade_ticks(range: &Range, decades: impl Iterator<Item = i32>, factors: &[f64]) -> Vec<Tick> {
    decades
        .flat_map(|decade| factors.iter().map(move |factor| (factor * power_of_ten(decade), power_of_ten(decade))))
        .filter(|(value, _)| *value >= range.low * (1.0 - 1e-9) && *value <= range.high * (1.0 + 1e-9))
        .map(|(value, unit)| Tick { value, text: figure(value, unit) })
        .collect()
}

fn power_of_ten(exponent: i32) -> f64 {
    libm::pow(10.0, f64::from(exponent))
}

/// `value` with as many decimals as `step` needs: true minus sign, thin spaces between thousands, powers of ten only
/// where figures would grow long.
pub fn figure(value: f64, step: f64) -> String {
    if !value.is_finite() || !step.is_finite() || step <= 0.0 {
        return text("none.value");
    }
    let largest = value.abs().max(step);
    if largest >= 1e7 || step < 0.999e-5 {
        return scientific(value, step);
    }
    let decimals = (-libm::floor(libm::log10(step) + 1e-9)).clamp(0.0, 9.0) as usize;
    signed(&format!("{value:.decimals$}"))
}

fn scientific(value: f64, step: f64) -> String {
    if value.abs() < step * 1e-6 {
        return String::from("0");
    }
    let exponent = libm::floor(libm::log10(value.abs()) + 1e-9) as i32;
    let digits = (f64::from(exponent) - libm::log10(step) + 0.5).clamp(0.0, 6.0) as usize;
    let superscript: String = exponent.to_string().chars().map(raised).collect();
    // Two factors: the power alone may lie below the smallest normal number.
    let mantissa = value / power_of_ten(exponent / 2) / power_of_ten(exponent - exponent / 2);
    format!("{}\u{d7}10{superscript}", signed(&format!("{mantissa:.digits$}")))
}

fn raised(digit: char) -> char {
    const RAISED: [char; 10] = [
        '\u{2070}', '\u{b9}', '\u{b2}', '\u{b3}', '\u{2074}', '\u{2075}', '\u{2076}', '\u{2077}', '\u{2078}',
        '\u{2079}',
    ];
    digit.to_digit(10).and_then(|value| RAISED.get(value as usize)).copied().unwrap_or('\u{207b}')
}

fn signed(plain: &str) -> String {
    let (minus, digits) = match plain.strip_prefix('-') {
        Some(digits) if digits.chars().any(|c| matches!(c, '1'..='9')) => ("\u{2212}", digits),
        Some(digits) => ("", digits),
        None => ("", plain),
    };
    let (whole, rest) = digits.split_at(digits.find('.').unwrap_or(digits.len()));
    format!("{minus}{}{}", grouped(whole), rest.replace('.', &decimal_mark().to_string()))
}

fn grouped(whole: &str) -> String {
    let mut out = String::new();
    for (index, digit) in whole.chars().enumerate() {
        if index > 0 && (whole.len() - index).is_multiple_of(3) {
            out.push('\u{2009}');
        }
        out.push(digit);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_read_as_in_a_book() {
        let table = [
            (-85.0, 5.0, "\u{2212}85"),
            (-0.0, 5.0, "0"),
            (6200.0, 200.0, "6\u{2009}200"),
            (1_234_567.0, 1.0, "1\u{2009}234\u{2009}567"),
            (0.5, 0.1, "0.5"),
            (2e-7, 1e-7, "2\u{d7}10\u{207b}\u{2077}"),
            (f64::NAN, 1.0, "no value"),
        ];
        for (value, step, text) in table {
            assert_eq!(figure(value, step), text, "{value} in steps of {step}");
        }
    }
}
