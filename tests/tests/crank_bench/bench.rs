//! A recording of crank and cam with its truth, decoded and measured against it.

use super::engine::{Engine, Speed, pulses_at, square, to_f32, wheel};
use ringdown::crank::{Crank, Decoder};
use ringdown::read::sheet::{Cam, Crank as Reference, Edge, Missing, Sheet};

pub const GAP_DEG_BTDC: f64 = 84.0;
pub const CAM_DEG_BTDC: f64 = 60.0;
pub const FOUR: &[u16] = &[1, 3, 4, 2];

/// A recording with its truth.
pub struct Bench {
    pub sheet: Sheet,
    pub engine: Engine,
    pub rate_hz: f64,
    pub planes: Vec<Vec<f32>>,
}

impl Bench {
    /// An engine of `order` at `speed`; the planes are to be added.
    pub fn new(order: &[u16], crank: Reference, speed: Speed, seconds: f64, rate_hz: f64) -> Bench {
        let cam = Cam::PulsePerCycle { channel: 2, deg_btdc: Some(CAM_DEG_BTDC), edge: Some(Edge::Rising) };
        let sheet = Sheet {
            cylinders: Some(order.len() as u16),
            firing_order: Some(order.to_vec()),
            crank: Some(crank),
            cam: Some(cam),
            ..Sheet::default()
        };
        Self::rippling(sheet, speed, seconds, rate_hz, 0.03)
    }

    pub fn rippling(sheet: Sheet, speed: Speed, seconds: f64, rate_hz: f64, ripple: f64) -> Bench {
        let firings = f64::from(sheet.cylinders.unwrap_or(4)) / 2.0;
        let engine = Engine::new(speed, seconds, 137.0, firings, ripple);
        Bench { sheet, engine, rate_hz, planes: Vec::new() }
    }

    pub fn samples(&self) -> usize {
        (self.engine.end_s() * self.rate_hz) as usize
    }

    /// Firing TDC of cylinder 1 in the engine's frame.
    pub fn first_deg(&self) -> f64 {
        self.truth_deg(1)
    }

    pub fn truth_deg(&self, cylinder: u16) -> f64 {
        let order = self.sheet.firing_order.as_deref().unwrap_or(&[]);
        let place = order.iter().position(|&c| c == cylinder).expect("in the order");
        720.0 / order.len() as f64 * place as f64
    }

    pub fn wheel(self, teeth: usize, missing: usize) -> Bench {
        let pulses = wheel(&self.engine, teeth, missing, self.first_deg() - GAP_DEG_BTDC, 180.0 / teeth as f64);
        let plane = to_f32(&square(&pulses, self.samples(), self.rate_hz), 0.5);
        self.plane(plane)
    }

    /// The cam comes `late_deg` later than the sheet says.
    pub fn cam(self, late_deg: f64) -> Bench {
        let pulses = pulses_at(&self.engine, self.first_deg() - CAM_DEG_BTDC + late_deg, 720.0, 40.0);
        let plane = to_f32(&square(&pulses, self.samples(), self.rate_hz), 0.5);
        self.plane(plane)
    }

    pub fn plane(mut self, plane: Vec<f32>) -> Bench {
        self.planes.push(plane);
        self
    }

    pub fn no_cam(mut self) -> Bench {
        self.sheet.cam = None;
        self
    }

    pub fn decode(&self) -> Crank {
        self.decode_by(1 << 15)
    }

    pub fn decode_by(&self, slice: usize) -> Crank {
        let mut decoder = Decoder::new(&self.sheet, self.rate_hz, self.planes.len()).expect("a usable reference");
        let planes: Vec<&[f32]> =
            decoder.channels().iter().map(|&c| self.planes[usize::from(c) - 1].as_slice()).collect();
        let length = planes.iter().map(|plane| plane.len()).min().unwrap_or(0);
        let mut from = 0;
        while from < length {
            let to = (from + slice).min(length);
            let part: Vec<&[f32]> = planes.iter().map(|plane| &plane[from..to]).collect();
            decoder.push(&part);
            from = to;
        }
        decoder.finish()
    }

