//! Sentences: every text the tool says comes from `text/<language>.json`, for page and native twin alike.

use super::speech;
use crate::read::log::nameless;

/// The sentence of `key` with each `{name}` replaced. A key that is not in the table is returned as it is (a test
/// keeps that from happening).
pub fn say(key: &str, values: &[(&str, String)]) -> String {
    let template = speech::template(key).unwrap_or_else(|| key.to_owned());
    let mut sentence = String::with_capacity(template.len() + 32);
    let mut rest = template.as_str();
    while let Some(open) = rest.find('{') {
        let Some(length) = rest[open..].find('}') else { break };
        let name = &rest[open + 1..open + length];
        sentence.push_str(&rest[..open]);
        match values.iter().find(|(known, _)| *known == name) {
            Some((_, value)) => sentence.push_str(value),
            None => sentence.push_str(&rest[open..=open + length]),
        }
        rest = &rest[open + length + 1..];
    }
    sentence + rest
}

/// A text without values.
pub fn text(key: &str) -> String {
    say(key, &[])
}

/// A number with `digits` decimals, thousands parted by a thin space that does not break the line, and a true minus.
pub fn number(value: f64, digits: usize) -> String {
    if !value.is_finite() {
        return "–".into();
    }
    let plain = format!("{:.*}", digits, value.abs());
    let (whole, fraction) = plain.split_once('.').unwrap_or((&plain, ""));
    let negative = value < 0.0 && plain.bytes().any(|byte| byte.is_ascii_digit() && byte != b'0');
    let mut out = String::from(if negative { "\u{2212}" } else { "" });
    for (index, digit) in whole.chars().enumerate() {
        if index > 0 && (whole.len() - index).is_multiple_of(3) && whole.len() > 3 {
            out.push('\u{202f}');
        }
        out.push(digit);
    }
    if !fraction.is_empty() {
        out.push(speech::decimal_mark());
        out.push_str(fraction);
    }
    out
}

/// Decibels, one decimal, without the unit.
pub fn db(value: f64) -> String {
    number(value, 1)
}

/// Hertz as kHz with two decimals below 10 kHz, one above, without the unit.
pub fn khz(hz: f64) -> String {
    number(hz / 1000.0, if hz < 9995.0 { 2 } else { 1 })
}

/// A share as per cent: no more digits than it has.
pub fn percent(share: f64) -> String {
    let value = 100.0 * share;
    number(
        value,
        if value == 0.0 || (10.0..=90.0).contains(&value) || value >= 99.95 {
            0
        } else if value < 0.1 {
            2
        } else {
            1
        },
    )
}

/// A length of time: seconds, or minutes from two on.
pub fn duration(seconds: f64) -> String {
    if seconds < 120.0 {
        format!("{} s", number(seconds, if seconds < 10.0 { 1 } else { 0 }))
    } else {
        format!("{} min", number(seconds / 60.0, 1))
    }
}

/// "1 in 1 000".
pub fn one_in(share: f64) -> String {
    say("one.in", &[("n", number((1.0 / share).round(), 0))])
}

/// "1, 2 and 3".
pub fn list(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [one] => one.clone(),
        [most @ .., last] => format!("{} {} {last}", most.join(", "), text("and")),
    }
}

/// A log's column as a reader is told of it: by its own name, or by its number.
pub fn column_name(name: &str) -> String {
    nameless(name).map_or_else(|| name.to_owned(), |n| say("log.column", &[("n", n.to_string())]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_part_thousands_and_carry_a_true_minus() {
        assert_eq!(number(-12345.67, 1), "\u{2212}12\u{202f}345.7");
        assert_eq!(number(-0.04, 1), "0.0");
        assert_eq!(number(999.0, 0), "999");
    }

    #[test]
    fn every_key_said_in_the_source_is_in_the_table() {
        let mut stack = vec![std::path::PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/src/out"))];
        let mut seen = 0;
        while let Some(path) = stack.pop() {
            if path.is_dir() {
                stack.extend(std::fs::read_dir(&path).unwrap().map(|entry| entry.unwrap().path()));
                continue;
            }
            let source = std::fs::read_to_string(&path).unwrap();
            for call in ["say(\"", "text(\""] {
                for piece in source.split(call).skip(1) {
                    let key = piece.split('"').next().unwrap();
                    if key.starts_with("{") || path.ends_with("words.rs") {
                        continue;
                    }
                    seen += 1;
                    assert!(speech::english().contains_key(key), "{}: no text for {key}", path.display());
                }
            }
        }
        assert!(seen > 40, "only {seen} keys found: the scan is broken");
    }
}
