//! Three evenings at Alder Valley and a stranger's file: who drives how, with which sensors, at which ignition.

use super::Evening;
use super::engine::{ALDER_VALLEY, Engine, STRANGER};
use super::log::{Dialect, LogPlan};
use super::sensor::{Hearing, MIDDLE, Mount, ON_BLOCK, ON_BRACKET, PAIRS, TUNED};
use super::wheel::Coupling;

/// Everything that makes one evening.
pub(super) struct Plan {
    /// Base of all file names.
    pub name: &'static str,
    pub role: Option<&'static str>,
    pub told: &'static str,
    pub seed: u64,
    pub rate_hz: u32,
    pub engine: &'static Engine,
    pub mounts: Vec<Mount>,
    pub hearing: Hearing,
    /// How wheel and cam are recorded; `None`: they are not.
    pub wheel: Option<Coupling>,
    /// Full scale per unit of sensor output.
    pub scale: f64,
    pub coolant_c: [f64; 2],
    pub air_c: f64,
    pub script: Script,
    pub log: LogPlan,
    /// The stretch kept as an excerpt, seconds.
    pub excerpt_s: [f64; 2],
    /// Someone listened to it.
    pub by_ear: bool,
}

/// Driving, as corners joined by straight lines.
#[derive(Default)]
pub(super) struct Script {
    corners: Vec<Corner>,
    /// The pulls, in order of time.
    pub pulls: Vec<Pull>,
}

#[derive(Clone, Copy)]
struct Corner {
    t_s: f64,
    rpm: f64,
    load: f64,
    ignition_deg: f64,
    gear: u8,
}

/// One pull through the gears at wide throttle.
#[derive(Clone, Copy)]
pub(super) struct Pull {
    pub from_s: f64,
    pub to_s: f64,
    pub load: f64,
    pub ignition_deg: f64,
    /// Knock was provoked: advance alone decides how much of it comes.
    pub provoked: bool,
    /// The control unit takes out ignition when it hears knock.
    pub corrected: bool,
}

/// The state the driver and the map ask for.
#[derive(Clone, Copy)]
pub(super) struct Wish {
    pub rpm: f64,
    pub load: f64,
    pub ignition_deg: f64,
    pub gear: u8,
    pub provoked: bool,
    pub corrected: bool,
}

/// Foot off: what is left of the load.
const OVERRUN_LOAD: f64 = 0.12;
const FALL_RPM_PER_S: f64 = 3200.0;
const TIP_IN_S: f64 = 0.15;

impl Script {
    fn last(&self) -> Corner {
        self.corners.last().copied().unwrap_or(Corner { t_s: 0.0, rpm: 900.0, load: 0.25, ignition_deg: 12.0, gear: 0 })
    }

    fn go(mut self, seconds: f64, rpm: f64, load: f64, ignition_deg: f64, gear: u8) -> Self {
        let t_s = self.last().t_s + seconds;
        self.corners.push(Corner { t_s, rpm, load, ignition_deg, gear });
        self
    }

    /// Steady running.
    fn hold(self, seconds: f64, rpm: f64, load: f64, ignition_deg: f64) -> Self {
        let gear = if rpm < 1200.0 { 0 } else { 3 };
        self.go(0.6, rpm, load, ignition_deg, gear).go(seconds, rpm, load, ignition_deg, gear)
    }

    /// Foot off down to the first speed, then a pull to the second at a load of 0..1, ignition from here to there.
    fn pull(self, rpm: [f64; 2], seconds: f64, load: f64, ignition_deg: [f64; 2]) -> Self {
        let before = self.last();
        let fall_s = 0.35 + (before.rpm - rpm[0]).abs() / FALL_RPM_PER_S;
        let mut script = self.go(0.15, before.rpm, OVERRUN_LOAD, 20.0, 3).go(fall_s, rpm[0], OVERRUN_LOAD, 20.0, 3).go(
            TIP_IN_S,
            rpm[0],
            load,
            ignition_deg[0],
            3,
        );
        let from_s = script.last().t_s;
        script = script.go(seconds, rpm[1], load, ignition_deg[1], 3);
        let pull = Pull {
            from_s,
            to_s: from_s + seconds,
            load,
            ignition_deg: (ignition_deg[0] + ignition_deg[1]) / 2.0,
            provoked: false,
            corrected: false,
        };
        script.pulls.push(pull);
        script
    }

    /// A pull at one ignition angle, far enough advanced to knock or not.
    fn provoke(self, rpm: [f64; 2], seconds: f64, ignition_deg: f64) -> Self {
        let mut script = self.pull(rpm, seconds, 0.95, [ignition_deg; 2]);
        if let Some(pull) = script.pulls.last_mut() {
            pull.provoked = true;
        }
        script
    }

    /// The last pull was driven with the control unit's knock control switched on.
    fn corrected(mut self) -> Self {
        if let Some(pull) = self.pulls.last_mut() {
            pull.corrected = true;
        }
        self
    }

    /// End of the script.
    pub fn length_s(&self) -> f64 {
        self.last().t_s
    }

