//! Power over engine order of a recording at three speeds.

use super::recording::Recording;
use crate::crank::track::Segment;
use crate::error::Error;
use crate::feature::orders::{Orders, TURNS};
use crate::read::samples::Planes;
use crate::stats::order::Arrange;
use std::rc::Rc;

/// Speed ranges told apart, each with as many blocks.
pub const RANGES: usize = 3;
/// Most blocks a range: more would not move a line by half a decibel.
const MOST_BLOCKS: usize = 32;
/// Longest block read, samples.
const LONGEST: usize = 1 << 20;

/// One speed range.
pub struct OrderLine {
    /// Which, slowest first.
    pub range: usize,
    /// Mean speed, 1/min.
    pub rpm: f64,
    /// Orders between two values.
    pub step: f64,
    /// Power, full-scale sine = 1, from order 0 on.
    pub power: Vec<f64>,
}

/// The last whole ones asked for, and of which channel: a page asks again whenever something is said of their section.
pub(super) type Held = Option<(u16, Rc<Vec<OrderLine>>)>;

/// Some whole turns of a segment.
struct Block<'a> {
    segment: &'a Segment,
    from_deg: f64,
    rpm: f64,
}

impl Recording {
    /// Lines of a channel (from 1); ranges without a readable block are left out.
    pub fn order_lines(&self, channel: u16) -> Rc<Vec<OrderLine>> {
        let mut held = self.order_lines.borrow_mut();
        if let Some((_, lines)) = held.as_ref().filter(|(of, _)| *of == channel) {
            return Rc::clone(lines);
        }
        let mut blocks = self.blocks();
        blocks.arrange(|a, b| a.rpm.total_cmp(&b.rpm));
        // What no crank angle is known of is not kept: it may be told later.
        let mut is_whole = !blocks.is_empty();
        let mut line = |range: usize| {
            let [from, to] = [range, range + 1].map(|k| k * blocks.len() / RANGES);
            let own = blocks.get(from..to)?;
            let (orders, read) = self.summed(channel, own);
            is_whole &= read.is_ok();
            let rpm = own.iter().map(|block| block.rpm).sum::<f64>() / own.len() as f64;
            (orders.blocks() > 0).then(|| OrderLine { range, rpm, step: orders.step(), power: orders.power() })
        };
        let lines = Rc::new((0..RANGES).filter_map(&mut line).collect());
        if is_whole {
            *held = Some((channel, Rc::clone(&lines)));
        }
        lines
    }

    /// Every stretch of whole turns, one after the other.
    fn blocks(&self) -> Vec<Block<'_>> {
        let length_deg = 360.0 * TURNS as f64;
        let segments = self.crank().map_or(&[][..], |crank| &crank.track.segments);
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

    /// Blocks of a channel put together; those that can't be read are left out, with the last reason.
    fn summed(&self, channel: u16, blocks: &[Block]) -> (Orders, Result<(), Error>) {
        let mut orders = Orders::new(self.sample_rate_hz());
        let mut planes = Planes::new();
        let mut read = Ok(());
        for block in blocks.iter().step_by(blocks.len().div_ceil(MOST_BLOCKS).max(1)) {
            let wanted = orders.wants(block.segment, block.from_deg).filter(|(_, count)| *count <= LONGEST);
            let Some((first, count)) = wanted else { continue };
            match self.samples.borrow_mut().read_channels(first, count, &mut planes, |of| of == channel) {
                Ok(_) => {
                    if let Some(plane) = planes.get(usize::from(channel).wrapping_sub(1)) {
                        orders.add(block.segment, block.from_deg, first, plane);
                    }
                }
                Err(error) => read = Err(error),
            }
        }
        (orders, read)
    }
}
