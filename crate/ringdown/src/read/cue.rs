//! Marks a recorder sets: chunk `cue `, labels and lengths in `LIST adtl` (Microsoft RIFF specification, from memory).

use super::bytes::Endian;
use super::wave::Cue;
use std::collections::HashMap;

/// Bytes of a chunk looked at.
pub(super) const MOST_BYTES: usize = 1 << 16;
/// Marks and labels kept.
const MOST: usize = 4096;
const POINT_BYTES: usize = 24;
const MOST_LABEL_BYTES: usize = 256;

/// Points and labels, joined by their number.
#[derive(Default)]
pub(super) struct Marks {
    points: Vec<(u32, u64)>,
    labels: Vec<(u32, String)>,
    lengths: Vec<(u32, u32)>,
}

impl Marks {
    /// Adds the points of a body of `cue `.
    pub(super) fn points(&mut self, body: &[u8], endian: Endian) {
        let points = body.get(4..).unwrap_or_default().chunks_exact(POINT_BYTES);
        let point = |p: &[u8]| Some((endian.u32(p, 0)?, u64::from(endian.u32(p, 20)?)));
        let room = MOST.saturating_sub(self.points.len());
        self.points.extend(points.filter_map(point).take(room));
    }

    /// Adds the labels and lengths of a body of `LIST`, if it is a list of labels.
    pub(super) fn labels(&mut self, body: &[u8], endian: Endian) {
        let Some(mut rest) = body.strip_prefix(b"adtl") else { return };
        while let (Some(size), Some(text)) = (endian.u32(rest, 4), rest.get(8..)) {
            let size = (size as usize).min(text.len());
            if self.labels.len() >= MOST || self.lengths.len() >= MOST {
                return;
            }
            match (rest.get(..4), endian.u32(text, 0)) {
                (Some(b"labl"), Some(number)) => {
                    self.labels.push((number, label(text.get(4..size).unwrap_or_default())));
                }
                (Some(b"ltxt"), Some(number)) => {
                    self.lengths.extend(endian.u32(text, 4).map(|frames| (number, frames)))
                }
                _ => {}
            }
            rest = text.get(size + size % 2..).unwrap_or_default();
        }
    }

    /// The marks inside `frames`, in order.
    pub(super) fn within(self, frames: u64) -> Vec<Cue> {
        let label_of: HashMap<_, _> = self.labels.into_iter().rev().collect();
        let length_of: HashMap<_, _> = self.lengths.into_iter().rev().collect();
        let cue = |(number, frame): &(u32, u64)| Cue {
            frame: *frame,
            length: length_of.get(number).map_or(0, |length| u64::from(*length).min(frames - frame)),
            label: label_of.get(number).cloned().unwrap_or_default(),
        };
        let mut cues: Vec<Cue> = self.points.iter().filter(|(_, frame)| *frame < frames).map(cue).collect();
        cues.sort_by_key(|cue| cue.frame);
        cues
    }
}

fn label(text: &[u8]) -> String {
    let text = text.split(|b| *b == 0).next().unwrap_or_default();
    String::from_utf8_lossy(text.get(..MOST_LABEL_BYTES).unwrap_or(text)).into_owned()
}
