//! Butterworth second-order sections, causal and zero-phase.
