//! Column heads: name, unit, and the sensor or cylinder a name speaks of.

use super::log::Of;

/// Units as loggers write them, lower case, without brackets (common practice, no source).
const UNITS: [&str; 109] = [
    "rpm",
    "1/min",
    "u/min",
    "min-1",
    "min^-1",
    "tr/min",
    "rev/min",
    "r/min",
    "giri/min",
    "krpm",
    "rpm x1000",
    "1/s",
    "rps",
    "hz",
    "khz",
    "rad/s",
    "v",
    "mv",
    "uv",
    "µv",
    "volt",
    "volts",
    "a",
    "ma",
    "ohm",
    "kohm",
    "%",
    "pct",
    "percent",
    "s",
    "ms",
    "us",
    "µs",
    "μs",
    "ns",
    "sec",
    "secs",
    "second",
    "seconds",
    "sek",
    "min",
    "h",
    "hh:mm:ss",
    "hh:mm:ss.fff",
    "hh:mm:ss.sss",
    "mm:ss.fff",
    "mm:ss.0",
    "kpa",
    "hpa",
    "mpa",
    "pa",
    "bar",
    "mbar",
    "psi",
    "psia",
    "psig",
    "inhg",
    "mmhg",
    "atm",
    "deg",
    "degree",
    "degrees",
    "grad",
    "°",
    "º",
    "°c",
    "ºc",
    "degc",
    "deg c",
    "c",
    "celsius",
    "°f",
    "ºf",
    "degf",
    "deg f",
    "f",
    "k",
    "kelvin",
    "°ca",
    "degca",
    "deg ca",
    "°crk",
    "°kw",
    "kw°",
    "grad kw",
    "°btdc",
    "deg btdc",
    "btdc",
    "°v",
    "db",
    "km/h",
    "kmh",
    "mph",
    "m/s",
    "g",
    "kg/h",
    "g/s",
    "mg",
    "mg/stk",
    "mg/str",
    "mg/hub",
    "g/rev",
    "g/cyl",
    "nm",
    "lambda",
    "afr",
    "raw",
    "counts",
    "bits",
];

/// Whether a text is a unit, with or without brackets.
pub(super) fn is_unit(text: &str) -> bool {
    let inner = without_brackets(text).to_lowercase();
    UNITS.contains(&inner.as_str()) || matches!(inner.as_str(), "λ" | "0/1" | "on/off" | "bool" | "v/v" | "adc" | "lsb")
}

/// Lower case without brackets; "deg before TDC", "°KW v. OT" and their like all become "°kw".
pub(super) fn plain_unit(unit: &str) -> String {
    let lower = without_brackets(unit).to_lowercase();
    let crank = ["°kw", "° kw", "kw°", "grad kw", "°ca", "° ca", "°crk", "deg b", "deg a", "°b", "°v"];
    let unlisted = !UNITS.contains(&lower.as_str());
    if unlisted && crank.iter().any(|start| lower.starts_with(start)) { "°kw".to_owned() } else { lower }
}

/// Whether a cell could stand in a row of units: a unit, nothing, a dash, or anything short in brackets.
pub(super) fn fits_unit_row(text: &str) -> bool {
    let text = text.trim();
    let bracketed = text.chars().count() <= 14 && without_brackets(text).len() < text.len();
    text.is_empty() || bracketed || matches!(text, "-" | "--" | "1" | "none" | "#" | "text" | "[]") || is_unit(text)
}

/// The text inside one pair of brackets, else the text.
pub(super) fn without_brackets(text: &str) -> &str {
    let text = text.trim();
    let pair = |open, close| text.strip_prefix(open).and_then(|rest| rest.strip_suffix(close));
    pair('[', ']')
        .or_else(|| pair('(', ')'))
        .or_else(|| pair('{', '}'))
        .or_else(|| pair('<', '>'))
        .unwrap_or(text)
        .trim()
}

