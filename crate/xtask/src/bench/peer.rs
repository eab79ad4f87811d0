//! One peer at work: a process that waits for a line, works once, and answers with what it took.

use super::items::{Runs, Spec};
use super::report::Row;
use crate::{shell, tools};
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdout, Command, Stdio};
use std::time::{Duration, Instant};

/// A process that answers, or a program that is started for each run.
enum Body {
    Waiting(Child, BufReader<ChildStdout>),
    Anew(PathBuf, Vec<PathBuf>, Vec<&'static str>),
}

/// A peer with what it has answered so far.
pub struct Peer {
    row: Row,
    body: Body,
}

/// Milliseconds, the figure that came out, and megabytes where they were watched.
type Answer = (f64, Option<f64>, Option<f64>);

impl Peer {
    /// Starts it and waits until it is ready.
    pub fn start(spec: &Spec, folder: &Path) -> Result<Peer, String> {
        let row = Row::new(spec.label);
        let file = |name: String| folder.join(name);
        let body = match spec.runs {
            Runs::Python(name) => waiting(shell::command(python()).arg(bench("peers.py")).arg(name).arg(folder))?,
            Runs::Native(name) => waiting(shell::command(runner()).arg(name).arg(folder))?,
            Runs::Page(name, workers) => {
                let mut node = shell::command("node");
                node.arg(bench("drive.mjs")).arg(name).arg(workers.to_string()).arg(folder);
                waiting(node.env("CHROMIUM", tools::need_chromium()?))?
            }
            Runs::Twin(name) => {
                let files = vec![file(format!("{name}.wav"))];
                let card = file(format!("{name}.card.json"));
                Body::Anew(twin(), [files, vec![card]].concat(), vec!["--no-search", "--card"])
            }
            Runs::TwinLog(name) => Body::Anew(twin(), vec![file(format!("{name}.csv"))], Vec::new()),
        };
        Ok(Peer { row, body })
    }

    /// One run that does not count; a program started anew has nothing to warm but the file.
    pub fn warm_up(&mut self) -> Result<(), String> {
        if matches!(self.body, Body::Waiting(..)) { self.answer().map(|_| ()) } else { Ok(()) }
    }

    /// One run that counts.
    pub fn once(&mut self) -> Result<(), String> {
        let answer = self.answer()?;
        self.row.add(answer);
        Ok(())
    }

    fn answer(&mut self) -> Result<Answer, String> {
        let label = &self.row.label;
        match &mut self.body {
            Body::Waiting(child, out) => {
                let told = |error: std::io::Error| format!("{label}: {error}");
                let stdin = child.stdin.as_mut().ok_or_else(|| format!("{label} takes no lines"))?;
                writeln!(stdin).and_then(|()| stdin.flush()).map_err(told)?;
                let mut line = String::new();
                out.read_line(&mut line).map_err(told)?;
                parsed(&line).ok_or_else(|| format!("{label} answered `{}`", line.trim()))
            }
            Body::Anew(program, files, option) => ran(program, files, option).map_err(|why| format!("{label}: {why}")),
        }
    }

    /// Ends it and gives what it answered.
    pub fn finish(self) -> Row {
        if let Body::Waiting(mut child, _) = self.body {
            drop(child.stdin.take());
            let _ = child.wait(); // it has answered; how it ends is its own affair
        }
        self.row
    }
}

fn parsed(line: &str) -> Option<Answer> {
    let mut words = line.split_whitespace().map(|word| word.parse::<f64>().ok());
    Some((words.next()??, words.next().flatten(), words.next().flatten()))
}

fn waiting(command: &mut Command) -> Result<Body, String> {
    let mut child = command
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .map_err(|error| format!("`{}` could not be started: {error}", command.get_program().to_string_lossy()))?;
    let mut out = BufReader::new(child.stdout.take().ok_or("a peer without output")?);
    let mut line = String::new();
    out.read_line(&mut line).map_err(|error| error.to_string())?;
    if line.trim() == "ready" {
        Ok(Body::Waiting(child, out))
    } else {
        Err(format!("a peer did not get ready: {}", line.trim()))
    }
}

/// One run of the program, its largest resident memory watched where the system tells it.
fn ran(program: &Path, files: &[PathBuf], option: &[&str]) -> Result<Answer, String> {
    let told = |error: std::io::Error| error.to_string();
    let mut command = shell::command(program);
    let (last, first) = files.split_last().ok_or("no file")?;
    command.arg("analyse").args(first);
    command.args(option).arg(last).stdout(Stdio::null());
    let start = Instant::now();
    let mut child = command.spawn().map_err(told)?;
    let mut most_mb = None;
    while child.try_wait().map_err(told)?.is_none() {
        most_mb = resident_mb(child.id()).or(most_mb);
        std::thread::sleep(Duration::from_millis(5));
    }
    let took_ms = start.elapsed().as_secs_f64() * 1e3;
    match child.wait().map_err(told)?.code() {
        Some(0) => Ok((took_ms, None, most_mb)),
        code => Err(format!("ended with {code:?}")),
    }
}

/// Largest resident memory of a process so far, MB.
fn resident_mb(process: u32) -> Option<f64> {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
    line.split_whitespace().next()?.parse::<f64>().ok().map(|kib| kib * 1024.0 / 1e6)
}

fn bench(name: &str) -> PathBuf {
    shell::root().join("tests").join("bench").join(name)
}

/// Python with the peers' packages, made by `data::prepare`.
pub fn python() -> PathBuf {
    shell::root().join("target").join("bench").join("venv").join("bin").join("python")
}

/// The runner of `tests/bench`.
pub fn runner() -> PathBuf {
    shell::root().join("target").join("bench").join("build").join("release").join("runner")
}

fn twin() -> PathBuf {
    shell::root().join("target").join("release").join("ringdown")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn answers_hold_one_to_three_numbers() {
        assert_eq!(parsed("12.5 3 400\n"), Some((12.5, Some(3.0), Some(400.0))));
        assert_eq!(parsed("12.5\n"), Some((12.5, None, None)));
        assert_eq!(parsed("Traceback (most recent call last):\n"), None);
    }
}
