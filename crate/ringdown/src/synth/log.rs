//! The demo's control unit: band-pass, window, held peaks, ignition taken out on knock, and the log it writes.
//!
//! Its column names are plain trade words and belong to no existing program.

use super::engine::CYLINDERS;
use super::random::Random;
use super::sensor::{Resonator, SENSORS};

/// Its knock filter and window (common practice, no source).
const CENTRE_HZ: f64 = 5700.0;
const Q: f64 = 3.0;
/// Volts per unit of root mean square in the band; its converter ends at 5 V in 1024 steps.
const VOLTS: f64 = 64.0;
const STEP_V: f64 = 5.0 / 1024.0;
/// Knock: so many times the running background, which takes up this share of each quiet cycle.
const OVER_BACKGROUND: f64 = 2.3;
const BACKGROUND_SHARE: f64 = 0.06;
const RETARD_STEP_DEG: f64 = 1.5;
const RETARD_MOST_DEG: f64 = 9.0;
const RECOVERY_DEG_PER_S: f64 = 1.0;

/// Window of the control unit, degrees after firing TDC.
pub(super) const WINDOW_DEG_ATDC: [f64; 2] = [10.0, 60.0];

/// How a log is written.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Dialect {
    /// Commas, decimal point, unit in the header, a level a cylinder.
    PerCylinder,
    /// Semicolons, decimal comma, German trade words, a row of units, Windows-1252, a level a sensor.
    PerSensor,
}

/// What the log is like.
#[derive(Clone, Copy)]
pub(super) struct LogPlan {
    pub dialect: Dialect,
    pub rate_hz: f64,
    /// Time of its first row in the recording.
    pub offset_s: f64,
    /// Its clock runs faster than the recording's by so many millionths.
    pub drift_ppm: f64,
    pub seed: u64,
}

/// What the control unit measures besides knock.
#[derive(Clone, Copy)]
pub(super) struct Measured {
    pub rpm: f64,
    pub load: f64,
    pub ignition_deg: f64,
    pub gear: u8,
    pub corrected: bool,
    pub coolant_c: f64,
    pub air_c: f64,
}

struct Window {
    cylinder_index: usize,
    sum: f64,
    count: u32,
}

/// The control unit at work.
pub(super) struct ControlUnit {
    plan: LogPlan,
    bands: Vec<Resonator>,
    listens: [usize; CYLINDERS],
    window: Option<Window>,
    /// Highest level since the last row, by cylinder index; `None` while none is new.
    held: [Option<f64>; CYLINDERS],
    shown: [f64; CYLINDERS],
    background: [f64; CYLINDERS],
    retard_deg: [f64; CYLINDERS],
    corrected: bool,
    rows: u32,
    random: Random,
    text: Vec<u8>,
}

impl ControlUnit {
    /// `listens`: sensor index by cylinder index.
    pub fn new(plan: LogPlan, rate_hz: f64, sensors: usize, listens: [usize; CYLINDERS]) -> Self {
        Self {
            plan,
            bands: vec![Resonator::new(CENTRE_HZ, Q, rate_hz); sensors.min(SENSORS)],
            listens,
            window: None,
            held: [None; CYLINDERS],
            shown: [0.0; CYLINDERS],
            background: [0.0; CYLINDERS],
            retard_deg: [0.0; CYLINDERS],
            corrected: false,
            rows: 0,
            random: Random::new(plan.seed),
            text: header(plan.dialect),
        }
    }

    /// One sample of every sensor.
    #[inline]
    pub fn hear(&mut self, outputs: &[f64; SENSORS]) {
        let mut squares = [0.0; SENSORS];
        for ((square, band), output) in squares.iter_mut().zip(&mut self.bands).zip(outputs) {
            let y = band.next(*output);
            *square = y * y;
        }
        if let Some(window) = &mut self.window {
            window.sum += squares[self.listens[window.cylinder_index]];
            window.count += 1;
        }
    }

    /// A cylinder's window opens.
    pub fn open(&mut self, cylinder_index: usize) {
        self.window = Some(Window { cylinder_index, sum: 0.0, count: 0 });
    }

    /// The open window closes: the level counts, and knock takes out ignition.
    pub fn close(&mut self) {
        let Some(Window { cylinder_index: k, sum, count }) = self.window.take() else { return };
        let volts = VOLTS * (sum / f64::from(count.max(1))).sqrt();
        let volts = ((volts / STEP_V) as i32).min(1023) as f64 * STEP_V;
        self.held[k] = Some(self.held[k].unwrap_or(0.0).max(volts));
        let knock = volts > OVER_BACKGROUND * self.background[k] && self.background[k] > 0.0;
        if knock && self.corrected {
            self.retard_deg[k] = (self.retard_deg[k] + RETARD_STEP_DEG).min(RETARD_MOST_DEG);
        }
        let share = if self.background[k] > 0.0 { BACKGROUND_SHARE } else { 1.0 };
        self.background[k] += share * (volts.min(2.0 * self.background[k].max(volts * share)) - self.background[k]);
    }