/// Name and unit of a head like "Speed [rpm]", "Speed (1/min)", "Speed,rpm", "Speed / rpm", "Speed in rpm", "speed_rpm".
pub(super) fn split(head: &str) -> (String, Option<String>) {
    let head = head.trim().trim_matches('\u{feff}').trim();
    for (open, close) in [('[', ']'), ('(', ')'), ('{', '}'), ('<', '>')] {
        if let Some((name, unit)) = head.strip_suffix(close).and_then(|rest| rest.rsplit_once(open))
            && (is_unit(unit) || (open == '[' && is_short_unit(unit)))
        {
            return (name.trim_end_matches(['_', ' ']).to_owned(), some(unit));
        }
    }
    for mark in [",", " / ", " in ", ";", ":", " - ", "|"] {
        if let Some((name, unit)) = head.rsplit_once(mark)
            && is_unit(unit)
            && !name.trim().is_empty()
        {
            return (name.trim().trim_end_matches(',').trim().to_owned(), some(without_brackets(unit)));
        }
    }
    // an underscore may as well be part of the name: the name stays whole
    let unit = head.rsplit_once('_').filter(|(name, unit)| unit.len() > 1 || fits_one_letter(name, unit));
    (head.to_owned(), unit.map(|(_, unit)| unit).filter(|unit| is_unit(unit)).map(str::to_owned))
}

/// Whether a single letter behind an underscore is a unit: "time_s", "knock_V", and "ect_f", but not "bank_c".
fn fits_one_letter(name: &str, unit: &str) -> bool {
    let name = name.to_lowercase();
    let is_temperature =
        || ["temp", "temperature", "ect", "clt", "cht", "iat", "act"].iter().any(|w| name.ends_with(w));
    matches!(unit, "s" | "V") || (matches!(unit, "c" | "C" | "f" | "F" | "k" | "K") && is_temperature())
}

fn some(unit: &str) -> Option<String> {
    Some(unit.trim().to_owned()).filter(|unit| !unit.is_empty() && unit != "-")
}

/// Anything of a few letters in square brackets that is no number and no cylinder.
fn is_short_unit(text: &str) -> bool {
    let lower = text.to_lowercase();
    let named = ["cyl", "zyl", "cil", "bank", "sensor"].iter().any(|word| lower.contains(word));
    text.chars().count() <= 12 && !named && !text.trim().chars().all(|c| c.is_ascii_digit())
}

/// Lower case without accents, letters and digits apart, words parted by single blanks.
pub(super) fn plain_words(name: &str) -> String {
    let mut out = String::with_capacity(name.len() + 4);
    let mut before = ' ';
    for c in name.chars().take(200) {
        let parted = (c.is_ascii_digit() != before.is_ascii_digit() && before.is_alphanumeric())
            || (c.is_uppercase() && before.is_lowercase());
        if (parted || !c.is_alphanumeric()) && !out.ends_with(' ') {
            out.push(' ');
        }
        if c.is_alphanumeric() {
            c.to_lowercase().for_each(|c| push_without_accent(c, &mut out));
        }
        before = c;
    }
    out.trim().to_owned()
}

fn push_without_accent(c: char, out: &mut String) {
    match c {
        'ä' => out.push_str("ae"),
        'ö' => out.push_str("oe"),
        'ü' => out.push_str("ue"),
        'ß' => out.push_str("ss"),
        'à' | 'á' | 'â' | 'ã' => out.push('a'),
        'é' | 'è' | 'ê' | 'ë' => out.push('e'),
        'í' | 'î' | 'ï' => out.push('i'),
        'ó' | 'ô' => out.push('o'),
        'ú' | 'û' | 'ù' => out.push('u'),
        'ç' => out.push('c'),
        'ñ' => out.push('n'),
        c => out.push(c),
    }
}

