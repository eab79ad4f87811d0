//! Section 4: for how long the crank angle is known, and what to try where it is not.

use super::*;
use crate::card::align::Apart;
use crate::card::recording::{Recording, crank_channel};
use crate::card::{File, FileId};
use crate::crank::decode::Note;
use crate::crank::{Crank, LostReason, Source, turn};
use crate::out::words::{duration, percent, say};
use crate::read::roles::Role;

pub(super) fn view(card: &Card) -> SectionView {
    let surveyed: Vec<_> = card.recordings().filter(|(_, recording)| recording.survey.is_some()).collect();
    if surveyed.is_empty() && card.logs().next().is_none() {
        return waiting(4, "speed.waiting", "speed.todo.drop");
    }
    let tracked: Vec<(&str, &Recording, &Crank)> = surveyed
        .iter()
        .filter_map(|(file, recording)| Some((file.input.name.as_str(), *recording, recording.crank()?)))
        .collect();
    let all_s: f64 = surveyed.iter().map(|(_, recording)| recording.duration_s()).sum();
    let known_s: f64 = tracked.iter().map(|(_, _, crank)| known_s(crank)).sum();
    let lost: usize = tracked.iter().map(|(_, _, crank)| lost_long(crank).count()).sum();
    let share = if all_s > 0.0 { known_s / all_s } else { 0.0 };
    let mut todo = todos(card, &surveyed, &tracked);
    let (state, finding) = if surveyed.is_empty() {
        let with_speed = card.logs().filter(|(_, log)| log.first(Role::Speed).is_some()).count();
        if with_speed == 0 {
            todo.push(text("speed.todo.logcolumn"));
            (State::Look, text("speed.finding.lognone"))
        } else {
            (State::Holds, text("speed.finding.log"))
        }
    } else if tracked.is_empty() {
        let key = if no_cylinders(card) { "speed.finding.nocylinders" } else { "speed.finding.noreference" };
        (State::Look, text(key))
    } else if tracked.iter().all(|(_, _, crank)| crank.source == Source::Blind) {
        let key = if known_s > 0.0 { "speed.finding.blind" } else { "speed.finding.nopattern" };
        (State::Look, say(key, &[("share", percent(share)), ("time", duration(all_s))]))
    } else {
        let values = [("share", percent(share)), ("time", duration(all_s)), ("n", lost.to_string())];
        let key = match lost {
            0 => "speed.finding.whole",
            1 => "speed.finding.one",
            _ => "speed.finding.lost",
        };
        let doubtful = tracked.iter().any(|(_, _, crank)| crank.notes.iter().any(|note| !is_harmless(note)));
        (if share > 0.9 && !doubtful { State::Holds } else { State::Look }, say(key, &values))
    };
    let rows = surveyed.iter().map(|(file, recording)| track_row(card, file, recording));
    let logs = card.logs().filter(|(_, log)| log.first(Role::Speed).is_some()).map(|(file, log)| {
        let seconds = log.t_s.last().copied().unwrap_or(0.0);
        row([
            file.input.name.clone(),
            text("speed.source.log"),
            "100".into(),
            "–".into(),
            duration(seconds),
            "–".into(),
            "–".into(),
        ])
    });
    let columns = ["file", "source", "share", "events", "length", "error", "beside"]
        .map(|key| text(&format!("speed.column.{key}")));
    let figures = surveyed
        .iter()
        .filter(|(_, recording)| recording.crank().is_some_and(|crank| !crank.track.segments.is_empty()))
        .map(|(file, _)| FigureRef {
            id: format!("speed-{}", file.id),
            caption: file.input.name.clone(),
            summary: say("speed.figure.summary", &[("file", file.input.name.clone())]),
        });
    let blind = tracked.iter().any(|(_, _, crank)| crank.source == Source::Blind);
    let mut why = vec![text(if blind { "speed.why.blind" } else { "speed.why" })];
    why.extend(tracked.iter().flat_map(|(name, _, crank)| {
        crank.notes.iter().filter_map(note_sentence).map(move |note| format!("{name}: {note}"))
    }));
    why.extend(tracked.iter().flat_map(|(name, _, crank)| lost_sentences(name, crank)));
    why.extend(card.logs().filter_map(|(log, _)| apart_sentence(card, log)));
    SectionView {
        why,
        todo,
        tables: vec![table("speed", text("speed.caption"), columns, rows.chain(logs).collect())],
        figures: figures.collect(),
        ..blank(4, state, finding)
    }
}

/// Notes of what is as good as what the sheet asks for.
fn is_harmless(note: &Note) -> bool {
    matches!(
        note,
        Note::Inverted
            | Note::OtherEdge
            | Note::TurnHeard { .. }
            | Note::TurnFromIgnition { .. }
            | Note::OffsetFromIgnition { .. }
            | Note::OffsetConfirmed { .. }
    )
}

