//! What must be on the machine: found, installed where that is ours to do, or named in one sentence.

use std::path::PathBuf;

use crate::shell;

const WASM: &str = "wasm32-unknown-unknown";
const OLDEST_NODE: u32 = 20;
/// Where browsers of the Chromium family lie, most usual first.
const BROWSERS: &[&str] = &[
    "/usr/bin/chromium",
    "/usr/bin/chromium-browser",
    "/usr/bin/google-chrome",
    "/usr/bin/google-chrome-stable",
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
    "C:/Program Files/Google/Chrome/Application/chrome.exe",
];

/// Where Firefox ESR lies.
const FIREFOXES: &[&str] =
    &["/usr/bin/firefox-esr", "/usr/bin/firefox", "/Applications/Firefox.app/Contents/MacOS/firefox"];

/// The parts of the toolchain that judge, added if rustup can.
pub fn need_judges() -> Result<(), String> {
    for (verb, component) in [("fmt", "rustfmt"), ("clippy", "clippy")] {
        if shell::answer(shell::cargo().args([verb, "--version"])).is_none() {
            shell::run(shell::command("rustup").args(["component", "add", component]))
                .map_err(|why| format!("{component} is missing and could not be added: {why}"))?;
        }
    }
    Ok(())
}

/// The Rust target of the page, added if rustup can.
pub fn need_wasm_target() -> Result<(), String> {
    let libdir = shell::answer(shell::command("rustc").args(["--print", "target-libdir", "--target", WASM]));
    if libdir.is_some_and(|libdir| std::fs::read_dir(libdir).is_ok_and(|mut files| files.next().is_some())) {
        return Ok(());
    }
    shell::run(shell::command("rustup").args(["target", "add", WASM]))
        .map_err(|why| format!("the Rust target {WASM} is missing and could not be added: {why}"))
}

/// Node, for the type checker and the browser tests.
pub fn need_node() -> Result<(), String> {
    let version = shell::answer(shell::command("node").arg("--version"));
    match version.as_deref().map(node_major) {
        Some(Some(major)) if major >= OLDEST_NODE => Ok(()),
        Some(_) => Err(format!(
            "Node {OLDEST_NODE} or newer is needed and this is {}: install it from nodejs.org",
            version.unwrap_or_default()
        )),
        None => Err(format!("Node {OLDEST_NODE} or newer is needed and there is none: install it from nodejs.org")),
    }
}

/// Runs what follows in a namespace with the machine's own loop, on which the page is served, and a cable whose both ends
/// lie in it: without any interface but the loop, a browser asks nobody for its address, which one test must see it do.
pub const ALONE: &[&str] = &[
    "unshare",
    "--net",
    "--",
    "sh",
    "-c",
    "ip link set lo up && ip link add near type veth peer name far && ip addr add 192.0.2.1/32 dev near \
     && ip link set near up && ip link set far up && exec \"$@\"",
    "sh",
];

/// Whether a program can be run here with no network at all: only Linux has namespaces, and only root may make one.
pub fn can_be_alone() -> bool {
    let Some((first, rest)) = ALONE.split_first() else { return false };
    cfg!(target_os = "linux") && shell::answer(shell::command(first).args(rest).arg("true")).is_some()
}

fn node_major(version: &str) -> Option<u32> {
    version.strip_prefix('v')?.split('.').next()?.parse().ok()
}

/// A browser to test in: the one named by `CHROMIUM`, one in a usual place, or the distribution's, installed.
pub fn need_chromium() -> Result<PathBuf, String> {
    if let Some(named) = std::env::var_os("CHROMIUM").filter(|named| !named.is_empty()) {
        let named = PathBuf::from(named);
        return if named.is_file() {
            Ok(named)
        } else {
            Err(format!("CHROMIUM names {}, which is no file: correct it or unset it", named.display()))
        };
    }
    usual_browser().map_or_else(installed_browser, Ok)
}

fn usual_browser() -> Option<PathBuf> {
    BROWSERS.iter().map(PathBuf::from).find(|path| path.is_file())
}

fn installed_browser() -> Result<PathBuf, String> {
    let missing = "the browser tests need Chromium and there is none: install it, name it in CHROMIUM, \
                   or leave them out with --no-browser";
    install(&["chromium", "fonts-dejavu-core"], missing)?;
    usual_browser().ok_or_else(|| missing.into())
}

/// Firefox ESR: the one named by `FIREFOX`, the distribution's, or that one installed.
pub fn need_firefox() -> Result<PathBuf, String> {
    if let Some(named) = std::env::var_os("FIREFOX").filter(|named| !named.is_empty()) {
        return Ok(PathBuf::from(named));
    }
    let usual = || FIREFOXES.iter().map(PathBuf::from).find(|path| path.is_file());
    if let Some(found) = usual() {
        return Ok(found);
    }
    let missing = "the browser tests need Firefox ESR and there is none: install it, name it in FIREFOX, \
                   or leave them out with --no-browser";
    install(&["firefox-esr"], missing)?;
    usual().ok_or_else(|| missing.into())
}

/// `pdftotext`, which reads back what the card prints.
pub fn need_pdftotext() -> Result<(), String> {
    let there = || shell::answer(shell::command("pdftotext").arg("-v")).is_some();
    if there() {
        return Ok(());
    }
    let missing = "the print test needs pdftotext (poppler-utils) and there is none: install it";
    install(&["poppler-utils"], missing)?;
    if there() { Ok(()) } else { Err(missing.into()) }
}

/// From the distribution, where that is ours to do.
fn install(packages: &[&str], missing: &str) -> Result<(), String> {
    if shell::answer(shell::command("id").arg("-u")).as_deref() != Some("0") {
        return Err(missing.into());
    }
    let apt = |args: &[&str]| shell::run(shell::command("apt-get").args(args).env("DEBIAN_FRONTEND", "noninteractive"));
    apt(&["update"])
        .and_then(|()| apt(&[&["install", "-y", "--no-install-recommends"], packages].concat()))
        .map_err(|why| format!("{missing} ({why})"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn node_versions_are_compared_as_numbers() {
        for (version, major) in [("v20.20.2", Some(20)), ("v9.1.0", Some(9)), ("v100.0.0", Some(100)), ("20", None)] {
            assert_eq!(node_major(version), major, "{version}");
        }
    }
}
