//! Broken files made from valid ones: cut short, bits flipped, sizes in headers made lies, pieces swapped, doubled or
//! replaced by junk, words and numbers of texts made nonsense. The same seed gives the same files.

#![allow(clippy::ptr_arg)] // blows stand in one list and so have one type, whether they change the length or not

use std::path::{Path, PathBuf};

/// A file by name and content.
#[derive(Debug, Clone)]
pub struct Whole {
    /// Where it comes from; the ending tells a reader of a failure what it was.
    pub name: String,
    /// Its bytes.
    pub bytes: Vec<u8>,
}

/// Files longer than this are broken as a shorter piece: the damage matters, not the length.
const MOST_BYTES: usize = 60_000;
/// Never longer than this after the damage.
const MOST_BROKEN_BYTES: usize = 4 * MOST_BYTES;
/// Not data for a reader.
const NOT_DATA: [&str; 5] = ["md", "py", "txt", "r", ""];

/// xorshift64 (G. Marsaglia, J. Stat. Softw. 8 (2003) 14).
pub struct Draw(u64);

impl Draw {
    /// The same numbers for the same seed.
    pub fn new(seed: u64) -> Self {
        let mut draw = Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
        (0..16).for_each(|_| _ = draw.word());
        draw
    }

    fn word(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 >> 16
    }

    /// A whole number below `end`; 0 when `end` is 0.
    pub fn below(&mut self, end: usize) -> usize {
        (self.word() % (end.max(1) as u64)) as usize
    }

    fn byte(&mut self) -> u8 {
        self.below(256) as u8
    }

    fn one_of<T: Copy>(&mut self, from: &[T]) -> T {
        from[self.below(from.len())]
    }
}

/// Every valid file at hand: published awkward ones, each dialect of logs, the demo's. Sorted by name.
pub fn whole_files() -> Vec<Whole> {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut files = Vec::new();
    walk(&here.join("vectors").join("open-data"), &mut files);
    walk(&here.join("..").join("demo-logs"), &mut files);
    files.extend(dialects());
    files.sort_by(|a, b| a.name.cmp(&b.name));
    files
}

fn walk(folder: &Path, files: &mut Vec<Whole>) {
    let entries = std::fs::read_dir(folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display()));
    let mut paths: Vec<PathBuf> = entries.map(|entry| entry.expect("a folder is listed").path()).collect();
    paths.sort();
    for path in paths {
        let extension = path.extension().map_or_else(String::new, |e| e.to_string_lossy().to_lowercase());
        if path.is_dir() {
            walk(&path, files);
        } else if !NOT_DATA.contains(&extension.as_str()) {
            let name = path.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned());
            let bytes = std::fs::read(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
            files.push(Whole { name, bytes: shortened(bytes) });
        }
    }
}

/// The start of a long file, whole frames of a WAV whose sizes are made true again.
fn shortened(mut bytes: Vec<u8>) -> Vec<u8> {
    if bytes.len() <= MOST_BYTES {
        return bytes;
    }
    let data = bytes.windows(4).take(200).position(|four| four == b"data").filter(|_| bytes.starts_with(b"RIFF"));
    bytes.truncate(data.map_or(MOST_BYTES, |at| at + 8 + (MOST_BYTES - at - 8) / 8 * 8));
    if let Some(at) = data {
        let (file, data) = (bytes.len() as u32 - 8, (bytes.len() - at - 8) as u32);
        bytes[4..8].copy_from_slice(&file.to_le_bytes());
        bytes[at + 4..at + 8].copy_from_slice(&data.to_le_bytes());
    } else if let Some(end) = bytes.iter().rposition(|byte| *byte == b'\n') {
        bytes.truncate(end + 1);
    }
    bytes
}

fn dialects() -> Vec<Whole> {
    let cases = crate::vector("log_dialects");
    let cases = cases["cases"].as_array().expect("dialects are a list").iter();
    cases
        .enumerate()
        .map(|(k, case)| Whole {
            name: format!("dialect-{k}.csv"),
            bytes: crate::from_base64(case["base64"].as_str().expect("a dialect has its bytes")),
        })
        .collect()
}

/// `whole` after one to three blows, and what was done to it.
pub fn broken(draw: &mut Draw, whole: &[u8]) -> (Vec<u8>, String) {
    let mut bytes = whole.to_vec();
    let mut done = Vec::new();
    for _ in 0..1 + draw.below(3) {
        let is_text = bytes.iter().take(200).all(|byte| *byte >= b'\t' && *byte < 0x80);
        let blow = if is_text { draw.one_of(TO_TEXT) } else { draw.one_of(TO_BINARY) };
        done.push((blow.0, bytes.len()));
        (blow.1)(draw, &mut bytes);
        bytes.truncate(MOST_BROKEN_BYTES);
    }
    let said = done.iter().map(|(name, length)| format!("{name} of {length} bytes"));
    (bytes, said.collect::<Vec<_>>().join(", "))
}

