//! One-sided tolerance bounds.