    /// Degrees taken out of a cylinder's ignition.
    pub fn retard_deg(&self, cylinder_index: usize) -> f64 {
        self.retard_deg[cylinder_index]
    }

    /// Time passes: `t_s` in the recording, `dt_s` since the last call.
    pub fn pass(&mut self, t_s: f64, dt_s: f64, measured: &Measured) {
        self.corrected = measured.corrected;
        for retard in &mut self.retard_deg {
            *retard = (*retard - RECOVERY_DEG_PER_S * dt_s).max(0.0);
        }
        if t_s >= self.due_s() {
            self.row(measured);
        }
    }

    fn due_s(&self) -> f64 {
        let own_s = f64::from(self.rows) / self.plan.rate_hz;
        self.plan.offset_s + own_s / (1.0 + self.plan.drift_ppm * 1e-6)
    }

    fn row(&mut self, at: &Measured) {
        for (shown, held) in self.shown.iter_mut().zip(&mut self.held) {
            *shown = held.take().unwrap_or(*shown);
        }
        let t_s = f64::from(self.rows) / self.plan.rate_hz;
        self.rows += 1;
        let retard_deg = self.retard_deg.iter().copied().fold(0.0, f64::max);
        let rich = if at.load > 0.6 { 0.87 } else { 1.0 };
        let wobble = |random: &mut Random, value: f64, spread: f64| value + spread * random.noise();
        let random = &mut self.random;
        let rpm = wobble(random, at.rpm, 4.0);
        let throttle = wobble(random, (4.0 + 94.0 * at.load * at.load.sqrt()).min(99.0), 0.2);
        let pressure_kpa = wobble(random, 22.0 + 77.0 * at.load, 0.6);
        let ignition_deg = at.ignition_deg - retard_deg;
        let lambda = wobble(random, rich, 0.008);
        let volts = wobble(random, 13.9, 0.03);
        let row = match self.plan.dialect {
            Dialect::PerCylinder => {
                let levels: Vec<String> = self.shown.iter().map(|v| format!("{v:.3}")).collect();
                format!(
                    "{t_s:.3},{rpm:.0},{throttle:.1},{pressure_kpa:.1},{ignition_deg:.1},{retard_deg:.1},{},{:.0},{:.0},{lambda:.2},{},{volts:.1}\r\n",
                    levels.join(","),
                    at.coolant_c,
                    at.air_c,
                    at.gear,
                )
            }
            Dialect::PerSensor => {
                let level = self.shown.iter().copied().fold(0.0, f64::max);
                let pressure_hpa = pressure_kpa * 10.0;
                format!(
                    "{t_s:.2};{rpm:.0};{throttle:.1};{pressure_hpa:.0};{ignition_deg:.1};{retard_deg:.1};{level:.3};{:.0};{:.0};{lambda:.3};{volts:.1}\r\n",
                    at.coolant_c, at.air_c,
                )
                .replace('.', ",")
            }
        };
        self.text.extend_from_slice(row.as_bytes());
    }

    /// The log.
    pub fn finish(self) -> Vec<u8> {
        self.text
    }
}

fn header(dialect: Dialect) -> Vec<u8> {
    match dialect {
        Dialect::PerCylinder => "Time [s],Engine Speed [rpm],Throttle [%],Manifold Pressure [kPa],\
            Ignition Angle [deg BTDC],Knock Retard [deg],Knock Level Cyl 1 [V],Knock Level Cyl 2 [V],\
            Knock Level Cyl 3 [V],Knock Level Cyl 4 [V],Coolant [degC],Intake Air [degC],Lambda,Gear,Battery [V]\r\n"
            .into(),
        Dialect::PerSensor => latin(
            "Zeit;Motordrehzahl;Drosselklappe;Saugrohrdruck;Z\u{fc}ndwinkel;Klopfregelung;Klopfpegel;\
            K\u{fc}hlmittel;Ansaugluft;Lambda;Bordspannung\r\n\
            s;1/min;%;hPa;\u{b0}KW v. OT;\u{b0}KW;V;\u{b0}C;\u{b0}C;-;V\r\n",
        ),
    }
}

/// Text below U+0100 in Windows-1252, where it differs from Latin-1 only in places not used here.
fn latin(text: &str) -> Vec<u8> {
    text.chars().map(|c| u8::try_from(u32::from(c)).unwrap_or(b'?')).collect()
}
