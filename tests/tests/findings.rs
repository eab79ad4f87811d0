//! Every finding, cause and "to do" is said where its reason stands and not where it doesn't: cards with one thing changed,
//! one beside the other. A sentence that nothing brings about, or that nothing takes away, is named.
//!
//! check: each finding, cause and to-do has a card that says it and one that doesn't | the demo's recordings and logs, one thing harmed at a time | every sentence but those named with a reason

use ringdown::card::{Card, Choices, FileRole, Input};
use ringdown::out::section;
use serde_json::Value;
use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::path::Path;

const SHEET: &str = "alder-valley.sheet.json";

fn demo(name: &str) -> Vec<u8> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("..").join("demo-logs").join(name);
    std::fs::read(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

fn text(name: &str) -> String {
    String::from_utf8(demo(name)).expect("the demo's texts are UTF-8")
}

/// A 16-bit WAV of so many seconds from the start of a demo recording, each sample of each channel made another.
fn wave(name: &str, seconds: usize, harm: impl Fn(usize, usize, i16) -> i16) -> Vec<u8> {
    frames(name, seconds, |at, frame| {
        frame.iter_mut().enumerate().for_each(|(k, sample)| *sample = harm(at, k + 1, *sample));
    })
}

/// The same, each frame of all channels made another.
fn frames(name: &str, seconds: usize, mut harm: impl FnMut(usize, &mut [i16])) -> Vec<u8> {
    let mut bytes = demo(name);
    let channels = usize::from(u16::from_le_bytes([bytes[22], bytes[23]]));
    let rate = u32::from_le_bytes([bytes[24], bytes[25], bytes[26], bytes[27]]) as usize;
    bytes.truncate(44 + seconds * rate * channels * 2);
    for (at, words) in bytes[44..].chunks_exact_mut(channels * 2).enumerate() {
        let mut frame: Vec<i16> = words.chunks_exact(2).map(|word| i16::from_le_bytes([word[0], word[1]])).collect();
        harm(at, &mut frame);
        let out = words.chunks_exact_mut(2).zip(frame);
        out.for_each(|(word, sample)| word.copy_from_slice(&sample.to_le_bytes()));
    }
    sized(bytes)
}

/// The first channels of a demo recording through a filter of these taps.
fn filtered(seconds: usize, channels: usize, taps: &[f64]) -> Vec<u8> {
    let mut held = vec![vec![0.0; taps.len()]; channels];
    frames(TWO, seconds, |_, frame| {
        for (held, sample) in held.iter_mut().zip(frame) {
            held.rotate_right(1);
            held[0] = f64::from(*sample);
            *sample = held.iter().zip(taps).map(|(x, tap)| x * tap).sum::<f64>() as i16;
        }
    })
}

/// Taps of a low-pass: a sinc under a raised cosine.
fn low_pass(edge: f64, len: usize) -> Vec<f64> {
    let tap = |k: usize| {
        let x = k as f64 - 0.5 * (len - 1) as f64;
        let sinc = if x == 0.0 { 2.0 * edge } else { (TAU * edge * x).sin() / (0.5 * TAU * x) };
        sinc * (0.5 - 0.5 * (TAU * (k as f64 + 0.5) / len as f64).cos())
    };
    (0..len).map(tap).collect()
}

fn sized(mut bytes: Vec<u8>) -> Vec<u8> {
    let length = bytes.len() as u32;
    bytes[4..8].copy_from_slice(&(length - 8).to_le_bytes());
    bytes[40..44].copy_from_slice(&(length - 44).to_le_bytes());
    bytes
}

/// Every `by`-th frame: the same sound sampled more slowly.
fn slower(wave: &[u8], by: usize) -> Vec<u8> {
    let mut bytes = wave[..44].to_vec();
    bytes.extend(wave[44..].chunks_exact(8).step_by(by).flatten());
    bytes[24..28].copy_from_slice(&(48_000 / by as u32).to_le_bytes());
    bytes[28..32].copy_from_slice(&(8 * 48_000 / by as u32).to_le_bytes());
    sized(bytes)
}

/// The demo's sheet with fields taken out or set.
fn sheet(change: impl Fn(&mut Value)) -> Vec<u8> {
    let mut sheet: Value = serde_json::from_slice(&demo(SHEET)).expect("the demo's sheet is JSON");
    change(&mut sheet);
    sheet.to_string().into_bytes()
}

/// A log of the demo with each line after the first made another.
fn log(name: &str, change: impl Fn(usize, Vec<String>) -> Option<Vec<String>>) -> Vec<u8> {
    let text = text(name);
    let mut lines = text.lines();
    let mut out = vec![lines.next().unwrap_or_default().to_owned()];
    let cells = |line: &str| line.split(',').map(str::to_owned).collect();
    out.extend(lines.enumerate().filter_map(|(at, line)| Some(change(at, cells(line))?.join(","))));
    (out.join("\n") + "\n").into_bytes()
}

/// Columns of the demo's logs.
const SPEED: usize = 1;
const LEVELS: std::ops::Range<usize> = 6..10;

/// One card: files with their roles, and choices.
struct Scene {
    name: &'static str,
    files: Vec<(&'static str, Vec<u8>, Option<FileRole>)>,
    choices: Choices,
}

impl Scene {
    fn of(name: &'static str, files: Vec<(&'static str, Vec<u8>, Option<FileRole>)>) -> Self {
        Self { name, files, choices: Choices::default() }
    }

    fn choosing(mut self, choose: impl Fn(&mut Choices)) -> Self {
        choose(&mut self.choices);
        self
    }

    /// All that its card says.
    fn said(&self) -> Vec<String> {
        let mut card = Card::default();
        card.choose(self.choices.clone()).unwrap_or_else(|error| panic!("{}: {error}", self.name));
        for (name, bytes, role) in &self.files {
            card.add(Input::from_bytes(*name, bytes.clone()), *role)
                .unwrap_or_else(|error| panic!("{}: {error}", self.name));
        }
        while !card.step().progress.done {}
        let views = (1..=11).filter_map(|number| section::view(&card, number));
        let mut said: Vec<String> =
            views.flat_map(|view| [vec![view.finding], view.why, view.todo, view.cautions].concat()).collect();
        said.extend(section::verdict(&card).into_iter().map(|line| line.sentence));
        said
    }
}

const TWO: &str = "evening-two-excerpt.wav";
const THREE: &str = "evening-three-excerpt.wav";
const SAFE: Option<FileRole> = Some(FileRole::Safe);
const KNOCK: Option<FileRole> = Some(FileRole::Knock);
const AFTER: Option<FileRole> = Some(FileRole::After);

/// The demo's sheet and one recording in which one thing was harmed.
fn harmed(name: &'static str, harm: impl Fn(usize, usize, i16) -> i16) -> Scene {
    Scene::of(name, vec![(SHEET, demo(SHEET), None), ("harmed.wav", wave(TWO, 4, harm), SAFE)])
}

/// One level column, 900 to 1300 1/min, 120 rows.
fn low_speeds() -> Vec<u8> {
    let line = |row: u32| {
        let level = 2.0 + f64::from(row * 7919 % 101) / 100.0;
        format!("{:.2},{},{level:.3}\n", f64::from(row) * 0.1, 900 + row % 100 * 4)
    };
    (0..120).map(line).fold("time_s,rpm,knock_v\n".to_owned(), |text, line| text + &line).into_bytes()
}

/// One level column, 900 to 1300 1/min, 701 rows in a mixed order of a law whose tails, on both sides, are generalised Pareto
/// with shape 0.4.
fn heavy_tail() -> Vec<u8> {
    let line = |row: u32| {
        let share = (f64::from(row * 7919 % 701) + 0.5) / 701.0;
        let tail = |beyond: f64| 2.0 * ((2.0 * beyond).powf(-0.4) - 1.0);
        let level = -40.0 + if share > 0.5 { tail(1.0 - share) } else { -tail(share) };
        format!("{:.2},{},{level:.3}\n", f64::from(row) * 0.1, 900 + row % 100 * 4)
    };
    (0..701).map(line).fold("time_s,rpm,knock_db\n".to_owned(), |text, line| text + &line).into_bytes()
}

fn with_sheet(name: &'static str, change: impl Fn(&mut Value)) -> Scene {
    Scene::of(name, vec![(SHEET, sheet(change), None), ("sound.wav", wave(TWO, 4, |_, _, sample| sample), SAFE)])
}

fn trigger(channel: u16, deg_btdc: u16) -> Value {
    serde_json::json!({"channel": channel, "cylinder": 1, "deg_btdc": deg_btdc, "edge": "rising"})
}

fn logged(name: &'static str, change: impl Fn(usize, Vec<String>) -> Option<Vec<String>>) -> Scene {
    Scene::of(name, vec![("evening-two.csv", log("evening-two.csv", change), None)])
}

fn with_levels(line: Vec<String>, level: impl Fn(&[String], usize) -> String) -> Option<Vec<String>> {
    let new: Vec<String> = LEVELS.map(|column| level(&line, column)).collect();
    let mut line = line;
    line.splice(LEVELS, new);
    Some(line)
}

fn number(cell: &str) -> f64 {
    cell.parse().unwrap_or(0.0)
}

fn sensors() -> Vec<Scene> {
    let loud = |by: i32| {
        move |_: usize, channel: usize, sample: i16| {
            let louder = (i32::from(sample) * by).clamp(-32_768, 32_767) as i16;
            if channel < 3 { louder } else { sample }
        }
    };
    let on_first =
        |new: fn(usize, i16) -> i16| move |at, channel, sample| if channel == 1 { new(at, sample) } else { sample };
    vec![
        Scene::of(
            "a bracket that rings where the first mode lies",
            vec![
                (SHEET, sheet(|sheet| sheet["bore_mm"] = 160.into()), None),
                ("one.wav", demo("evening-one-excerpt.wav"), SAFE),
            ],
        ),
        Scene::of(
            "sampled far too slowly",
            vec![(SHEET, demo(SHEET), None), ("slow.wav", slower(&wave(TWO, 8, |_, _, sample| sample), 6), SAFE)],
        ),
        harmed("nothing harmed", |_, _, sample| sample),
        harmed("a sensor without a signal", on_first(|_, _| 0)),
        harmed("a sensor that loses the engine for a while", |at, channel, sample| {
            if channel == 1 && (48_000..120_000).contains(&at) { noise_at(at) % 2 } else { sample }
        }),
        harmed("clipped a little", loud(12)),
        harmed("clipped badly", loud(60)),
        harmed("few bits", on_first(|_, sample| sample / 1024 * 1024)),
        harmed("off zero", on_first(|_, sample| sample / 2 + 6000)),
        Scene::of("a rare alarm from a log of low speeds", vec![("low.csv", low_speeds(), SAFE)]).choosing(|choices| {
            choices.breakpoints = Some(vec![1000.0, 1100.0]);
            (choices.false_alarm, choices.confidence) = (1e-5, 0.999);
        }),
        Scene::of("a log whose loudest samples stand far out", vec![("heavy.csv", heavy_tail(), SAFE)]).choosing(
            |choices| {
                choices.breakpoints = Some(vec![1000.0, 1100.0]);
            },
        ),
        harmed("one sensor half as loud", on_first(|_, sample| sample / 2)),
        Scene::of(
            "sampled slowly",
            vec![(SHEET, demo(SHEET), None), ("slow.wav", slower(&wave(TWO, 8, |_, _, sample| sample), 3), SAFE)],
        ),
        Scene::of(
            "a bracket that rings",
            vec![(SHEET, demo(SHEET), None), ("one.wav", demo("evening-one-excerpt.wav"), SAFE)],
        ),
        Scene::of(
            "a bracket that rang before the change",
            vec![
                (SHEET, demo(SHEET), None),
                ("one.wav", demo("evening-one-excerpt.wav"), Some(FileRole::Before)),
                ("two.wav", wave(TWO, 4, |_, _, sample| sample), SAFE),
            ],
        ),
        Scene::of(
            "a bracket that rings, no bore",
            vec![
                (SHEET, sheet(|sheet| sheet["bore_mm"] = Value::Null), None),
                ("one.wav", demo("evening-one-excerpt.wav"), SAFE),
            ],
        ),
    ]
}

/// What leaks in, or is lost, on a sensor's wire.
fn wires() -> Vec<Scene> {
    let spread = |name, change: fn(&mut Value), wave: Vec<u8>| {
        Scene::of(name, vec![(SHEET, sheet(change), None), ("harmed.wav", wave, SAFE)])
    };
    let no_speed = |sheet: &mut Value| {
        sheet["crank"]["teeth"] = 36.into();
        for field in ["firing_order", "cylinders", "firing_angles_deg", "cam"] {
            sheet[field] = Value::Null;
        }
    };
    let leak = || frames(TWO, 4, |_, frame| frame[0] = frame[0] / 2 + frame[2] / 16);
    let hum = |at: usize| 9000.0 * (TAU * 50.0 * at as f64 / 48_000.0).sin();
    vec![
        spread("one signal on two wires", |_| (), frames(TWO, 4, |_, frame| frame[1] = frame[0])),
        spread("hum", |_| (), frames(TWO, 8, |at, frame| frame[0] = frame[0] / 2 + hum(at) as i16)),
        spread("the wheel leaks in", |_| (), leak()),
        spread("the wheel leaks in, speed unknown", no_speed, leak()),
        spread("inputs of too low impedance", |_| (), filtered(4, 2, &[1.0, -0.9])),
        spread("one input of too low impedance", |_| (), filtered(4, 1, &[4.0, -3.92])),
        spread("nothing above 12 kHz", |_| (), filtered(2, 1, &low_pass(0.25, 301))),
    ]
}

/// Noise of 2000 counts at most, drawn by number (finaliser of the splitmix64 generator, from memory).
fn noise_at(number: usize) -> i16 {
    let mut x = (number as u64).wrapping_add(1).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    x = (x ^ (x >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    x = (x ^ (x >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((x ^ (x >> 31)) % 4001) as i16 - 2000
}

/// Bursts of noise of ever more a second, every other one weaker: each may be a firing, or every other one.
fn two_speeds() -> Vec<u8> {
    let mut bursts = 0.0_f64;
    frames(TWO, 3, |at, frame| {
        bursts += (50.0 + 10.0 * at as f64 / 48_000.0) / 48_000.0;
        let strength = if (bursts as usize).is_multiple_of(2) { 1.0 } else { 0.6 };
        let level = 0.02 + strength * (-6.0 * bursts.fract()).exp();
        for (k, sample) in frame[..2].iter_mut().enumerate() {
            *sample = (f64::from(noise_at(at * 4 + k)) * level) as i16;
        }
    })
}

fn noise_in_sensors(at: usize, channel: usize, sample: i16) -> i16 {
    if channel < 3 { noise_at(at * 4 + channel) } else { sample }
}

fn cranks() -> Vec<Scene> {
    let inverted = |_: usize, channel: usize, sample: i16| if channel == 3 { sample.saturating_neg() } else { sample };
    let unplugged = |at: usize, channel: usize, sample: i16| if channel == 3 && at > 100_000 { 0 } else { sample };
    let noise =
        |at: usize, channel: usize, sample: i16| if channel == 3 { (at * 7919 % 4001) as i16 - 2000 } else { sample };
    vec![
        harmed("the wheel's signal stands upside down", inverted),
        harmed("the wheel is unplugged half-way", unplugged),
        harmed("the wheel is unplugged twice", |at, channel, sample| {
            let is_out = (60_000..90_000).contains(&at) || (120_000..128_000).contains(&at);
            if channel == 3 && is_out { 0 } else { sample }
        }),
        harmed(
            "the wheel turns for a moment",
            |at, channel, sample| if channel == 3 && at > 3_000 { 0 } else { sample },
        ),
        harmed("the wheel channel is silent", |_, channel, sample| if channel == 3 { 0 } else { sample }),
        harmed("the wheel channel holds noise", noise),
        harmed(
            "wheel and sensors hold noise",
            |at, channel, sample| {
                if channel < 4 { noise_at(at * 4 + channel) } else { sample }
            },
        ),
        Scene::of(
            "sensors of noise, no crank in the sheet",
            vec![
                (SHEET, sheet(|sheet| sheet["crank"] = Value::Null), None),
                ("noise.wav", wave(TWO, 4, |at, channel, _| noise_at(at * 4 + channel)), SAFE),
            ],
        ),
        Scene::of(
            "bursts of two kinds in turn, no crank in the sheet",
            vec![(SHEET, sheet(|sheet| sheet["crank"] = Value::Null), None), ("bursts.wav", two_speeds(), SAFE)],
        ),
        Scene::of(
            "engine off, no crank in the sheet",
            vec![
                (SHEET, sheet(|sheet| sheet["crank"] = Value::Null), None),
                ("off.wav", wave(TWO, 2, |at, channel, _| noise_at(at * 4 + channel)), Some(FileRole::EngineOff)),
            ],
        ),
        harmed("the cam is silent", |_, channel, sample| if channel == 4 { 0 } else { sample }),
        with_sheet("no cam in the sheet", |sheet| sheet["cam"] = Value::Null),
        with_sheet("three cylinders and no cam", |sheet| {
            sheet["cam"] = Value::Null;
            sheet["cylinders"] = 3.into();
            sheet["firing_order"] = serde_json::json!([1, 2, 3]);
            sheet["firing_angles_deg"] = serde_json::json!([0, 240, 480]);
            sheet["sensors"][1]["cylinders"] = serde_json::json!([3]);
        }),
        with_sheet("the wheel's place is not known", |sheet| sheet["crank"]["gap_deg_btdc"] = Value::Null),
        Scene::of(
            "the wheel's place is not known, and the sensors hold noise",
            vec![
                (SHEET, sheet(|sheet| sheet["crank"]["gap_deg_btdc"] = Value::Null), None),
                ("noise.wav", wave(TWO, 4, noise_in_sensors), SAFE),
            ],
        ),
        with_sheet("the wheel's place is given too small", |sheet| sheet["crank"]["gap_deg_btdc"] = 44.into()),
        with_sheet("the wheel's place is given too great", |sheet| sheet["crank"]["gap_deg_btdc"] = 124.into()),
        // The cam's pulse stands for an ignition trigger: on the demo it comes 60 degrees before TDC of cylinder 1.
        with_sheet("an ignition trigger, and the wheel's place is not known", |sheet| {
            sheet["crank"]["gap_deg_btdc"] = Value::Null;
            sheet["ignition"] = trigger(4, 60);
        }),
        with_sheet("an ignition trigger that agrees", |sheet| sheet["ignition"] = trigger(4, 60)),
        with_sheet("an ignition trigger that disagrees", |sheet| sheet["ignition"] = trigger(4, 50)),
        with_sheet("an ignition trigger on a sensor's channel", |sheet| sheet["ignition"] = trigger(1, 10)),
        with_sheet("no cam, and one sensor for all", |sheet| {
            sheet["cam"] = Value::Null;
            sheet["sensors"] = serde_json::json!([{"channel": 1, "cylinders": [1, 2, 3, 4]}]);
        }),
        with_sheet("other teeth than on the engine", |sheet| sheet["crank"]["teeth"] = 36.into()),
        with_sheet("a channel that is not there", |sheet| sheet["crank"]["channel"] = 9.into()),
        with_sheet("no crank in the sheet", |sheet| sheet["crank"] = Value::Null),
        with_sheet("no firing order", |sheet| {
            for field in ["firing_order", "cylinders", "firing_angles_deg"] {
                sheet[field] = Value::Null;
            }
        }),
        with_sheet("firing angles unknown", |sheet| {
            for field in ["firing_order", "cylinders", "firing_angles_deg", "cam"] {
                sheet[field] = Value::Null;
            }
        }),
        with_sheet("no sensors in the sheet", |sheet| sheet["sensors"] = Value::Null),
        with_sheet("the wrong edge", |sheet| sheet["crank"]["edge"] = "falling".into()),
        with_sheet("no bore", |sheet| sheet["bore_mm"] = Value::Null),
        with_sheet("limits are absolute", |sheet| sheet["control"]["limit"] = "absolute".into()),
        with_sheet("nothing said of the control unit", |sheet| sheet["control"] = Value::Null),
    ]
}

fn logs() -> Vec<Scene> {
    let plain = |_: usize, line: Vec<String>| Some(line);
    vec![
        logged("a log", plain),
        Scene::of(
            "a log with its sheet",
            vec![(SHEET, demo(SHEET), None), ("evening-two.csv", demo("evening-two.csv"), None)],
        ),
        Scene::of(
            "a log of provoked knock",
            vec![
                (SHEET, demo(SHEET), None),
                ("evening-two.csv", demo("evening-two.csv"), SAFE),
                ("evening-three.csv", demo("evening-three.csv"), KNOCK),
            ],
        ),
        logged("some samples a second", |at, line| (at % 3 == 0).then_some(line)),
        logged("few samples a second", |at, line| (at % 20 == 0).then_some(line)),
        logged("a level that never changes", |_, line| with_levels(line, |_, _| "0.100".into())),
        logged("a level that stands still from a third of the log on", |at, line| {
            if at < 600 { Some(line) } else { with_levels(line, |_, _| "0.100".into()) }
        }),
        logged("a level at its top", |_, line| {
            with_levels(line, |line, k| format!("{:.3}", number(&line[k]).min(0.9)))
        }),
        Scene::of("sensors that differ", vec![("banks.csv", banks_apart(), None)]),
        logged("single moments", |at, line| {
            with_levels(line, |line, k| format!("{:.4}", number(&line[k]) * (1.7 * at as f64).sin().abs()))
        }),
        logged("a rule instead of the law", plain).choosing(|choices| choices.rule = Some("over-floor:6".into())),
        logged("a level that is speed", |at, line| {
            with_levels(line, |line, _| format!("{:.4}", number(&line[SPEED]) * 1e-4 + (at % 3) as f64 * 1e-4))
        }),
        logged("a short log", |at, line| (at < 60).then_some(line)),
        Scene::of("high load at low speed alone", vec![("loads.csv", high_load_at_low_speed(), SAFE)]),
        Scene::of(
            "a log without speed",
            vec![("odd.csv", b"Time [s],Widget\n0,1\n0.1,2\n0.2,1\n0.3,4\n".to_vec(), None)],
        ),
    ]
}

/// Ten decibels louder at 90 than at 40 kPa, which was driven below 2700 1/min alone.
fn high_load_at_low_speed() -> Vec<u8> {
    let mut text = String::from("time_s,rpm,load_kpa,knock_db\n");
    for row in 0..6000_u32 {
        let rpm = 2000.0 + 2000.0 * (f64::from(row) * 0.011).sin().abs();
        let (load, level) = if rpm < 2700.0 && row % 1000 < 500 { (90, -30.0) } else { (40, -40.0) };
        let noise = 2.0 * (f64::from(row * 7919 % 101) / 100.0 - 0.5);
        text += &format!("{:.2},{rpm:.0},{load},{:.3}\n", f64::from(row) * 0.05, level + noise);
    }
    text.into_bytes()
}

/// The demo's log with the first two levels as those of two sensors, the second half as loud.
fn banks_apart() -> Vec<u8> {
    let first = LEVELS.start;
    let log = log("evening-two.csv", |_, mut line| {
        line[first + 1] = format!("{:.4}", 0.5 * number(&line[first]));
        Some(line)
    });
    let text = String::from_utf8(log).expect("the demo's log is UTF-8");
    text.replace("Knock Level Cyl 1", "Knock Level Sensor 1")
        .replace("Knock Level Cyl 2", "Knock Level Sensor 2")
        .into()
}

/// Before against after.
fn changes() -> Vec<Scene> {
    let compared = |name, before: Vec<u8>, after: Vec<u8>| {
        let (before, after) = (("before.csv", before, Some(FileRole::Before)), ("after.csv", after, AFTER));
        Scene::of(name, vec![before, after])
    };
    let of_speed = |range: std::ops::Range<f64>| {
        log("evening-two.csv", |_, line| range.contains(&number(&line[SPEED])).then_some(line))
    };
    let louder =
        log("evening-two.csv", |_, line| with_levels(line, |line, k| format!("{:.3}", 2.0 * number(&line[k]))));
    let all = || of_speed(0.0..1e5);
    let odd = || b"Time [s],Widget\n0,1\n0.1,2\n0.2,1\n0.3,4\n".to_vec();
    vec![
        compared("nothing to compare", odd(), odd()),
        compared("no common speed", of_speed(0.0..2400.0), of_speed(3600.0..1e5)),
        compared("few common speeds", of_speed(0.0..2200.0), all()),
        compared("twice the gain", all(), louder),
        Scene::of(
            "a log before, a recording after",
            vec![
                (SHEET, demo(SHEET), None),
                ("before.csv", all(), Some(FileRole::Before)),
                ("after.wav", wave(TWO, 4, |_, _, sample| sample), AFTER),
            ],
        ),
    ]
}

/// What the search over bands says of provoked running.
fn searches() -> Vec<Scene> {
    let provoked = |name, wave: Vec<u8>| {
        Scene::of(name, vec![(SHEET, demo(SHEET), None), (TWO, demo(TWO), SAFE), ("provoked.wav", wave, KNOCK)])
    };
    // as ignition advanced bit by bit would make them, without one more cycle that knocks
    let louder = |of| {
        frames(of, 24, |at, frame| {
            let gain = 1.0 + at as f64 / (24.0 * 48_000.0);
            frame[..2].iter_mut().for_each(|sample| *sample = (f64::from(*sample) * gain) as i16);
        })
    };
    // the engine's own noise in bursts: neither a tone that falls nor a second one
    let bursts = frames(TWO, 8, |at, frame| {
        let gain = if at % 3571 < 300 { 5.0 } else { 1.0 };
        frame[..2].iter_mut().for_each(|sample| *sample = (f64::from(*sample) * gain) as i16);
    });
    vec![
        provoked("provoked only louder", louder(TWO)),
        Scene::of(
            "safe running that knocks as much as provoked",
            vec![(SHEET, demo(SHEET), None), (THREE, demo(THREE), SAFE), ("provoked.wav", louder(THREE), KNOCK)],
        ),
        provoked("bursts without a ring", bursts),
        provoked("a band that the user chose", demo(THREE)).choosing(|choices| choices.band = Some([5500.0, 7500.0])),
        Scene::of(
            "knocks that are missed",
            vec![(TWO, demo(TWO), SAFE), (THREE, demo(THREE), KNOCK), ("missed.card.json", missing_knocks(), None)],
        ),
    ]
}

/// The demo's card with a band in which nothing knocks.
fn missing_knocks() -> Vec<u8> {
    let mut card: Value =
        serde_json::from_slice(&demo("evening-three-excerpt.card.json")).expect("the demo's card is JSON");
    card["choices"] = serde_json::json!({"band": [14_000, 15_000]});
    card.to_string().into_bytes()
}

fn whole() -> Vec<Scene> {
    let both = || vec![(SHEET, demo(SHEET), None), (TWO, demo(TWO), SAFE), (THREE, demo(THREE), KNOCK)];
    let with_card = || {
        vec![
            (TWO, demo(TWO), SAFE),
            (THREE, demo(THREE), KNOCK),
            ("evening-three-excerpt.card.json", demo("evening-three-excerpt.card.json"), None),
        ]
    };
    let missing = br#"{"card":1,"files":[{"name":"gone.wav","sha256":"00ff00ff00ff00ff00ff00ff00ff00ff00ff00ff00ff00ff00ff00ff00ff00ff","role":"safe"}]}"#.to_vec();
    vec![
        Scene::of("nothing", vec![]),
        Scene::of("a bore", vec![("bore.json", br#"{"sheet":1,"bore_mm":86}"#.to_vec(), None)]),
        Scene::of("a whole sheet", vec![(SHEET, demo(SHEET), None)]),
        Scene::of("a sound", vec![("sound.wav", wave(TWO, 2, |_, _, sample| sample), None)]),
        Scene::of("the stranger's sound", vec![("stranger.wav", demo("strangers-excerpt.wav"), None)]),
        Scene::of("safe running", vec![(SHEET, demo(SHEET), None), (TWO, demo(TWO), SAFE)]),
        Scene::of("safe and provoked", both()),
        Scene::of("judged by ear", with_card()),
        Scene::of("only provoked", vec![(SHEET, demo(SHEET), None), (THREE, demo(THREE), KNOCK)]),
        Scene::of("a card with a file that is not here", vec![("old.card.json", missing, None)]),
        Scene::of(
            "few judged by ear",
            vec![(TWO, demo(TWO), SAFE), (THREE, demo(THREE), KNOCK), ("few.card.json", few_labels(), None)],
        ),
        Scene::of("one speed, provoked alone", vec![(SHEET, demo(SHEET), None), (THREE, demo(THREE), KNOCK)])
            .choosing(one_speed),
        Scene::of("one speed", both()).choosing(one_speed),
        Scene::of("one speed, the band of the bore", both()).choosing(|choices| {
            one_speed(choices);
            choices.band = Some([5500.0, 7500.0]);
        }),
        Scene::of(
            "one sensor half as loud",
            vec![
                (SHEET, demo(SHEET), None),
                (TWO, wave(TWO, 8, |_, channel, sample| if channel == 1 { sample / 2 } else { sample }), SAFE),
            ],
        ),
        Scene::of("a very rare alarm", both()).choosing(|choices| choices.false_alarm = 1e-5),
        Scene::of("a frequent alarm", both()).choosing(|choices| choices.false_alarm = 0.01),
        Scene::of("a band without knock", both()).choosing(|choices| choices.band = Some([14_000.0, 15_000.0])),
        Scene::of("a window without knock", both()).choosing(|choices| choices.window = Some([70.0, 90.0])),
        Scene::of(
            "before and after",
            vec![
                (SHEET, demo(SHEET), None),
                ("before.wav", wave(TWO, 4, |_, _, sample| sample), Some(FileRole::Before)),
                ("after.wav", wave(THREE, 4, |_, _, sample| sample), Some(FileRole::After)),
            ],
        ),
    ]
}

/// The demo's card with a handful of judgements.
fn few_labels() -> Vec<u8> {
    let mut card: Value =
        serde_json::from_slice(&demo("evening-three-excerpt.card.json")).expect("the demo's card is JSON");
    card["labels"].as_array_mut().expect("it has labels").truncate(5);
    card.to_string().into_bytes()
}

fn one_speed(choices: &mut Choices) {
    choices.breakpoints = Some(vec![2500.0]);
    choices.false_alarm = 0.01;
    choices.confidence = 0.9;
}

/// Whether a sentence holds a text of the tool, whatever stands in its places.
fn holds(sentence: &str, template: &str) -> bool {
    let mut rest = sentence;
    let pieces = template
        .split('{')
        .enumerate()
        .map(|(k, part)| if k == 0 { part } else { part.split_once('}').map_or("", |(_, after)| after) });
    for piece in pieces {
        match rest.find(piece) {
            Some(at) => rest = &rest[at + piece.len()..],
            None => return false,
        }
    }
    true
}

/// Letters of a text outside its places: with fewer than this any sentence would hold it.
const FEWEST_LETTERS: usize = 8;

fn letters(template: &str) -> usize {
    let mut inside = false;
    let mut count = 0;
    for sign in template.chars() {
        inside = if inside { sign != '}' } else { sign == '{' };
        count += usize::from(!inside && sign.is_alphabetic());
    }
    count
}

fn is_finding(key: &str) -> bool {
    let kinds = [".todo", ".finding", ".waiting"];
    kinds.iter().any(|kind| key.contains(kind)) && key != "todo.mark" && !key.starts_with("state.")
        || ["sensors.kind.", "speed.note.", "lost."].iter().any(|start| key.starts_with(start))
        || key.starts_with("verdict.") && key.matches('.').count() > 1
}

/// Sentences that no card here says, each with its reason. One that is said after all must leave this list.
const NOT_HERE: &[(&str, &str)] = &[
    (
        "speed.note.turnfromignition",
        "crank_ignition.rs: a trigger that fires once a cycle names the turn, others never",
    ),
    ("band.finding.weak", "cycles over the limit are found by the band itself: on the demo they stand out in any"),
    ("band.todo.weak", "the same"),
    ("floor.finding.falls.one", "no engine of the demo grows quieter with speed on one side alone"),
    ("lost.notyet", "the demo's recordings pass the wheel's mark at once"),
    ("speed.note.camunsteady", "the demo's cam never contradicts itself"),
    (
        "speed.note.turnheard",
        "the demo's excerpts are slow and loud for too few cycles: `crank_offset.rs` makes enough",
    ),
    ("speed.note.otheredge", "needs a wheel whose teeth are no half-waves: `crank.rs` makes one"),
];

/// Sentences that every card says.
const ALWAYS: &[&str] = &[];

#[test]
fn every_finding_and_to_do_is_said_where_its_reason_stands_and_only_there() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("..").join("crate/ringdown/text/en.json");
    let texts: BTreeMap<String, String> =
        serde_json::from_slice(&std::fs::read(path).expect("the texts are there")).expect("they are JSON");
    let scenes: Vec<Scene> =
        [whole(), sensors(), wires(), cranks(), logs(), changes(), searches()].into_iter().flatten().collect();
    let said: Vec<(&str, Vec<String>)> = scenes.iter().map(|scene| (scene.name, scene.said())).collect();
    let mut wrong = Vec::new();
    for (key, template) in texts.iter().filter(|(key, text)| is_finding(key) && letters(text) >= FEWEST_LETTERS) {
        let count = said.iter().filter(|(_, sentences)| sentences.iter().any(|one| holds(one, template))).count();
        let excused = NOT_HERE.iter().any(|(named, _)| named == key);
        match (count, excused) {
            (0, false) => wrong.push(format!("{key}: nothing brings it about")),
            (1.., true) => wrong.push(format!("{key}: is said here, take it off the list")),
            _ if count == said.len() && !ALWAYS.contains(&key.as_str()) => {
                wrong.push(format!("{key}: nothing takes it away"))
            }
            _ => {}
        }
    }
    assert!(
        wrong.is_empty(),
        "{} of {}:\n{}",
        wrong.len(),
        texts.keys().filter(|key| is_finding(key)).count(),
        wrong.join("\n")
    );
}

#[test]
fn a_template_is_found_whatever_stands_in_its_places() {
    assert!(holds("Channel 2 of a.wav: lower the gain.", "{who}: lower the gain."));
    assert!(holds("x. Band 5 to 6 kHz (first): a start", "Band {low} to {high} kHz ({source}): a start"));
    assert!(!holds("Band 5 to 6 kHz (first): ready", "Band {low} to {high} kHz ({source}): a start"));
}
