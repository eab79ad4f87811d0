//! One evening sample by sample: the crank turns, things fire and strike, sensors hear, files grow.

use super::cycle::{Combustion, Conditions, KnockDraw, Luck};
use super::engine::{CYLINDERS, Crank};
use super::impacts::{PARTS, Part, Strike};
use super::log::{ControlUnit, Measured, WINDOW_DEG_ATDC};
use super::noise::{Noise, amplitude};
use super::random::Random;
use super::ringing::{Knock, Rings};
use super::sensor::{SENSORS, Sensor};
use super::story::{Plan, Wish};
use super::truth::TrueEvent;
use super::wav::WavWriter;
use super::wheel::{Input, cam, wheel};

/// Samples between two looks at what changes slowly.
const SLOWLY: u64 = 16;
/// A combustion is decided so long before its TDC, before its spark.
const DECIDED_DEG_ATDC: f64 = -60.0;
/// The gas pushes twice; the second push is smaller.
const PUSHES: [(f64, f64); 2] = [(13.5, 1.0), (31.0, 0.24)];
const BURST_DEG_ATDC: f64 = 2.0;
/// First mode's amplitude that stands 0 dB over the usual background, at level 0 dB. Measured once with a band of
/// 4.8-6.4 kHz and a window of 10-60 degrees.
const KNOCK_UNIT: f64 = 0.037;
/// Speed follows what is asked within this time.
const FOLLOW_S: f64 = 0.12;
const START_DEG: f64 = 400.0;
const ELECTRONICS: f64 = 3e-5;

/// What is to happen at a crank angle.
#[derive(Clone, Copy)]
enum Act {
    Decide,
    TopDeadCentre(Combustion, f64),
    Push(f64),
    Burst(f64),
    Knock(KnockDraw, f64),
    Strike(Part),
    WindowOpens,
    WindowCloses,
}

#[derive(Clone, Copy)]
struct Due {
    deg: f64,
    cylinder_index: usize,
    act: Act,
}

/// A run under way.
pub(super) struct Run {
    pub plan: Plan,
    random: Random,
    crank: Crank,
    noise: Noise,
    rings: Rings,
    sensors: Vec<Sensor>,
    luck: Luck,
    unit: ControlUnit,
    inputs: Option<[Input; 2]>,
    agenda: Vec<Due>,
    next_deg: f64,
    now: Wish,
    rpm: f64,
    coolant_c: f64,
    mean_deg: f64,
    ripple_share: f64,
    frame: u64,
    frames: u64,
    kept: std::ops::Range<u64>,
    wav: WavWriter,
    events: Vec<TrueEvent>,
}

/// What a run leaves behind.
pub(super) struct Outcome {
    pub plan: Plan,
    pub from_s: f64,
    pub to_s: f64,
    pub events: Vec<TrueEvent>,
    pub wav: Vec<u8>,
    pub log: Vec<u8>,
}

impl Run {
    /// From the start; only the samples of `kept_s` go into the recording.
    pub fn new(plan: Plan, kept_s: Option<[f64; 2]>) -> Self {
        let rate_hz = f64::from(plan.rate_hz);
        let frames = (plan.script.length_s() * rate_hz) as u64;
        let kept = kept_s.map_or(0..frames, |[from, to]| (from * rate_hz) as u64..((to * rate_hz) as u64).min(frames));
        let channels = plan.mounts.len() + if plan.wheel.is_some() { 2 } else { 0 };
        let sensors = plan.mounts.iter().enumerate().map(|(k, mount)| Sensor::new(k, *mount, rate_hz)).collect();
        let now = plan.script.at(0.0);
        let mut run = Self {
            random: Random::new(plan.seed),
            crank: Crank::new(START_DEG),
            noise: Noise::new(rate_hz, plan.hearing),
            rings: Rings::new(rate_hz, plan.engine.bore_mm),
            sensors,
            luck: Luck::default(),
            unit: ControlUnit::new(plan.log, rate_hz, plan.mounts.len(), listens(&plan)),
            inputs: plan.wheel.map(|coupling| std::array::from_fn(|_| Input::new(coupling, rate_hz))),
            agenda: Vec::with_capacity(64),
            next_deg: 0.0,
            now,
            rpm: now.rpm,
            coolant_c: plan.coolant_c[0],
            mean_deg: 0.0,
            ripple_share: 0.0,
            frame: 0,
            frames,
            wav: WavWriter::new(channels as u16, plan.rate_hz, (kept.end - kept.start) as usize),
            kept,
            events: Vec::new(),
            plan,
        };
        run.begin();
        run
    }

