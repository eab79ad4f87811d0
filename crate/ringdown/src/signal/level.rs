//! Quick decibels for pictures: millions of cells, where the library's logarithm would take most of the time.

use super::extreme::higher;
use std::f32::consts::{LN_2, LN_10, SQRT_2};

/// Largest error of [`quick_db`] against `10 log10(power)` over all positive normal numbers, dB.
///
/// The series cut after the fifth power errs by less than 6e-6 dB; four roundings of an f32 of at most 385 dB (6e-8 each)
/// make up the rest.
pub const QUICK_DB_ERROR: f32 = 1e-4;

/// The level of silence, dB, as in [`crate::units::decibels`].
pub const SILENCE_DB: f32 = -300.0;

/// `10 log10(power)` within [`QUICK_DB_ERROR`]; silence, negative powers and NaN are [`SILENCE_DB`].
///
/// # Source
/// log2(2^e m) = e + log2 m with m in sqrt(1/2)..sqrt(2), log2 m = 2/ln 2 (t + t^3/3 + t^5/5 + ...),
/// t = (m - 1)/(m + 1): Abramowitz & Stegun 4.1.27.
#[inline]
pub fn quick_db(power: f32) -> f32 {
    // This also turns NaN into the floor.
    let bits = higher(power, 1e-30).to_bits();
    // Taking the bits of sqrt(1/2) off makes the exponent that of the nearest power of two.
    let exponent = bits.wrapping_sub(HALF_ROOT) as i32 >> 23;
    let m = f32::from_bits(bits.wrapping_sub((exponent << 23) as u32));
    let t = (m - 1.0) / (m + 1.0);
    let t2 = t * t;
    let log_m = t * (2.0 + t2 * (2.0 / 3.0 + t2 * (2.0 / 5.0)));
    (exponent as f32 * LN_2 + log_m) * (10.0 / LN_10)
}

/// Bits of sqrt(1/2).
const HALF_ROOT: u32 = (SQRT_2 * 0.5).to_bits();

/// [`quick_db`] of each, in place.
pub fn quick_db_in_place(powers: &mut [f32]) {
    for power in powers {
        *power = quick_db(*power);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quick_decibels_are_those_of_log10_within_the_stated_error() {
        let mut worst = 0.0_f64;
        // every 1021st float between the floor and the largest: all exponents, mantissas spread by a prime
        for bits in (1e-30_f32.to_bits()..f32::MAX.to_bits()).step_by(1021) {
            let power = f32::from_bits(bits);
            worst = worst.max((f64::from(quick_db(power)) - 10.0 * f64::from(power).log10()).abs());
        }
        assert!(worst < f64::from(QUICK_DB_ERROR), "{worst}");
    }

    #[test]
    fn silence_and_nonsense_have_a_finite_level() {
        for power in [0.0, -1.0, f32::NAN, f32::NEG_INFINITY] {
            assert!((quick_db(power) - SILENCE_DB).abs() < QUICK_DB_ERROR, "{power}");
        }
        assert!(quick_db(f32::INFINITY).is_finite());
    }
}
