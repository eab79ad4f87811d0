//! The higher and the lower of two numbers by comparison.
//!
//! The library's `max` and `min` ask whether either is NaN. WebAssembly has no instruction for that, so that there they
//! become calls and keep a loop from running side by side; these are one instruction.

/// The higher of two; `otherwise` where they can't be compared.
#[inline]
pub fn higher<T: PartialOrd>(value: T, otherwise: T) -> T {
    if value > otherwise { value } else { otherwise }
}

/// The lower of two; `otherwise` where they can't be compared.
#[inline]
pub fn lower<T: PartialOrd>(value: T, otherwise: T) -> T {
    if value < otherwise { value } else { otherwise }
}
