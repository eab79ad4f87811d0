//! Section 5: the frequency band, and whether knock stands out in it.

use super::searched;
use super::*;
use crate::card::bursts::Impulsive;
use crate::card::recording::Recording;
use crate::card::search::Verdict;
use crate::card::{ChosenBy, FileRole, Settled};
use crate::feature::modes::Mode;
use crate::out::words::{khz, say};
use crate::stats::order::Arrange;

/// Loud cycles must stand out by this much in the band to speak of knock rather than of loudness, dB.
const STANDS_OUT_DB: f64 = 3.0;

/// The band in force over all recordings: that of the lowest sampling rate.
pub(super) fn band(card: &Card) -> Option<Settled> {
    let rate = card.recordings().map(|(_, recording)| recording.sample_rate_hz()).min_by(f64::total_cmp);
    card.band(rate.unwrap_or(f64::INFINITY))
}

pub(super) fn view(card: &Card) -> SectionView {
    if card.recordings().next().is_none() {
        let finding = if card.logs().next().is_some() { "band.log" } else { "band.waiting" };
        return waiting(5, finding, "band.todo.record");
    }
    let Some(band) = band(card) else {
        let mut view = waiting(5, "band.nobore", "band.todo.bore");
        // Bursts and spectra need neither bore nor crank.
        view.figures = kurtosis(card).chain(spectrograms(card)).chain(octaves(card)).collect();
        view.why = bursts(card).into_iter().collect();
        view.tables = searched::tables(card);
        return view;
    };
    let (state, finding, todo) = judge(card, band);
    let mut tables = searched::tables(card);
    if let (Some(evidence), Some(modes)) = (card.evidence(), card.modes())
        && let Some(in_band) = evidence.contrast_db(band.low, band.high)
    {
        let columns = ["band.column.band", "band.column.range", "band.column.contrast", "band.column.why"].map(text);
        let chosen = Row {
            chosen: true,
            ..row([text("band.row.chosen"), range(band.low, band.high), db(in_band), text("band.why.chosen")])
        };
        let rows = modes.iter().filter_map(|mode| mode_row(mode, evidence.contrast_db(mode.hz_low, mode.hz_high)?));
        tables.push(table(
            "bands",
            say("band.caption", &[("n", evidence.pairs.to_string())]),
            columns,
            [chosen].into_iter().chain(rows).collect(),
        ));
    }
    let mut figures = spectrograms(card);
    // They read the recording anew: only once the numbers a user waits for are there.
    if card.evidence().is_some() {
        figures.extend(other_views(card));
    }
    figures.extend(kurtosis(card));
    if card.evidence().is_some_and(|evidence| !evidence.loud_db.is_empty()) {
        figures.insert(0, figure("band", "band.figure.spectra", finding.clone()));
    }
    if card.search().is_some_and(|search| !search.map.is_empty()) {
        figures.insert(0, figure("search", "band.figure.map", finding.clone()));
    }
    figures.extend(octaves(card));
    let mut why = vec![text("band.why"), text("band.why.mixture")];
    why.extend(bursts(card));
    why.extend(searched::why(card));
    why.extend(searched::feature(card));
    SectionView { why, todo, tables, figures, ..blank(5, state, finding) }
}

fn range(low_hz: f64, high_hz: f64) -> String {
    format!("{} – {}", khz(low_hz), khz(high_hz))
}

fn mode_row(mode: &Mode, contrast_db: f64) -> Option<Row> {
    let why = match (mode.m, mode.n) {
        (1, 0) => text("band.why.first"),
        _ => text("band.why.higher"),
    };
    Some(row([format!("({}, {})", mode.m, mode.n), range(mode.hz_low, mode.hz_high), db(contrast_db), why]))
}

fn judge(card: &Card, band: Settled) -> (State, String, Vec<String>) {
    let values = [("low", khz(band.low)), ("high", khz(band.high)), ("source", source(card, band))];
    if let Some(judged) = searched::judge(card, band, &values) {
        return judged;
    }
    let contrast =
        card.evidence().and_then(|evidence| Some((evidence.contrast_db(band.low, band.high)?, evidence.pairs)));
    match contrast {
        Some((contrast_db, pairs)) => {
            let [low, high, source] = values;
            let values = [low, high, source, ("db", db(contrast_db)), ("n", number(pairs as f64, 0))];
            if contrast_db >= STANDS_OUT_DB {
                (State::Holds, say("band.finding.stands", &values) + &tried(card), Vec::new())
            } else {
                (State::Look, say("band.finding.weak", &values), vec![text("band.todo.weak")])
            }
        }
        None => {
            let provoked = card.files().iter().any(|file| file.role == FileRole::Knock);
            let todo = match provoked {
                true if super::limits::safe_may_knock(card) => "band.todo.loudtail",
                true => "band.todo.fewloud",
                false => "band.todo.provoke",
            };
            (State::NotEnough, say("band.finding.start", &values), vec![text(todo)])
        }
    }
}

/// That the search found nothing better, where it did.
fn tried(card: &Card) -> String {
    match card.search().filter(|search| search.verdict == Verdict::UsualAsGood) {
        Some(search) => format!(" {}", say("band.usual.asgood", &[("cells", number(search.cells as f64, 0))])),
        None => String::new(),
    }
}

