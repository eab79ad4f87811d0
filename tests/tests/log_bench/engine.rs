//! A control unit's log written by means that share nothing with Ringdown or its demo: cycles one by one, levels from
//! laws known in closed form, every raised sample with its true cause.

/// Splitmix64 (G. L. Steele, D. Lea, C. H. Flood, 2014), and normal scores by Box and Muller.
pub struct Draw(pub u64);

impl Draw {
    pub fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub fn normal(&mut self) -> f64 {
        let (a, b) = (1.0 - self.unit(), self.unit());
        (-2.0 * a.ln()).sqrt() * (std::f64::consts::TAU * b).cos()
    }
}

/// How someone drives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Driver {
    /// Pulls in third gear, foot off between.
    Pulls,
    /// Up through the gears, foot off for each change.
    Gears,
    /// The same with the throttle held and ignition cut for each change.
    FlatShift,
    /// Steady speeds and gentle changes, now and then a lift.
    Road,
    /// Into the limiter and off it.
    Limiter,
    /// Started cold from standstill, then pulls.
    Starter,
}

pub const DRIVERS: [Driver; 6] =
    [Driver::Pulls, Driver::Gears, Driver::FlatShift, Driver::Road, Driver::Limiter, Driver::Starter];

/// How the log is written.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Dialect {
    /// One level a cylinder in volts, gear, cut, correction a cylinder.
    PerCylinder,
    /// One level a sensor in dB, correction in all, taken out as negative degrees; no gear column.
    PerSensor,
    /// One level in counts; no correction column, ignition only; no gear, no cut.
    Counts,
}

pub const DIALECTS: [Dialect; 3] = [Dialect::PerCylinder, Dialect::PerSensor, Dialect::Counts];

pub struct Plan {
    pub driver: Driver,
    pub dialect: Dialect,
    pub rate_hz: f64,
    pub knock_share: f64,
    pub seconds: f64,
    pub seed: u64,
}

/// The true reason for a sample's level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Why {
    Quiet,
    Knock,
    GearChange,
    Lift,
    Cut,
    Start,
}

/// A logged level and why it is what it is.
#[derive(Debug, Clone, Copy)]
pub struct Sample {
    pub why: Why,
    /// Over the mean background of its speed, dB.
    pub over_db: f64,
    /// Background events the sample holds the peak of.
    pub held: u32,
}

/// A pull of timing as it happened.
#[derive(Debug, Clone, Copy)]
pub struct Pulled {
    pub t_s: f64,
    pub cylinder: usize,
    pub deg: f64,
    /// When it was all given back, if nothing more was taken out meanwhile.
    pub back_s: Option<f64>,
}

pub struct Written {
    pub csv: String,
    /// `[row][column]`
    pub samples: Vec<Vec<Sample>>,
    pub t_s: Vec<f64>,
    /// Cylinders a level column holds the peak of.
    pub cylinders: Vec<Vec<usize>>,
    pub pulled: Vec<Pulled>,
}

pub const SPREAD_DB: f64 = 1.3;
pub const STEP_DEG: f64 = 2.0;
pub const RECOVERY_DEG_PER_S: f64 = 1.6;
const LIMITER_RPM: f64 = 6800.0;

/// The engine and its driver at one instant.
#[derive(Clone, Copy)]
struct State {
    rpm: f64,
    throttle: f64,
    gear: usize,
    /// Mechanical noise on top, dB, and its reason.
    noise: (f64, Why),
    cut: bool,
}

/// A script of what happens for how long.
#[derive(Clone, Copy)]
enum Act {
    /// Speed in a straight line at a throttle.
    Run { seconds: f64, to_rpm: f64, throttle: f64 },
    /// To the next gear: speed falls to 0.72 of itself.
    Change { flat: bool },
    /// Throttle shut at once, speed falling.
    Lift { seconds: f64 },
    /// Bouncing on the limiter.
    Bounce { seconds: f64 },
    /// Standing, then started.
    Start,
}

