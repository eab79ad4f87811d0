//! Signals: tapers, spectra, spectrograms, filters, envelopes. Takes slices, knows no files and no engine.

pub mod envelope;
pub mod extreme;
pub mod filter;
pub mod filtfilt;
pub mod fourier;
pub mod kurtosis;
pub mod level;
pub mod octave;
pub mod segments;
pub mod spectrum;
pub mod stft;
pub mod taper;
pub mod tone;
