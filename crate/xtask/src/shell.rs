//! Running other programs from the repository's root, with nothing on their standard input.

use std::ffi::OsString;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// The repository's root: two folders above this package.
pub fn root() -> PathBuf {
    let package = std::env::var_os("CARGO_MANIFEST_DIR").unwrap_or_else(|| env!("CARGO_MANIFEST_DIR").into());
    let package = PathBuf::from(package);
    package.ancestors().nth(2).map(Path::to_path_buf).unwrap_or(package)
}

/// `program` in the root, its standard input empty so that nothing can wait for an answer.
pub fn command(program: impl Into<OsString>) -> Command {
    let mut command = Command::new(program.into());
    command.current_dir(root()).stdin(Stdio::null());
    command
}

/// The cargo that runs us.
pub fn cargo() -> Command {
    command(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()))
}

/// npm is a script on Windows, which only its full name starts.
pub fn npm() -> Command {
    command(if cfg!(windows) { "npm.cmd" } else { "npm" })
}

/// Runs to the end, output straight to ours.
pub fn run(command: &mut Command) -> Result<(), String> {
    let line = shown(command);
    match command.status() {
        Ok(status) if status.success() => Ok(()),
        Ok(status) => Err(format!("`{line}` failed ({status})")),
        Err(error) => Err(format!("`{line}` could not be started: {error}")),
    }
}

/// Runs to the end, standard output both shown and kept: what was printed, and whether it went well.
pub fn run_and_keep(command: &mut Command) -> (String, Result<(), String>) {
    let line = shown(command);
    let mut child = match command.stdout(Stdio::piped()).spawn() {
        Ok(child) => child,
        Err(error) => return (String::new(), Err(format!("`{line}` could not be started: {error}"))),
    };
    let mut kept = String::new();
    if let Some(out) = child.stdout.take() {
        for part in BufReader::new(out).split(b'\n').map_while(Result::ok) {
            let text = String::from_utf8_lossy(&part);
            let text = text.trim_end_matches('\r');
            println!("{text}");
            kept.push_str(text);
            kept.push('\n');
        }
        let _ = std::io::stdout().flush(); // a closed pipe is the reader's wish, not our failure
    }
    let outcome = match child.wait() {
        Ok(status) if status.success() => Ok(()),
        Ok(status) => Err(format!("`{line}` failed ({status})")),
        Err(error) => Err(format!("`{line}` was lost: {error}")),
    };
    (kept, outcome)
}

/// What `command` prints, or nothing when it is missing or fails.
pub fn answer(command: &mut Command) -> Option<String> {
    let output = command.stderr(Stdio::null()).output().ok()?;
    output.status.success().then(|| String::from_utf8_lossy(&output.stdout).trim().to_owned())
}

fn shown(command: &Command) -> String {
    let program = Path::new(command.get_program()).file_stem().unwrap_or_default().to_string_lossy().into_owned();
    let args = command.get_args().map(|arg| arg.to_string_lossy().into_owned());
    std::iter::once(program).chain(args).collect::<Vec<_>>().join(" ")
}