type Blow = (&'static str, fn(&mut Draw, &mut Vec<u8>));

const TO_BINARY: &[Blow] = &[
    ("cut", cut),
    ("bits flipped", flip),
    ("header bytes", header_bytes),
    ("header word", header_word),
    ("header word", header_word),
    ("chunk size", chunk_size),
    ("chunk size", chunk_size),
    ("swap", swap),
    ("junk", junk),
    ("removed", remove),
    ("doubled", double),
    ("bytes of a word turned", turn),
    ("samples made extreme", extreme),
];

const TO_TEXT: &[Blow] = &[
    ("cut", cut),
    ("bits flipped", flip),
    ("swap", swap),
    ("junk", junk),
    ("removed", remove),
    ("doubled", double),
    ("number", number),
    ("number", number),
    ("number", number),
    ("mark", mark),
    ("mark", mark),
    ("line", line),
    ("line", line),
    ("script", script),
    ("long cell", long_cell),
];

fn cut(draw: &mut Draw, bytes: &mut Vec<u8>) {
    let keep = draw.below(bytes.len());
    bytes.truncate(keep);
}

fn flip(draw: &mut Draw, bytes: &mut Vec<u8>) {
    for _ in 0..1 + draw.below(20) {
        let at = draw.below(bytes.len());
        let bit = draw.below(8);
        if let Some(byte) = bytes.get_mut(at) {
            *byte ^= 1 << bit;
        }
    }
}

fn header_bytes(draw: &mut Draw, bytes: &mut Vec<u8>) {
    for _ in 0..1 + draw.below(6) {
        let at = draw.below(bytes.len().min(80));
        let new = draw.byte();
        if let Some(byte) = bytes.get_mut(at) {
            *byte = new;
        }
    }
}

/// Sizes that have broken readers before: none, one, a sign's edge, all bits, a little too many.
const LIES: [u64; 12] =
    [0, 1, 2, 7, 0x7FFF, 0xFFFF, 0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FFFE, 0xFFFF_FFFF, 1 << 40, u64::MAX];

fn put_lie(draw: &mut Draw, bytes: &mut [u8], at: usize) {
    let lie = draw.one_of(&LIES).to_le_bytes();
    let width = draw.one_of(&[2, 4, 8]);
    bytes.iter_mut().skip(at).take(width).zip(lie).for_each(|(byte, new)| *byte = new);
}

fn header_word(draw: &mut Draw, bytes: &mut Vec<u8>) {
    let at = draw.below(bytes.len().min(120));
    put_lie(draw, bytes, at);
}

/// A lie after a four-letter name: the size field of most containers.
fn chunk_size(draw: &mut Draw, bytes: &mut Vec<u8>) {
    let is_letter = |byte: &u8| byte.is_ascii_alphanumeric() || *byte == b' ';
    let names: Vec<usize> = bytes
        .windows(4)
        .take(4096)
        .enumerate()
        .filter(|(_, four)| four.iter().all(is_letter))
        .map(|(at, _)| at)
        .collect();
    if let Some(at) = names.get(draw.below(names.len())) {
        let after = if draw.below(4) == 0 { 0 } else { 4 };
        put_lie(draw, bytes, at + after);
    }
}

fn swap(draw: &mut Draw, bytes: &mut Vec<u8>) {
    let length = 1 + draw.below(64.min(bytes.len() / 2).max(1));
    let (a, b) = (draw.below(bytes.len()), draw.below(bytes.len()));
    for k in 0..length {
        if a + k < bytes.len() && b + k < bytes.len() {
            bytes.swap(a + k, b + k);
        }
    }
}

fn junk(draw: &mut Draw, bytes: &mut Vec<u8>) {
    let at = draw.below(bytes.len() + 1);
    let length = draw.one_of(&[1, 3, 16, 300]);
    let new: Vec<u8> = (0..length).map(|_| draw.byte()).collect();
    bytes.splice(at..at, new);
}

fn piece(draw: &mut Draw, bytes: &[u8]) -> std::ops::Range<usize> {
    let from = draw.below(bytes.len());
    from..(from + 1 + draw.below(400)).min(bytes.len())
}

fn remove(draw: &mut Draw, bytes: &mut Vec<u8>) {
    let range = piece(draw, bytes);
    bytes.drain(range);
}

fn double(draw: &mut Draw, bytes: &mut Vec<u8>) {
    let copy = bytes[piece(draw, bytes)].to_vec();
    let at = draw.below(bytes.len() + 1);
    bytes.splice(at..at, copy);
}

fn turn(draw: &mut Draw, bytes: &mut Vec<u8>) {
    let at = draw.below(bytes.len().min(120));
    if let Some(word) = bytes.get_mut(at..at + 4) {
        word.reverse();
    }
}

/// A run of equal or of extreme words among the samples: not a number, infinite, full scale.
fn extreme(draw: &mut Draw, bytes: &mut Vec<u8>) {
    let word =
        draw.one_of(&[f32::NAN.to_bits(), f32::INFINITY.to_bits(), f32::MAX.to_bits(), 0x7FFF_7FFF, 0x8000_8000, 1]);
    let from = draw.below(bytes.len());
    let count = draw.one_of(&[4, 400, MOST_BYTES]);
    let new = word.to_le_bytes();
    bytes.iter_mut().skip(from).take(count).zip(new.iter().cycle()).for_each(|(byte, new)| *byte = *new);
}

const NONSENSE: &[&str] = &[
    "",
    "-",
    "-1",
    "0",
    "1e308",
    "-1e308",
    "1e-320",
    "NaN",
    "inf",
    "null",
    "true",
    "9999999999999999999999",
    "0x10",
    "1,5",
    "1.234.567,8",
    "65536",
    "4294967296",
    "[]",
    "{}",
    "\"\"",
    "=1+1",
    "\u{202E}7",
    "12:61:61",
    "2026-02-30T25:00:00",
];

/// A number of the text replaced by nonsense.
fn number(draw: &mut Draw, bytes: &mut Vec<u8>) {
    let is_part = |byte: u8| byte.is_ascii_digit() || byte == b'.';
    let start = draw.below(bytes.len());
    let Some(from) = (start..bytes.len()).find(|at| is_part(bytes[*at])) else { return };
    let to = (from..bytes.len()).find(|at| !is_part(bytes[*at])).unwrap_or(bytes.len());
    let new = draw.one_of(NONSENSE).bytes();
    bytes.splice(from..to, new);
}

/// Marks that mean something to a reader of texts, each made another, everywhere or once.
fn mark(draw: &mut Draw, bytes: &mut Vec<u8>) {
    const MARKS: &[u8] = b",;\t.:\"'{}[]\n\r \0-=/";
    let (old, new) = (draw.one_of(MARKS), draw.one_of(MARKS));
    let most = draw.one_of(&[1, 5, usize::MAX]);
    let skip = draw.below(bytes.len().min(200));
    bytes.iter_mut().skip(skip).filter(|byte| **byte == old).take(most).for_each(|byte| *byte = new);
}

/// A line gone, doubled, moved to the end, or many times over.
fn line(draw: &mut Draw, bytes: &mut Vec<u8>) {
    let mut lines: Vec<Vec<u8>> = bytes.split_inclusive(|byte| *byte == b'\n').map(<[u8]>::to_vec).collect();
    if lines.is_empty() {
        return;
    }
    let at = draw.below(lines.len());
    match draw.below(4) {
        0 => _ = lines.remove(at),
        1 => lines.insert(at, lines[at].clone()),
        2 => {
            let moved = lines.remove(at);
            lines.push(moved);
        }
        _ => {
            let many = vec![lines[at].clone(); 200];
            lines.splice(at..at, many);
        }
    }
    *bytes = lines.concat();
}

/// The same text in another script: UTF-16 of either order, a mark of order that lies, Latin letters.
fn script(draw: &mut Draw, bytes: &mut Vec<u8>) {
    let text = String::from_utf8_lossy(bytes).into_owned();
    *bytes = match draw.below(4) {
        0 => [0xFF, 0xFE].into_iter().chain(text.encode_utf16().flat_map(u16::to_le_bytes)).collect(),
        1 => [0xFE, 0xFF].into_iter().chain(text.encode_utf16().flat_map(u16::to_be_bytes)).collect(),
        2 => [0xFF, 0xFE].into_iter().chain(text.bytes()).collect(),
        _ => text.bytes().map(|byte| if byte == b'e' { 0xE9 } else { byte }).collect(),
    };
}

fn long_cell(draw: &mut Draw, bytes: &mut Vec<u8>) {
    let at = draw.below(bytes.len() + 1);
    let length = draw.one_of(&[100, 5_000, 70_000]);
    let byte = draw.one_of(b"7a,;\"[{ ");
    bytes.splice(at..at, std::iter::repeat_n(byte, length));
}
