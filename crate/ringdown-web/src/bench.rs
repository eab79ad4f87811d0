//! The worker's side: one card, its files, its steps. No arithmetic here.

use crate::fault::{Fault, of_page, thrown};
use crate::file::BrowserFile;
use js_sys::Float32Array;
use ringdown::card::{self, Card, Choices, Content, EarLabel, Errand, FileRole, Input, Join, Mark};
use ringdown::error::Error;
use ringdown::out::{chart, result, section, speech, table, words};
use ringdown::read::{Source, Told, halves::Halves, roles::Role};
use ringdown::synth;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use wasm_bindgen::{JsCast, prelude::*};
use web_sys::File;

#[wasm_bindgen]
extern "C" {
    /// Milliseconds that only go forward, whatever happens to the system's clock.
    #[wasm_bindgen(js_namespace = performance, js_name = now)]
    fn now_ms() -> f64;
}

type Answer = Result<JsValue, JsValue>;

/// Plain data to JavaScript: maps as objects, nothing as null.
fn given(value: &impl Serialize) -> Answer {
    let serializer = serde_wasm_bindgen::Serializer::json_compatible().serialize_bytes_as_arrays(false);
    value.serialize(&serializer).map_err(|error| of_page(error, "load the page again"))
}

fn taken<T: for<'de> Deserialize<'de>>(value: JsValue) -> Result<T, JsValue> {
    serde_wasm_bindgen::from_value(value).map_err(|error| of_page(error, "load the page again"))
}

fn fault(error: &Error) -> JsValue {
    thrown(&Fault::from(error))
}

/// A dropped file as the core takes it.
fn dropped(file: File, told: Told) -> Input {
    let (name, bytes) = (file.name(), file.size() as u64);
    let changed_ms = file.last_modified();
    let open = move || BrowserFile::open(file.clone(), changed_ms).map(|file| Box::new(file) as Box<dyn Source>);
    Input { name, bytes, open: Box::new(open), told }
}

/// A card at work.
#[wasm_bindgen]
pub struct Bench {
    card: Card,
}

/// A long log that two workers read at once: each makes one of these from the same file.
#[wasm_bindgen]
pub struct Halved {
    input: Input,
    halves: Halves,
}

#[wasm_bindgen]
impl Halved {
    /// Looks at the head of a file, told as in [`Bench::add_told`] or not; nothing where it is better read by one.
    pub fn of(file: File, told: JsValue) -> Result<Option<Halved>, JsValue> {
        let told = if told.is_undefined() { Told::default() } else { taken(told)? };
        let input = dropped(file, told);
        let Ok(mut source) = input.source() else { return Ok(None) };
        let halves = Halves::of(&input.name, source.as_mut(), &input.told);
        Ok(halves.map(|halves| Halved { input, halves }))
    }

    /// The first half, for whoever adds it to the bench.
    pub fn read_first(&mut self) -> Result<(), JsValue> {
        let mut source = self.input.source().map_err(|error| fault(&error))?;
        self.halves.read_first(&self.input.name, source.as_mut()).map_err(|error| fault(&error))
    }

    /// The second half, for the other: pieces of bytes, none where it can't be read by itself.
    pub fn read_second(&self) -> js_sys::Array {
        let source = self.input.source().ok();
        let pieces = source.and_then(|mut source| self.halves.read_second(&self.input.name, source.as_mut()));
        pieces.into_iter().flatten().map(|piece| js_sys::Uint8Array::from(&piece[..])).collect()
    }
}

/// Nobody shows it: the bench does it itself, and says what is wrong.
fn undone(_: card::Undone) -> JsValue {
    JsValue::NULL
}

/// Another worker's side of a bench: does errands about one recording, see [`Bench::errand`].
#[wasm_bindgen]
pub struct Runner {
    runner: card::Runner,
}

#[wasm_bindgen]
impl Runner {
    /// About a file, told as in [`Bench::add_told`] or not.
    #[wasm_bindgen(constructor)]
    pub fn new(file: File, told: JsValue) -> Result<Runner, JsValue> {
        let told = if told.is_undefined() { Told::default() } else { taken(told)? };
        Ok(Runner { runner: card::Runner::new(dropped(file, told)) })
    }

    /// Begins one.
    pub fn begin(&mut self, order: &[u8]) -> Result<(), JsValue> {
        self.runner.begin(order).map_err(undone)
    }

    /// Works on for about `budget_ms`; what to hand back, once it is done.
    pub fn step(&mut self, budget_ms: f64) -> Result<Option<Vec<u8>>, JsValue> {
        let end = now_ms() + budget_ms;
        loop {
            let brought = self.runner.step().map_err(undone)?;
            if brought.is_some() || now_ms() >= end {
                return Ok(brought);
            }
        }
    }
}

