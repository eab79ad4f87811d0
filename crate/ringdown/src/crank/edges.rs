//! Sub-sample edge times by adaptive hysteresis.