/// Without a number of cylinders no rhythm tells a speed.
fn no_cylinders(card: &Card) -> bool {
    card.sheet().is_none_or(|sheet| sheet.cylinders.is_none())
}

/// Seconds inside segments.
pub(crate) fn known_s(crank: &Crank) -> f64 {
    let length = |segment: &crate::crank::track::Segment| match (segment.t_s.first(), segment.t_s.last()) {
        (Some(first), Some(last)) => last - first,
        _ => 0.0,
    };
    crank.track.segments.iter().map(length).sum()
}

/// The log laid over a recording, with offset, drift and what is left between the speeds.
fn beside(card: &Card, recording: FileId) -> String {
    let laid = || {
        let (log, alignment) = card.log_beside(recording)?;
        let values = [
            ("log", card.file(log)?.input.name.clone()),
            ("offset", number(alignment.offset_s, 2)),
            ("drift", number(if alignment.drift_known { 1e6 * alignment.drift } else { f64::NAN }, 0)),
            ("residual", number(100.0 * alignment.residual, 1)),
        ];
        Some(say("speed.beside", &values))
    };
    laid().unwrap_or_else(|| "–".into())
}

/// Why a log lies over no recording; `None` where it does, or where one side has no speed (that is said elsewhere).
fn apart_sentence(card: &Card, log: &File) -> Option<String> {
    let own = || card.overlays().iter().filter(|overlay| overlay.log == log.id);
    let reasons: Vec<Apart> = own().filter_map(|overlay| overlay.found.err()).collect();
    let key = match () {
        () if reasons.len() < own().count() => return None,
        () if reasons.contains(&Apart::Ambiguous) => "speed.apart.ambiguous",
        () if reasons.contains(&Apart::NoOverlap) => "speed.apart.elsewhere",
        () => return None,
    };
    Some(say(key, &[("log", log.input.name.clone())]))
}

fn track_row(card: &Card, file: &File, recording: &Recording) -> Row {
    let name = file.input.name.as_str();
    let seconds = recording.duration_s();
    let source = match card.sheet().and_then(crank_channel) {
        Some((channel, _)) => say("speed.source.channel", &[("n", channel.to_string())]),
        None => text("speed.source.none"),
    };
    let source = match recording.crank() {
        Some(crank) if crank.source == Source::Blind => text("speed.source.blind"),
        _ => source,
    };
    let Some(crank) = recording.crank() else {
        return row([name.into(), source, "0".into(), "0".into(), duration(seconds), "–".into(), "–".into()]);
    };
    let error = crank.track.segments.iter().map(|segment| segment.error_deg).max_by(f64::total_cmp);
    let error = error.map_or_else(|| "–".into(), |deg| number(deg, if deg < 0.1 { 3 } else { 2 }));
    let share = percent(if seconds > 0.0 { known_s(crank) / seconds } else { 0.0 });
    row([
        name.into(),
        source,
        share,
        number(crank.events.len() as f64, 0),
        duration(seconds),
        error,
        beside(card, file.id),
    ])
}

fn todos(
    card: &Card,
    surveyed: &[(&crate::card::File, &Recording)],
    tracked: &[(&str, &Recording, &Crank)],
) -> Vec<String> {
    let mut todo = Vec::new();
    if !surveyed.is_empty() && tracked.iter().all(|(_, _, crank)| crank.source == Source::Blind) {
        if no_cylinders(card) {
            todo.push(text("speed.todo.cylinders"));
        }
        todo.push(text(if card.sheet().is_some_and(|sheet| sheet.crank.is_some()) {
            "speed.todo.incomplete"
        } else {
            "speed.todo.reference"
        }));
        todo.push(text("caution.coil"));
    }
    let noted = |wanted: fn(&Note) -> bool| tracked.iter().any(|(_, _, crank)| crank.notes.iter().any(wanted));
    let keys = [
        (noted(|note| matches!(note, Note::OffsetUnknown | Note::OffsetHeard { .. })), "speed.todo.offset"),
        (
            noted(|note| matches!(note, Note::OffsetDoubtful { .. } | Note::OffsetAgainstIgnition { .. })),
            "speed.todo.offsetcheck",
        ),
        (noted(|note| matches!(note, Note::IgnitionUnclear { .. })), "speed.todo.ignition"),
        (noted(|note| matches!(note, Note::NoCam)), "speed.todo.cam"),
        (noted(|note| matches!(note, Note::CamDead | Note::CamUnsteady { .. })), "speed.todo.camdead"),
        (noted(|note| matches!(note, Note::NoChannel { .. })), "speed.todo.channel"),
        (noted(|note| matches!(note, Note::LooksLike { .. })), "speed.todo.pattern"),
        (
            tracked.iter().any(|(_, _, crank)| crank.lost.iter().any(|lost| lost.reason == LostReason::NotAWheel)),
            "speed.todo.notawheel",
        ),
    ];
    todo.extend(keys.iter().filter(|(wanted, _)| *wanted).map(|(_, key)| text(key)));
    todo
}

