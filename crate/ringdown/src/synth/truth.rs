//! The truth beside each recording, the engine sheet, and the card of the third evening.

use super::random::Random;
use super::story::{Plan, Pull};
use super::wheel::Coupling;
use crate::read::Hasher;
use std::fmt::Write;

/// The sheet of the Alder Valley four, as its owner would fill it in.
pub(super) const SHEET: &str = include_str!("alder-valley.sheet.json");
/// Its file name.
pub(super) const SHEET_NAME: &str = "alder-valley.sheet.json";

/// One combustion as it was.
#[derive(Clone, Copy)]
pub(super) struct TrueEvent {
    pub t_s: f64,
    pub cylinder: u16,
    pub rpm: f64,
    pub load: f64,
    pub ignition_deg_btdc: f64,
    /// First mode over the cylinder's usual background; `None`: no knock.
    pub intensity_db: Option<f64>,
}

/// A cycle judged by ear.
#[derive(Clone, Copy)]
struct Label {
    t_s: f64,
    knock: bool,
    wrong: bool,
}

/// Knocks and quiet cycles listened to, and judgements gone wrong.
const HEARD_KNOCKS: f64 = 0.33;
const HEARD_QUIET: f64 = 0.032;
const CLEAR_DB: f64 = 8.0;
const HASHED_AT_ONCE: usize = 1 << 15;
const WRONG_ONE_IN: usize = 50;

/// The recording the truth belongs to.
pub(super) struct Kept<'a> {
    pub plan: &'a Plan,
    /// File names without extension.
    pub name: &'a str,
    pub log_name: &'a str,
    /// The stretch of the evening that is in the file.
    pub from_s: f64,
    pub to_s: f64,
    pub events: &'a [TrueEvent],
}

impl Kept<'_> {
    /// Events inside, by the file's own time.
    fn inside(&self) -> impl Iterator<Item = TrueEvent> + '_ {
        let inside = |event: &&TrueEvent| self.from_s <= event.t_s && event.t_s < self.to_s;
        self.events.iter().filter(inside).map(|event| TrueEvent { t_s: event.t_s - self.from_s, ..*event })
    }

    /// Pulls inside, cut to the file, by its own time.
    fn pulls(&self) -> impl Iterator<Item = Pull> + '_ {
        let length_s = self.to_s - self.from_s;
        let cut = move |pull: &Pull| Pull {
            from_s: (pull.from_s - self.from_s).max(0.0),
            to_s: (pull.to_s - self.from_s).min(length_s),
            ..*pull
        };
        self.plan.script.pulls.iter().map(cut).filter(|pull| pull.to_s > pull.from_s + 0.5)
    }

    /// NAME.truth.json.
    pub fn truth(&self) -> Vec<u8> {
        let plan = self.plan;
        let mut out = String::new();
        let events: Vec<TrueEvent> = self.inside().collect();
        let knocks = events.iter().filter(|event| event.intensity_db.is_some()).count();
        // Writing to a String can't fail.
        let _ = write!(
            out,
            "{{\"truth\":1,\"invented\":true,\"file\":\"{}.wav\",\"told\":\"{}\",\n\"sample_rate_hz\":{},\"seed\":{},\
             \"cylinders_fired\":{},\"knocks\":{knocks},\n",
            self.name,
            plan.told,
            plan.rate_hz,
            plan.seed,
            events.len(),
        );
        let _ = writeln!(
            out,
            "\"log\":{{\"file\":\"{}\",\"offset_s\":{:.3},\"drift_ppm\":{:.1}}},",
            self.log_name,
            plan.log.offset_s - self.from_s,
            plan.log.drift_ppm
        );
        let _ = writeln!(out, "\"wheel\":{},\n\"sensors\":[{}],", wheel(plan.wheel), sensors(plan));
        let _ = writeln!(out, "\"pulls\":[{}],", join(self.pulls().map(pull)));
        let wrong = self.labels().into_iter().filter(|label| label.wrong);
        let _ =
            writeln!(out, "\"label_errors\":[{}],", join(wrong.map(|label| format!("{{\"t_s\":{:.7}}}", label.t_s))));
        let _ = write!(out, "\"events\":[\n{}\n]}}\n", events.iter().map(event).collect::<Vec<_>>().join(",\n"));
        out.into_bytes()
    }

    /// What someone with headphones wrote down.
    fn labels(&self) -> Vec<Label> {
        if !self.plan.by_ear {
            return Vec::new();
        }
        let mut random = Random::new(self.plan.seed + 9);
        let mut labels = Vec::new();
        // Drawn over the whole evening, so that an excerpt's labels are the evening's.
        for event in self.events.iter().filter(|event| event.ignition_deg_btdc > 23.0 && event.load > 0.9) {
            let chance = if event.intensity_db.is_some() { HEARD_KNOCKS } else { HEARD_QUIET };
            let heard = random.unit() < chance;
            let clear = event.intensity_db.is_none_or(|db| db > CLEAR_DB);
            if heard {
                let wrong = clear && labels.len() % WRONG_ONE_IN == WRONG_ONE_IN / 2;
                labels.push(Label { t_s: event.t_s, knock: event.intensity_db.is_some() != wrong, wrong });
            }
        }
        labels.retain(|label| self.from_s <= label.t_s && label.t_s < self.to_s);
        labels.iter().map(|label| Label { t_s: label.t_s - self.from_s, ..*label }).collect()
    }

    /// NAME.card.json of an evening that was listened to.
    pub fn card(&self, wav: &[u8]) -> Option<Vec<u8>> {
        let labels = self.labels();
        if labels.is_empty() {
            return None;
        }
        let mut hasher = Hasher::new();
        // In slices: a browser speeds up a wasm function only from one call to the next, never within a long one.
        wav.chunks(HASHED_AT_ONCE).for_each(|slice| hasher.update(slice));
        let file = format!("{}.wav", self.name);
        let role = self.plan.role.unwrap_or("listen");
        let label =
            |label: Label| format!("{{\"file\":\"{file}\",\"t_s\":{:.7},\"knock\":{}}}", label.t_s, label.knock);
        let marks = self.pulls().map(|pull| mark(&file, &pull, self.plan));
        let card = format!(
            "{{\"card\":1,\n\"sheet\":{},\n\"files\":[{{\"name\":\"{file}\",\"sha256\":\"{}\",\"bytes\":{},\"role\":\"{role}\"}}],\n\
             \"marks\":[\n{}\n],\n\"labels\":[\n{}\n],\n\"choices\":{{}}}}\n",
            SHEET.trim_end(),
            hasher.finish(),
            wav.len(),
            marks.collect::<Vec<_>>().join(",\n"),
            labels.into_iter().map(label).collect::<Vec<_>>().join(",\n"),
        );
        Some(card.into_bytes())
    }
}

