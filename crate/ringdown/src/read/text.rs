//! Text of any usual encoding to records and fields, in bounded memory.
//!
//! Quotes follow RFC 4180; what comes out of this file is UTF-8.

use super::{Source, bytes};
use crate::error::{Error, Kind, Place};
use encoding_rs::{Encoding, UTF_8, UTF_16BE, UTF_16LE, WINDOWS_1252};
use std::io::SeekFrom;
use std::ops::Range;

/// Longest record, in bytes of UTF-8.
const MOST_RECORD_BYTES: usize = 1 << 20;
/// Longest field.
const MOST_FIELD_BYTES: usize = 1 << 16;
/// Most fields of a record.
pub(super) const MOST_FIELDS: usize = 4096;
/// What is too large about a record of more.
pub(super) const COLUMNS: &str = "columns";
/// Bytes asked of the source at once: the first time, and the most. Each time twice as many, because a browser takes long
/// to begin and little more for a larger piece.
const CHUNK_BYTES: (usize, usize) = (1 << 16, 1 << 24);
/// To be decoded at once.
const DECODED_BYTES: usize = 1 << 16;

/// What stands between two fields.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Delimiter {
    /// One byte: comma, semicolon, tab, bar.
    Byte(u8),
    /// One or more blanks or tabs.
    Blanks,
}

/// Encoding and line ends, guessed from the first bytes.
#[derive(Debug, Clone, Copy)]
pub struct Script {
    encoding: &'static Encoding,
    /// Bytes of the byte order mark.
    mark: usize,
    /// Lines end with CR alone.
    bare_cr: bool,
}

impl Script {
    /// Guesses from the first bytes of a file: byte order mark, zero bytes in every second place, valid UTF-8, else
    /// whatever the letters suggest (usually Windows-1252).
    ///
    /// # Errors
    /// [`Kind::Bytes`] when the bytes are no text.
    pub fn guess(head: &[u8]) -> Result<Script, Kind> {
        let (encoding, mark) = match Encoding::for_bom(head) {
            Some(known) => known,
            None => (without_mark(head), 0),
        };
        let text = encoding.decode_without_bom_handling(head.get(mark..).unwrap_or_default()).0;
        let odd = text.chars().filter(|c| c.is_control() && !matches!(c, '\t' | '\n' | '\r' | '\x0c' | '\x1a')).count();
        if odd * 50 > text.chars().count() {
            return Err(Kind::Bytes);
        }
        let bare_cr = text.contains('\r') && !text.contains('\n');
        Ok(Script { encoding, mark, bare_cr })
    }

    /// "UTF-8", "windows-1252".
    pub fn encoding_name(&self) -> &'static str {
        self.encoding.name()
    }

    /// Whether a line end can be told anywhere in the file by its byte alone.
    pub(super) fn has_plain_lines(&self) -> bool {
        self.is_utf8() && !self.bare_cr
    }

    /// UTF-8 and ASCII pass as they are.
    fn is_utf8(&self) -> bool {
        self.encoding == UTF_8
    }

    /// Bytes in the file of a piece of decoded text.
    fn raw_len(&self, text: &[u8]) -> u64 {
        let starts = || text.iter().filter(|b| **b & 0xC0 != 0x80).count() as u64;
        let pairs = || text.iter().filter(|b| **b >= 0xF0).count() as u64;
        match self.encoding {
            e if e == UTF_8 => text.len() as u64,
            e if e == UTF_16LE || e == UTF_16BE => 2 * (starts() + pairs()),
            _ => starts(),
        }
    }
}

fn without_mark(head: &[u8]) -> &'static Encoding {
    let zeros = |offset: usize| head.iter().skip(offset).step_by(2).filter(|b| **b == 0).count();
    let half = head.len() / 2;
    if half >= 4 && zeros(1) * 10 > half * 7 && zeros(0) * 10 < half {
        return UTF_16LE;
    }
    if half >= 4 && zeros(0) * 10 > half * 7 && zeros(1) * 10 < half {
        return UTF_16BE;
    }
    let valid = match std::str::from_utf8(head) {
        Ok(_) => true,
        Err(error) => error.error_len().is_none(), // only the cut at the end
    };
    if valid {
        return UTF_8;
    }
    let mut detector = chardetng::EncodingDetector::new(chardetng::Iso2022JpDetection::Deny);
    detector.feed(head, true);
    let guess = detector.guess(None, chardetng::Utf8Detection::Deny);
    if guess.is_single_byte() { guess } else { WINDOWS_1252 }
}

