//! Proof: recall and false alarms against labels, with exact intervals.
