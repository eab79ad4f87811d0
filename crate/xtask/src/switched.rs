//! Many changes in one build: a function that is changed holds every change of it, and the environment says which one runs.
//!
//! A change built alone costs a build of the part and of its checks, half a minute. Built together each costs a run.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader};
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;

/// The variable that names the change that runs; without it none does.
const VARIABLE: &str = "RINGDOWN_CHANGE";
/// What the part's library needs for it.
const LIBRARY: &str = "
static CHANGE: std::sync::LazyLock<u32> =
    std::sync::LazyLock::new(|| std::env::var(\"RINGDOWN_CHANGE\").ok().and_then(|text| text.parse().ok()).unwrap_or(0));

pub(crate) fn change_runs(number: u32) -> bool {
    *CHANGE == number
}
";
/// Stands before each line that begins a change or ends it.
const MARK: &str = "//@ ";
/// Runs without any change before the first, of a program that takes no longer than `LONG`.
const BASELINES: u32 = 3;
const LONG: Duration = Duration::from_secs(10);
/// A program that asks for more has run away. In KiB, as `ulimit -v` counts.
const MOST_MEMORY: &str = "8000000";

/// A change as `cargo mutants --list --json` tells it.
pub struct Change {
    pub name: String,
    file: String,
    /// Bytes of the file that are replaced.
    span: Range<usize>,
    replacement: String,
    /// The body of the function it stands in, braces and all; none for what is worked out when compiling.
    body: Option<Range<usize>>,
}

/// What the checks said.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    Noticed,
    Hung,
    Missed,
}

/// What became of the changes.
pub struct Outcomes<'a> {
    pub tried: Vec<(&'a str, Outcome)>,
    pub not_compiled: Vec<&'a str>,
}

impl<'a> Outcomes<'a> {
    fn take(&mut self, change: &'a Change, outcome: Outcome) {
        if outcome == Outcome::Missed {
            println!("not noticed: {}", change.name);
        }
        self.tried.push((&change.name, outcome));
    }
}

/// The changes that `list`, the tool's JSON, names, their files under `place`.
pub fn changes(list: &str, place: &Path) -> Result<Vec<Change>, String> {
    let list: Value = serde_json::from_str(list).map_err(|error| error.to_string())?;
    let mut texts: BTreeMap<String, String> = BTreeMap::new();
    let mut out = Vec::new();
    for item in list.as_array().ok_or("the list of changes is no list")? {
        let word = |key: &str| item[key].as_str().map(str::to_owned).ok_or_else(|| format!("a change without {key}"));
        let file = word("file")?;
        if !texts.contains_key(&file) {
            texts.insert(file.clone(), crate::mutants::text(&place.join(&file))?);
        }
        let text = &texts[&file];
        let span = bytes_of(text, &item["span"]).ok_or("a change without its place")?;
        let body = body_of(text, &item["function"]);
        let body = body.filter(|body| body.start < span.start && span.end <= body.end);
        out.push(Change { name: word("name")?, span, replacement: word("replacement")?, body, file });
    }
    Ok(out)
}

/// Bytes of a span of lines and columns, both counted from one, columns in characters.
fn bytes_of(text: &str, span: &Value) -> Option<Range<usize>> {
    let byte = |end: &Value| {
        let (line, column) = (end["line"].as_u64()? as usize, end["column"].as_u64()? as usize);
        let start: usize = text.split_inclusive('\n').take(line - 1).map(str::len).sum();
        let rest = text.get(start..)?;
        let within = rest.char_indices().nth(column - 1).map_or(rest.len(), |(at, _)| at);
        Some(start + within)
    };
    Some(byte(&span["start"])?..byte(&span["end"])?)
}

/// The braces of a function and what stands between; none where alternatives could not have one type.
fn body_of(text: &str, function: &Value) -> Option<Range<usize>> {
    let span = bytes_of(text, &function["span"])?;
    let name = function["function_name"].as_str()?.rsplit("::").next()?;
    let whole = text.get(span.clone())?;
    let head = whole.find(&format!("fn {name}"))?;
    let open = head + whole[head..].find('{')?;
    let result = whole[head..open].rsplit_once("->").map_or("", |(_, result)| result);
    (!result.contains("impl ")).then_some(span.start + open..span.end)
}

/// Tries the changes in their order, those that can be switched in one build under `place`, the others each in its own; stops
/// when `until` has passed.
pub fn tried<'a>(
    place: &Path,
    cargo: impl Fn() -> Command,
    changes: &[&'a Change],
    until: Option<Instant>,
) -> Result<Outcomes<'a>, String> {
    let mut outcomes = Outcomes { tried: Vec::new(), not_compiled: Vec::new() };
    let mut alone: Vec<&Change> = Vec::new();
    // Numbers from one on.
    let mut in_build: BTreeMap<usize, &'a Change> = BTreeMap::new();
    for (k, change) in changes.iter().enumerate() {
        if change.body.is_some() {
            in_build.insert(k + 1, change);
        } else {
            alone.push(change);
        }
    }
    let files: BTreeMap<&str, String> = {
        let mut files = BTreeMap::new();
        for change in in_build.values() {
            files.insert(change.file.as_str(), crate::mutants::text(&place.join(&change.file))?);
        }
        files
    };
    let library = place.join("ringdown/src/lib.rs");
    let with_switch = crate::mutants::text(&library)? + LIBRARY;
    crate::mutants::write(&library, &with_switch)?;
    loop {
        for (file, text) in &files {
            let here: Vec<(usize, &Change)> =
                in_build.iter().filter(|(_, change)| change.file == *file).map(|(k, change)| (*k, *change)).collect();
            crate::mutants::write(&place.join(file), &switched(text, &here))?;
        }
        let check = ["check", "--package", "ringdown", "--lib", "--message-format=json", "--quiet"];
        let said = cargo().args(check).output().map_err(|e| e.to_string())?;
        if said.status.success() {
            break;
        }
        let before = in_build.len();
        for line in String::from_utf8_lossy(&said.stdout).lines() {
            for (file, line) in errors(line) {
                let text = crate::mutants::text(&place.join(&file))?;
                for (number, within) in blamed(&text, line) {
                    let Some(change) = in_build.remove(&number) else { continue };
                    if within {
                        outcomes.not_compiled.push(&change.name);
                    } else {
                        alone.push(change);
                    }
                }
            }
        }
        if in_build.len() == before {
            return Err(format!("changes built together: {}", String::from_utf8_lossy(&said.stderr)));
        }
    }
    let mut baseline = Vec::new();
    for program in programs(&cargo)?.ok_or("the checks do not build")? {
        let (mut runs, begun) = (0, Instant::now());
        // A check drawn by chance that fails now and then would notice every change.
        while runs == 0 || runs < BASELINES && begun.elapsed() < LONG {
            if run(&program, 0, Duration::from_secs(3600))? != Outcome::Missed {
                return Err(format!("{} fails without any change", program.path.display()));
            }
            runs += 1;
        }
        baseline.push((begun.elapsed() / runs, program));
    }
    // The slow ones run for what the quick ones let live.
    baseline.sort_by_key(|(time, _)| *time);
    let whole: Duration = baseline.iter().map(|(time, _)| *time).sum();
    let each: String = baseline.iter().map(|(time, _)| format!(" {:.1}", time.as_secs_f64())).collect();
    println!("{} changes in one build, its checks take {:.1} s:{each}", in_build.len(), whole.as_secs_f64());
    let late = || until.is_some_and(|until| Instant::now() > until);
    for (number, change) in &in_build {
        if late() {
            println!("stopped at the time set, {} of {} tried", outcomes.tried.len(), in_build.len());
            return Ok(outcomes);
        }
        outcomes.take(change, noticed(&baseline, *number)?);
    }
    for (file, text) in &files {
        crate::mutants::write(&place.join(file), text)?;
    }
    println!("{} to be built alone", alone.len());
    for change in alone {
        if late() {
            println!("not tried: {}", change.name);
            continue;
        }
        let (path, text) = (place.join(&change.file), crate::mutants::text(&place.join(&change.file))?);
        let (before, after) = (&text[..change.span.start], &text[change.span.end..]);
        crate::mutants::write(&path, &format!("{before}{}\n{after}", change.replacement))?;
        match programs(&cargo)? {
            Some(_) => outcomes.take(change, noticed(&baseline, 0)?),
            None => outcomes.not_compiled.push(&change.name),
        }
        crate::mutants::write(&path, &text)?;
    }
    Ok(outcomes)
}

