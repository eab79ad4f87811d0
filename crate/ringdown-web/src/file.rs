//! A browser's file as `Read + Seek`, in the worker: only blocks of it are ever in memory.

use std::io::{Error, ErrorKind, Read, Result, Seek, SeekFrom};
use wasm_bindgen::JsValue;
use web_sys::{File, FileReaderSync, MessageChannel, MessagePort};

/// Most bytes asked of the browser at once: every call costs a turn of its file thread, milliseconds where the machine is busy.
const MOST: u64 = 32 << 20;
/// Most bytes read ahead, and so what a file under way keeps.
const BLOCK: u64 = 8 << 20;
/// Read ahead after a jump: who looks here and there pays for no more; who reads on gets twice as much each time.
const LEAST: u64 = 64 << 10;
/// Kept of what was read before: passes over a recording reach back a little with each slice.
const TAIL: usize = 1 << 20;
/// A jump no longer than this is reading on: what is skipped costs less than another call.
const NEAR: u64 = 1 << 20;

/// A port whose other end is closed. What is moved into it is gone at once; a buffer merely let go of lies until the browser
/// next clears away, which with pieces of 16 MiB came to hundreds of megabytes.
struct Drain(MessagePort);

impl Drain {
    fn new() -> std::result::Result<Self, JsValue> {
        let channel = MessageChannel::new()?;
        channel.port2().close();
        Ok(Self(channel.port1()))
    }

    fn swallow(&self, buffer: &js_sys::ArrayBuffer) {
        let moved = js_sys::Array::of1(buffer);
        let _ = self.0.post_message_with_transferable(&JsValue::NULL, &moved); // refused, it is cleared away later
    }
}

/// A file dropped on the page.
pub struct BrowserFile {
    file: File,
    reader: FileReaderSync,
    drain: Drain,
    length: u64,
    /// When it was last changed, as the browser said when it was dropped.
    changed_ms: f64,
    at: u64,
    /// Where the last read ended.
    read_to: u64,
    block: Vec<u8>,
    block_start: u64,
}

impl BrowserFile {
    /// Opens `file`, last changed at `changed_ms`. Its length is what the browser says now; nothing is read yet.
    ///
    /// # Errors
    /// On the page, where browsers have no synchronous reader.
    pub fn open(file: File, changed_ms: f64) -> Result<Self> {
        let reader = FileReaderSync::new().map_err(|error| refused(&error, 0))?;
        let drain = Drain::new().map_err(|error| refused(&error, 0))?;
        // A browser's length is a whole number below 2^53; `as` saturates.
        let length = file.size().max(0.0) as u64;
        Ok(Self { file, reader, drain, length, changed_ms, at: 0, read_to: 0, block: Vec::new(), block_start: 0 })
    }

    /// Length in bytes.
    pub fn length(&self) -> u64 {
        self.length
    }

    /// Copies the bytes from `from` on into `out`, all of it: a file that was changed meanwhile is an error. Browsers notice
    /// one that shrank, not all of them one that was written over.
    fn ask(&self, from: u64, out: &mut [u8]) -> Result<()> {
        let count = out.len() as u64;
        if self.file.last_modified() != self.changed_ms {
            return Err(Error::other(format!("byte {from}: the file was changed after it was dropped here")));
        }
        let slice = self.file.slice_with_f64_and_f64(from as f64, (from + count) as f64);
        let slice = slice.map_err(|error| refused(&error, from))?;
        let buffer = self.reader.read_as_array_buffer(&slice).map_err(|error| refused(&error, from))?;
        let array = js_sys::Uint8Array::new(&buffer);
        let got = u64::from(array.length());
        if got == count {
            array.copy_to(out);
            self.drain.swallow(&buffer);
            return Ok(());
        }
        Err(Error::new(ErrorKind::UnexpectedEof, format!("byte {}: {got} of {count} bytes came", from + got)))
    }

    /// What the block holds from the current place on.
    fn held(&self) -> &[u8] {
        let skip = self.at.checked_sub(self.block_start).and_then(|skip| usize::try_from(skip).ok());
        skip.and_then(|skip| self.block.get(skip..)).unwrap_or_default()
    }

    fn read_directly(&self, out: &mut [u8]) -> Result<usize> {
        let count = (out.len() as u64).min(self.length - self.at).min(MOST);
        let Some(part) = out.get_mut(..count as usize) else { return Ok(0) };
        self.ask(self.at, part)?;
        Ok(part.len())
    }

    fn fill(&mut self) -> Result<()> {
        let end = self.block_start + self.block.len() as u64;
        // From where the last read ended, not from the block's end: after a long block every place would be near.
        let reads_on = !self.block.is_empty() && self.at.abs_diff(self.read_to) <= NEAR;
        let ahead = if reads_on { (2 * self.block.len() as u64).clamp(LEAST, BLOCK) } else { LEAST };
        let fresh = ahead.min(self.length - self.at) as usize;
        let kept = if self.at == end { self.block.len().min(TAIL) } else { 0 };
        let gone = self.block.len() - kept;
        let mut block = std::mem::take(&mut self.block); // a refusal leaves nothing half read behind
        block.copy_within(gone.., 0);
        block.truncate(kept);
        block.reserve_exact(fresh);
        block.resize(kept + fresh, 0);
        self.ask(self.at, block.get_mut(kept..).unwrap_or_default())?;
        self.block = block;
        self.block_start = self.at - kept as u64;
        Ok(())
    }
}

impl Read for BrowserFile {
    fn read(&mut self, out: &mut [u8]) -> Result<usize> {
        if out.is_empty() || self.at >= self.length {
            return Ok(0);
        }
        let count = if self.held().is_empty() && out.len() as u64 >= BLOCK {
            self.read_directly(out)?
        } else {
            if self.held().is_empty() {
                self.fill()?;
            }
            let held = self.held();
            let count = held.len().min(out.len());
            if let (Some(to), Some(from)) = (out.get_mut(..count), held.get(..count)) {
                to.copy_from_slice(from);
            }
            count
        };
        self.at += count as u64;
        self.read_to = self.at;
        if self.at >= self.length && self.block.len() as u64 > LEAST {
            self.block = Vec::new(); // read to its end, a file keeps no memory: others follow
        }
        Ok(count)
    }
}

impl Seek for BrowserFile {
    fn seek(&mut self, to: SeekFrom) -> Result<u64> {
        let place = match to {
            SeekFrom::Start(at) => Some(at),
            SeekFrom::End(by) => self.length.checked_add_signed(by),
            SeekFrom::Current(by) => self.at.checked_add_signed(by),
        };
        self.at = place.ok_or_else(|| Error::new(ErrorKind::InvalidInput, "a place before the file's start"))?;
        Ok(self.at)
    }
}

/// The browser's refusal, with the byte it happened at.
fn refused(error: &JsValue, at: u64) -> Error {
    let reason = js_sys::Reflect::get(error, &JsValue::from_str("message")).ok().and_then(|text| text.as_string());
    Error::other(format!(
        "byte {at}: {}",
        reason.unwrap_or_else(|| String::from("the browser refused to read the file"))
    ))
}