/// One record: its fields lie in `bytes`.
#[derive(Debug, Clone, Copy)]
pub struct Record<'a> {
    bytes: &'a [u8],
    fields: &'a [(u32, u32)],
    /// Line it starts on, from 1.
    pub line: u64,
    /// Byte of the file it starts at.
    pub byte: u64,
    /// Whether a line end closes it (the last one of a file may lack it).
    pub closed: bool,
}

impl<'a> Record<'a> {
    /// Number of fields.
    #[allow(clippy::len_without_is_empty)]
    pub fn len(&self) -> usize {
        self.fields.len()
    }

    /// The fields, unquoted.
    pub fn fields(self) -> impl ExactSizeIterator<Item = &'a [u8]> {
        let bytes = self.bytes;
        self.fields.iter().map(move |(from, to)| bytes.get(*from as usize..*to as usize).unwrap_or_default())
    }

    /// Where it starts.
    pub fn place(&self) -> Place {
        Place::Line { line: self.line, byte: self.byte }
    }
}

/// The records of a text, one after the other; memory is bounded whatever the file holds. Empty lines are no records.
pub struct Records<'a> {
    name: &'a str,
    source: &'a mut dyn Source,
    script: Script,
    decoder: Option<encoding_rs::Decoder>,
    delimiter: Delimiter,
    /// Quotes are honoured until one is found that never closes.
    quotes: bool,
    quoted: csv_core::Reader,
    text: Vec<u8>,
    start: usize,
    ended: bool,
    /// Bytes yet to be decoded; UTF-8 is read into `text` at once.
    raw: Vec<u8>,
    /// Bytes asked for next.
    chunk: usize,
    raw_at: u64,
    /// The text ends here, wherever the source does.
    raw_end: u64,
    line: u64,
    byte: u64,
    scratch: Vec<u8>,
    ends: Vec<usize>,
    fields: Vec<(u32, u32)>,
    /// Lines on which a quote opens that never closes; the quote was taken as a letter.
    pub open_quote: Option<u64>,
}

/// Where the next record lies in `text`, counted from `start`.
struct Found {
    /// End of its text, without the line end.
    end: usize,
    /// Start of what follows.
    next: usize,
    closed: bool,
    in_scratch: bool,
}

/// What the quote reader has written so far.
#[derive(Default)]
struct Made {
    bytes: usize,
    fields: usize,
}

impl<'a> Records<'a> {
    /// Starts at the beginning of `source`.
    ///
    /// # Errors
    /// When the source can't be read.
    pub fn new(name: &'a str, source: &'a mut dyn Source, script: Script, delimiter: Delimiter) -> Result<Self, Error> {
        Self::within(name, source, script, delimiter, 0..u64::MAX)
    }

    /// Starts at one byte of `source` and ends before another, both at the beginning of a line; lines count from 1 there.
    pub(super) fn within(
        name: &'a str,
        source: &'a mut dyn Source,
        script: Script,
        delimiter: Delimiter,
        part: Range<u64>,
    ) -> Result<Self, Error> {
        let start = part.start.max(script.mark as u64);
        source.seek(SeekFrom::Start(start)).map_err(|e| Error::io(name, start, e))?;
        let byte = match delimiter {
            Delimiter::Byte(byte) => byte,
            Delimiter::Blanks => b' ',
        };
        Ok(Self {
            name,
            source,
            script,
            decoder: (!script.is_utf8()).then(|| script.encoding.new_decoder_without_bom_handling()),
            delimiter,
            quotes: delimiter != Delimiter::Blanks,
            quoted: csv_core::ReaderBuilder::new().delimiter(byte).build(),
            text: Vec::new(),
            start: 0,
            ended: false,
            raw: Vec::new(),
            chunk: CHUNK_BYTES.0,
            raw_at: start,
            raw_end: part.end,
            line: 1,
            byte: start,
            scratch: Vec::new(),
            ends: vec![0; MOST_FIELDS + 1],
            fields: Vec::new(),
            open_quote: None,
        })
    }

