//! A stretch of a source as a source of its own.

use super::Source;
use std::io::{Error, ErrorKind, Read, Result, Seek, SeekFrom};

/// The bytes `start..end` of another source.
pub(super) struct Part {
    inner: Box<dyn Source>,
    start: u64,
    end: u64,
    at: u64,
}

impl Part {
    pub(super) fn new(inner: Box<dyn Source>, start: u64, end: u64) -> Self {
        Self { inner, start, end: end.max(start), at: start }
    }
}

impl Read for Part {
    fn read(&mut self, out: &mut [u8]) -> Result<usize> {
        let most = self.end.saturating_sub(self.at).min(out.len() as u64) as usize;
        self.inner.seek(SeekFrom::Start(self.at))?;
        let count = self.inner.read(out.get_mut(..most).unwrap_or_default())?;
        self.at += count as u64;
        Ok(count)
    }
}

impl Seek for Part {
    fn seek(&mut self, to: SeekFrom) -> Result<u64> {
        let place = place(to, self.at - self.start, self.end - self.start)?;
        self.at = self.start.saturating_add(place);
        Ok(place)
    }
}

/// Where a seek leads, from the start.
pub(super) fn place(to: SeekFrom, at: u64, length: u64) -> Result<u64> {
    let place = match to {
        SeekFrom::Start(at) => Some(at),
        SeekFrom::End(by) => length.checked_add_signed(by),
        SeekFrom::Current(by) => at.checked_add_signed(by),
    };
    place.ok_or_else(|| Error::new(ErrorKind::InvalidInput, "a place before the file's start"))
}
