//! Several sources, one after the other, as one.

use super::Source;
use super::part::place;
use std::io::{Read, Result, Seek, SeekFrom};

/// Sources with their lengths.
pub struct Chain {
    parts: Vec<(Box<dyn Source>, u64)>,
    at: u64,
}

impl Chain {
    /// At its start.
    pub fn new(parts: Vec<(Box<dyn Source>, u64)>) -> Self {
        Self { parts, at: 0 }
    }
}

impl Read for Chain {
    fn read(&mut self, out: &mut [u8]) -> Result<usize> {
        let mut start = 0;
        for (part, length) in &mut self.parts {
            if self.at < start + *length {
                part.seek(SeekFrom::Start(self.at - start))?;
                let most = (start + *length - self.at).min(out.len() as u64) as usize;
                let count = part.read(out.get_mut(..most).unwrap_or_default())?;
                self.at += count as u64;
                return Ok(count);
            }
            start += *length;
        }
        Ok(0)
    }
}

impl Seek for Chain {
    fn seek(&mut self, to: SeekFrom) -> Result<u64> {
        let length = self.parts.iter().map(|(_, length)| length).sum();
        self.at = place(to, self.at, length)?;
        Ok(self.at)
    }
}
