//! Marks a recorder sets: chunk `cue ` and the labels in `LIST adtl` (Microsoft RIFF specification, from memory).

use super::bytes::Endian;
use super::wave::Cue;

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
}

impl Marks {
    /// Adds the points of a body of `cue `.
    pub(super) fn points(&mut self, body: &[u8], endian: Endian) {
        let points = body.get(4..).unwrap_or_default().chunks_exact(POINT_BYTES);
        let point = |p: &[u8]| Some((endian.u32(p, 0)?, u64::from(endian.u32(p, 20)?)));
        let room = MOST.saturating_sub(self.points.len());
        self.points.extend(points.filter_map(point).take(room));
    }

    /// Adds the labels of a body of `LIST`, if it is a list of labels.
    pub(super) fn labels(&mut self, body: &[u8], endian: Endian) {
        let Some(mut rest) = body.strip_prefix(b"adtl") else { return };
        while let (Some(size), Some(text)) = (endian.u32(rest, 4), rest.get(8..)) {
            let size = (size as usize).min(text.len());
            if self.labels.len() >= MOST {
                return;
            }
            if let (Some(b"labl"), Some(number)) = (rest.get(..4), endian.u32(text, 0)) {
                self.labels.push((number, label(text.get(4..size).unwrap_or_default())));
            }
            rest = text.get(size + size % 2..).unwrap_or_default();
        }
    }

    /// The marks inside `frames`, in order.
    pub(super) fn within(self, frames: u64) -> Vec<Cue> {
        let label_of = |number| self.labels.iter().find(|(n, _)| *n == number).map(|(_, text)| text.clone());
        let inside = self.points.iter().filter(|(_, frame)| *frame < frames);
        let mut cues: Vec<Cue> =
            inside.map(|(number, frame)| Cue { frame: *frame, label: label_of(*number).unwrap_or_default() }).collect();
        cues.sort_by_key(|cue| cue.frame);
        cues
    }
}

fn label(text: &[u8]) -> String {
    let text = text.split(|b| *b == 0).next().unwrap_or_default();
    String::from_utf8_lossy(text.get(..MOST_LABEL_BYTES).unwrap_or(text)).into_owned()
}