/// The sensor or cylinder a name speaks of: "knock level cyl 3", "Klopfsensor 2", "KS1 volts".
pub(super) fn of(name: &str) -> Option<Of> {
    let words = plain_words(name);
    let words: Vec<&str> = words.split(' ').collect();
    let number_after = |k: usize| {
        words.get(k + 1).and_then(|w| number(w)).or_else(|| {
            let filler =
                words.get(k + 1).is_some_and(|w| matches!(*w, "no" | "nr" | "n" | "num" | "number" | "nummer"));
            filler.then(|| words.get(k + 2).and_then(|w| number(w))).flatten()
        })
    };
    for (k, word) in words.iter().enumerate() {
        if is_cylinder_word(word) {
            let before =
                k.checked_sub(1).and_then(|k| words.get(k)).and_then(|w| number(w.trim_end_matches(['e', '.'])));
            if let Some(cylinder) = number_after(k).or(before).filter(|c| *c <= 16) {
                return Some(Of::Cylinder(cylinder));
            }
        }
    }
    let sensor_word = |word: &str| {
        matches!(word, "ks" | "sensor" | "capteur" | "bank" | "banc" | "bancada" | "channel" | "kanal" | "canal" | "ch")
            || word.ends_with("sensor")
    };
    let told = words.iter().enumerate().filter(|(_, word)| sensor_word(word)).find_map(|(k, _)| number_after(k));
    let lone = || {
        let knock =
            words.iter().any(|word| ["knock", "klopf", "cliquet", "detona", "picado"].iter().any(|k| word.contains(k)));
        let numbers: Vec<u16> = words.iter().filter_map(|word| number(word)).collect();
        numbers.first().copied().filter(|_| knock && numbers.len() == 1)
    };
    told.or_else(lone).filter(|sensor| *sensor <= 32).map(Of::Sensor)
}

fn number(word: &str) -> Option<u16> {
    word.parse().ok().filter(|number| (1..=32).contains(number))
}

fn is_cylinder_word(word: &str) -> bool {
    matches!(word, "cyl" | "zyl" | "cil" | "cy" | "zyls" | "cyls")
        || ["cylind", "zylind", "cilind"].iter().any(|stem| word.contains(stem))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_row_of_units_holds_units_nothings_and_short_brackets() {
        for text in
            ["rpm", "1/min", "°KW", "", " ", "-", "--", "1", "none", "#", "text", "[]", "[xyzzy]", "(adc counts 1)"]
        {
            assert!(fits_unit_row(text), "{text}");
        }
        for text in ["Speed", "12", "(adc counts 12)", "---", "no unit"] {
            assert!(!fits_unit_row(text), "{text}");
        }
    }

    #[test]
    fn units_are_found_wherever_loggers_put_them() {
        let heads = [
            ("Speed [rpm]", "Speed", Some("rpm")),
            ("Speed (1/min)", "Speed", Some("1/min")),
            ("Speed,rpm", "Speed", Some("rpm")),
            ("Drehzahl in U/min", "Drehzahl", Some("U/min")),
            ("engine_rpm", "engine_rpm", Some("rpm")),
            ("ect_f", "ect_f", Some("f")),
            ("oil_temp_C", "oil_temp_C", Some("C")),
            ("bank_c", "bank_c", None),
            ("Knock (cyl 3)", "Knock (cyl 3)", None),
            ("Knock [cyl 3] [V]", "Knock [cyl 3]", Some("V")),
            ("Time", "Time", None),
            ("Luft [mg/Hub]", "Luft", Some("mg/Hub")),
        ];
        for (head, name, unit) in heads {
            assert_eq!(split(head), (name.to_owned(), unit.map(str::to_owned)), "{head}");
        }
    }

    #[test]
    fn names_tell_their_sensor_or_cylinder() {
        let names = [
            ("knock level cyl 3", Some(Of::Cylinder(3))),
            ("Klopfsensor 2", Some(Of::Sensor(2))),
            ("KS1 volts", Some(Of::Sensor(1))),
            ("Klopfpegel Zyl. 4", Some(Of::Cylinder(4))),
            ("knockCyl12", Some(Of::Cylinder(12))),
            ("Cliquetis cylindre n° 2", Some(Of::Cylinder(2))),
            ("Knock 2", Some(Of::Sensor(2))),
            ("Throttle 2", None),
            ("Speed", None),
        ];
        for (name, expected) in names {
            assert_eq!(of(name), expected, "{name}");
        }
    }
}
