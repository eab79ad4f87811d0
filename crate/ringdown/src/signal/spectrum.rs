//! FFT plans, Welch spectra, coherence, spectrogram columns.
