//! Robust smooth curves.