/// The user's choices with what they settle to.
#[derive(Serialize)]
struct ChoicesOut<'a> {
    #[serde(flatten)]
    choices: &'a Choices,
    settled: Settled,
}

#[derive(Serialize)]
struct Settled {
    band: Option<[f64; 2]>,
    window: Option<[f64; 2]>,
    chosen_by: Value,
}

#[derive(Serialize)]
struct Added {
    id: u32,
    name: String,
    kind: &'static str,
    notes: Vec<String>,
    /// The other files of an archive.
    more: Vec<Added>,
}

#[derive(Serialize)]
struct StepOut {
    share: f64,
    done: bool,
    working: Option<u8>,
    changed: Vec<u8>,
    waiting: bool,
}

/// Something another worker can do: see [`Bench::errand`].
#[wasm_bindgen]
pub struct ErrandOut {
    /// By which it is handed back.
    pub number: u32,
    /// The file it is about.
    pub file: u32,
    /// Done in a moment, so that another may wait behind it.
    pub is_short: bool,
    order: Vec<u8>,
}

#[wasm_bindgen]
impl ErrandOut {
    /// For [`Runner::begin`]; uses it up.
    pub fn into_order(self) -> Vec<u8> {
        self.order
    }
}

#[wasm_bindgen]
impl Bench {
    /// An empty card.
    #[wasm_bindgen(constructor)]
    #[allow(clippy::new_without_default)]
    pub fn new() -> Bench {
        Bench { card: Card::default() }
    }

    /// Takes a dropped file.
    pub fn add(&mut self, file: File, role: Option<String>) -> Answer {
        self.take(dropped(file, Told::default()), role)
    }

    /// Takes a dropped file with what the user says about it:
    /// `{ raw: { sample_rate_hz, channels, word, skip } | null, log_rate_hz: number | null }`.
    pub fn add_told(&mut self, file: File, role: Option<String>, told: JsValue) -> Answer {
        self.take(dropped(file, taken(told)?), role)
    }

    /// Takes a log whose second half another worker reads; see [`Halved`].
    pub fn add_halves(&mut self, halved: Halved, role: Option<String>, pieces: js_sys::Array) -> Answer {
        let role = role.as_deref().and_then(FileRole::of_word);
        // each is copied when its turn comes, and let go of after it
        let second =
            std::iter::from_fn(|| pieces.shift().dyn_into::<js_sys::Uint8Array>().ok()).map(|own| own.to_vec());
        let added = self.card.add_halves(halved.input, role, halved.halves, second);
        given(&self.added(added.map_err(|error| fault(&error))?))
    }

    /// Takes several files of one run as one recording; `how`: `after` or `beside`.
    pub fn add_joined(&mut self, files: Vec<File>, how: JsValue, role: Option<String>) -> Answer {
        let inputs = files.into_iter().map(|file| dropped(file, Told::default())).collect();
        let role = role.as_deref().and_then(FileRole::of_word);
        let id = self.card.add_joined(inputs, taken::<Join>(how)?, role).map_err(|error| fault(&error))?;
        given(&self.added(id))
    }

    /// Takes bytes made by the page itself: the sample, or a pasted table.
    pub fn add_bytes(&mut self, name: String, bytes: Vec<u8>, role: Option<String>) -> Answer {
        self.take(Input::from_bytes(name, bytes), role)
    }

    /// Takes an input, or each file of an archive; the first stands for all. What could not be taken of an archive that
    /// held something else is a note.
    fn take(&mut self, input: Input, role: Option<String>) -> Answer {
        let role = role.as_deref().and_then(FileRole::of_word);
        let (mut all, mut refusals) = (Vec::new(), Vec::new());
        for input in input.unpacked().map_err(|error| fault(&error))? {
            match self.card.add(input, role) {
                Ok(id) => all.extend(self.added(id)),
                Err(error) => refusals.push(error),
            }
        }
        let mut all = all.into_iter();
        let Some(mut first) = all.next() else {
            return Err(refusals.first().map_or_else(|| of_page("the file is gone", "drop it again"), fault));
        };
        first.more = all.collect();
        first.notes.extend(refusals.iter().map(ToString::to_string));
        given(&first)
    }

    fn added(&self, id: u32) -> Option<Added> {
        let file = self.card.file(id)?;
        let kind = kind(&file.content);
        Some(Added { id, name: file.input.name.clone(), kind, notes: file.notes.clone(), more: Vec::new() })
    }

    /// Takes a file off the card.
    pub fn remove(&mut self, id: u32) {
        self.card.remove(id);
    }

    /// The engine sheet; null without one.
    pub fn sheet(&self) -> Answer {
        given(&self.card.sheet())
    }