    /// Share done.
    pub fn share(&self) -> f64 {
        self.frame as f64 / self.frames.max(1) as f64
    }

    /// Up to `count` frames; false once there are no more.
    pub fn advance(&mut self, count: u64) -> bool {
        let end = (self.frame + count).min(self.frames);
        while self.frame < end {
            self.one_frame();
        }
        self.frame < self.frames
    }

    /// What there is.
    pub fn finish(self) -> Outcome {
        let rate_hz = f64::from(self.plan.rate_hz);
        Outcome {
            from_s: self.kept.start as f64 / rate_hz,
            to_s: self.kept.end as f64 / rate_hz,
            plan: self.plan,
            events: self.events,
            wav: self.wav.finish(),
            log: self.unit.finish(),
        }
    }

    fn begin(&mut self) {
        for k in 0..CYLINDERS {
            let first_deg = self.plan.engine.firing_deg(k as u16 + 1) + DECIDED_DEG_ATDC;
            let turns = ((START_DEG - first_deg) / 720.0) as i64 + 1;
            self.agenda.push(Due { deg: first_deg + 720.0 * turns as f64, cylinder_index: k, act: Act::Decide });
        }
        self.look_ahead();
    }

    fn look_ahead(&mut self) {
        self.next_deg = self.agenda.iter().map(|due| due.deg).fold(f64::INFINITY, f64::min);
    }

    fn one_frame(&mut self) {
        if self.frame.is_multiple_of(SLOWLY) {
            self.look_at_what_changes_slowly();
        }
        self.crank.turn(self.mean_deg, self.ripple_share);
        if self.crank.deg >= self.next_deg {
            self.do_what_is_due();
        }
        let mut felt = [0.0; SENSORS];
        self.noise.next(self.crank.deg, &mut self.random, &mut felt);
        self.rings.next(&mut felt);
        let mut outputs = [0.0; SENSORS];
        for ((output, sensor), felt) in outputs.iter_mut().zip(&mut self.sensors).zip(felt) {
            *output = self.plan.scale * sensor.next(felt, &mut self.random) + ELECTRONICS * self.random.noise();
        }
        self.unit.hear(&outputs);
        self.record(&outputs);
        self.frame += 1;
    }

    fn record(&mut self, outputs: &[f64; SENSORS]) {
        let kept = self.kept.contains(&self.frame);
        if kept {
            outputs.iter().take(self.plan.mounts.len()).for_each(|output| self.wav.push(*output));
        }
        let Some([on_wheel, on_cam]) = &mut self.inputs else { return };
        let (deg, turned_deg) = (self.crank.deg, self.crank.turned_deg);
        let words = [
            on_wheel.next(wheel(deg, turned_deg), &mut self.random),
            on_cam.next(cam(deg, turned_deg), &mut self.random),
        ];
        if kept {
            words.into_iter().for_each(|word| self.wav.push(word));
        }
    }

    fn look_at_what_changes_slowly(&mut self) {
        let rate_hz = f64::from(self.plan.rate_hz);
        let (t_s, dt_s) = (self.frame as f64 / rate_hz, SLOWLY as f64 / rate_hz);
        self.now = self.plan.script.at(t_s);
        self.rpm += (self.now.rpm - self.rpm) * dt_s / FOLLOW_S;
        self.mean_deg = 6.0 * self.rpm / rate_hz;
        self.ripple_share = Crank::ripple_share(self.rpm, self.now.load);
        let [cold, warm] = self.plan.coolant_c;
        self.coolant_c = cold + (warm - cold) * self.share();
        self.sensors.iter_mut().for_each(|sensor| sensor.warm(self.coolant_c));
        self.noise.tune(self.rpm, self.now.load);
        self.rings.tune(self.crank.deg);
        let measured = Measured {
            rpm: self.rpm,
            load: self.now.load,
            ignition_deg: self.now.ignition_deg,
            gear: self.now.gear,
            corrected: self.now.corrected,
            coolant_c: self.coolant_c,
            air_c: self.plan.air_c,
        };
        self.unit.pass(t_s, dt_s, &measured);
    }

