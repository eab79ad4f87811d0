//! Power over engine order at three speeds: what turns with the crank is a line, what rings is none.

use super::*;
use crate::card::recording::Recording;
use crate::crank::track::Segment;
use crate::feature::orders::{HIGHEST, Orders, TURNS};
use crate::out::words::{number, say};
use crate::read::samples::Planes;
use crate::stats::order::Arrange;
use crate::units::decibels;

/// Speed ranges drawn.
const RANGES: usize = 3;
/// Most blocks a range: more would not move a line by half a decibel.
const MOST_BLOCKS: usize = 32;
/// Longest block read, samples.
const LONGEST: usize = 1 << 20;

struct Block<'a> {
    segment: &'a Segment,
    from_deg: f64,
    rpm: f64,
}

pub(super) fn spectrum(card: &Card, id: FileId, channel: u16) -> Option<Figure> {
    let (_, recording) = card.recordings().find(|(file, _)| file.id == id)?;
    let mut blocks = blocks(recording);
    blocks.arrange(|a, b| a.rpm.total_cmp(&b.rpm));
    let inks = [Ink::Faint, Ink::Quiet, Ink::Ink];
    let (mut layers, mut levels) = (Vec::new(), Vec::new());
    for (range, ink) in inks.into_iter().enumerate() {
        let [from, to] = [range, range + 1].map(|k| k * blocks.len() / RANGES);
        let own = blocks.get(from..to).unwrap_or_default();
        let Some((step, power)) = summed(recording, channel, own) else { continue };
        let db: Vec<f64> = power.iter().map(|power| decibels(power.max(1e-15))).collect();
        let rpm = own.iter().map(|block| block.rpm).sum::<f64>() / own.len() as f64;
        let label = say("chart.atrpm", &[("rpm", number(rpm, 0))]);
        let x = numbers((0..db.len()).map(|k| k as f64 * step));
        levels.extend(db.iter().skip(1).copied());
        layers.push(line(x, numbers(db), ink, dash(RANGES - 1 - range), Some(label)));
    }
    let (low, high) = extent(levels)?;
    let values = [("file", file_name(card, id)), ("n", channel.to_string())];
    Some(Figure {
        id: format!("orderlines-{id}-{channel}"),
        summary: say("band.figure.orderlines.summary", &values),
        x: axis("chart.order", Quantity::Other, 0.0, HIGHEST),
        y: axis("chart.dbfs", Quantity::Level, low, high),
        layers,
    })
}

/// Every stretch of whole turns, one after the other.
fn blocks(recording: &Recording) -> Vec<Block<'_>> {
    let length_deg = 360.0 * TURNS as f64;
    let segments = recording.crank().map_or(&[][..], |crank| &crank.track.segments);
    let mut blocks = Vec::new();
    for segment in segments {
        let Some((first, last)) = segment.span_deg() else { continue };
        let mut from_deg = first + 360.0;
        while from_deg + length_deg < last {
            let rpm = segment.rpm_between(from_deg, from_deg + length_deg);
            blocks.extend(rpm.map(|rpm| Block { segment, from_deg, rpm }));
            from_deg += length_deg;
        }
    }
    blocks
}

fn summed(recording: &Recording, channel: u16, blocks: &[Block]) -> Option<(f64, Vec<f64>)> {
    let mut orders = Orders::new(recording.sample_rate_hz());
    let mut planes = Planes::new();
    for block in blocks.iter().step_by(blocks.len().div_ceil(MOST_BLOCKS).max(1)) {
        let wanted = orders.wants(block.segment, block.from_deg).filter(|(_, count)| *count <= LONGEST);
        let Some((first, count)) = wanted else { continue };
        if recording.samples.borrow_mut().read(first, count, &mut planes).is_ok()
            && let Some(plane) = planes.get(usize::from(channel).wrapping_sub(1))
        {
            orders.add(block.segment, block.from_deg, first, plane);
        }
    }
    (orders.blocks() > 0).then(|| (orders.step(), orders.power()))
}