    /// What is asked for at `t_s`.
    pub fn at(&self, t_s: f64) -> Wish {
        let next = self.corners.partition_point(|corner| corner.t_s <= t_s);
        let b = self.corners.get(next).copied().unwrap_or(self.last());
        let a = next.checked_sub(1).and_then(|k| self.corners.get(k)).copied().unwrap_or(b);
        let share = if b.t_s > a.t_s { (t_s - a.t_s) / (b.t_s - a.t_s) } else { 1.0 };
        let mix = |from: f64, to: f64| from + share * (to - from);
        let pull = self.pulls.iter().find(|pull| pull.from_s <= t_s && t_s < pull.to_s);
        Wish {
            rpm: mix(a.rpm, b.rpm),
            load: mix(a.load, b.load),
            ignition_deg: mix(a.ignition_deg, b.ignition_deg),
            gear: b.gear,
            provoked: pull.is_some_and(|pull| pull.provoked),
            corrected: pull.is_some_and(|pull| pull.corrected),
        }
    }
}

/// The plan of an evening.
pub(super) fn plan(evening: Evening) -> Plan {
    match evening {
        Evening::One => one(),
        Evening::Two => two(),
        Evening::Three => three(),
        Evening::Stranger => stranger(),
    }
}

fn alder_valley(name: &'static str, seed: u64, script: Script) -> Plan {
    Plan {
        name,
        role: None,
        told: "",
        seed,
        rate_hz: 48_000,
        engine: &ALDER_VALLEY,
        mounts: vec![ON_BLOCK, Mount { gain_db: -3.1, ..ON_BLOCK }],
        hearing: PAIRS,
        wheel: Some(Coupling::Direct),
        scale: 0.6,
        coolant_c: [72.0, 88.0],
        air_c: 21.0,
        script,
        log: LogPlan { dialect: Dialect::PerCylinder, rate_hz: 25.0, offset_s: 0.62, drift_ppm: 45.0, seed: seed + 1 },
        excerpt_s: [0.0, 8.0],
        by_ear: false,
    }
}

fn one() -> Plan {
    let script = Script::default()
        .hold(1.5, 900.0, 0.25, 12.0)
        .provoke([2200.0, 5200.0], 4.8, 26.5)
        .pull([2000.0, 5500.0], 4.5, 0.9, [16.0, 21.0])
        .provoke([2300.0, 5300.0], 4.5, 27.5)
        .hold(1.2, 2400.0, 0.35, 26.0);
    Plan {
        role: Some("before"),
        told: "Sensor 2 sits on a bracket that rings at 3.62 kHz at any speed; a few cycles of two pulls knock.",
        mounts: vec![ON_BLOCK, ON_BRACKET],
        wheel: Some(Coupling::Sound),
        coolant_c: [64.0, 74.0],
        excerpt_s: [13.6, 21.6],
        ..alder_valley("evening-one", 101, script)
    }
}

fn two() -> Plan {
    let script = Script::default()
        .hold(3.5, 900.0, 0.25, 12.0)
        .hold(3.0, 2400.0, 0.35, 26.0)
        .pull([1800.0, 5900.0], 6.4, 1.0, [15.0, 22.0])
        .pull([1900.0, 5600.0], 5.6, 0.95, [15.0, 22.0])
        .hold(2.5, 3400.0, 0.4, 27.0)
        .pull([1800.0, 5950.0], 6.2, 1.0, [15.0, 22.0])
        .pull([2000.0, 5000.0], 5.0, 0.6, [20.0, 25.0])
        .pull([1800.0, 6400.0], 6.6, 1.0, [15.0, 23.0])
        .pull([2200.0, 5500.0], 5.2, 1.0, [15.0, 22.0])
        .hold(1.5, 900.0, 0.25, 12.0);
    Plan {
        role: Some("safe"),
        told: "Both sensors on the block, sensor 2 reads 3.1 dB lower; no knock; one single pull passes 6000 rpm.",
        excerpt_s: [40.8, 48.8],
        ..alder_valley("evening-two", 202, script)
    }
}

fn three() -> Plan {
    let sweep = [20.0, 22.0, 24.0, 26.0, 28.0, 30.0];
    let script = Script::default().hold(2.0, 2200.0, 0.35, 24.0);
    let script = sweep.into_iter().fold(script, |script, deg| script.provoke([2200.0, 5400.0], 6.0, deg));
    let script = script.provoke([2200.0, 5400.0], 6.0, 29.0).corrected().hold(1.2, 2200.0, 0.35, 24.0);
    Plan {
        role: Some("knock"),
        told: "Light knock provoked by advancing the ignition pull by pull; a last pull with the knock control on.",
        coolant_c: [80.0, 92.0],
        excerpt_s: [40.6, 48.6],
        by_ear: true,
        ..alder_valley("evening-three", 303, script)
    }
}

fn stranger() -> Plan {
    let script = Script::default()
        .hold(2.0, 950.0, 0.25, 10.0)
        .pull([2000.0, 5600.0], 5.0, 1.0, [12.0, 19.0])
        .provoke([2400.0, 5200.0], 4.5, 27.5)
        .hold(2.0, 2800.0, 0.4, 25.0)
        .pull([1800.0, 6000.0], 5.5, 1.0, [12.0, 20.0]);
    Plan {
        role: None,
        told: "One sensor built to ring at 6.8 kHz, no wheel and no cam; a few cycles of the second pull knock.",
        rate_hz: 44_100,
        engine: &STRANGER,
        mounts: vec![TUNED],
        hearing: MIDDLE,
        wheel: None,
        coolant_c: [86.0, 93.0],
        air_c: 33.0,
        log: LogPlan { dialect: Dialect::PerSensor, rate_hz: 20.0, offset_s: 0.4, drift_ppm: -80.0, seed: 405 },
        excerpt_s: [8.6, 16.6],
        ..alder_valley("strangers", 404, script)
    }
}
