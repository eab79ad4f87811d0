//! The normal law, tests of it.