    fn do_what_is_due(&mut self) {
        let mut k = 0;
        while let Some(due) = self.agenda.get(k).copied() {
            if due.deg <= self.crank.deg {
                self.agenda.swap_remove(k);
                self.act(due);
            } else {
                k += 1;
            }
        }
        self.look_ahead();
    }

    fn act(&mut self, due: Due) {
        let k = due.cylinder_index;
        match due.act {
            Act::Decide => self.decide(k, due.deg),
            Act::TopDeadCentre(combustion, ignition_deg) => self.note(&due, &combustion, ignition_deg),
            Act::Push(amplitude) => self.noise.click(k, amplitude),
            Act::Burst(amplitude) => self.noise.burst(k, due.deg, amplitude),
            Act::Knock(draw, amplitude) => self.knock(&due, draw, amplitude),
            Act::Strike(part) => self.strike(k, part),
            Act::WindowOpens => self.unit.open(k),
            Act::WindowCloses => self.unit.close(),
        }
    }

    fn decide(&mut self, k: usize, decided_deg: f64) {
        let tdc_deg = decided_deg - DECIDED_DEG_ATDC;
        let ignition_deg = self.now.ignition_deg - self.unit.retard_deg(k);
        let at = Conditions {
            rpm: self.rpm,
            load: self.now.load,
            ignition_deg_btdc: ignition_deg,
            provoked: self.now.provoked,
        };
        let combustion = self.luck.draw(k, at, self.plan.engine, &mut self.random);
        self.crank.push(libm::exp(0.07 * self.random.normal()));
        let mut plan = |deg_atdc: f64, act: Act| {
            self.agenda.push(Due { deg: tdc_deg + deg_atdc, cylinder_index: k, act });
        };
        plan(720.0 + DECIDED_DEG_ATDC, Act::Decide);
        plan(0.0, Act::TopDeadCentre(combustion, ignition_deg));
        plan(WINDOW_DEG_ATDC[0], Act::WindowOpens);
        plan(WINDOW_DEG_ATDC[1], Act::WindowCloses);
        let loud = amplitude(combustion.level_db);
        // Sooner lit, sooner burned.
        let later_deg = 0.2 * (24.0 - ignition_deg);
        plan(BURST_DEG_ATDC + later_deg, Act::Burst(loud));
        for (deg, share) in PUSHES {
            let wander_deg = 0.8 * self.random.normal();
            plan(deg + later_deg + wander_deg, Act::Push(loud * share * self.random.sign()));
        }
        if let Some(draw) = combustion.knock {
            let loud = KNOCK_UNIT * amplitude(combustion.usual_db + draw.intensity_db);
            plan(draw.onset_deg_atdc, Act::Knock(draw, loud));
        }
        for part in PARTS {
            let (deg, wander_deg) = part.strikes(self.plan.engine);
            plan(deg + wander_deg * self.random.normal(), Act::Strike(part));
        }
    }

    fn note(&mut self, due: &Due, combustion: &Combustion, ignition_deg: f64) {
        let since = (self.crank.deg - due.deg) / self.crank.turned_deg;
        self.events.push(TrueEvent {
            t_s: (self.frame as f64 - since) / f64::from(self.plan.rate_hz),
            cylinder: due.cylinder_index as u16 + 1,
            rpm: self.rpm,
            load: self.now.load,
            ignition_deg_btdc: ignition_deg,
            intensity_db: combustion.knock.map(|knock| knock.intensity_db),
        });
    }

    fn heard(&self, k: usize) -> [f64; SENSORS] {
        std::array::from_fn(|sensor| self.plan.hearing[sensor][k])
    }

    fn knock(&mut self, due: &Due, draw: KnockDraw, amplitude: f64) {
        let knock = Knock { onset_deg: due.deg, gas_k: draw.gas_k, amplitude, heard: self.heard(due.cylinder_index) };
        self.rings.knock(&knock, &mut self.random);
    }

    fn strike(&mut self, k: usize, part: Part) {
        let at = Strike {
            cylinder_index: k,
            rpm: self.rpm,
            load: self.now.load,
            coolant_c: self.coolant_c,
            heard: self.heard(k),
        };
        part.strike(&at, &mut self.random, &mut self.rings);
    }
}

/// The sensor that hears each cylinder best.
fn listens(plan: &Plan) -> [usize; CYLINDERS] {
    std::array::from_fn(|k| if plan.hearing[1][k] > plan.hearing[0][k] { 1 } else { 0 })
}