fn join(parts: impl Iterator<Item = String>) -> String {
    parts.collect::<Vec<_>>().join(",")
}

fn wheel(coupling: Option<Coupling>) -> &'static str {
    match coupling {
        None => "null",
        Some(Coupling::Direct) => "{\"coupling\":\"direct\"}",
        Some(Coupling::Sound) => "{\"coupling\":\"high-pass, 15 Hz\"}",
    }
}

fn sensors(plan: &Plan) -> String {
    join(plan.mounts.iter().enumerate().map(|(k, mount)| {
        format!(
            "{{\"channel\":{},\"gain_db\":{:.1},\"own_resonance_hz\":{:.0},\"own_q\":{:.0}}}",
            k + 1,
            mount.gain_db,
            mount.f0_hz,
            mount.q
        )
    }))
}

fn pull(pull: Pull) -> String {
    format!(
        "{{\"from_s\":{:.3},\"to_s\":{:.3},\"load\":{:.2},\"ignition_deg_btdc\":{:.1},\"provoked\":{},\"corrected\":{}}}",
        pull.from_s, pull.to_s, pull.load, pull.ignition_deg, pull.provoked, pull.corrected
    )
}

fn event(event: &TrueEvent) -> String {
    let intensity = event.intensity_db.map_or("null".to_owned(), |db| format!("{db:.2}"));
    format!(
        "{{\"t_s\":{:.7},\"cylinder\":{},\"rpm\":{:.1},\"knock\":{},\"intensity_db\":{intensity},\"load\":{:.2},\"ignition_deg_btdc\":{:.1}}}",
        event.t_s,
        event.cylinder,
        event.rpm,
        event.intensity_db.is_some(),
        event.load,
        event.ignition_deg_btdc
    )
}

/// A stretch of the sweep as the calibrator marked it. While the control unit takes ignition out, no single angle belongs
/// to the pull.
fn mark(file: &str, pull: &Pull, plan: &Plan) -> String {
    let ignition = if pull.corrected { "null".to_owned() } else { format!("{:.1}", pull.ignition_deg) };
    let coolant_c = (plan.coolant_c[0] + plan.coolant_c[1]) / 2.0;
    format!(
        "{{\"file\":\"{file}\",\"from_s\":{:.2},\"to_s\":{:.2},\"label\":\"knock\",\"ignition_deg_btdc\":{ignition},\
         \"load\":{:.2},\"fuel\":\"98 RON\",\"coolant_c\":{coolant_c:.0}}}",
        pull.from_s, pull.to_s, pull.load
    )
}
