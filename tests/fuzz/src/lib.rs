//! What every target does with its bytes.

use ringdown::read::samples::Planes;
use ringdown::read::{self, Content, Told};
use std::io::Cursor;

/// Opens the bytes as any file is opened and reads what came of it. Laws: no panic, no sample that is no number, times that
/// never fall, columns of one length.
pub fn open(bytes: &[u8], told: &Told) {
    let Ok(loaded) = read::open("x", Box::new(Cursor::new(bytes.to_vec())), told) else { return };
    loaded.notes.iter().for_each(|note| assert!(!note.to_string().is_empty()));
    match loaded.value {
        Content::Recording(mut samples) => {
            let mut planes = Planes::new();
            let frames = samples.frames;
            for first in [frames.saturating_sub(500), 0, frames / 2, frames / 3, u64::MAX] {
                if let Ok(count) = samples.read(first, 500, &mut planes) {
                    assert!(planes.iter().all(|plane| plane.len() == count));
                    assert!(planes.iter().flatten().all(|sample| sample.is_finite()));
                }
            }
        }
        Content::Log(log) => {
            assert!(log.t_s.is_sorted() && log.t_s.iter().all(|t| t.is_finite()));
            assert!(log.columns.iter().all(|column| column.values.len() == log.t_s.len()));
            assert!(log.columns.iter().flat_map(|column| column.values.iter()).all(|value| !value.is_infinite()));
        }
        Content::Sheet(_) | Content::Card(_) => {}
    }
}

/// The bytes behind a head that makes them of one kind, unless they begin with it already.
pub fn headed(head: &[u8], bytes: &[u8]) -> Vec<u8> {
    if bytes.starts_with(head) { bytes.to_vec() } else { [head, bytes].concat() }
}