fn script(driver: Driver, draw: &mut Draw, seconds: f64) -> Vec<Act> {
    let mut acts = Vec::new();
    let mut total = 0.0;
    if driver == Driver::Starter {
        acts.push(Act::Start);
        total += 6.0;
    }
    while total < seconds {
        let u = draw.unit();
        match driver {
            Driver::Pulls | Driver::Starter => {
                acts.push(Act::Run { seconds: 5.0 + 2.0 * u, to_rpm: 6200.0, throttle: 0.8 + 0.2 * u });
                acts.push(Act::Lift { seconds: 2.2 });
                acts.push(Act::Run { seconds: 1.5, to_rpm: 2000.0, throttle: 0.2 });
                total += 10.0;
            }
            Driver::Gears | Driver::FlatShift => {
                acts.push(Act::Run { seconds: 2.0 + u, to_rpm: 2200.0, throttle: 0.25 });
                for _ in 0..3 {
                    acts.push(Act::Run { seconds: 2.6 + u, to_rpm: 6000.0, throttle: 0.9 });
                    acts.push(Act::Change { flat: driver == Driver::FlatShift });
                }
                acts.push(Act::Run { seconds: 2.0, to_rpm: 5200.0, throttle: 0.9 });
                acts.push(Act::Lift { seconds: 2.0 });
                total += 16.0;
            }
            Driver::Road => {
                acts.push(Act::Run { seconds: 4.0, to_rpm: 1800.0 + 2500.0 * u, throttle: 0.35 + 0.4 * u });
                acts.push(Act::Run { seconds: 3.0, to_rpm: 2200.0 + 2500.0 * u, throttle: 0.5 + 0.4 * u });
                acts.push(Act::Lift { seconds: 1.2 });
                total += 8.2;
            }
            Driver::Limiter => {
                acts.push(Act::Run { seconds: 5.0 + u, to_rpm: LIMITER_RPM - 60.0, throttle: 0.95 });
                acts.push(Act::Bounce { seconds: 1.2 });
                acts.push(Act::Lift { seconds: 2.0 });
                acts.push(Act::Run { seconds: 2.0, to_rpm: 2200.0, throttle: 0.3 });
                total += 10.2;
            }
        }
    }
    acts
}

const STEP_S: f64 = 0.001;

/// States every millisecond.
fn drive(driver: Driver, draw: &mut Draw, seconds: f64) -> Vec<State> {
    let mut states: Vec<State> = Vec::new();
    let mut at = State { rpm: 2000.0, throttle: 0.2, gear: 2, noise: (0.0, Why::Quiet), cut: false };
    let mut push = |at: &State| states.push(*at);
    for act in script(driver, draw, seconds) {
        match act {
            Act::Run { seconds, to_rpm, throttle } => {
                let (from, foot) = (at.rpm, at.throttle);
                let n = (seconds / STEP_S) as usize;
                for i in 0..n {
                    at.rpm = from + (to_rpm - from) * i as f64 / n as f64;
                    at.throttle = foot + (throttle - foot) * (i as f64 * STEP_S / 0.25).min(1.0);
                    push(&at);
                }
            }
            Act::Change { flat } => {
                let (from, foot) = (at.rpm, at.throttle);
                at.gear = if at.gear >= 5 { 2 } else { at.gear + 1 };
                for i in 0..280 {
                    let share = f64::from(i) / 280.0;
                    at.rpm = from * (1.0 - 0.28 * share);
                    at.throttle =
                        if flat { foot } else { foot * (1.0 - (std::f64::consts::PI * share).sin()).max(0.03) };
                    at.cut = flat && i < 120;
                    at.noise = if i < 220 { (9.0, Why::GearChange) } else { (0.0, Why::Quiet) };
                    push(&at);
                }
                (at.throttle, at.cut, at.noise) = (foot, false, (0.0, Why::Quiet));
            }
            Act::Lift { seconds } => {
                let (from, foot) = (at.rpm, at.throttle);
                let n = (seconds / STEP_S) as usize;
                for i in 0..n {
                    at.throttle = foot + (0.02 - foot) * (i as f64 / 120.0).min(1.0);
                    at.rpm = from - (from - 1800.0).max(0.0) * (1.0 - (-(i as f64) * STEP_S / 1.1).exp());
                    at.noise = if i < 250 { (8.0, Why::Lift) } else { (0.0, Why::Quiet) };
                    push(&at);
                }
                at.noise = (0.0, Why::Quiet);
            }
            Act::Bounce { seconds } => {
                let from = at.rpm;
                for i in 0..(seconds / STEP_S) as usize {
                    let phase = (i as f64 * STEP_S / 0.3).fract();
                    at.rpm = from - 260.0 * (if phase < 0.5 { phase * 2.0 } else { 2.0 - 2.0 * phase });
                    at.cut = phase < 0.5;
                    at.noise = if at.cut { (9.0, Why::Cut) } else { (0.0, Why::Quiet) };
                    push(&at);
                }
                (at.rpm, at.cut, at.noise) = (from, false, (0.0, Why::Quiet));
            }
            Act::Start => {
                at.throttle = 0.05;
                for i in 0..6000 {
                    let t = f64::from(i) * STEP_S;
                    at.rpm = match t {
                        t if t < 1.5 => 0.0,
                        t if t < 2.5 => 220.0,
                        t if t < 3.0 => 220.0 + 2.0 * (t - 2.5) * 1400.0,
                        t => 950.0 + 670.0 * (-(t - 3.0) / 0.5).exp(),
                    };
                    at.noise = if (2.5..3.6).contains(&t) { (9.0, Why::Start) } else { (0.0, Why::Quiet) };
                    push(&at);
                }
                at.noise = (0.0, Why::Quiet);
            }
        }
    }
    states
}

