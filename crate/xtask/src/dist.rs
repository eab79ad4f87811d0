//! `dist`: the page as plain files in `dist/site`, for any static server, and as one file.

use std::fs;
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};
use wasm_bindgen_cli_support::Bindgen;

use crate::bench::data::bench_cargo;
use crate::{long, shell, single, tools};

const TARGET: &str = "wasm32-unknown-unknown";
/// Packages that no user waits for: compiled for size.
const SMALL: &[&str] = &[
    "ringdown-web",
    "chardetng",
    "csv",
    "encoding_rs",
    "fdeflate",
    "js-sys",
    "plotters",
    "plotters-backend",
    "plotters-canvas",
    "plotters-svg",
    "png",
    "serde-wasm-bindgen",
    "serde_core",
    "serde_json",
    "statrs",
    "wasm-bindgen",
    "web-sys",
];
/// How much code a call may be replaced by: a quarter of what the compiler takes by itself, for size.
const INLINED: u32 = 50;
/// Keeps the page for use without a network.
pub const KEEPER: &str = "service-worker.js";
/// What a site may hold. Anything else in `www` is either named in `NOT_SERVED` or a mistake.
const SERVED: &[&str] = &["html", "css", "js", "svg", "png", "ico", "woff2", "webmanifest"];
/// For the type checker alone.
const NOT_SERVED: &[&str] = &["json", "ts"];

/// Builds the module and its glue, then lays the site out anew.
pub fn run() -> Result<(), String> {
    tools::need_wasm_target()?;
    same_bindgen(&read(&shell::root().join("Cargo.lock"))?)?;
    let glue = make_glue(&build_module()?, "ringdown", &shell::root().join("dist").join("glue"))?;
    let size = lay_out(&glue, &site())?;
    println!("dist/site: ringdown_bg.wasm {} kB, {} kB in all", size.module / 1000, size.all / 1000);
    let length = single::write(&glue)?;
    println!("dist/ringdown.html: {} kB, SHA-256 {}", length / 1000, long::sha256(&single::path())?);
    Ok(())
}

/// The page of `cargo xtask bench`: its module, glue and scripts in `dist/bench`.
pub fn bench() -> Result<(), String> {
    tools::need_wasm_target()?;
    let mut cargo = bench_cargo();
    shell::run(cargo.args(["--lib", "--target", TARGET]).args(settings()))?;
    let module = shell::root().join("target/bench/build").join(TARGET).join("release").join("ringdown_bench.wasm");
    let page = make_glue(&module, "ringdown_bench", &shell::root().join("dist").join("bench"))?;
    for name in ["page.html", "page.js", "worker.js", "draw.html", "draw.js"] {
        copy(&shell::root().join("tests").join("bench").join(name), &page.join(name))?;
    }
    Ok(())
}

/// Where the finished page lies.
pub fn site() -> PathBuf {
    shell::root().join("dist").join("site")
}

/// Glue fits only the wasm-bindgen it was written with.
fn same_bindgen(lock: &str) -> Result<(), String> {
    let (used, ours) = (locked(lock, "wasm-bindgen"), locked(lock, "wasm-bindgen-cli-support"));
    if used.is_some() && used == ours {
        return Ok(());
    }
    let name = |version: Option<&str>| version.unwrap_or("none").to_owned();
    Err(format!(
        "Cargo.lock holds wasm-bindgen {} but wasm-bindgen-cli-support {}: set both to one version",
        name(used),
        name(ours)
    ))
}

fn locked<'a>(lock: &'a str, package: &str) -> Option<&'a str> {
    let entry = lock.split("[[package]]").find(|entry| entry.contains(&format!("\nname = \"{package}\"\n")))?;
    entry.lines().find_map(|line| line.strip_prefix("version = \"")?.strip_suffix('"'))
}

fn build_module() -> Result<PathBuf, String> {
    let target_dir = shell::root().join("target");
    let mut cargo = shell::cargo();
    cargo.args(["build", "--release", "--package", "ringdown-web", "--target", TARGET, "--target-dir"]);
    cargo.arg(&target_dir).args(settings());
    shell::run(&mut cargo)?;
    Ok(target_dir.join(TARGET).join("release").join("ringdown_web.wasm"))
}

/// How the module is compiled, beside the profile it shares with the program.
fn settings() -> Vec<String> {
    let small = SMALL.iter().map(|package| format!("profile.release.package.{package}.opt-level=\"s\""));
    small.chain([flags()]).flat_map(|setting| ["--config".to_owned(), setting]).collect()
}

/// Panic messages carry source paths: the same bytes must come out whoever builds, and name nobody's folders.
fn flags() -> String {
    let cargo_home = std::env::var_os("CARGO_HOME").map(PathBuf::from);
    let cargo_home = cargo_home.or_else(|| std::env::home_dir().map(|home| home.join(".cargo")));
    let named = [(Some(shell::root()), "ringdown"), (cargo_home, "cargo")];
    let paths = named
        .iter()
        .filter_map(|(path, name)| Some(format!("'--remap-path-prefix={}={name}'", path.as_ref()?.display())));
    let flags: Vec<String> = paths.chain([format!("'-Cllvm-args=-inline-threshold={INLINED}'")]).collect();
    format!("target.{TARGET}.rustflags=[{}]", flags.join(","))
}