    /// Replaces the sheet.
    pub fn set_sheet(&mut self, sheet: JsValue) -> Result<(), JsValue> {
        let sheet: Value = taken(sheet)?;
        self.card.set_sheet(sheet.to_string().as_bytes()).map_err(|error| fault(&error))
    }

    /// What was chosen and what it settles to.
    pub fn choices(&self) -> Answer {
        let rate = self.card.recordings().map(|(_, recording)| recording.sample_rate_hz()).min_by(f64::total_cmp);
        let band = self.card.band(rate.unwrap_or(f64::INFINITY));
        let window = self.card.window();
        given(&ChoicesOut {
            choices: self.card.choices(),
            settled: Settled {
                band: band.map(|band| [band.low, band.high]),
                window: Some([window.low, window.high]),
                chosen_by: serde_json::json!(band.map(|band| band.chosen_by)),
            },
        })
    }

    /// Replaces the choices.
    pub fn choose(&mut self, choices: JsValue) -> Result<(), JsValue> {
        self.card.choose(taken(choices)?).map_err(|error| fault(&error))
    }

    /// Gives a file a role.
    pub fn set_role(&mut self, id: u32, role: &str) {
        if let Some(role) = FileRole::of_word(role) {
            self.card.set_role(id, role);
        }
    }

    /// Gives a column of a log a role.
    pub fn set_column_role(&mut self, id: u32, column: usize, role: &str) {
        if let Ok(role) = serde_json::from_value::<Role>(Value::String(role.into())) {
            self.card.set_column_role(id, column, role);
        }
    }

    /// Judges an event by ear; null takes the judgement back.
    pub fn label(&mut self, id: u32, t_s: f64, knock: Option<bool>) {
        self.card.label(id, t_s, knock);
    }

    /// Replaces the marked stretches of a file.
    pub fn set_marks(&mut self, id: u32, marks: JsValue) -> Result<(), JsValue> {
        let marks: Vec<Mark> = taken(marks)?;
        self.card.set_marks(id, marks);
        Ok(())
    }

    /// What a saved card brought along and still waits for: marks, judgements, files.
    pub fn brought(&self) -> Answer {
        let missing: Vec<_> = self.card.missing_files().collect();
        let labels: Vec<Value> = self.card.labels().iter().map(label).collect();
        given(&serde_json::json!({
            "marks": self.card.marks(), "labels": labels, "missing": missing, "refused": self.card.refused_files(),
        }))
    }

    /// From now on any file of this name will do, whatever hash a saved card names.
    pub fn accept_other(&mut self, name: &str) {
        self.card.accept_other(name);
    }

    /// The files with their channels.
    pub fn files(&self) -> Answer {
        given(&section::file_rows(&self.card))
    }

    /// Works on for about `budget_ms`.
    pub fn step(&mut self, budget_ms: f64) -> Answer {
        let end = now_ms() + budget_ms;
        let mut step = self.card.step();
        while !step.progress.done && !step.waiting && now_ms() < end {
            step = self.card.step();
        }
        given(&StepOut {
            share: step.progress.share,
            done: step.progress.done,
            working: if step.progress.done { None } else { step.section },
            changed: self.card.take_changed(),
            waiting: step.waiting,
        })
    }

    /// Something another worker can do meanwhile about one of the files it `can` open; nothing where there is none now.
    pub fn errand(&mut self, can: &[u32]) -> Option<ErrandOut> {
        let errand = self.card.errand(|id| can.contains(&id));
        errand.map(|Errand { number, file, is_short, order }| ErrandOut { number, file, is_short, order })
    }

    /// Whether what comes of an errand is still of use.
    pub fn awaits(&self, number: u32) -> bool {
        self.card.awaits(number)
    }

    /// Takes back an errand that nobody does any more.
    pub fn recall(&mut self, number: u32) {
        self.card.recall(number);
    }

    /// Takes what came of an errand; with nothing, it and all else about that file is done here.
    pub fn take_back(&mut self, number: u32, brought: Option<Vec<u8>>) {
        self.card.take_back(number, brought.as_deref());
    }

    /// The four answers.
    pub fn verdict(&self) -> Answer {
        given(&section::verdict(&self.card))
    }

    /// Name of the job.
    pub fn title(&self) -> String {
        section::title(&self.card)
    }

    /// One section's view.
    pub fn section(&self, number: u8) -> Answer {
        let view = section::view(&self.card, number);
        given(&view.ok_or_else(|| of_page(format!("no section {number}"), "load the page again"))?)
    }

    /// A section's figure, null while there is nothing to draw; large arrays cross as bytes.
    pub fn figure(&self, id: &str) -> Answer {
        figure(chart::figure(&self.card, id))
    }