    /// The next record; `None` at the end.
    ///
    /// # Errors
    /// A record of more than 1 MiB, a field of more than 64 KiB, more than 4096 fields (with the line), or a failed read.
    #[allow(clippy::should_implement_trait)] // a record borrows from the reader
    pub fn next(&mut self) -> Result<Option<Record<'_>>, Error> {
        loop {
            let Some((end, next, closed)) = self.line_end(0)? else { return Ok(None) };
            let content = self.ahead(0, end);
            if content.iter().all(u8::is_ascii_whitespace) || content == b"\x1a" {
                self.advance(next);
                continue;
            }
            let found = self.record(Found { end, next, closed, in_scratch: false })?;
            let (line, byte, from) = (self.line, self.byte, self.start);
            self.check_limits(line, byte)?;
            self.advance(found.next);
            let in_text = || self.text.get(from..from + found.end).unwrap_or_default();
            let bytes = if found.in_scratch { &self.scratch } else { in_text() };
            return Ok(Some(Record { bytes, fields: &self.fields, line, byte, closed: found.closed }));
        }
    }

    /// Lets `read` take whole lines off the front of the text at hand; it says how many and of how many bytes. Returns the
    /// line of the first and how many.
    pub(super) fn lines(&mut self, read: impl FnOnce(&[u8]) -> (usize, usize)) -> (u64, usize) {
        let (count, bytes) = read(self.text.get(self.start..).unwrap_or_default());
        let first = self.line;
        let raw = self.script.raw_len(self.ahead(0, bytes));
        self.line += count as u64;
        self.byte += raw;
        self.start += bytes;
        (first, count)
    }

    /// Lines given out so far.
    pub(super) fn lines_passed(&self) -> u64 {
        self.line - 1
    }

    /// Bytes of the file given out so far.
    pub(super) fn passed(&self) -> u64 {
        self.byte
    }

    /// Splits the record that starts at `self.start`; it ends where `line` does unless a quote runs on.
    fn record(&mut self, line: Found) -> Result<Found, Error> {
        let content = self.text.get(self.start..self.start + line.end).unwrap_or_default();
        if !self.quotes || memchr::memchr(b'"', content).is_none() {
            split(content, self.delimiter, &mut self.fields);
            return Ok(line);
        }
        let (mut end, mut next, mut closed) = (line.end, line.next, line.closed);
        let mut fed = 0;
        self.quoted.reset();
        let mut made = Made::default();
        self.scratch.resize(self.scratch.len().max(1 << 12), 0);
        loop {
            if self.feed(&mut fed, next, closed, &mut made)? {
                self.take_ends(made.fields);
                return Ok(Found { end, next, closed, in_scratch: true });
            }
            let ahead = if next < MOST_RECORD_BYTES { self.line_end(next)? } else { None };
            let Some(more) = ahead else { break };
            (end, next, closed) = more;
        }
        self.quotes = false;
        self.open_quote = Some(self.line);
        let content = self.text.get(self.start..self.start + line.end).unwrap_or_default();
        split(content, self.delimiter, &mut self.fields);
        Ok(line)
    }

    /// Gives the text up to `next` to the quote reader, and a line end where the file lacks it; true when that closed the
    /// record.
    fn feed(&mut self, fed: &mut usize, next: usize, closed: bool, made: &mut Made) -> Result<bool, Error> {
        let mut added_end = false;
        loop {
            let rest = self.text.get(self.start + *fed..self.start + next).unwrap_or_default();
            let input = if added_end { &b"\n"[..] } else { rest };
            let scratch = self.scratch.get_mut(made.bytes..).unwrap_or_default();
            let ends = self.ends.get_mut(made.fields..).unwrap_or_default();
            let (result, read, wrote, ended) = self.quoted.read_record(input, scratch, ends);
            *fed += if added_end { 0 } else { read };
            made.bytes += wrote;
            made.fields += ended;
            match result {
                csv_core::ReadRecordResult::Record | csv_core::ReadRecordResult::End => return Ok(true),
                csv_core::ReadRecordResult::OutputEndsFull => return Err(self.too_large(COLUMNS, MOST_FIELDS)),
                csv_core::ReadRecordResult::OutputFull if self.scratch.len() > MOST_RECORD_BYTES => {
                    return Err(self.too_large("bytes of one record", MOST_RECORD_BYTES));
                }
                csv_core::ReadRecordResult::OutputFull => self.scratch.resize(self.scratch.len() * 2, 0),
                csv_core::ReadRecordResult::InputEmpty if closed || added_end => return Ok(false),
                csv_core::ReadRecordResult::InputEmpty => added_end = true,
            }
        }
    }

    fn take_ends(&mut self, count: usize) {
        self.fields.clear();
        let mut from = 0;
        for end in self.ends.iter().take(count) {
            self.fields.push((from, *end as u32));
            from = *end as u32;
        }
    }

    fn check_limits(&self, line: u64, byte: u64) -> Result<(), Error> {
        let longest = self.fields.iter().map(|(from, to)| to.saturating_sub(*from)).max().unwrap_or(0) as usize;
        // splitting stops a little past the most columns: the last field is then all that is left
        let over = match (self.fields.len() > MOST_FIELDS, longest > MOST_FIELD_BYTES) {
            (true, _) => (COLUMNS, self.fields.len(), MOST_FIELDS),
            (_, true) => ("bytes of one field", longest, MOST_FIELD_BYTES),
            _ => return Ok(()),
        };
        let kind = Kind::TooLarge { what: over.0, asked: over.1 as u64, allowed: over.2 as u64 };
        Err(Error::new(self.name, Place::Line { line, byte }, kind))
    }

    fn too_large(&self, what: &'static str, allowed: usize) -> Error {
        let kind = Kind::TooLarge { what, asked: allowed as u64 + 1, allowed: allowed as u64 };
        Error::new(self.name, Place::Line { line: self.line, byte: self.byte }, kind)
    }

    /// A piece of the text not yet given out.
    fn ahead(&self, from: usize, to: usize) -> &[u8] {
        self.text.get(self.start + from..self.start + to).unwrap_or_default()
    }

    /// Gives out the text before `next`.
    fn advance(&mut self, next: usize) {
        let gone = self.ahead(0, next);
        let (lines, bytes) = (memchr::memchr_iter(b'\n', gone).count(), self.script.raw_len(gone));
        self.line += lines as u64;
        self.byte += bytes;
        self.start += next;
    }

    /// End of the line that starts at `from`, start of the next, and whether a line end was there; `None` past the end.
    fn line_end(&mut self, from: usize) -> Result<Option<(usize, usize, bool)>, Error> {
        let mut searched = from;
        loop {
            let rest = self.text.get(self.start + searched..).unwrap_or_default();
            if let Some(k) = memchr::memchr(b'\n', rest) {
                let end = searched + k;
                if end > MOST_RECORD_BYTES {
                    return Err(self.too_large("bytes of one record", MOST_RECORD_BYTES));
                }
                let has_cr = end > from && self.ahead(end - 1, end) == b"\r";
                return Ok(Some((end - usize::from(has_cr), end + 1, true)));
            }
            let end = self.text.len() - self.start;
            if end > MOST_RECORD_BYTES {
                return Err(self.too_large("bytes of one record", MOST_RECORD_BYTES));
            }
            if self.ended {
                return Ok((from < end).then_some((end, end, false)));
            }
            searched = end;
            self.more()?;
        }
    }

    /// Moves what is left to the front and adds the next chunk.
    fn more(&mut self) -> Result<(), Error> {
        self.text.drain(..self.start);
        self.start = 0;
        let from = self.text.len();
        let into = match &self.decoder {
            None => {
                self.text.resize(from + self.chunk, 0);
                self.chunk = (2 * self.chunk).min(CHUNK_BYTES.1);
                self.text.get_mut(from..).unwrap_or_default()
            }
            Some(_) => {
                self.raw.resize(DECODED_BYTES, 0);
                &mut self.raw
            }
        };
        let asked = into.len();
        let left = usize::try_from(self.raw_end.saturating_sub(self.raw_at)).unwrap_or(usize::MAX);
        let into = into.get_mut(..left.min(asked)).unwrap_or_default();
        let count = bytes::fill(self.name, self.raw_at, self.source, into)?;
        self.raw_at += count as u64;
        self.ended = count < asked;
        match &mut self.decoder {
            None => self.text.truncate(from + count),
            Some(decoder) => decode(decoder, self.raw.get(..count).unwrap_or_default(), self.ended, &mut self.text),
        }
        if self.script.bare_cr {
            self.text.iter_mut().skip(from).filter(|b| **b == b'\r').for_each(|b| *b = b'\n');
        }
        Ok(())
    }
}

