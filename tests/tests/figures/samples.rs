//! Figures with made-up numbers, one of each kind that sections draw.

use ringdown::out::figure::draw::{Scheme, View};
use ringdown::out::figure::{Along, Axis, Dash, Figure, Ink, Layer, Mark, Numbers, Quantity, Scale};

/// Numbers 0..1 that repeat: a linear congruential generator (Knuth's MMIX constants, from memory).
pub struct Chance(pub u64);

impl Chance {
    pub fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.next()).sum::<f64>() - 6.0
    }
}

pub fn view(width: f64, height: f64, scheme: Scheme) -> View {
    View { width, height, pixel_ratio: 1.0, scheme, x: None, y: None, heat: None, pointer: None }
}

pub fn axis(label: &str, low: f64, high: f64) -> Axis {
    Axis { label: label.into(), quantity: Quantity::Other, low, high, scale: Scale::Linear, ticks: vec![] }
}

pub fn figure(id: &str, x: Axis, y: Axis, layers: Vec<Layer>) -> Figure {
    Figure { id: id.into(), summary: format!("Made-up figure {id}."), x, y, layers }
}

pub fn numbers(values: impl IntoIterator<Item = f64>) -> Numbers {
    Numbers(values.into_iter().map(|value| value as f32).collect())
}

pub fn line(x: impl IntoIterator<Item = f64>, y: impl IntoIterator<Item = f64>, ink: Ink, label: &str) -> Layer {
    let label = (!label.is_empty()).then(|| label.to_string());
    Layer::Line { x: numbers(x), y: numbers(y), ink, dash: Dash::Solid, width: 1.5, label }
}

/// Spectra at three speeds with the ranges of three modes.
pub fn spectra() -> Figure {
    let mut chance = Chance(1);
    let khz: Vec<f64> = (0..960).map(|bin| f64::from(bin) * 0.025).collect();
    let mut level = |base: f64, peak: f64| -> Vec<f64> {
        let hump = |khz: f64, centre: f64, width: f64| (-((khz - centre) / width).powi(2)).exp();
        khz.iter()
            .map(|khz| base + peak * hump(*khz, 5.8, 0.5) + 0.6 * peak * hump(*khz, 9.8, 1.0) + 0.6 * chance.normal())
            .collect()
    };
    let (fast, middle, slow) = (level(-70.0, 8.0), level(-75.5, 5.0), level(-83.0, 4.0));
    let span =
        |from, to, label: &str| Layer::Span { along: Along::X, from, to, ink: Ink::Accent, label: Some(label.into()) };
    let layers = vec![
        span(5.3, 6.6, "1,0"),
        span(8.8, 10.9, "2,0"),
        span(11.0, 13.7, "0,1"),
        line(khz.clone(), slow, Ink::Faint, "1\u{2009}700 rpm"),
        line(khz.clone(), middle, Ink::Quiet, "3\u{2009}500 rpm"),
        line(khz, fast, Ink::Ink, "6\u{2009}200 rpm"),
    ];
    figure("spectra", axis("frequency, kHz", 0.0, 24.0), axis("level, dB re full scale", -87.0, -58.0), layers)
}

/// A cloud of levels with floor and limit over speed.
pub fn floor() -> Figure {
    let mut chance = Chance(2);
    let speeds: Vec<f64> = (0..3000).map(|_| 1500.0 + 5000.0 * chance.next()).collect();
    let at = |rpm: f64| -57.0 + 12.0 * ((rpm - 1500.0) / 5000.0).sqrt();
    let levels: Vec<f64> = speeds.iter().map(|rpm| at(*rpm) + 2.0 * chance.normal()).collect();
    let knocks: Vec<f64> = (0..60).map(|_| 3000.0 + 3400.0 * chance.next()).collect();
    let over: Vec<f64> = knocks.iter().map(|rpm| at(*rpm) + 12.0 + 4.0 * chance.normal()).collect();
    let grid: Vec<f64> = (0..=50).map(|step| 1500.0 + 100.0 * f64::from(step)).collect();
    let points = |x: Vec<f64>, y: Vec<f64>, ink, mark, size, label: Option<&str>| Layer::Points {
        x: numbers(x),
        y: numbers(y),
        ink,
        mark,
        size,
        label: label.map(String::from),
    };
    let limit = |more: f64| grid.iter().map(move |rpm| at(*rpm) + more);
    let layers = vec![
        points(speeds, levels, Ink::Faint, Mark::Dot, 1.5, None),
        Layer::Between {
            x: numbers(grid.clone()),
            low: numbers(limit(8.0)),
            high: numbers(limit(10.0)),
            ink: Ink::Accent,
            opacity: 0.2,
        },
        points(knocks, over, Ink::Accent, Mark::Ring, 6.0, None),
        line(grid.clone(), limit(0.0), Ink::Ink, "floor"),
        Layer::Line {
            x: numbers(grid.clone()),
            y: numbers(limit(9.0)),
            ink: Ink::Accent,
            dash: Dash::Dashed,
            width: 1.8,
            label: Some("limit".into()),
        },
        Layer::Rule { along: Along::Y, at: -20.0, ink: Ink::Quiet, dash: Dash::Dotted, label: Some("clipped".into()) },
    ];
    figure(
        "floor",
        axis("speed, rpm", 1500.0, 6500.0),
        axis("level of each cycle, dB re full scale", -70.0, -15.0),
        layers,
    )
}

