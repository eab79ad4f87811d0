//! Helpers shared by the checks: reading a committed vector, comparing within a stated tolerance.
