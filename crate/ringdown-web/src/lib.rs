//! The browser boundary.
