//! Simulated engines whose background laws are known in closed form, so that the false-alarm rate of a learnt limit is
//! computed, not counted: laws as published for knock sensors, and foreign ones that no model of ours has heard of.

use ringdown::limit::floor::{Floor, Observation};
use ringdown::limit::limits::{Law, Limits, Wanted};
use ringdown::stats::normal;

/// xorshift64 (G. Marsaglia, J. Stat. Softw. 8 (2003) 14).
pub struct Draw(u64);

impl Draw {
    pub fn new(seed: u64) -> Draw {
        let mut draw = Draw(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
        (0..16).for_each(|_| _ = draw.uniform());
        draw
    }
    pub fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        ((self.0 >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
    }
    /// G. E. P. Box, M. E. Muller, Ann. Math. Stat. 29 (1958) 610.
    pub fn normal(&mut self) -> f64 {
        (-2.0 * self.uniform().ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

/// Law of a background level about its floor, dB.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Background {
    /// Power log-normal, 2 dB.
    LogNormal,
    /// Power gamma with shape 4.
    Gamma,
    /// Power Weibull with shape 1.8.
    Weibull,
    /// Level Gumbel, scale 1.5 dB: exponential upper tail.
    Gumbel,
    /// Level Student's t with 4 degrees of freedom, scale 1.2 dB.
    Heavy,
    /// Two loads that nobody logged: two thirds of the cycles 1.3 dB below, one third 2.6 dB above the mean, 1.4 dB
    /// normal about each.
    TwoLoads,
    /// Level logistic, scale 1.1 dB.
    Logistic,
    /// Level Laplace, scale 1.1 dB: a cusp, exponential to both sides.
    Laplace,
    /// Power exponential, as of a narrow band that holds a single turn: a long lower tail.
    Exponential,
    /// Power Lomax with exponent 3: a power law, exponential in dB with a scale of 1.45 dB.
    Lomax,
    /// Power a sum of this many exponential ones over their number (gamma of whole shape).
    GammaOf(u32),
    /// Power Weibull of this shape.
    WeibullOf(f64),
    /// Level normal with this deviation, dB.
    NormalOf(f64),
    /// Level Gumbel with this scale, dB.
    GumbelOf(f64),
    /// Level Student's t with 6 degrees of freedom, scale 1.3 dB.
    Heavier,
    /// Of two deviations: so large a share at 3.2 dB, the rest at 1.4 dB.
    Contaminated(f64),
    /// Two loads that nobody logged: share and height of the louder, dB; 1.2 dB normal about the one, 1.9 about the other.
    LoadsApart(f64, f64),
}

/// Laws of the first tests.
pub const LAWS: [Background; 6] = [
    Background::LogNormal,
    Background::Gamma,
    Background::Weibull,
    Background::Gumbel,
    Background::Heavy,
    Background::TwoLoads,
];

impl Background {
    pub fn above(self, db: f64) -> f64 {
        let power = 10_f64.powf(0.1 * db);
        match self {
            Background::LogNormal => normal::above(db / 2.0),
            Background::Gamma => Background::GammaOf(4).above(db),
            Background::Weibull => Background::WeibullOf(1.8).above(db),
            Background::Gumbel => Background::GumbelOf(1.5).above(db),
            Background::Heavy => student(db / 1.2, 4),
            Background::TwoLoads => (2.0 * normal::above((db + 1.3) / 1.4) + normal::above((db - 2.6) / 1.4)) / 3.0,
            Background::Logistic => 1.0 / (1.0 + (db / 1.1).exp()),
            Background::Laplace if db > 0.0 => 0.5 * (-db / 1.1).exp(),
            Background::Laplace => 1.0 - 0.5 * (db / 1.1).exp(),
            Background::Exponential => (-power).exp(),
            Background::Lomax => (1.0 + power).powi(-3),
            Background::GammaOf(shape) => {
                let x = f64::from(shape) * power;
                let terms = (1..shape).scan(1.0, |term, i| {
                    *term *= x / f64::from(i);
                    Some(*term)
                });
                (-x).exp() * (1.0 + terms.sum::<f64>())
            }
            Background::WeibullOf(shape) => (-power.powf(shape)).exp(),
            Background::NormalOf(deviation_db) => normal::above(db / deviation_db),
            Background::GumbelOf(scale_db) => -(-(-db / scale_db).exp()).exp_m1(),
            Background::Heavier => student(db / 1.3, 6),
            Background::Contaminated(share) => {
                share * normal::above(db / 3.2) + (1.0 - share) * normal::above(db / 1.4)
            }
            Background::LoadsApart(share, high_db) => {
                share * normal::above((db - high_db) / 1.9) + (1.0 - share) * normal::above(db / 1.2)
            }
        }
    }

    /// The level above which the share `exceeded` lies, by bisection.
    pub fn quantile_above(self, exceeded: f64) -> f64 {
        let (mut low, mut high) = (-150.0, 150.0);
        for _ in 0..70 {
            let middle = 0.5 * (low + high);
            if self.above(middle) > exceeded { low = middle } else { high = middle }
        }
        0.5 * (low + high)
    }
}

/// Student's t with an even number of degrees of freedom, above `t`: M. Abramowitz, I. A. Stegun, Handbook of Mathematical
/// Functions (1964) 26.7.4 (from memory).
fn student(t: f64, degrees: u32) -> f64 {
    let n = f64::from(degrees);
    let (sine, cosine2) = (t / (n + t * t).sqrt(), n / (n + t * t));
    let terms = (1..degrees / 2).scan(1.0, |term, i| {
        *term *= f64::from(2 * i - 1) / f64::from(2 * i) * cosine2;
        Some(*term)
    });
    0.5 - 0.5 * sine * (1.0 + terms.sum::<f64>())
}

/// Levels of a law over normal scores -6..=6, so that a draw is a look-up.
pub struct Levels(Vec<f64>);

impl Levels {
    pub fn of(law: Background) -> Levels {
        Levels((0..=2400).map(|i| law.quantile_above(normal::above(f64::from(i) / 200.0 - 6.0))).collect())
    }
    pub fn at(&self, score: f64) -> f64 {
        let place = (score.clamp(-5.99, 5.99) + 6.0) * 200.0;
        let below = self.0[place as usize];
        below + place.fract() * (self.0[place as usize + 1] - below)
    }
}

/// Where the floor lies over speed, and how the law's width goes.
#[derive(Debug, Clone, Copy)]
pub struct Form {
    pub db_per_rpm: f64,
    /// A bow over the speeds, dB in their middle.
    pub bow_db: f64,
    /// From group to group.
    pub apart_db: f64,
    /// Speed, half width and height of each resonance; every group's lies 150 1/min further up.
    pub resonances: [(f64, f64, f64); 2],
    /// Width of the law at the lowest and at the highest speed.
    pub width: (f64, f64),
}

impl Form {
    /// 2.5 dB per 1000 1/min, groups 1.3 dB apart, a resonance of 3 dB; the law 10 % narrower at the bottom, 10 % wider at
    /// the top.
    pub const USUAL: Form = Form {
        db_per_rpm: 0.0025,
        bow_db: 0.0,
        apart_db: 1.3,
        resonances: [(3400.0, 250.0, 3.0), (0.0, 1.0, 0.0)],
        width: (0.9, 1.1),
    };
}

/// A simulated engine: where its floor lies, how wide, and how its knock comes.
#[derive(Debug, Clone, Copy)]
pub struct Engine {
    pub law: Background,
    pub groups: u16,
    pub rpm: (f64, f64),
    pub knock_share: f64,
    /// Lag-1 correlation of the normal scores.
    pub serial: f64,
    /// Rise of the sensor's gain over the run, dB.
    pub drift_db: f64,
    pub form: Form,
}

impl Engine {
    pub fn floor_db(&self, group: u16, rpm: f64) -> f64 {
        let Form { db_per_rpm, bow_db, apart_db, resonances, .. } = self.form;
        let place = (rpm - self.rpm.0) / (self.rpm.1 - self.rpm.0);
        let ring =
            |(at, width, db): (f64, f64, f64)| db * (-((rpm - at - 150.0 * f64::from(group)) / width).powi(2)).exp();
        let rings = ring(resonances[0]) + ring(resonances[1]);
        -40.0 + db_per_rpm * rpm + 4.0 * bow_db * place * (1.0 - place) + apart_db * f64::from(group) + rings
    }

    pub fn width(&self, rpm: f64) -> f64 {
        let (low, high) = self.form.width;
        low + (high - low) * (rpm - self.rpm.0) / (self.rpm.1 - self.rpm.0)
    }

    /// Pulls through the speeds, every group fired once a cycle; knock adds 4 to 16 dB.
    pub fn run(&self, cycles: usize, draw: &mut Draw, knock_share: f64) -> Vec<Observation> {
        let pull = 150.0;
        let levels = Levels::of(self.law);
        let mut score = vec![0.0; usize::from(self.groups)];
        (0..cycles * usize::from(self.groups))
            .map(|index| {
                let group = (index % usize::from(self.groups)) as u16;
                let cycle = index / usize::from(self.groups);
                let phase = (cycle as f64 % pull + draw.uniform()) / pull;
                let rpm = self.rpm.0 + (self.rpm.1 - self.rpm.0) * phase;
                let own = &mut score[usize::from(group)];
                *own = self.serial * *own + (1.0 - self.serial * self.serial).sqrt() * draw.normal();
                let background = self.width(rpm) * levels.at(*own);
                let knock = if draw.uniform() < knock_share { 4.0 + 12.0 * draw.uniform() } else { 0.0 };
                let drift = self.drift_db * cycle as f64 / cycles as f64;
                let level = (self.floor_db(group, rpm) + background + knock + drift) as f32;
                Observation { group, rpm: rpm as f32, level, t_s: index as f64 * 0.02 }
            })
            .collect()
    }
}

/// Outcome of one learning.
pub struct Outcome {
    pub law: Law,
    /// Mean true false-alarm rate over cells with a limit, and over the gains of the run.
    pub false_alarm: f64,
    /// Mean height over the true quantile, dB; where the gain drifts, over that at the mean gain.
    pub over_db: f64,
    /// Share of cells with a limit.
    pub covered: f64,
    /// Groups and speeds were allowed to share their residuals.
    pub alike: bool,
}

pub fn judge(engine: &Engine, limits: &Limits, floor: &Floor, wanted: Wanted) -> Outcome {
    let truth = engine.law.quantile_above(wanted.false_alarm);
    let alike = [limits.groups_alike, limits.speeds_alike].into_iter().flatten().all(|p| p >= 0.005);
    let gains: Vec<f64> = match engine.drift_db {
        0.0 => vec![0.0],
        drift => (0..10).map(|tenth| drift * (f64::from(tenth) + 0.5) / 10.0).collect(),
    };
    let mean_gain = gains.iter().sum::<f64>() / gains.len() as f64;
    let (mut rate, mut over, mut held, mut cells) = (0.0, 0.0, 0.0, 0.0);
    for group in 0..engine.groups {
        for step in 0..80 {
            let rpm = engine.rpm.0 + (engine.rpm.1 - engine.rpm.0) * (f64::from(step) + 0.5) / 80.0;
            cells += 1.0;
            let Some(limit) = limits.at(floor, group, rpm).limit else { continue };
            let height = |gain: f64| (limit - engine.floor_db(group, rpm) - gain) / engine.width(rpm);
            rate += gains.iter().map(|gain| engine.law.above(height(*gain))).sum::<f64>() / gains.len() as f64;
            over += (height(mean_gain) - truth) * engine.width(rpm);
            held += 1.0;
        }
    }
    Outcome { law: limits.law, false_alarm: rate / held, over_db: over / held, covered: held / cells, alike }
}

/// The floor sees everything, the limits only the stretch marked safe, as long as the other.
pub fn learn(engine: &Engine, cycles: usize, seed: u64, wanted: Wanted) -> Outcome {
    let mut draw = Draw::new(seed);
    let safe = engine.run(cycles / usize::from(engine.groups), &mut draw, 0.0);
    let mut all = safe.clone();
    all.extend(engine.run(cycles / usize::from(engine.groups), &mut draw, 2.0 * engine.knock_share));
    let groups = usize::from(engine.groups);
    let floor = if engine.knock_share > 0.0 { Floor::learn(&all, groups) } else { Floor::learn(&safe, groups) };
    judge(engine, &Limits::learn(&floor, &safe, groups, wanted), &floor, wanted)
}

/// True rates of two simpler rules over the true floor: the empirical quantile, and mean + k sigma of a normal table.
pub fn naive(engine: &Engine, observations: usize, seed: u64, wanted: Wanted) -> [f64; 2] {
    let safe = engine.run(observations / usize::from(engine.groups), &mut Draw::new(seed), 0.0);
    let height = |o: &Observation| {
        let rpm = f64::from(o.rpm);
        (f64::from(o.level) - engine.floor_db(o.group, rpm)) / engine.width(rpm)
    };
    let mut heights: Vec<f64> = safe.iter().map(height).collect();
    heights.sort_by(f64::total_cmp);
    let n = heights.len() as f64;
    let mean = heights.iter().sum::<f64>() / n;
    let sd = (heights.iter().map(|h| (h - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    let empirical = heights[((1.0 - wanted.false_alarm) * (n - 1.0)) as usize];
    [empirical, mean + normal::quantile(1.0 - wanted.false_alarm) * sd].map(|height| engine.law.above(height))
}

pub fn long() -> bool {
    std::env::var("RINGDOWN_LONG").is_ok_and(|v| v == "1")
}