/// Runs the programs, each with the time it takes unchanged, until one fails.
fn noticed(baseline: &[(Duration, Program)], number: usize) -> Result<Outcome, String> {
    for (time, program) in baseline {
        // A change that makes its checks three times as slow is noticed as one that hangs.
        match run(program, number, (3 * *time).max(Duration::from_secs(10)))? {
            Outcome::Missed => {}
            outcome => return Ok(outcome),
        }
    }
    Ok(Outcome::Missed)
}

/// `text` with every function that is changed holding its changes beside what it was.
fn switched(text: &str, changes: &[(usize, &Change)]) -> String {
    let mut bodies: Vec<Range<usize>> = changes.iter().filter_map(|(_, change)| change.body.clone()).collect();
    bodies.sort_by_key(|body| (body.start, usize::MAX - body.end));
    // Of functions within functions the outermost.
    let mut outer: Vec<Range<usize>> = Vec::new();
    for body in bodies {
        if outer.last().is_none_or(|last| body.start >= last.end) {
            outer.push(body);
        }
    }
    let (mut out, mut at) = (String::with_capacity(2 * text.len()), 0);
    for body in outer {
        let here = || changes.iter().filter(|(_, change)| body.contains(&change.span.start));
        let numbers: String = here().map(|(number, _)| format!("{number} ")).collect();
        out += &text[at..body.start];
        out += "{\n";
        for (number, change) in here() {
            let (before, after) = (&text[body.start..change.span.start], &text[change.span.end..body.end]);
            out += &format!("{MARK}all {numbers}\nif crate::change_runs({number}) {{\n{MARK}{number}\n");
            out += &format!("{before}{}\n{after}\n{MARK}all {numbers}\n}} else\n", change.replacement);
        }
        out += &format!("{{\n{}\n{MARK}all {numbers}\n}}\n{MARK}end\n}}", &text[body.clone()]);
        at = body.end;
    }
    out + &text[at..]
}

