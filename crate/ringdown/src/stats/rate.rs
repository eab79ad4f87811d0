//! Binomial rates with exact intervals.
