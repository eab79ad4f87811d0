//! What `test --long` does besides more seeds: checks that need a tool built, a network that answers, or minutes.

use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use crate::{dist, shell, single};

const CARGO_DENY: &str = "0.20.2";

/// A step by name.
pub type Step = (&'static str, fn() -> Result<(), String>);

/// In the order they run.
pub const STEPS: &[Step] = &[
    ("licences, bans and sources by cargo-deny", deny),
    ("known weaknesses of what we build on", advisories),
    ("the page built twice is the same file", same_twice),
];

/// The tool: the one on the path, or built into `target/tools` once. It takes minutes, which is why `tidy` reads the same
/// list by itself in every run.
fn cargo_deny() -> Result<PathBuf, String> {
    let own = shell::root().join("target").join("tools");
    let built = own.join("bin").join(if cfg!(windows) { "cargo-deny.exe" } else { "cargo-deny" });
    for candidate in [PathBuf::from("cargo-deny"), built.clone()] {
        if shell::answer(shell::command(&candidate).arg("--version")).is_some() {
            return Ok(candidate);
        }
    }
    let mut cargo = shell::cargo();
    cargo.args(["install", "cargo-deny", "--locked", "--version", CARGO_DENY, "--root"]).arg(&own);
    shell::run(&mut cargo)?;
    Ok(built)
}

fn deny() -> Result<(), String> {
    shell::run(shell::command(cargo_deny()?).args(["--offline", "check", "licenses", "bans", "sources"]))
}

/// The database of weaknesses lies elsewhere; where it can't be reached that is said, and nothing is claimed.
fn advisories() -> Result<(), String> {
    let tool = cargo_deny()?;
    if shell::answer(shell::command(&tool).args(["fetch", "db"])).is_none() {
        println!("the database of weaknesses can't be reached from here: not checked");
        return Ok(());
    }
    shell::run(shell::command(tool).args(["check", "advisories"]))
}

/// From nothing each time: the compiler's own products thrown away in between.
fn same_twice() -> Result<(), String> {
    let module = shell::root().join("target").join("wasm32-unknown-unknown").join("release");
    let build = || {
        if module.exists() {
            std::fs::remove_dir_all(&module).map_err(|error| format!("{}: {error}", module.display()))?;
        }
        dist::run()?;
        sha256(&single::path())
    };
    let (first, second) = (build()?, build()?);
    println!("SHA-256 of dist/ringdown.html: {first}");
    if first == second { Ok(()) } else { Err(format!("the second build differs: {second}")) }
}

/// SHA-256 of a file in lower-case hex.
pub fn sha256(path: &Path) -> Result<String, String> {
    let bytes = std::fs::read(path).map_err(|error| format!("{}: {error}", path.display()))?;
    Ok(Sha256::digest(&bytes).iter().map(|byte| format!("{byte:02x}")).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// FIPS 180-4, the example "abc".
    #[test]
    fn the_hash_is_that_of_the_standard() {
        let path = std::env::temp_dir().join(format!("ringdown-abc-{}", std::process::id()));
        std::fs::write(&path, "abc").unwrap();
        let hash = sha256(&path).unwrap();
        std::fs::remove_file(&path).unwrap();
        assert_eq!(hash, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
        assert!(sha256(&path).is_err());
    }
}
