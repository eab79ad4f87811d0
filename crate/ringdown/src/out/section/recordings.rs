//! Section 2: what each file is and what it is used as.

use super::*;
use crate::card::{Content, File, FileRole, RoleReason};
use crate::out::channels::{self, Channel};
use crate::out::words::{duration, percent, say};
use crate::read::log::{Assumed, Head};
use crate::read::roles::Role;
use crate::read::samples::{Coding, Form};
use crate::read::text::Delimiter;

pub(super) fn view(card: &Card) -> SectionView {
    if card.files().is_empty() {
        let mut view = waiting(2, "recordings.waiting", "recordings.todo.drop");
        view.todo.extend(missing(card));
        return view;
    }
    let recordings = card.recordings().count();
    let logs = card.logs().count();
    // A log beside a recording is of the same run: its time is not counted again.
    let is_recording = |file: &&File| matches!(file.content, Content::Recording(_)) || recordings == 0;
    let seconds: f64 = card.files().iter().filter(is_recording).map(duration_s).sum();
    let counts = [
        ("recordings", count("recordings.recording", recordings)),
        ("logs", count("recordings.log", logs)),
        ("time", duration(seconds)),
    ];
    let mut finding = say(
        match (recordings, logs) {
            (0, 0) => "recordings.finding.none",
            (_, 0) => "recordings.finding.recordings",
            (0, _) => "recordings.finding.logs",
            _ => "recordings.finding.both",
        },
        &counts,
    );
    if let Some((name, share)) = worst_clipped(card) {
        finding = say("recordings.clipped", &[("head", finding), ("file", name), ("share", percent(share))]);
    }
    let notes: Vec<String> = card.files().iter().flat_map(|file| file.notes.clone()).collect();
    let state =
        if worst_clipped(card).is_some() || card.files().iter().any(incomplete) { State::Look } else { State::Holds };
    let columns = ["file", "what", "role", "length", "rate", "channels", "sha"]
        .map(|key| text(&format!("recordings.column.{key}")));
    let provoked = card.files().iter().any(|file| file.role == FileRole::Knock);
    let figures = card.recordings().map(|(file, _)| {
        let summary = say("recordings.figure.summary", &[("file", file.input.name.clone())]);
        FigureRef { id: format!("envelope-{}", file.id), caption: file.input.name.clone(), summary }
    });
    SectionView {
        why: [vec![text("recordings.why")], notes].concat(),
        todo: missing(card),
        cautions: if provoked { vec![text("caution.provoke"), text("caution.running")] } else { Vec::new() },
        tables: vec![
            table("files", text("recordings.caption"), columns, card.files().iter().map(file_row).collect()),
            channel_table(card),
        ],
        figures: figures.collect(),
        ..blank(2, state, finding)
    }
}

fn missing(card: &Card) -> Vec<String> {
    card.missing_files()
        .map(|file| {
            let sha = file.sha256.as_deref().map_or("–", |sha| &sha[..sha.len().min(12)]);
            say("recordings.todo.missing", &[("file", file.name.clone()), ("sha", sha.into())])
        })
        .collect()
}

fn count(key: &str, n: usize) -> String {
    say(
        if n == 1 { "count.one" } else { "count.many" },
        &[("n", n.to_string()), ("what", text(&format!("{key}.{}", if n == 1 { "one" } else { "many" })))],
    )
}

fn duration_s(file: &File) -> f64 {
    match &file.content {
        Content::Recording(recording) => recording.duration_s(),
        Content::Log(log) => log.t_s.last().copied().unwrap_or(0.0) - log.t_s.first().copied().unwrap_or(0.0),
        _ => 0.0,
    }
}

/// A recorder that lost power, or a file that could not be read to its end.
fn incomplete(file: &File) -> bool {
    file.sha256.as_deref() == Some("")
}

/// The file and share of its most clipped sensor channel, if that share could matter (over 1 in 100 000).
fn worst_clipped(card: &Card) -> Option<(String, f64)> {
    let shares = card.recordings().flat_map(|(file, recording)| {
        recording.sensors.iter().flatten().map(|(_, sensor)| (file.input.name.clone(), sensor.features.clipped_share))
    });
    shares.filter(|(_, share)| *share > 1e-5).max_by(|a, b| a.1.total_cmp(&b.1))
}