    /// A spectrogram of part of a recording.
    #[allow(clippy::too_many_arguments)]
    pub fn spectrogram(
        &self,
        id: u32,
        channel: u16,
        from_s: f64,
        to_s: f64,
        low_hz: f64,
        high_hz: f64,
        columns: usize,
        rows: usize,
    ) -> Answer {
        let region = chart::Region { time_s: Some([from_s, to_s]), hz: Some([low_hz, high_hz]) };
        figure(chart::spectrogram(&self.card, id, channel, &region, columns, rows))
    }

    /// The envelope of part of a recording.
    pub fn envelope(&self, id: u32, from_s: f64, to_s: f64, columns: usize) -> Answer {
        figure(chart::envelope(&self.card, id, Some([from_s, to_s]), columns))
    }

    /// A stretch to listen to.
    pub fn clip(&self, id: u32, channel: u16, from_s: f64, to_s: f64, through_band: bool, slow: usize) -> Answer {
        let clip = self.card.clip(id, channel, [from_s, to_s], through_band, slow).map_err(|error| fault(&error))?;
        let out = js_sys::Object::new();
        let set = |key: &str, value: &JsValue| js_sys::Reflect::set(&out, &key.into(), value);
        set("sample_rate_hz", &clip.sample_rate_hz.into())?;
        set("samples", &Float32Array::from(&clip.samples[..]))?;
        Ok(out.into())
    }

    /// Limits as text in a layout.
    pub fn limits_csv(&self, layout: JsValue) -> Result<String, JsValue> {
        Ok(table::limits_csv(&self.card, taken(layout)?))
    }

    /// Findings as plain text.
    pub fn summary_text(&self) -> String {
        section::summary_text(&self.card)
    }

    /// The result in the fixed shape.
    pub fn result_json(&self) -> String {
        result::result(&self.card).to_string()
    }

    /// The card in the fixed shape.
    pub fn card_json(&self) -> String {
        format!("{:#}", result::card(&self.card))
    }

    /// A text of the tool's own, by key.
    pub fn say(&self, key: &str) -> String {
        words::text(key)
    }

    /// Speaks another language from now on; every section is said anew.
    pub fn speak(&mut self, tag: &str, decimal_comma: bool) {
        speak(tag, decimal_comma);
        self.card.say_again();
    }
}

fn label(label: &EarLabel) -> Value {
    serde_json::json!({"file": label.file, "t_s": label.t_s, "knock": label.knock})
}

fn kind(content: &Content) -> &'static str {
    match content {
        Content::Recording(_) => "recording",
        Content::Log(_) => "log",
        Content::Sheet => "sheet",
        Content::Card => "card",
    }
}

fn figure(figure: Option<ringdown::out::figure::Figure>) -> Answer {
    given(&figure)
}

/// Language and decimal mark of this instance: the page's own, which draws, needs telling as well.
#[wasm_bindgen]
pub fn speak(tag: &str, decimal_comma: bool) {
    speech::speak(speech::Language::of_tag(tag), decimal_comma);
}

/// Makes one evening of the demo.
#[wasm_bindgen]
pub struct Demo {
    demo: Option<synth::Demo>,
}

#[wasm_bindgen]
impl Demo {
    /// `one`, `two`, `three` or `stranger`.
    #[wasm_bindgen(constructor)]
    pub fn new(evening: &str) -> Result<Demo, JsValue> {
        let evening = match evening {
            "one" => synth::Evening::One,
            "two" => synth::Evening::Two,
            "three" => synth::Evening::Three,
            "stranger" => synth::Evening::Stranger,
            other => return Err(of_page(format!("no evening {other}"), "choose one, two, three or stranger")),
        };
        Ok(Demo { demo: Some(synth::Demo::new(evening)) })
    }

    /// Works on for a little.
    pub fn step(&mut self) -> Answer {
        let progress = self.demo.as_mut().map(synth::Demo::step);
        let (share, done) = progress.map_or((1.0, true), |progress| (progress.share, progress.done));
        given(&serde_json::json!({"share": share, "done": done}))
    }

    /// The files, the truth left out: `{ name, bytes, role }`.
    pub fn finish(&mut self) -> Answer {
        let out = js_sys::Array::new();
        let files = self.demo.take().map(synth::Demo::finish).unwrap_or_default();
        for file in files.into_iter().filter(|file| !file.name.ends_with(".truth.json")) {
            let entry = js_sys::Object::new();
            let set = |key: &str, value: &JsValue| js_sys::Reflect::set(&entry, &key.into(), value);
            set("name", &file.name.into())?;
            set("bytes", &js_sys::Uint8Array::from(&file.bytes[..]))?;
            set("role", &file.role.map_or(JsValue::NULL, JsValue::from))?;
            out.push(&entry);
        }
        Ok(out.into())
    }
}