/// Manifold pressure, kPa.
fn load_kpa(at: &State) -> f64 {
    25.0 + 75.0 * at.throttle.powf(0.7)
}

/// The map, degrees before TDC: smooth, earlier with speed, later with load.
fn map_deg(rpm: f64, load_kpa: f64) -> f64 {
    14.0 + 0.0022 * (rpm - 1000.0) - 0.1 * (load_kpa - 60.0)
}

fn floor_db(rpm: f64, column: usize) -> f64 {
    -8.0 + 0.003 * rpm + 0.8 * column as f64
}

const CYLINDERS: usize = 4;

/// A level column since the last row.
#[derive(Clone, Copy)]
struct Held {
    db: f64,
    floor_db: f64,
    why: Why,
    events: u32,
}

pub fn write(plan: &Plan) -> Written {
    let mut draw = Draw(plan.seed);
    let states = drive(plan.driver, &mut draw, plan.seconds);
    let cylinders: Vec<Vec<usize>> = match plan.dialect {
        Dialect::PerCylinder => (0..CYLINDERS).map(|k| vec![k]).collect(),
        Dialect::PerSensor => vec![vec![0, 1], vec![2, 3]],
        Dialect::Counts => vec![(0..CYLINDERS).collect()],
    };
    let column_of = |k: usize| cylinders.iter().position(|own| own.contains(&k)).unwrap();
    let mut csv = head(plan.dialect);
    let mut retard = [0.0_f64; CYLINDERS];
    let mut pulled: Vec<Pulled> = Vec::new();
    let mut held: Vec<Option<Held>> = vec![None; cylinders.len()];
    let mut last: Vec<Held> = vec![Held { db: -20.0, floor_db: -20.0, why: Why::Quiet, events: 0 }; cylinders.len()];
    let (mut samples, mut times) = (Vec::new(), Vec::new());
    let (mut angle_deg, mut due_s, mut fired) = (0.0_f64, 0.0, 0_usize);
    for (i, at) in states.iter().enumerate() {
        let t_s = i as f64 * STEP_S;
        for (k, out_deg) in retard.iter_mut().enumerate() {
            let was = *out_deg;
            *out_deg = (was - RECOVERY_DEG_PER_S * STEP_S).max(0.0);
            if was > 0.0
                && *out_deg == 0.0
                && let Some(last) = pulled.iter_mut().rev().find(|pulled| pulled.cylinder == k)
            {
                last.back_s = Some(t_s);
            }
        }
        angle_deg += at.rpm * 6.0 * STEP_S;
        while angle_deg >= 180.0 {
            angle_deg -= 180.0;
            let k = fired % CYLINDERS;
            fired += 1;
            let column = column_of(k);
            let floor = floor_db(at.rpm, column);
            let loaded = at.throttle > 0.6 && at.noise.1 == Why::Quiet && at.rpm > 1500.0;
            let knock = loaded && draw.unit() < plan.knock_share;
            let quiet = floor + SPREAD_DB * draw.normal();
            let (db, why) =
                if knock { (floor + 13.0 + 1.5 * draw.normal(), Why::Knock) } else { (quiet + at.noise.0, at.noise.1) };
            if knock && retard[k] < 12.0 {
                retard[k] += STEP_DEG;
                pulled.push(Pulled { t_s, cylinder: k, deg: STEP_DEG, back_s: None });
            }
            let event = Held { db, floor_db: floor, why, events: 1 };
            held[column] = Some(match held[column] {
                Some(old) => {
                    let louder = if db > old.db { event } else { old };
                    Held { events: old.events + 1, ..louder }
                }
                None => event,
            });
        }
        if t_s + 1e-9 >= due_s {
            due_s += 1.0 / plan.rate_hz;
            for (held, last) in held.iter_mut().zip(&mut last) {
                // Nothing new: the old value stands, but nothing new is shown.
                *last = held.take().unwrap_or(Held { why: Why::Quiet, events: 0, ..*last });
            }
            samples.push(
                last.iter()
                    .map(|one| Sample { why: one.why, over_db: one.db - one.floor_db, held: one.events })
                    .collect::<Vec<_>>(),
            );
            times.push(t_s);
            let levels: Vec<f64> = last.iter().map(|one| one.db).collect();
            csv += &row(plan.dialect, t_s, at, &retard, &levels, &mut draw);
        }
    }
    Written { csv, samples, t_s: times, cylinders, pulled }
}

