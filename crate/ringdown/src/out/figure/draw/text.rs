//! Words: how wide they are, how they break, and what of a stranger's text may stand in a picture.

/// Advance widths of U+0020..=U+007E in thousandths of the size, from the `hmtx` table of DejaVu Sans 2.37, the
/// widest of the page's usual fonts: labels set apart by it stay apart in any of them.
const ASCII: [u16; 95] = [
    318, 401, 460, 838, 636, 950, 780, 275, 390, 390, 500, 838, 318, 361, 318, 337, 636, 636, 636, 636, 636, 636, 636,
    636, 636, 636, 337, 337, 838, 838, 838, 531, 1000, 684, 686, 698, 770, 632, 575, 775, 752, 295, 295, 656, 557, 863,
    748, 787, 603, 787, 695, 635, 611, 732, 684, 989, 685, 611, 685, 390, 337, 390, 838, 500, 500, 613, 635, 550, 635,
    615, 352, 635, 634, 278, 278, 579, 278, 974, 634, 612, 635, 635, 411, 521, 392, 634, 592, 818, 592, 592, 525, 636,
    337, 636, 838,
];

/// Width of `text` set at `size`, in the unit of `size`. Thin spaces 0.2, minus and times 0.838 (same source);
/// other signs count as a full em, which none of the usual scripts exceeds.
pub fn width(text: &str, size: f64) -> f64 {
    text.chars().map(advance).sum::<f64>() * size / 1000.0
}

fn advance(sign: char) -> f64 {
    match sign {
        ' '..='~' => {
            (sign as usize).checked_sub(0x20).and_then(|at| ASCII.get(at)).map_or(1000.0, |wide| f64::from(*wide))
        }
        '\u{2009}' | '\u{202f}' => 200.0,
        '\u{a0}' | '\u{b7}' => 318.0,
        '\u{b0}' => 500.0,
        '\u{b2}' | '\u{b3}' | '\u{b9}' | '\u{2070}'..='\u{2079}' => 401.0,
        '\u{207b}' => 528.0,
        '\u{2212}' | '\u{d7}' => 838.0,
        '\u{c0}'..='\u{24f}' | '\u{370}'..='\u{3ff}' => 800.0,
        _ => 1000.0,
    }
}

/// `text` as it may be drawn: names come from strangers' files. Control signs, signs that turn the direction of
/// writing and line breaks become spaces; what is longer than 160 signs is cut with an ellipsis.
pub fn clean(text: &str) -> String {
    let mut out: String = text.chars().map(|sign| if drawable(sign) { sign } else { ' ' }).take(160).collect();
    if text.chars().nth(160).is_some() {
        out.push('\u{2026}');
    }
    out.trim().to_string()
}

fn drawable(sign: char) -> bool {
    let turns =
        matches!(sign, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}');
    let none = matches!(sign, '\u{fffe}' | '\u{ffff}');
    !sign.is_control() && !turns && !none
}

/// `text` cut to `room` at `size`, an ellipsis in place of the rest.
pub fn fitted(text: &str, size: f64, room: f64) -> String {
    if width(text, size) <= room {
        return text.to_string();
    }
    let mut left = room - width("\u{2026}", size);
    let kept = text.chars().take_while(|sign| {
        left -= advance(*sign) * size / 1000.0;
        left >= 0.0
    });
    let kept: String = kept.collect();
    format!("{}\u{2026}", kept.trim_end())
}

/// `text` broken at spaces into at most three lines no wider than `room`.
pub fn broken(text: &str, size: f64, room: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in clean(text).split(' ').filter(|word| !word.is_empty()) {
        let full = lines.len() == 3;
        match lines.last_mut() {
            Some(line) if full || width(line, size) + width(" ", size) + width(word, size) <= room => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_string()),
        }
    }
    lines.iter().map(|line| fitted(line, size, room)).collect()
}
