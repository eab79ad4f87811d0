//! `build`: the page and its native twin.

use crate::{dist, shell};

/// Builds both from the same core.
pub fn run() -> Result<(), String> {
    dist::run()?;
    shell::run(shell::cargo().args(["build", "--release", "--package", "ringdown-cli"]))
}
