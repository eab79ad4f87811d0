//! Minimum and maximum pyramids, built while reading.