/// Every channel of every recording and log.
fn channel_table(card: &Card) -> Table {
    let columns =
        ["file", "channel", "name", "unit", "role", "why", "rate", "samples", "missing", "min", "max", "mean"]
            .map(|key| text(&format!("recordings.column.{key}")));
    let rows = card
        .files()
        .iter()
        .flat_map(|file| channels::of(card, file).into_iter().map(|channel| channel_row(file, channel)));
    table("channels", text("recordings.channels.caption"), columns, rows.collect())
}

fn channel_row(file: &File, channel: Channel) -> Row {
    let value = |value: Option<f64>| value.map_or_else(|| "–".into(), plain_number);
    row([
        file.input.name.clone(),
        channel.channel.to_string(),
        channel.name,
        channel.unit.unwrap_or_else(|| "–".into()),
        role_name(channel.role),
        channel.reason,
        channel.rate_hz.map_or_else(|| "–".into(), |rate_hz| say("recordings.hz", &[("rate", plain_number(rate_hz))])),
        number(channel.samples as f64, 0),
        number(channel.missing as f64, 0),
        value(channel.min),
        value(channel.max),
        value(channel.mean),
    ])
}

/// A number of unknown size with four figures, no more after the point than they need.
fn plain_number(value: f64) -> String {
    let magnitude = if value == 0.0 { 0.0 } else { value.abs().log10().floor() };
    let digits = (3.0 - magnitude).clamp(0.0, 6.0) as usize;
    let shown = number(value, digits);
    let marks = ['.', ','];
    if shown.contains(marks) { shown.trim_end_matches('0').trim_end_matches(marks).to_owned() } else { shown }
}

/// A role in words.
fn role_name(role: Role) -> String {
    let word = serde_json::to_value(role).ok().and_then(|word| word.as_str().map(str::to_owned)).unwrap_or_default();
    text(&format!("role.{word}"))
}

/// "24-bit PCM (AIFF), 3 files joined".
fn form_in_words(form: &Form) -> String {
    let coding = match form.coding {
        Coding::Pcm { bits, bytes } if usize::from(bits) < 8 * bytes => {
            say("form.padded", &[("bits", bits.to_string()), ("bytes", bytes.to_string())])
        }
        Coding::Pcm { bits, .. } => say("form.pcm", &[("bits", bits.to_string())]),
        Coding::Float(bits) => say("form.float", &[("bits", bits.to_string())]),
        Coding::Flac(bits) => say("form.flac", &[("bits", bits.to_string())]),
        Coding::Text => text("form.text"),
    };
    let container = form.container.map(|name| format!(" ({name})")).unwrap_or_default();
    let bare = if form.is_bare { format!(" {}", text("form.bare")) } else { String::new() };
    let joined = say("form.joined", &[("n", form.files.to_string())]);
    let joined = if form.files > 1 { format!(", {joined}") } else { String::new() };
    coding + &container + &bare + &joined
}

/// "semicolons, decimal comma, units in the head, UTF-8".
fn assumed_in_words(assumed: &Assumed) -> String {
    let delimiter = match assumed.delimiter {
        Delimiter::Byte(b',') => "log.commas",
        Delimiter::Byte(b';') => "log.semicolons",
        Delimiter::Byte(b'\t') => "log.tabs",
        Delimiter::Byte(_) => "log.bars",
        Delimiter::Blanks => "log.blanks",
    };
    let head = match assumed.head {
        Head::None => "log.head.none",
        Head::UnitsBelow => "log.head.below",
        Head::Units => "log.head.units",
        Head::Names => "log.head.names",
    };
    let decimal = if assumed.decimal_comma { "log.comma" } else { "log.point" };
    let mut parts = vec![text(delimiter), text(decimal), text(head)];
    if assumed.preamble > 0 {
        parts.push(say("log.preamble", &[("n", assumed.preamble.to_string())]));
    }
    parts.push(assumed.encoding.to_owned());
    parts.join(", ")
}

/// What a file is, and how it was understood.
fn what(file: &File) -> String {
    match &file.content {
        Content::Recording(recording) => {
            say("recordings.wave", &[("format", form_in_words(&recording.samples.borrow().form))])
        }
        Content::Log(log) => say("recordings.table", &[("assumed", assumed_in_words(&log.assumed))]),
        Content::Sheet => text("recordings.sheet"),
        Content::Card => text("recordings.card"),
    }
}

