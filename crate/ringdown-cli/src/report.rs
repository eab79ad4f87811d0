//! What goes to standard output and to files.

use ringdown::card::Card;
use ringdown::out::{result, section, table};
use serde_json::Value;
use std::io::Write;
use std::path::Path;

/// What is in each file, as text, and as JSON where asked for.
pub fn inspect(card: &Card, json: Option<&Path>) -> Result<(), String> {
    let all = result::files(card);
    if let Some(out) = json {
        write(out, &pretty(&all))?;
        if out == Path::new("-") {
            return Ok(());
        }
    }
    let mut text = String::new();
    for file in all["files"].as_array().into_iter().flatten() {
        text += &describe(file);
    }
    write(Path::new("-"), &text)
}

fn describe(file: &Value) -> String {
    let word = |key: &str| file[key].as_str().unwrap_or("-").to_owned();
    let mut text = format!("{}: {}, {} bytes, SHA-256 {}\n", word("name"), word("kind"), file["bytes"], word("sha256"));
    if let Some(seconds) = file["duration_s"].as_f64() {
        text += &format!("  {seconds:.3} s, role {}\n", word("role"));
    }
    for channel in file["channels"].as_array().into_iter().flatten() {
        let shown = |key: &str| match &channel[key] {
            Value::Null => "-".into(),
            Value::String(text) => text.clone(),
            Value::Number(number) => {
                number.as_f64().map_or_else(String::new, |value| format!("{}", (value * 1e6).round() / 1e6))
            }
            other => other.to_string(),
        };
        text += &format!(
            "  {:>3} {} [{}]: {} ({}); {} Hz, {} samples, {} missing, min {}, max {}, mean {}\n",
            shown("channel"),
            shown("name"),
            shown("unit"),
            shown("role"),
            shown("reason"),
            shown("rate_hz"),
            shown("samples"),
            shown("missing"),
            shown("min"),
            shown("max"),
            shown("mean"),
        );
    }
    for note in file["notes"].as_array().into_iter().flatten().filter_map(Value::as_str) {
        text += &format!("  note: {note}\n");
    }
    text
}

/// The whole card: JSON and limits where asked for, else the findings as text.
pub fn analyse(card: &Card, json: Option<&Path>, limits: Option<&Path>) -> Result<(), String> {
    if let Some(out) = json {
        write(out, &pretty(&result::result(card)))?;
    }
    if let Some(out) = limits {
        write(out, &table::limits_csv(card, table::Layout::default()))?;
    }
    let to_stdout = |out: Option<&Path>| out == Some(Path::new("-"));
    if to_stdout(json) || to_stdout(limits) {
        return Ok(());
    }
    write(Path::new("-"), &section::summary_text(card))
}

/// Section 10: JSON of the whole card where asked for, else its sentence, to-dos and tables.
pub fn compare(card: &Card, json: Option<&Path>) -> Result<(), String> {
    if let Some(out) = json {
        write(out, &pretty(&result::result(card)))?;
        if out == Path::new("-") {
            return Ok(());
        }
    }
    let Some(view) = section::view(card, 10) else { return Ok(()) };
    let mut text = format!("{}\n", view.finding);
    view.todo.iter().for_each(|act| text += &format!("- {act}\n"));
    for table in &view.tables {
        text += &format!("\n{}\n{}\n", table.caption, table.columns.join("\t"));
        for row in &table.rows {
            let cells: Vec<&str> = row.cells.iter().map(|cell| cell.text.as_str()).collect();
            text += &format!("{}\n", cells.join("\t"));
        }
    }
    write(Path::new("-"), &text)
}

fn pretty(value: &Value) -> String {
    serde_json::to_string_pretty(value).unwrap_or_default() + "\n"
}

fn write(out: &Path, text: &str) -> Result<(), String> {
    let result = if out == Path::new("-") {
        match std::io::stdout().lock().write_all(text.as_bytes()) {
            // A reader that has seen enough (head, less) is no fault.
            Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => Ok(()),
            other => other,
        }
    } else {
        std::fs::write(out, text)
    };
    result
        .map_err(|error| format!("{}: could not be written ({error}); choose a place you may write to", out.display()))
}
