//! What must be there before anything is timed: programs, packages, data. All of it lies in `target/bench`.

use super::items::{Item, Runs};
use super::peer::{python, runner};
use crate::{build, dist, shell};
use std::path::{Path, PathBuf};

/// Releases of the Python peers.
const PACKAGES: &[&str] = &["numpy==2.4.6", "scipy==1.17.1", "pandas==3.1.1", "polars==2.1.0"];

/// Release of the peer that draws.
const UPLOT: &str = "uplot@1.6.32";

/// Builds, installs and writes what `items` need; returns the folder of the data.
pub fn prepare(items: &[&Item]) -> Result<PathBuf, String> {
    let uses = |of: fn(&Runs) -> bool| items.iter().flat_map(|item| item.peers).any(|spec| of(&spec.runs));
    let folder = shell::root().join("target").join("bench").join("data");
    build_runner()?;
    shell::run(shell::command(runner()).arg("data").arg(&folder).args(minutes(items)))?;
    if uses(|runs| matches!(runs, Runs::Python(_))) {
        need_packages()?;
    }
    if uses(|runs| matches!(runs, Runs::Page(..) | Runs::Twin(_) | Runs::TwinLog(_))) {
        build::run()?;
    }
    if uses(|runs| matches!(runs, Runs::Page(..))) {
        dist::bench()?;
        need_uplot()?;
        shell::run(shell::npm().args(["ci", "--no-audit", "--no-fund", "--prefix"]).arg("tests/browser"))?;
    }
    Ok(folder)
}

/// Lengths of the recordings that are needed.
fn minutes(items: &[&Item]) -> Vec<&'static str> {
    let name = |runs: &Runs| match runs {
        Runs::Twin(name) | Runs::Page(name, _) => name.strip_prefix("job-").or(name.strip_prefix("limits-")),
        Runs::Python("peer.py") => Some("10"),
        _ => None,
    };
    let mut all: Vec<_> = items.iter().flat_map(|item| item.peers).filter_map(|spec| name(&spec.runs)).collect();
    all.sort_unstable();
    all.dedup();
    all
}

/// Apart from the workspace, with its own lock file and its own target folder.
pub fn bench_cargo() -> std::process::Command {
    let mut cargo = shell::cargo();
    cargo.args(["build", "--release", "--manifest-path", "tests/bench/Cargo.toml", "--target-dir"]);
    cargo.arg(Path::new("target").join("bench").join("build"));
    cargo
}

fn build_runner() -> Result<(), String> {
    shell::run(bench_cargo().args(["--bin", "runner"]))
}

/// The plotting peer, beside the bench page.
fn need_uplot() -> Result<(), String> {
    let folder = shell::root().join("target").join("bench").join("npm");
    let mut npm = shell::npm();
    npm.args(["install", "--no-audit", "--no-fund", "--ignore-scripts", "--no-save", "--prefix"])
        .arg(&folder)
        .arg(UPLOT);
    shell::run(&mut npm)?;
    for name in ["uPlot.iife.min.js", "uPlot.min.css"] {
        let from = folder.join("node_modules").join("uplot").join("dist").join(name);
        let to = shell::root().join("dist").join("bench").join(name);
        std::fs::copy(&from, to).map_err(|error| format!("{}: {error}", from.display()))?;
    }
    Ok(())
}

fn need_packages() -> Result<(), String> {
    let venv = shell::root().join("target").join("bench").join("venv");
    if !python().is_file() {
        shell::run(shell::command("python3").args(["-m", "venv"]).arg(&venv))
            .map_err(|why| format!("the peers need Python 3 with venv: {why}"))?;
    }
    shell::run(shell::command(python()).args(["-m", "pip", "install", "--quiet"]).args(PACKAGES))
}