/// File and line of what the compiler refuses in one message.
fn errors(message: &str) -> Vec<(String, usize)> {
    let Ok(message) = serde_json::from_str::<Value>(message) else { return Vec::new() };
    let said = &message["message"];
    if message["reason"] != "compiler-message" || said["level"] != "error" {
        return Vec::new();
    }
    let spans = said["spans"].as_array().into_iter().flatten().filter(|span| span["is_primary"] == true);
    spans
        .filter_map(|span| {
            // What a macro refuses is refused where it is called.
            let mut span = span;
            while !span["expansion"].is_null() {
                span = &span["expansion"]["span"];
            }
            Some((span["file_name"].as_str()?.to_owned(), span["line_start"].as_u64()? as usize))
        })
        .collect()
}

/// Changes to blame for an error at `line`: the one it stands in, or all of the function it stands in.
fn blamed(text: &str, line: usize) -> Vec<(usize, bool)> {
    let before: Vec<&str> = text.lines().take(line).collect();
    let Some(mark) = before.iter().rev().find_map(|line| line.strip_prefix(MARK)) else { return Vec::new() };
    match mark.strip_prefix("all ") {
        Some(all) => all.split_whitespace().filter_map(|number| number.parse().ok()).map(|k| (k, false)).collect(),
        None => mark.trim().parse().ok().map(|number| (number, true)).into_iter().collect(),
    }
}

/// A program of checks.
struct Program {
    path: PathBuf,
    folder: PathBuf,
}

