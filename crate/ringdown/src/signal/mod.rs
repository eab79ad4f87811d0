//! Signals: tapers, spectra, filters, envelopes. Takes slices, knows no files and no engine.

pub mod envelope;
pub mod filter;
pub mod spectrum;
pub mod taper;