fn file_row(file: &File) -> Row {
    let hz = |rate_hz: f64, digits: usize| say("recordings.hz", &[("rate", number(rate_hz, digits))]);
    let dash = || "–".to_owned();
    let (rate, channels) = match &file.content {
        Content::Recording(recording) => (
            hz(recording.samples.borrow().sample_rate_hz, 0),
            say("recordings.channels", &[("n", recording.channels().to_string())]),
        ),
        Content::Log(log) => (
            log.rate_hz().map_or_else(dash, |rate_hz| hz(rate_hz, 1)),
            say("recordings.columns", &[("n", log.columns.len().to_string())]),
        ),
        Content::Sheet | Content::Card => (dash(), dash()),
    };
    let has_role = matches!(file.content, Content::Recording(_) | Content::Log(_));
    let role = if has_role {
        format!("{} ({})", text(&format!("filerole.{}", file.role.word())), reason(&file.role_reason))
    } else {
        "–".into()
    };
    let sha = file.sha256.as_deref().filter(|sha| !sha.is_empty()).map_or("…", |sha| &sha[..sha.len().min(12)]);
    let length = if has_role { duration(duration_s(file)) } else { "–".into() };
    row([file.input.name.clone(), what(file), role, length, rate, channels, sha.into()])
}

/// Why a file has its role.
pub(super) fn reason(reason: &RoleReason) -> String {
    match reason {
        RoleReason::Chosen => text("role.chosen"),
        RoleReason::Word(word) => say("role.word", &[("word", (*word).into())]),
        RoleReason::Tail(share) => say("role.tail", &[("share", percent(*share))]),
        RoleReason::Nothing => text("role.nothing"),
    }
}

/// A file as the page lists it, with its channels and their roles.
#[derive(Debug, Clone, serde::Serialize)]
#[allow(missing_docs)]
pub struct FileRow {
    pub id: u32,
    pub name: String,
    pub kind: &'static str,
    /// What it is and how it was understood, in words.
    pub what: String,
    pub role: Option<&'static str>,
    pub role_reason: String,
    pub duration_s: Option<f64>,
    pub bytes: u64,
    pub sha256: String,
    /// Sensor channels, from 1.
    pub sensors: Vec<u16>,
    /// A recording surveyed, its events measured.
    pub is_measured: bool,
    pub channels: Vec<ChannelRow>,
    /// What was assumed or left out, and what went wrong while it was read.
    pub notes: Vec<String>,
}

/// A channel or column.
#[derive(Debug, Clone, serde::Serialize)]
#[allow(missing_docs)]
pub struct ChannelRow {
    pub channel: usize,
    pub name: String,
    pub unit: String,
    pub role: Role,
    pub reason: String,
}

/// Every file of the card, in the order of dropping.
pub fn file_rows(card: &Card) -> Vec<FileRow> {
    card.files().iter().map(|file| listed(card, file)).collect()
}

fn listed(card: &Card, file: &File) -> FileRow {
    let (kind, sensors) = match &file.content {
        Content::Recording(recording) => ("recording", recording.sensor_channels(card.sheet())),
        Content::Log(_) => ("log", Vec::new()),
        Content::Sheet => ("sheet", Vec::new()),
        Content::Card => ("card", Vec::new()),
    };
    let row = |Channel { channel, name, unit, role, reason, .. }| ChannelRow {
        channel,
        name,
        unit: unit.unwrap_or_default(),
        role,
        reason,
    };
    let channels = channels::of(card, file).into_iter().map(row).collect();
    let has_role = matches!(kind, "recording" | "log");
    FileRow {
        id: file.id,
        name: file.input.name.clone(),
        kind,
        what: what(file),
        role: has_role.then(|| file.role.word()),
        role_reason: if has_role { reason(&file.role_reason) } else { String::new() },
        duration_s: has_role.then(|| duration_s(file)),
        bytes: file.input.bytes,
        sha256: file.sha256.clone().unwrap_or_default(),
        sensors,
        is_measured: matches!(&file.content, Content::Recording(recording) if card.is_measured(recording)),
        channels,
        notes: file.notes.clone(),
    }
}
