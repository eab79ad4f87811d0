//! Files inside gzip (RFC 1952) and zip (PKWARE APPNOTE 6.3) archives, one level deep, opened in place.
//!
//! A deflated file is read through once, which tells its true length and check sum; on the way the state of the
//! decompressor is kept every 8 MiB, so that any slice is reached from the nearest of these without unpacking the rest.

use super::bytes::{self, Endian};
use super::inflated::Inflated;
use super::{Source, part::Part};
use crate::error::{Error, Kind, Loaded, Place};

/// A file inside an archive.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// Its name there, with its folders.
    pub name: String,
    /// Unpacked length as the archive tells it.
    pub bytes: u64,
    /// Length in the archive.
    pub packed: u64,
    method: u16,
    header: u64,
    crc: u32,
    locked: bool,
}

const STORED: u16 = 0;
const DEFLATED: u16 = 8;
/// Entries looked at; more than that is no evening's recordings.
const MOST_ENTRIES: usize = 4096;
/// The end record and the longest comment behind it.
const TAIL_BYTES: u64 = 22 + 65_535;
const UNPACK: &str = "unpack it and drop the files inside";
const LITTLE: Endian = Endian::Little;

/// Whether the first bytes are those of a gzip or zip archive.
pub(super) fn is_packed(head: &[u8]) -> bool {
    head.starts_with(b"\x1f\x8b") || head.starts_with(b"PK\x03\x04") || head.starts_with(b"PK\x05\x06")
}

/// Whether a source is a zip archive.
///
/// # Errors
/// When it can't be read.
pub fn is_zip(name: &str, source: &mut dyn Source) -> Result<bool, Error> {
    Ok(bytes::slice(name, source, 0, 4)?.starts_with(b"PK\x03\x04"))
}

/// The one file inside.
///
/// # Errors
/// Several files or none, a lock, another way of packing, sizes or a ratio beyond the caps, damage.
pub(super) fn only(name: &str, mut source: Box<dyn Source>) -> Result<Loaded<Box<dyn Source>>, Error> {
    let head = bytes::slice(name, source.as_mut(), 0, 4)?;
    if head.starts_with(b"\x1f\x8b") {
        return gzip(name, source);
    }
    let entries = entries(name, source.as_mut())?;
    match entries.as_slice() {
        [one] => {
            let mut loaded = open(name, source, one)?;
            let what = format!("the file {} inside was read", one.name);
            loaded.notes.push(Error::new(name, Place::File, Kind::Noted { what, remedy: "" }));
            Ok(loaded)
        }
        [] => Err(refused(name, "an archive without a file in it".into(), UNPACK)),
        several => {
            let names: Vec<&str> = several.iter().take(5).map(|entry| entry.name.as_str()).collect();
            let found = format!("an archive of {} files ({}) as one file", several.len(), names.join(", "));
            Err(refused(name, found, UNPACK))
        }
    }
}

fn refused(name: &str, found: String, remedy: &'static str) -> Error {
    Error::new(name, Place::File, Kind::Unsupported { found, remedy })
}

fn broken(name: &str, at: u64, found: String, expected: &'static str) -> Error {
    let remedy = "copy the archive again, or unpack it elsewhere and drop what comes out";
    Error::new(name, Place::Byte(at), Kind::Malformed { found, expected, remedy })
}

/// Header of a gzip member, RFC 1952 section 2.3; its length and check sum stand at the end.
fn gzip(name: &str, mut source: Box<dyn Source>) -> Result<Loaded<Box<dyn Source>>, Error> {
    const TEXTS: usize = 1 << 16;
    let len = bytes::length(name, source.as_mut())?;
    let head = bytes::slice(name, source.as_mut(), 0, 12 + TEXTS)?;
    let short = || broken(name, 0, "a header that never ends".into(), "a gzip header");
    let (method, flags) = head.get(2).zip(head.get(3)).ok_or_else(short)?;
    if *method != 8 {
        return Err(refused(name, format!("gzip with method {method}"), UNPACK));
    }
    let mut at = 10;
    if flags & 4 != 0 {
        at += 2 + usize::from(LITTLE.u16(&head, at).ok_or_else(short)?);
    }
    for flag in [8, 16] {
        if flags & flag != 0 {
            let text = head.get(at..).and_then(|rest| memchr::memchr(0, rest)).ok_or_else(short)?;
            at += text + 1;
        }
    }
    at += if flags & 2 != 0 { 2 } else { 0 };
    let (mut inflated, found) = Inflated::open(name, source, at as u64, len)?;
    let tail = bytes::slice(name, inflated.inner(), found.end, 8)?;
    let mut notes = Vec::new();
    match (LITTLE.u32(&tail, 0), LITTLE.u32(&tail, 4)) {
        _ if !found.whole => notes.push(cut_off(name, found.end)),
        (Some(crc), Some(length)) if crc == found.crc && length == found.length as u32 => {}
        _ => return Err(damaged(name, found.end)),
    }
    if found.whole && found.end + 8 < len {
        let what = format!("{} bytes after the first packed file were left out", len - found.end - 8);
        notes.push(Error::new(name, Place::Byte(found.end + 8), Kind::Noted { what, remedy: UNPACK }));
    }
    Ok(Loaded { value: Box::new(inflated), notes })
}

fn cut_off(name: &str, at: u64) -> Error {
    let what = "the archive stops half way; what could be unpacked was taken".to_owned();
    Error::new(name, Place::Byte(at), Kind::Noted { what, remedy: "copy the archive again" })
}