/// A search map with missing cells, the chosen cell and two words.
pub fn map() -> Figure {
    let (columns, rows) = (28u32, 8u32);
    let recall = |column: u32, row: u32| {
        let (khz, width) = (f64::from(column) * 0.5 + 3.0, f64::from(row));
        let hit = (-((khz - 6.0) / 1.4).powi(2)).exp() * (1.0 - (width - 4.0).abs() / 12.0);
        if column > 23 && row > 5 { f64::NAN } else { hit + 0.25 * (-((khz - 10.0) / 1.0).powi(2)).exp() }
    };
    let values = (0..columns).flat_map(|column| (0..rows).map(move |row| recall(column, row)));
    let layers = vec![
        Layer::Heat {
            columns,
            rows,
            x0: 2.75,
            x1: 16.75,
            y0: 0.0,
            y1: 8.0,
            values: numbers(values),
            low: 0.0,
            high: 1.0,
            label: "recall".into(),
        },
        Layer::Box {
            x0: 5.75,
            x1: 6.25,
            y0: 4.0,
            y1: 5.0,
            ink: Ink::Accent,
            opacity: 1.0,
            label: Some("chosen".into()),
        },
        Layer::Text { x: 10.0, y: 2.5, text: "impact at 205".into(), ink: Ink::Ink },
    ];
    let ticks = ["0.3", "0.5", "0.8", "1.2", "1.6", "2.2", "3.0", "4.0"];
    let rows = ticks.iter().enumerate().map(|(row, text)| (row as f64 + 0.5, text.to_string())).collect();
    figure("map", axis("centre, kHz", 2.75, 16.75), Axis { ticks: rows, ..axis("width, kHz", 0.0, 8.0) }, layers)
}

/// A spectrogram with a lost stretch.
pub fn spectrogram() -> Figure {
    let mut chance = Chance(4);
    let (columns, rows) = (900u32, 120u32);
    let knock = |column: u32, row: u32| {
        let ring = if matches!(column, 200..=204 | 430..=433 | 710..=716) { 12.0 } else { 0.0 };
        ring * (-((f64::from(row) - 58.0) / 5.0).powi(2)).exp()
    };
    let values: Vec<f64> = (0..columns)
        .flat_map(|column| (0..rows).map(move |row| (column, row)))
        .map(
            |(column, row)| {
                if (520..560).contains(&column) { f64::NAN } else { knock(column, row) + 1.5 * chance.normal() }
            },
        )
        .collect();
    let heat = Layer::Heat {
        columns,
        rows,
        x0: 32.0,
        x1: 36.5,
        y0: 0.0,
        y1: 12.5,
        values: numbers(values),
        low: -3.0,
        high: 12.0,
        label: "above background, dB".into(),
    };
    let band = |at| Layer::Rule { along: Along::Y, at, ink: Ink::Ink, dash: Dash::Dashed, label: None };
    let layers = vec![heat, band(5.3), band(6.6)];
    figure("spectrogram", axis("time, s", 32.0, 36.5), axis("frequency, kHz", 0.0, 12.5), layers)
}

/// A curve over false alarms, logarithmic, with words as ticks.
pub fn curve() -> Figure {
    let share: Vec<f64> = (0..200).map(|step| 10f64.powf(-3.7 + 3.7 * f64::from(step) / 199.0)).collect();
    let caught = |share: &f64| 100.0 * share.powf(0.03);
    let band = |by: f64| numbers(share.iter().map(|share| (caught(share) + by).min(100.0)));
    let words = [(1e-3, "1 in 1000"), (1e-2, "1 in 100"), (0.1, "1 in 10"), (1.0, "all")];
    let ticks = words.map(|(at, text)| (at, text.to_string())).to_vec();
    let layers = vec![
        Layer::Between { x: numbers(share.clone()), low: band(-4.0), high: band(3.0), ink: Ink::Faint, opacity: 0.4 },
        line(share.clone(), share.iter().map(caught), Ink::Ink, ""),
        Layer::Points {
            x: numbers([1e-3]),
            y: numbers([81.3]),
            ink: Ink::Accent,
            mark: Mark::Dot,
            size: 7.0,
            label: Some("81 % caught".into()),
        },
    ];
    let x = Axis { scale: Scale::Log, ticks, ..axis("false alarms", 2e-4, 1.0) };
    figure("curve", x, axis("knock caught, %", 0.0, 100.0), layers)
}