/// Writes `NAME.js`, `NAME_bg.wasm` and their types to `glue`; returns that folder.
fn make_glue(module: &Path, name: &str, glue: &Path) -> Result<PathBuf, String> {
    empty(glue)?;
    let mut bindgen = Bindgen::new();
    bindgen.input_path(module).out_name(name).typescript(true);
    bindgen.remove_name_section(true).remove_producers_section(true).omit_default_module_path(false);
    bindgen
        .no_modules(true)
        .and_then(|bindgen| bindgen.generate(glue))
        .map_err(|error| format!("no glue for {}: {error:#}", module.display()))?;
    Ok(glue.to_owned())
}

struct Size {
    module: u64,
    all: u64,
}

/// Copies glue and `www` to `site`, in a fixed order, and says how much there is.
fn lay_out(glue: &Path, site: &Path) -> Result<Size, String> {
    empty(site)?;
    let mut all = 0;
    for name in ["ringdown.js", "ringdown_bg.wasm"] {
        all += copy(&glue.join(name), &site.join(name))?;
    }
    let www = shell::root().join("www");
    let files = served(&www)?;
    for file in &files {
        let file = file.as_path();
        let to = site.join(file.strip_prefix(&www).unwrap_or(file));
        if to.exists() {
            return Err(format!("{} would overwrite the module's glue: give it another name", file.display()));
        }
        all += copy(file, &to)?;
    }
    keep_offline(site)?;
    let module = fs::metadata(site.join("ringdown_bg.wasm")).map_or(0, |meta| meta.len());
    Ok(Size { module, all })
}

/// The files under `folder` that belong on the site, sorted.
fn served(folder: &Path) -> Result<Vec<PathBuf>, String> {
    let mut found = Vec::new();
    let entries = fs::read_dir(folder).map_err(|error| format!("{}: {error}", folder.display()))?;
    let mut paths: Vec<PathBuf> = entries.filter_map(|entry| Some(entry.ok()?.path())).collect();
    paths.sort();
    for path in paths {
        let extension = path.extension().unwrap_or_default().to_string_lossy().into_owned();
        if path.is_dir() {
            found.extend(served(&path)?);
        } else if SERVED.contains(&extension.as_str()) {
            found.push(path);
        } else if !NOT_SERVED.contains(&extension.as_str()) {
            return Err(format!("{} is of no kind that the site serves: move it, or add its kind", path.display()));
        }
    }
    Ok(found)
}

/// Tells the service worker which files make up the page, and gives them a version: the hash of names and contents.
fn keep_offline(site: &Path) -> Result<(), String> {
    let keeper = site.join(KEEPER);
    let template = read(&keeper)?;
    let mut names = Vec::new();
    let mut version = Sha256::new();
    for file in every_file(site)?.into_iter().filter(|file| *file != keeper) {
        let name = file.strip_prefix(site).unwrap_or(&file).to_string_lossy().replace('\\', "/");
        let bytes = fs::read(&file).map_err(|error| format!("{}: {error}", file.display()))?;
        version.update((name.len() as u64).to_le_bytes());
        version.update(name.as_bytes());
        version.update((bytes.len() as u64).to_le_bytes());
        version.update(&bytes);
        names.push(format!("\"{name}\""));
    }
    version.update(template.as_bytes());
    let version: String = version.finalize().iter().take(8).map(|byte| format!("{byte:02x}")).collect();
    let filled = template.replace("\"FILES\"", &names.join(", ")).replace("\"VERSION\"", &format!("\"{version}\""));
    if filled == template {
        return Err(format!("{KEEPER} names no place for version and files"));
    }
    fs::write(&keeper, filled).map_err(|error| format!("{}: {error}", keeper.display()))
}

/// All files under `folder`, sorted.
fn every_file(folder: &Path) -> Result<Vec<PathBuf>, String> {
    let mut found = Vec::new();
    let entries = fs::read_dir(folder).map_err(|error| format!("{}: {error}", folder.display()))?;
    for path in entries.filter_map(|entry| Some(entry.ok()?.path())) {
        if path.is_dir() { found.extend(every_file(&path)?) } else { found.push(path) }
    }
    found.sort();
    Ok(found)
}

fn copy(from: &Path, to: &Path) -> Result<u64, String> {
    let told = |error: std::io::Error| format!("{} to {}: {error}", from.display(), to.display());
    if let Some(folder) = to.parent() {
        fs::create_dir_all(folder).map_err(told)?;
    }
    fs::copy(from, to).map_err(told)
}

/// Makes `folder` exist and hold nothing.
fn empty(folder: &Path) -> Result<(), String> {
    let told = |error: std::io::Error| format!("{}: {error}", folder.display());
    if folder.exists() {
        fs::remove_dir_all(folder).map_err(told)?;
    }
    fs::create_dir_all(folder).map_err(told)
}

fn read(path: &Path) -> Result<String, String> {
    fs::read_to_string(path).map_err(|error| format!("{}: {error}", path.display()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lock(used: &str, ours: &str) -> String {
        let entry = |name: &str, version: &str| format!("[[package]]\nname = \"{name}\"\nversion = \"{version}\"\n\n");
        entry("wasm-bindgen", used) + &entry("wasm-bindgen-cli-support", ours) + &entry("wasm-bindgen-macro", "9.9.9")
    }

    #[test]
    fn glue_of_another_release_is_refused_and_both_are_named() {
        assert_eq!(same_bindgen(&lock("0.2.1", "0.2.1")), Ok(()));
        let refusal = same_bindgen(&lock("0.2.1", "0.2.2")).unwrap_err();
        assert!(refusal.contains("0.2.1") && refusal.contains("0.2.2"), "{refusal}");
        assert!(same_bindgen("").is_err());
    }
}
