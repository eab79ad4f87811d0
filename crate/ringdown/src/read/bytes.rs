//! Bounded reads that know their offset and their file's name.

use super::Source;
use crate::error::{Error, Kind, Place};
use std::io::{ErrorKind, SeekFrom};

/// Length of the source in bytes; leaves the position at the start.
pub(super) fn length(name: &str, source: &mut dyn Source) -> Result<u64, Error> {
    let len = source.seek(SeekFrom::End(0)).map_err(|e| Error::io(name, 0, e))?;
    source.rewind().map_err(|e| Error::io(name, 0, e))?;
    Ok(len)
}

/// Reads on until `buffer` is full or the source ends, however few bytes each call gives; returns the count.
pub(super) fn fill(name: &str, at: u64, source: &mut dyn Source, buffer: &mut [u8]) -> Result<usize, Error> {
    let mut filled = 0;
    while let Some(rest) = buffer.get_mut(filled..).filter(|rest| !rest.is_empty()) {
        match source.read(rest) {
            Ok(0) => break,
            Ok(count) => filled += count.min(rest.len()),
            Err(e) if e.kind() == ErrorKind::Interrupted => {}
            Err(e) => return Err(Error::io(name, at + filled as u64, e)),
        }
    }
    Ok(filled)
}

/// Up to `most` bytes from `at` on.
pub(super) fn slice(name: &str, source: &mut dyn Source, at: u64, most: usize) -> Result<Vec<u8>, Error> {
    source.seek(SeekFrom::Start(at)).map_err(|e| Error::io(name, at, e))?;
    let mut buffer = Vec::new();
    let mut part = [0; 4096];
    while buffer.len() < most {
        let want = part.len().min(most - buffer.len());
        let count = fill(name, at + buffer.len() as u64, source, part.get_mut(..want).unwrap_or_default())?;
        buffer.extend(part.iter().take(count));
        if count < want {
            break;
        }
    }
    Ok(buffer)
}

/// The whole of a small text source.
pub(super) fn whole(name: &str, source: &mut dyn Source, what: &'static str, allowed: u64) -> Result<Vec<u8>, Error> {
    let asked = length(name, source)?;
    if asked > allowed {
        return Err(Error::new(name, Place::File, Kind::TooLarge { what, asked, allowed }));
    }
    slice(name, source, 0, allowed as usize)
}

/// Little- or big-endian words of a header.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Endian {
    Little,
    Big,
}

impl Endian {
    /// Two bytes at `at`; `None` past the end.
    pub(super) fn u16(self, bytes: &[u8], at: usize) -> Option<u16> {
        let word = *bytes.get(at..)?.first_chunk::<2>()?;
        Some(if self == Endian::Little { u16::from_le_bytes(word) } else { u16::from_be_bytes(word) })
    }

    /// Four bytes at `at`.
    pub(super) fn u32(self, bytes: &[u8], at: usize) -> Option<u32> {
        let word = *bytes.get(at..)?.first_chunk::<4>()?;
        Some(if self == Endian::Little { u32::from_le_bytes(word) } else { u32::from_be_bytes(word) })
    }

    /// Eight bytes at `at`.
    pub(super) fn u64(self, bytes: &[u8], at: usize) -> Option<u64> {
        let word = *bytes.get(at..)?.first_chunk::<8>()?;
        Some(if self == Endian::Little { u64::from_le_bytes(word) } else { u64::from_be_bytes(word) })
    }
}