/// Built as the sources stand; none when they do not compile.
fn programs(cargo: &impl Fn() -> Command) -> Result<Option<Vec<Program>>, String> {
    let mut command = cargo();
    command.args(["test", "--quiet", "--workspace", "--tests", "--no-run", "--message-format=json"]);
    let said = command.output().map_err(|error| error.to_string())?;
    if !said.status.success() {
        return Ok(None);
    }
    let text = String::from_utf8_lossy(&said.stdout);
    let messages = text.lines().filter_map(|line| serde_json::from_str::<Value>(line).ok());
    let program = |message: Value| {
        let path = PathBuf::from(message["executable"].as_str()?);
        let folder = Path::new(message["manifest_path"].as_str()?).parent()?.to_owned();
        Some(Program { path, folder })
    };
    Ok(Some(messages.filter_map(program).collect()))
}

/// Runs a program until its first check fails. The time counts while we run, so that a pause of all is none.
fn run(program: &Program, number: usize, most: Duration) -> Result<Outcome, String> {
    let step = Duration::from_millis(10);
    let mut command = Command::new("sh");
    command.args(["-c", &format!("ulimit -v {MOST_MEMORY}; exec \"$0\"")]).arg(&program.path);
    command.current_dir(&program.folder).env("CARGO_MANIFEST_DIR", &program.folder).env(VARIABLE, number.to_string());
    // What one check found is enough, and a shrunk example is nobody's.
    command.env("PROPTEST_MAX_SHRINK_ITERS", "0").env("PROPTEST_FAILURE_PERSISTENCE", "off");
    command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::null());
    let mut child = command.spawn().map_err(|error| format!("{}: {error}", program.path.display()))?;
    let out = child.stdout.take().ok_or("no output")?;
    let (failed, heard) = std::sync::mpsc::channel();
    let listener = std::thread::spawn(move || {
        for line in BufReader::new(out).split(b'\n').map_while(Result::ok) {
            if line.ends_with(b"FAILED") {
                let _ = failed.send(()); // nobody listens once the program has ended
            }
        }
    });
    let mut waited = Duration::ZERO;
    let outcome = loop {
        if let Some(status) = child.try_wait().map_err(|error| error.to_string())? {
            break if status.success() { Outcome::Missed } else { Outcome::Noticed };
        }
        if heard.try_recv().is_ok() {
            break Outcome::Noticed;
        }
        if waited > most {
            break Outcome::Hung;
        }
        std::thread::sleep(step);
        waited += step;
    };
    let _ = child.kill(); // it may have ended by itself
    let _ = child.wait();
    let _ = listener.join();
    Ok(outcome)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_function_holds_its_changes_beside_what_it_was() {
        let text = "fn sum(ä: u8) -> u8 {\n    ä + 1\n}\nfn other() {}\n";
        let list = serde_json::json!({
            "function": { "function_name": "sum", "span": { "start": { "line": 1, "column": 1 }, "end": { "line": 3, "column": 2 } } },
            "span": { "start": { "line": 2, "column": 7 }, "end": { "line": 2, "column": 8 } },
        });
        let body = body_of(text, &list["function"]);
        let span = bytes_of(text, &list["span"]).unwrap_or_default();
        assert_eq!((&text[span.clone()], body.clone().map(|body| &text[body])), ("+", Some("{\n    ä + 1\n}")));
        let change = Change { name: String::new(), file: String::new(), span, replacement: "-".to_owned(), body };
        let out = switched(text, &[(7, &change)]);
        assert!(
            out.contains("    ä -\n 1\n") && out.contains("    ä + 1\n") && out.ends_with("fn other() {}\n"),
            "{out}"
        );
        let line = |part: &str| 1 + out.lines().position(|line| line.contains(part)).unwrap_or_default();
        assert_eq!(blamed(&out, line("ä -")), [(7, true)]);
        assert_eq!(blamed(&out, line("change_runs")), [(7, false)]);
        assert_eq!(blamed(&out, line("other")), []);
    }
}
