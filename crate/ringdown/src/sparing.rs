//! Growing lists whose length nobody knows beforehand, where memory is scarce.

/// Appends `value`; full, the list grows by an eighth: doubling would hold three times its content for a moment, and an
/// hour's lists are tens of megabytes.
pub fn push_sparingly<T>(values: &mut Vec<T>, value: T) {
    if values.len() == values.capacity() {
        values.reserve_exact((values.len() / 8).max(256));
    }
    values.push(value);
}