fn head(dialect: Dialect) -> String {
    match dialect {
        Dialect::PerCylinder => "Time [s],Engine Speed [rpm],Throttle [%],Manifold Pressure [kPa],Ignition Angle [deg BTDC],\
            Knock Retard Cyl 1 [deg],Knock Retard Cyl 2 [deg],Knock Retard Cyl 3 [deg],Knock Retard Cyl 4 [deg],\
            Knock Level Cyl 1 [V],Knock Level Cyl 2 [V],Knock Level Cyl 3 [V],Knock Level Cyl 4 [V],Gear,Ignition Cut,Coolant [degC]\n"
            .replace("            ", ""),
        Dialect::PerSensor => "Zeit;Motordrehzahl;Drosselklappe;Saugrohrdruck;Zündwinkel;Klopfregelung;Klopfpegel Sensor 1;Klopfpegel Sensor 2;Kühlmittel\n\
            s;1/min;%;hPa;°KW;°KW;dB;dB;°C\n"
            .replace("            ", ""),
        Dialect::Counts => "time,rpm,tps,map,spark advance,knock level\n".into(),
    }
}

fn row(
    dialect: Dialect,
    t_s: f64,
    at: &State,
    retard: &[f64; CYLINDERS],
    levels_db: &[f64],
    draw: &mut Draw,
) -> String {
    let rpm = at.rpm + if at.rpm > 0.0 { 3.0 * draw.normal() } else { 0.0 };
    let throttle = 100.0 * at.throttle;
    let load = load_kpa(at) + 0.3 * draw.normal();
    let map = map_deg(at.rpm, load_kpa(at));
    let most = retard.iter().copied().fold(0.0, f64::max);
    let volts: Vec<String> = levels_db.iter().map(|db| format!("{:.4}", 10f64.powf(db / 20.0) * 0.3)).collect();
    match dialect {
        Dialect::PerCylinder => {
            let retards: Vec<String> = retard.iter().map(|deg| format!("{deg:.1}")).collect();
            format!(
                "{t_s:.3},{rpm:.0},{throttle:.1},{load:.1},{:.1},{},{},{},{},88\n",
                map - most,
                retards.join(","),
                volts.join(","),
                at.gear,
                u8::from(at.cut)
            )
        }
        Dialect::PerSensor => {
            let levels: Vec<String> = levels_db.iter().map(|db| format!("{db:.2}")).collect();
            format!(
                "{t_s:.3};{rpm:.0};{throttle:.1};{:.0};{:.1};{:.1};{};88\n",
                10.0 * load,
                map - most,
                -most,
                levels.join(";")
            )
            .replace('.', ",")
        }
        Dialect::Counts => {
            let counts = 400.0 * 10f64.powf(levels_db[0] / 20.0) * 0.3;
            format!("{t_s:.3},{rpm:.0},{throttle:.1},{load:.1},{:.2},{counts:.0}\n", map - most)
        }
    }
}