fn note_sentence(note: &Note) -> Option<String> {
    Some(match note {
        Note::Inverted => text("speed.note.inverted"),
        Note::OtherEdge => text("speed.note.otheredge"),
        Note::OffsetUnknown => text("speed.note.offset"),
        Note::OffsetHeard { deg_btdc, within_deg, every_deg } => {
            say("speed.note.offsetheard", &degrees(*deg_btdc, *within_deg, *every_deg))
        }
        Note::OffsetDoubtful { late_deg, within_deg, every_deg } => {
            let key = if *late_deg > 0.0 { "speed.note.offsetlate" } else { "speed.note.offsetearly" };
            say(key, &degrees(late_deg.abs(), *within_deg, *every_deg))
        }
        Note::OffsetFromIgnition { deg_btdc, within_deg, edges } => {
            say("speed.note.offsetfromignition", &spark(*deg_btdc, *within_deg, ("n", edges.to_string())))
        }
        Note::OffsetConfirmed { deg_btdc, within_deg } => {
            say("speed.note.offsetconfirmed", &spark(*deg_btdc, *within_deg, ("n", String::new())))
        }
        Note::OffsetAgainstIgnition { deg_btdc, within_deg, off_deg } => {
            say("speed.note.offsetagainst", &spark(*deg_btdc, *within_deg, ("off", number(*off_deg, 1))))
        }
        Note::IgnitionUnclear { edges, .. } => say("speed.note.ignitionunclear", &[("n", edges.to_string())]),
        Note::TurnHeard { segments, of } => {
            let values =
                [("n", segments.to_string()), ("all", of.to_string()), ("sure", number(100.0 * turn::CONFIDENCE, 1))];
            say("speed.note.turnheard", &values)
        }
        Note::TurnFromIgnition { segments, of } => {
            say("speed.note.turnfromignition", &[("n", segments.to_string()), ("all", of.to_string())])
        }
        Note::NoCam => text("speed.note.nocam"),
        Note::CamUnsteady { share } => say("speed.note.camunsteady", &[("share", percent(*share))]),
        Note::CamDead => text("speed.note.camdead"),
        Note::NoChannel { channel } => say("speed.note.nochannel", &[("n", channel.to_string())]),
        Note::LooksLike { teeth, missing } => {
            say("speed.note.lookslike", &[("teeth", teeth.to_string()), ("missing", missing.to_string())])
        }
    })
}

fn degrees(deg: f64, within_deg: f64, every_deg: f64) -> [(&'static str, String); 3] {
    [("deg", number(deg, 0)), ("within", number(within_deg, 0)), ("every", number(every_deg, 0))]
}

fn spark(deg: f64, within_deg: f64, third: (&'static str, String)) -> [(&'static str, String); 3] {
    [("deg", number(deg, 1)), ("within", number(within_deg, 1)), third]
}

/// Stretches worth a word: at the very ends of a recording a few milliseconds are always missing.
fn lost_long(crank: &Crank) -> impl Iterator<Item = &crate::crank::Lost> {
    const SHORTEST_S: f64 = 0.05;
    crank.lost.iter().filter(|lost| lost.to_s - lost.from_s >= SHORTEST_S)
}

fn lost_sentences(name: &str, crank: &Crank) -> Vec<String> {
    const SHOWN: usize = 4;
    let one = |lost: &crate::crank::Lost| {
        say(
            "speed.lost",
            &[
                ("file", name.into()),
                ("from", number(lost.from_s, 2)),
                ("to", number(lost.to_s, 2)),
                ("reason", text(lost_key(lost.reason))),
            ],
        )
    };
    lost_long(crank).take(SHOWN).map(one).collect()
}

/// Key of the reason's words.
pub(crate) fn lost_key(reason: LostReason) -> &'static str {
    match reason {
        LostReason::NoEdges => "lost.noedges",
        LostReason::PatternBroken => "lost.pattern",
        LostReason::NotYetSynchronised => "lost.notyet",
        LostReason::NotAWheel => "lost.notawheel",
        LostReason::NoPattern => "lost.nopattern",
        LostReason::Ambiguous => "lost.ambiguous",
    }
}