fn source(card: &Card, band: Settled) -> String {
    match (band.chosen_by, card.sheet().and_then(|sheet| sheet.bore_mm)) {
        (ChosenBy::Search, _) => {
            let cells = card.search().map_or(0, |search| search.cells);
            say("band.source.search", &[("cells", number(cells as f64, 0))])
        }
        (ChosenBy::Mode, Some(bore_mm)) => say("band.source.mode", &[("bore", number(bore_mm, 1))]),
        _ => text("band.source.user"),
    }
}

/// One spectrogram per sensor channel of each recording, provoked ones first.
fn spectrograms(card: &Card) -> Vec<FigureRef> {
    by_channel(card, "spectrogram", |recording| recording.survey.is_some())
}

/// Levels in thirds of an octave, likewise.
fn octaves(card: &Card) -> Vec<FigureRef> {
    by_channel(card, "octaves", |recording| recording.sensors.is_some())
}

/// Which frequencies come in bursts, a figure a channel.
fn kurtosis(card: &Card) -> impl Iterator<Item = FigureRef> {
    card.bursts().into_iter().map(|sides| {
        let values = [("n", sides.channel.to_string())];
        FigureRef {
            id: format!("kurtosis-{}", sides.channel),
            caption: say("band.figure.kurtosis", &values),
            summary: say("band.figure.kurtosis.summary", &values),
        }
    })
}

/// What they find, of the sensor on which bursts stand furthest out.
fn bursts(card: &Card) -> Option<String> {
    let out = |most: &Impulsive| most.kurtosis - most.safe.unwrap_or(0.0);
    let all = card.bursts().into_iter().filter_map(|sides| Some((sides.channel, sides.most()?)));
    let (channel, most) = all.max_by(|a, b| out(&a.1).total_cmp(&out(&b.1)))?;
    let values = [
        ("n", channel.to_string()),
        ("low", khz(most.low_hz)),
        ("high", khz(most.high_hz)),
        ("kurtosis", number(most.kurtosis, 1)),
        ("safe", number(most.safe.unwrap_or(f64::NAN), 1)),
    ];
    let key = match most.safe {
        Some(_) if most.more => "band.bursts.finding.more",
        Some(_) => "band.bursts.finding.same",
        None => "band.bursts.finding.alone",
    };
    Some(say(key, &values))
}

fn by_channel(card: &Card, kind: &str, is_ready: impl Fn(&Recording) -> bool) -> Vec<FigureRef> {
    let mut files: Vec<_> = card.recordings().filter(|(_, recording)| is_ready(recording)).collect();
    files.arrange(|(a, _), (b, _)| (a.role != FileRole::Knock).cmp(&(b.role != FileRole::Knock)));
    let channels = files.into_iter().flat_map(|(file, recording)| {
        recording.sensor_channels(card.sheet()).into_iter().map(move |channel| (file, channel))
    });
    channels
        .map(|(file, channel)| {
            let values = [("file", file.input.name.clone()), ("n", channel.to_string())];
            FigureRef {
                id: format!("{kind}-{}-{channel}", file.id),
                caption: say(&format!("band.figure.{kind}"), &values),
                summary: say(&format!("band.figure.{kind}.summary"), &values),
            }
        })
        .collect()
}

/// The first provoked recording (without one, the first) above its background, by order, and as lines over order.
fn other_views(card: &Card) -> Vec<FigureRef> {
    let Some((id, values)) = first_sensor(card) else { return Vec::new() };
    let view = |kind: &str| FigureRef {
        id: format!("{kind}-{id}"),
        caption: say(&format!("band.figure.{kind}"), &values),
        summary: say(&format!("band.figure.{kind}.summary"), &values),
    };
    ["above", "orders", "orderlines"].map(view).into()
}

fn first_sensor(card: &Card) -> Option<(String, [(&'static str, String); 2])> {
    let with_events =
        card.recordings().filter(|(_, recording)| recording.crank().is_some_and(|crank| !crank.events.is_empty()));
    let (file, recording) = with_events.min_by_key(|(file, _)| file.role != FileRole::Knock)?;
    let channel = recording.sensor_channels(card.sheet()).into_iter().next()?;
    Some((format!("{}-{channel}", file.id), [("file", file.input.name.clone()), ("n", channel.to_string())]))
}

pub(super) fn verdict(card: &Card) -> (State, String) {
    let view = view(card);
    let Some(band) = band(card) else { return (view.state, view.finding) };
    if card.recordings().next().is_none() {
        return (view.state, view.finding);
    }
    let window = card.window();
    let has_crank =
        card.recordings().any(|(_, recording)| recording.crank().is_some_and(|crank| !crank.events.is_empty()));
    let values = [
        ("low", khz(band.low)),
        ("high", khz(band.high)),
        ("start", number(window.low, 0)),
        ("end", number(window.high, 0)),
    ];
    let key = match (view.state, has_crank) {
        (State::Holds, true) => "verdict.where.holds",
        (_, true) => "verdict.where.start",
        (_, false) => "verdict.where.nocrank",
    };
    (view.state, say(key, &values))
}
