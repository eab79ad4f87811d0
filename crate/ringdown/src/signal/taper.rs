//! Tapers (the DSP weighting; "window" is the crank-angle window here) and their constants.
