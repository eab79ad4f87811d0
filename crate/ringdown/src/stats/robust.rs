//! Median, MAD, quantiles, robust scale.