    pub fn measure(&self, crank: &Crank) -> Measured {
        let order = self.sheet.firing_order.clone().unwrap_or_default();
        let mut truth: Vec<(f64, u16)> = order
            .iter()
            .flat_map(|&c| self.engine.passages(self.truth_deg(c), 720.0).into_iter().map(move |t| (t, c)))
            .collect();
        truth.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut errors = Vec::new();
        let (mut wrong, mut invented, mut found) = (0, 0, vec![false; truth.len()]);
        for event in &crank.events {
            let deg = self.engine.deg_at(event.t_s);
            let after = truth.partition_point(|t| t.0 < event.t_s);
            let near = [after.saturating_sub(1), after.min(truth.len() - 1)]
                .into_iter()
                .min_by(|&a, &b| (truth[a].0 - event.t_s).abs().total_cmp(&(truth[b].0 - event.t_s).abs()))
                .expect("some truth");
            let off = (self.engine.deg_at(truth[near].0) - deg).abs();
            if off > 30.0 || found[near] {
                invented += 1;
                continue;
            }
            found[near] = true;
            errors.push(off);
            let named =
                event.cylinder.map(|c| c == truth[near].1).or(event.pair.map(|pair| pair.contains(&truth[near].1)));
            wrong += usize::from(named == Some(false));
        }
        let mut speed = Vec::new();
        let mut t = 0.05;
        while t < self.engine.end_s() - 0.05 {
            if let Some(rpm) = crank.track.rpm_at(t) {
                let deg = self.engine.deg_at(t);
                let inside = crank.track.segment_at(t).and_then(|s| s.span_deg().zip(s.deg_at(t)));
                if inside.is_some_and(|((from, to), at)| at - 90.0 > from && at + 90.0 < to) {
                    let truth = 30.0 / (self.engine.time_at(deg + 90.0) - self.engine.time_at(deg - 90.0));
                    speed.push((rpm / truth - 1.0).abs());
                }
            }
            t += 0.01;
        }
        Measured {
            speed: quantile(speed, 0.5),
            deg: quantile(errors, 0.95),
            found: found.iter().filter(|&&f| f).count() as f64 / truth.len() as f64,
            wrong,
            invented,
            claimed_deg: crank.track.segments.iter().map(|s| s.error_deg).fold(0.0, f64::max),
        }
    }
}

#[derive(Debug)]
pub struct Measured {
    /// Median relative error of the half-turn speed.
    pub speed: f64,
    /// 95th percentile of the TDC error.
    pub deg: f64,
    /// Share of true events found.
    pub found: f64,
    pub wrong: usize,
    pub invented: usize,
    pub claimed_deg: f64,
}

pub fn quantile(mut values: Vec<f64>, share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    let last = values.len().saturating_sub(1);
    values.get((last as f64 * share) as usize).copied().unwrap_or(f64::NAN)
}

pub fn toothed(teeth: u16, missing: u16) -> Reference {
    let missing = Missing::One(missing);
    Reference::MissingTooth { channel: 1, teeth, missing, gap_deg_btdc: Some(GAP_DEG_BTDC), edge: Some(Edge::Rising) }
}

pub struct Limits {
    pub speed: f64,
    pub deg: f64,
    pub found: f64,
}

pub const CLEAN: Limits = Limits { speed: 2e-4, deg: 0.1, found: 0.99 };

#[track_caller]
pub fn check(what: &str, bench: &Bench, limits: &Limits) -> Crank {
    let crank = bench.decode();
    let got = bench.measure(&crank);
    println!("{what}: {got:?} {:?} {:?} {:?}", crank.notes, crank.edges, crank.lost);
    assert!(got.speed < limits.speed, "{what}: speed {got:?}");
    assert!(got.deg < limits.deg, "{what}: angle {got:?}");
    assert!(got.found > limits.found, "{what}: found {got:?}");
    assert_eq!((got.wrong, got.invented), (0, 0), "{what}: {got:?}");
    assert!(got.deg < 1.5 * got.claimed_deg, "{what}: the claimed error is no bound: {got:?}");
    crank
}