fn damaged(name: &str, at: u64) -> Error {
    broken(name, at, "unpacked bytes whose check sum differs".into(), "the check sum the archive tells")
}

/// The files of a zip archive, folders and what an operating system adds left out.
///
/// # Errors
/// No end record, a directory that breaks its own rules, a spreadsheet.
pub fn entries(name: &str, source: &mut dyn Source) -> Result<Vec<Entry>, Error> {
    let len = bytes::length(name, source)?;
    let tail_at = len.saturating_sub(TAIL_BYTES);
    let tail = bytes::slice(name, source, tail_at, TAIL_BYTES as usize)?;
    let end = memchr::memmem::rfind(&tail, b"PK\x05\x06");
    let no_end = || broken(name, len, "no end record".into(), "a whole zip archive");
    let end = end.and_then(|at| tail.get(at..)).ok_or_else(no_end)?;
    let (count, start) = LITTLE.u16(end, 10).zip(LITTLE.u32(end, 16)).ok_or_else(no_end)?;
    let mut entries = Vec::new();
    let mut at = u64::from(start);
    for _ in 0..usize::from(count).min(MOST_ENTRIES) {
        let (entry, next) = entry(name, source, at)?;
        at = next;
        if entry.name == "[Content_Types].xml" || entry.name == "mimetype" {
            return Err(refused(name, "a spreadsheet or document".into(), "save the table as CSV text and drop that"));
        }
        let last = entry.name.rsplit('/').next().unwrap_or_default();
        let hidden = last.is_empty() || last.starts_with('.') || entry.name.starts_with("__MACOSX/");
        if !hidden {
            entries.push(entry);
        }
    }
    Ok(entries)
}

/// One record of the central directory, and where the next starts.
fn entry(name: &str, source: &mut dyn Source, at: u64) -> Result<(Entry, u64), Error> {
    let wrong = || broken(name, at, "something else".into(), "a record of the archive's directory");
    let record = bytes::slice(name, source, at, 46 + 3 * 65_535)?;
    if !record.starts_with(b"PK\x01\x02") {
        return Err(wrong());
    }
    let short = |at| LITTLE.u16(&record, at).ok_or_else(wrong);
    let long = |at| LITTLE.u32(&record, at).ok_or_else(wrong);
    let (texts, extras, comment) = (usize::from(short(28)?), usize::from(short(30)?), usize::from(short(32)?));
    let mut wide = wide_sizes(record.get(46 + texts..46 + texts + extras).unwrap_or_default());
    let mut size = |value: u32| if value == u32::MAX { wide.next().unwrap_or(u64::MAX) } else { u64::from(value) };
    let (bytes, packed, header) = (size(long(24)?), size(long(20)?), size(long(42)?));
    let title = record.get(46..46 + texts).ok_or_else(wrong)?;
    let entry = Entry {
        name: String::from_utf8_lossy(title).into_owned(),
        bytes,
        packed,
        method: short(10)?,
        header,
        crc: long(16)?,
        locked: short(8)? & 1 != 0,
    };
    Ok((entry, at + (46 + texts + extras + comment) as u64))
}

/// The 64-bit sizes of a zip64 extra field, in the order they are wanted.
fn wide_sizes(mut extras: &[u8]) -> impl Iterator<Item = u64> {
    let mut found = Vec::new();
    while let (Some(kind), Some(size)) = (LITTLE.u16(extras, 0), LITTLE.u16(extras, 2)) {
        let body = extras.get(4..4 + usize::from(size)).unwrap_or_default();
        if kind == 1 {
            found.extend(body.chunks_exact(8).filter_map(|word| LITTLE.u64(word, 0)));
        }
        extras = extras.get(4 + usize::from(size)..).unwrap_or_default();
    }
    found.into_iter()
}

/// Opens one file of a zip archive.
///
/// # Errors
/// A lock, another way of packing, sizes or a ratio beyond the caps, damage.
pub fn open(name: &str, mut source: Box<dyn Source>, entry: &Entry) -> Result<Loaded<Box<dyn Source>>, Error> {
    if entry.locked {
        return Err(refused(name, format!("{}, locked with a password,", entry.name), UNPACK));
    }
    let len = bytes::length(name, source.as_mut())?;
    let local = bytes::slice(name, source.as_mut(), entry.header, 30)?;
    let wrong = || broken(name, entry.header, "something else".into(), "the header of a packed file");
    let texts = LITTLE.u16(&local, 26).zip(LITTLE.u16(&local, 28)).filter(|_| local.starts_with(b"PK\x03\x04"));
    let (title, extras) = texts.ok_or_else(wrong)?;
    let start = entry.header + 30 + u64::from(title) + u64::from(extras);
    let end = start.saturating_add(entry.packed).min(len);
    match entry.method {
        STORED => Ok(Loaded { value: Box::new(Part::new(source, start, end)), notes: Vec::new() }),
        DEFLATED => {
            let (inflated, found) = Inflated::open(name, source, start, end)?;
            let notes = if found.whole { Vec::new() } else { vec![cut_off(name, found.end)] };
            if found.whole && found.crc != entry.crc {
                return Err(damaged(name, found.end));
            }
            Ok(Loaded { value: Box::new(inflated), notes })
        }
        other => Err(refused(name, format!("{}, packed by method {other},", entry.name), UNPACK)),
    }
}
