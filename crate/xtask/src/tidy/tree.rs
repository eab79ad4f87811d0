//! The repository's own files, as text.

use std::path::Path;

/// Made by tools, never committed.
const MADE: &[&str] = &["target", "dist", "node_modules", ".git"];
/// What is read as text; the rest is data.
const TEXT: &[&str] =
    &["rs", "toml", "js", "mjs", "ts", "json", "html", "css", "svg", "md", "py", "sh", "yml", "yaml", "txt", "csv", ""];
/// Longer text is data too.
const LONGEST_BYTES: usize = 2_000_000;

/// One text file; `path` is relative to the root, with `/`.
pub struct Source {
    pub path: String,
    pub text: String,
}

impl Source {
    /// `rs` of `a/b.rs`.
    pub fn extension(&self) -> &str {
        Path::new(&self.path).extension().and_then(|extension| extension.to_str()).unwrap_or_default()
    }
}

/// All of them, sorted by path, and the names in the root.
#[derive(Default)]
pub struct Tree {
    pub top: Vec<String>,
    pub sources: Vec<Source>,
}

impl Tree {
    /// Reads the tree under `root`.
    pub fn read(root: &Path) -> Self {
        let mut tree = Self { top: names(root), sources: Vec::new() };
        tree.walk(root, "");
        tree
    }

    /// A tree of the given files, for tests of the rules.
    #[cfg(test)]
    pub fn of(files: &[(&str, &str)]) -> Self {
        let source = |&(path, text): &(&str, &str)| Source { path: path.into(), text: text.into() };
        Self { top: Vec::new(), sources: files.iter().map(source).collect() }
    }

    /// The files under `folder` (with its last `/`) of one of the kinds.
    pub fn under<'a>(&'a self, folder: &'a str, kinds: &'a [&'a str]) -> impl Iterator<Item = &'a Source> {
        self.sources.iter().filter(move |s| s.path.starts_with(folder) && kinds.contains(&s.extension()))
    }

    fn walk(&mut self, folder: &Path, at: &str) {
        for name in names(folder) {
            let (full, path) = (folder.join(&name), format!("{at}{name}"));
            if full.is_dir() {
                self.walk(&full, &format!("{path}/"));
            } else if let Some(text) = text(&full) {
                self.sources.push(Source { path, text });
            }
        }
    }
}

fn names(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let mut names: Vec<String> = entries.map(|entry| entry.file_name().to_string_lossy().into_owned()).collect();
    names.retain(|name| !MADE.contains(&name.as_str()));
    names.sort();
    names
}

fn text(path: &Path) -> Option<String> {
    let extension = path.extension().unwrap_or_default().to_str()?;
    let bytes = TEXT.contains(&extension).then(|| std::fs::read(path).ok())??;
    (bytes.len() <= LONGEST_BYTES).then(|| String::from_utf8(bytes).ok())?
}
