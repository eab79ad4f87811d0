//! What a file is, by its first bytes; and what to do with one that is not read.

use crate::error::Kind;

/// What the first bytes promise.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Promise {
    /// RIFF, RIFX, RF64 or BW64 with the form WAVE.
    Wave,
    /// A FLAC stream.
    Flac,
    /// AIFF or AIFF-C.
    Aiff,
    /// Core Audio Format.
    Caf,
    /// An opening brace first.
    Json,
    /// Anything that may be text.
    Text,
}

const TO_WAV: &str = "convert it to WAV (PCM, 24 bits, same sampling rate) with any audio editor and drop that";
const LOSSY: &str = "lossy compression removes what knock looks like: record again as WAV, PCM 16 or 24 bits";
const LOG: &str = "export the log as CSV text and drop that";
const UNPACK: &str = "unpack it and drop the files inside";
const DOCUMENT: &str = "drop the recording (WAV) or the log (CSV text) itself";

/// (offset, bytes, what it is, what to do): published file signatures, from memory.
const SIGNATURES: [(usize, &[u8], &str, &str); 36] = [
    (0, b".snd", "an AU sound file", TO_WAV),
    (0, b"riff\x2e\x91\xcf\x11", "a Wave64 sound file", TO_WAV),
    (0, b"wvpk", "a WavPack sound file", TO_WAV),
    (0, b"MAC ", "a Monkey's Audio sound file", TO_WAV),
    (0, b"OggS", "an Ogg sound file", LOSSY),
    (0, b"ID3", "an MP3 sound file", LOSSY),
    (4, b"ftyp", "an MP4, M4A or MOV file", LOSSY),
    (0, b"#!AMR", "an AMR voice recording", LOSSY),
    (0, b"\x30\x26\xb2\x75\x8e\x66\xcf\x11", "a WMA or WMV file", LOSSY),
    (0, b"\x1a\x45\xdf\xa3", "a Matroska or WebM film", LOSSY),
    (0, b"ADIF", "an AAC sound file", LOSSY),
    (0, b"\x89PNG", "a PNG picture", DOCUMENT),
    (0, b"\xff\xd8\xff", "a JPEG picture", DOCUMENT),
    (0, b"GIF8", "a GIF picture", DOCUMENT),
    (0, b"II*\0", "a TIFF picture", DOCUMENT),
    (0, b"MM\0*", "a TIFF picture", DOCUMENT),
    (0, b"%PDF", "a PDF document", DOCUMENT),
    (0, b"{\\rtf", "a rich text document", DOCUMENT),
    (0, b"<!DOCTYPE", "a web page", DOCUMENT),
    (0, b"<!doctype", "a web page", DOCUMENT),
    (0, b"<html", "a web page", DOCUMENT),
    (0, b"<?xml", "an XML file", LOG),
    (0, b"\xd0\xcf\x11\xe0", "an old spreadsheet or document", "save the table as CSV text and drop that"),
    (0, b"PK\x03\x04", "a zip archive inside an archive", UNPACK),
    (0, b"\x1f\x8b", "a gzip archive inside an archive", UNPACK),
    (0, b"BZh", "a bzip2 archive", UNPACK),
    (0, b"\xfd7zXZ", "an xz archive", UNPACK),
    (0, b"7z\xbc\xaf\x27\x1c", "a 7-Zip archive", UNPACK),
    (0, b"Rar!", "a RAR archive", UNPACK),
    (0, b"\x28\xb5\x2f\xfd", "a Zstandard archive", UNPACK),
    (257, b"ustar", "a tar archive", UNPACK),
    (0, b"MDF     ", "an MDF measurement file", LOG),
    (0, b"UnFinMF ", "an unfinished MDF measurement file", LOG),
    (0, b"MATLAB 5.0", "a MATLAB data file", LOG),
    (0, b"\x89HDF", "an HDF5 data file", LOG),
    (0, b"SQLite format 3", "a database", LOG),
];

/// Bytes [`promise`] wants to see.
pub(super) const HEAD_BYTES: usize = 512;

/// What `head`, the first bytes of a file, promises; `Err` names a known kind that is not read.
pub(super) fn promise(head: &[u8]) -> Result<Promise, Kind> {
    let starts = |at: usize, magic: &[u8]| head.get(at..).is_some_and(|rest| rest.starts_with(magic));
    if head.is_empty() {
        return Err(Kind::Empty);
    }
    let riff = [&b"RIFF"[..], b"RIFX", b"RF64", b"BW64"].iter().any(|magic| starts(0, magic));
    if riff {
        return riff_form(head.get(8..12).unwrap_or_default());
    }
    if starts(0, b"FORM") && (starts(8, b"AIFF") || starts(8, b"AIFC")) {
        return Ok(Promise::Aiff);
    }
    if starts(0, b"fLaC") {
        return Ok(Promise::Flac);
    }
    if starts(0, b"caff") {
        return Ok(Promise::Caf);
    }
    if let Some((_, _, what, remedy)) = SIGNATURES.iter().find(|(at, magic, ..)| starts(*at, magic)) {
        return Err(Kind::Unsupported { found: (*what).to_owned(), remedy });
    }
    if is_mpeg_audio(head) {
        return Err(Kind::Unsupported { found: "an MP3 or AAC sound file".into(), remedy: LOSSY });
    }
    let text = head.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(head);
    let first = text.iter().find(|b| !b.is_ascii_whitespace());
    Ok(if first == Some(&b'{') { Promise::Json } else { Promise::Text })
}

fn riff_form(form: &[u8]) -> Result<Promise, Kind> {
    match form {
        b"AVI " => Err(Kind::Unsupported { found: "an AVI film".into(), remedy: LOSSY }),
        b"WEBP" => Err(Kind::Unsupported { found: "a WebP picture".into(), remedy: DOCUMENT }),
        _ => Ok(Promise::Wave),
    }
}

/// An MPEG audio or ADTS frame: eleven bits set, and a layer and rate that exist (ISO 11172-3, from memory).
fn is_mpeg_audio(head: &[u8]) -> bool {
    let [Some(0xFF), Some(second), Some(third)] = [head.first(), head.get(1), head.get(2)] else { return false };
    let version_reserved = second & 0x18 == 0x08;
    second & 0xE0 == 0xE0 && *second != 0xFE && *second != 0xFF && !version_reserved && third & 0xF0 != 0xF0
}