fn decode(decoder: &mut encoding_rs::Decoder, raw: &[u8], last: bool, text: &mut Vec<u8>) {
    let mut rest = raw;
    let mut part = [0u8; 4096];
    loop {
        let (result, read, wrote, _) = decoder.decode_to_utf8(rest, &mut part, last);
        text.extend(part.iter().take(wrote));
        rest = rest.get(read..).unwrap_or_default();
        if result == encoding_rs::CoderResult::InputEmpty {
            return;
        }
    }
}

/// Splits a line without quotes.
fn split(line: &[u8], delimiter: Delimiter, fields: &mut Vec<(u32, u32)>) {
    fields.clear();
    match delimiter {
        Delimiter::Byte(byte) => {
            let mut from = 0;
            for at in memchr::memchr_iter(byte, line).take(MOST_FIELDS + 1) {
                fields.push((from, at as u32));
                from = at as u32 + 1;
            }
            fields.push((from, line.len() as u32));
        }
        Delimiter::Blanks => {
            let is_blank = |b: &u8| matches!(b, b' ' | b'\t');
            let mut from = 0;
            while let Some(skip) = line.get(from..).and_then(|rest| rest.iter().position(|b| !is_blank(b))) {
                let begin = from + skip;
                let rest = line.get(begin..).unwrap_or_default();
                from = begin + rest.iter().position(is_blank).unwrap_or(rest.len());
                fields.push((begin as u32, from as u32));
                if fields.len() > MOST_FIELDS {
                    return;
                }
            }
        }
    }
}
