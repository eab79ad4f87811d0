//! Section 2: what each file is and what it is used as.

use super::*;
use crate::card::{Content, File, FileRole, RoleReason};
use crate::out::words::{duration, percent, say};
use crate::read::roles::Role;

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
        tables: vec![table(
            "files",
            text("recordings.caption"),
            columns,
            card.files().iter().map(|file| file_row(card, file)).collect(),
        )],
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

fn file_row(card: &Card, file: &File) -> Row {
    let (what, rate, channels) = match &file.content {
        Content::Recording(recording) => {
            let wave = recording.samples.borrow();
            let channels = (1..=recording.channels()).map(|channel| {
                let role = recording.role(channel, card.sheet());
                say(
                    "recordings.channel",
                    &[("n", channel.to_string()), ("role", text(&format!("role.{role:?}").to_lowercase()))],
                )
            });
            (
                say("recordings.wave", &[("format", wave.format.clone())]),
                say("recordings.hz", &[("rate", number(wave.sample_rate_hz, 0))]),
                channels.collect::<Vec<_>>().join(", "),
            )
        }
        Content::Log(log) => {
            let rate =
                log.rate_hz().map_or_else(|| "–".into(), |rate| say("recordings.hz", &[("rate", number(rate, 1))]));
            (
                say("recordings.table", &[("assumed", log.assumed.clone())]),
                rate,
                say("recordings.columns", &[("n", log.columns.len().to_string())]),
            )
        }
        Content::Sheet => (text("recordings.sheet"), "–".into(), "–".into()),
        Content::Card => (text("recordings.card"), "–".into(), "–".into()),
    };
    let has_role = matches!(file.content, Content::Recording(_) | Content::Log(_));
    let role = if has_role {
        format!("{} ({})", text(&format!("filerole.{}", file.role.word())), reason(&file.role_reason))
    } else {
        "–".into()
    };
    let sha = file.sha256.as_deref().filter(|sha| !sha.is_empty()).map_or("…", |sha| &sha[..sha.len().min(12)]);
    let length = if has_role { duration(duration_s(file)) } else { "–".into() };
    row([file.input.name.clone(), what, role, length, rate, channels, sha.into()])
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
    pub role: Option<&'static str>,
    pub role_reason: String,
    pub duration_s: Option<f64>,
    pub bytes: u64,
    pub sha256: String,
    /// Sensor channels, from 1.
    pub sensors: Vec<u16>,
    pub channels: Vec<ChannelRow>,
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
    let (kind, sensors, channels) = match &file.content {
        Content::Recording(recording) => {
            let one = |channel: u16| ChannelRow {
                channel: usize::from(channel),
                name: say("recordings.channel.name", &[("n", channel.to_string())]),
                unit: text("unit.fullscale"),
                role: recording.role(channel, card.sheet()),
                reason: text(if card.sheet().is_some() {
                    "recordings.reason.sheet"
                } else {
                    "recordings.reason.signal"
                }),
            };
            ("recording", recording.sensor_channels(card.sheet()), (1..=recording.channels()).map(one).collect())
        }
        Content::Log(log) => {
            let one = |column: &crate::read::log::Column| ChannelRow {
                channel: column.column,
                name: column.name.clone(),
                unit: column.unit.clone().unwrap_or_default(),
                role: column.role,
                reason: column.reason.clone(),
            };
            ("log", Vec::new(), log.columns.iter().map(one).collect())
        }
        Content::Sheet => ("sheet", Vec::new(), Vec::new()),
        Content::Card => ("card", Vec::new(), Vec::new()),
    };
    let has_role = matches!(kind, "recording" | "log");
    FileRow {
        id: file.id,
        name: file.input.name.clone(),
        kind,
        role: has_role.then(|| file.role.word()),
        role_reason: if has_role { reason(&file.role_reason) } else { String::new() },
        duration_s: has_role.then(|| duration_s(file)),
        bytes: file.input.bytes,
        sha256: file.sha256.clone().unwrap_or_default(),
        sensors,
        channels,
    }
}
