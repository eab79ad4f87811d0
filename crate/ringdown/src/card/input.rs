//! A file handed over, before anything is known of it.

use crate::error::{Error, Loaded};
use crate::read::{self, Content, Source, Told, chain::Chain, packed};
use std::io::Result as IoResult;
use std::rc::Rc;

/// A file handed over: how it is called, how long it is, how to open it (again), and what the user said about it.
pub struct Input {
    /// File name as the user knows it.
    pub name: String,
    /// Length in bytes.
    pub bytes: u64,
    /// Opens it from its start.
    pub open: Box<dyn Fn() -> IoResult<Box<dyn Source>>>,
    /// What the user said about it.
    pub told: Told,
}

impl Input {
    /// Bytes already in memory.
    pub fn from_bytes(name: impl Into<String>, bytes: Vec<u8>) -> Self {
        let length = bytes.len() as u64;
        let shared: Rc<[u8]> = bytes.into();
        let open = move || Ok(Box::new(std::io::Cursor::new(shared.clone())) as Box<dyn Source>);
        Self { name: name.into(), bytes: length, open: Box::new(open), told: Told::default() }
    }

    /// Opens it from its start.
    ///
    /// # Errors
    /// The disk or the browser refuses.
    pub fn source(&self) -> Result<Box<dyn Source>, Error> {
        (self.open)().map_err(|error| Error::io(&self.name, 0, error))
    }

    /// What is in it; see [`read::open`].
    ///
    /// # Errors
    /// As there.
    pub(super) fn read(&self) -> Result<Loaded<Content>, Error> {
        read::open(&self.name, self.source()?, &self.told)
    }

    /// The files inside, each as an input of its own, when this is a zip archive of several; else itself.
    ///
    /// # Errors
    /// An archive that can't be listed.
    pub fn unpacked(self) -> Result<Vec<Input>, Error> {
        let mut source = self.source()?;
        if !packed::is_zip(&self.name, source.as_mut())? {
            return Ok(vec![self]);
        }
        let entries = packed::entries(&self.name, source.as_mut())?;
        if entries.len() < 2 {
            return Ok(vec![self]);
        }
        let archive = Rc::new(self);
        let one = |entry: packed::Entry| {
            let (archive, bytes) = (Rc::clone(&archive), entry.bytes);
            let name = format!("{}/{}", archive.name, entry.name);
            let told = Told { packed_bytes: Some(entry.packed), ..archive.told.clone() };
            let open = move || {
                let opened = packed::open(&archive.name, (archive.open)()?, &entry);
                opened.map(|loaded| loaded.value).map_err(|error| std::io::Error::other(error.found()))
            };
            Input { name, bytes, open: Box::new(open), told }
        };
        Ok(entries.into_iter().map(one).collect())
    }

    /// Several inputs as one, under another name; their bytes follow each other.
    pub(super) fn joined(name: String, parts: Vec<Input>) -> Input {
        let bytes = parts.iter().map(|part| part.bytes).sum();
        let open = move || {
            let opened = parts.iter().map(|part| Ok(((part.open)()?, part.bytes)));
            Ok(Box::new(Chain::new(opened.collect::<IoResult<Vec<_>>>()?)) as Box<dyn Source>)
        };
        Input { name, bytes, open: Box::new(open), told: Told::default() }
    }
}
