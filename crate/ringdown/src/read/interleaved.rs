//! Uncompressed frames in a file: word after word, channel after channel. WAV, AIFF, CAF and raw PCM end here.

use super::pcm::Word;
use super::samples::{Body, Planes};
use super::{Source, bytes};
use crate::error::{Error, Kind, Place};
use std::io::SeekFrom;

/// Bytes read from the source at once.
const BLOCK_BYTES: usize = 1 << 16;

/// Where the frames lie and what they are.
#[derive(Debug, Clone, Copy)]
pub(super) struct Layout {
    pub word: Word,
    pub word_bytes: usize,
    pub channels: usize,
    /// Byte of the file the first frame starts at.
    pub data_start: u64,
}

impl Layout {
    pub(super) fn frame_bytes(&self) -> usize {
        self.word_bytes * self.channels
    }
}

/// The frames of an open file.
pub(super) struct Interleaved {
    pub name: String,
    pub source: Box<dyn Source>,
    pub layout: Layout,
    block: Vec<u8>,
    non_finite: u64,
}

impl Interleaved {
    pub(super) fn new(name: &str, source: Box<dyn Source>, layout: Layout) -> Self {
        Self { name: name.to_owned(), source, layout, block: Vec::new(), non_finite: 0 }
    }

    /// Decodes the block into `now` samples of each plane from `done` on.
    fn scatter(&mut self, done: usize, now: usize, planes: &mut Planes) {
        let Layout { word, word_bytes, .. } = self.layout;
        for (channel, plane) in planes.iter_mut().enumerate() {
            let out = plane.get_mut(done..done + now).unwrap_or_default();
            self.non_finite += word.decode(&self.block, self.layout.frame_bytes(), channel * word_bytes, out);
        }
    }
}

/// Bytes of whole frames there are, whatever a header tells; `told` is `None` where it tells nothing. What differs is
/// noted.
///
/// # Errors
/// When not one whole frame is there.
pub(super) fn present(
    name: &str,
    layout: &Layout,
    told: Option<u64>,
    len: u64,
    notes: &mut Vec<Error>,
) -> Result<u64, Error> {
    let there = len.saturating_sub(layout.data_start);
    let place = Place::Byte(layout.data_start);
    let bytes = match told {
        Some(told) if told > there => {
            notes.push(Error::new(name, place, Kind::Truncated { promised: told, present: there }));
            there
        }
        Some(told) => told,
        None => {
            let what = format!("the header gives no length; the {there} bytes up to the end of the file were taken");
            let remedy = "play or look at the end of it before relying on the last seconds";
            notes.push(Error::new(name, place, Kind::Noted { what, remedy }));
            there
        }
    };
    if bytes < layout.frame_bytes() as u64 {
        let kind = Kind::Malformed {
            found: format!("{bytes} bytes of samples"),
            expected: "at least one whole frame",
            remedy: "the recorder probably stopped before writing: copy the file again or record anew",
        };
        return Err(Error::new(name, Place::Byte(len), kind));
    }
    Ok(bytes)
}

impl Body for Interleaved {
    fn fill(&mut self, first: u64, count: usize, planes: &mut Planes) -> Result<(), Error> {
        let frame_bytes = self.layout.frame_bytes();
        // `first` lies inside the file: the product can't overflow.
        let mut at = self.layout.data_start + first * frame_bytes as u64;
        self.source.seek(SeekFrom::Start(at)).map_err(|e| Error::io(&self.name, at, e))?;
        let frames_a_block = (BLOCK_BYTES / frame_bytes).max(1);
        let mut done = 0;
        while done < count {
            let now = frames_a_block.min(count - done);
            self.block.resize(now * frame_bytes, 0);
            let got = bytes::fill(&self.name, at, self.source.as_mut(), &mut self.block)?;
            if got < self.block.len() {
                let kind = Kind::Truncated { promised: self.block.len() as u64, present: got as u64 };
                return Err(Error::new(&self.name, Place::Byte(at + got as u64), kind));
            }
            self.scatter(done, now, planes);
            done += now;
            at += self.block.len() as u64;
        }
        Ok(())
    }

    fn non_finite(&self) -> u64 {
        self.non_finite
    }

    fn is_plain(&self) -> bool {
        true
    }
}