/// Modes as bars on a frequency axis with sampling limits.
pub fn modes() -> Figure {
    let modes = [
        ("1,0", 4600.0, 6300.0),
        ("2,0", 7600.0, 10400.0),
        ("0,1", 9600.0, 13100.0),
        ("3,0", 10500.0, 14300.0),
        ("1,1", 13300.0, 18200.0),
    ];
    let bars = modes.iter().enumerate().map(|(row, (label, low, high))| Layer::Box {
        x0: *low,
        x1: *high,
        y0: row as f64 + 0.6,
        y1: row as f64 + 1.4,
        ink: if row == 0 { Ink::Accent } else { Ink::Quiet },
        opacity: 0.8,
        label: Some(format!("mode {label}")),
    });
    let rule = |at, label: &str| Layer::Rule {
        along: Along::X,
        at,
        ink: Ink::Ink,
        dash: Dash::Dashed,
        label: Some(label.into()),
    };
    let layers = bars.chain([rule(16000.0, "limit of evening.wav"), rule(24000.0, "limit of 48 kHz")]).collect();
    let y = Axis { ticks: (1..=5).map(|row| (f64::from(row), row.to_string())).collect(), ..axis("mode", 0.4, 5.6) };
    figure("modes", axis("frequency, Hz", 0.0, 26000.0), y, layers)
}

/// Two curves over crank angle with the window.
pub fn window() -> Figure {
    let deg: Vec<f64> = (-60..=120).map(f64::from).collect();
    let hump =
        |height: f64, base: f64| deg.iter().map(move |deg| base + height * (-((deg - 28.0) / 40.0).powi(2)).exp());
    let layers = vec![
        Layer::Span { along: Along::X, from: 10.0, to: 52.0, ink: Ink::Accent, label: Some("window 10 to 52".into()) },
        line(deg.clone(), hump(32.0, -78.0), Ink::Quiet, "background"),
        line(deg.clone(), hump(35.0, -60.0), Ink::Accent, "knock"),
    ];
    figure(
        "window",
        axis("degrees after TDC", -60.0, 120.0),
        axis("band energy, dB re full scale", -82.0, -22.0),
        layers,
    )
}

/// Eight cylinders, one line each in the published set.
pub fn cylinders() -> Figure {
    let rpm: Vec<f64> = (0..=10).map(|step| 1000.0 + 500.0 * f64::from(step)).collect();
    let dashes = [Dash::Solid, Dash::Dashed, Dash::Dotted];
    let layers = (0..8u8).map(|cylinder| Layer::Line {
        x: numbers(rpm.clone()),
        y: numbers(rpm.iter().map(|rpm| {
            6.0 + rpm / 4000.0 + 0.07 * f64::from(cylinder) + (rpm / 700.0 + f64::from(cylinder)).sin() * 0.2
        })),
        ink: Ink::Set(cylinder),
        dash: dashes[usize::from(cylinder) % 3],
        width: 1.6,
        label: Some(format!("cylinder {}", cylinder + 1)),
    });
    figure("cylinders", axis("speed, rpm", 1000.0, 6000.0), axis("limit over floor, dB", 5.5, 8.5), layers.collect())
}

/// An envelope with a gap and a one-sample spike.
pub fn envelope() -> Figure {
    let mut chance = Chance(9);
    let time: Vec<f64> = (0..2000).map(|step| f64::from(step) * 0.05).collect();
    let level = |t: f64| 0.1 + 0.2 * (t / 17.0).sin().abs();
    let high: Vec<f64> = time
        .iter()
        .enumerate()
        .map(|(at, t)| match at {
            700..=760 => f64::NAN,
            1400 => 0.95,
            _ => level(*t) * (0.8 + 0.4 * chance.next()),
        })
        .collect();
    let low: Vec<f64> = high.iter().map(|value| -value).collect();
    let layers = vec![
        Layer::Span { along: Along::X, from: 10.0, to: 30.0, ink: Ink::Quiet, label: Some("safe".into()) },
        Layer::Span { along: Along::X, from: 60.0, to: 80.0, ink: Ink::Accent, label: Some("knock".into()) },
        Layer::Between { x: numbers(time), low: numbers(low), high: numbers(high), ink: Ink::Ink, opacity: 1.0 },
    ];
    figure("envelope", axis("time, s", 0.0, 100.0), axis("sensor 1, share of full scale", -1.0, 1.0), layers)
}

/// All of them.
pub fn all() -> Vec<Figure> {
    vec![spectra(), floor(), map(), spectrogram(), curve(), modes(), window(), cylinders(), envelope()]
}
