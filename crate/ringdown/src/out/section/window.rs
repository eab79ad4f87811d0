//! Section 6: the crank-angle window.

use super::{impacts, *};
use crate::card::ChosenBy;
use crate::card::windows::WindowAt;
use crate::crank::decode::Note;
use crate::crank::{Crank, Source};
use crate::out::words::{percent, say};

pub(super) fn view(card: &Card) -> SectionView {
    if card.recordings().next().is_none() {
        let finding = if card.logs().next().is_some() { "window.log" } else { "window.waiting" };
        return waiting(6, finding, "window.todo.record");
    }
    let heard_deg = within(card, |note| match note {
        Note::OffsetHeard { within_deg, .. } => Some(*within_deg),
        _ => None,
    });
    if !card.has_angle() && heard_deg.is_none() {
        let with_events = || cranks(card).filter(|crank| !crank.events.is_empty());
        let (finding, todo) = match () {
            () if with_events().any(|crank| crank.source != Source::Blind) => ("window.standin", "speed.todo.offset"),
            () if with_events().next().is_some() => ("window.blind", "window.todo.crank"),
            () if cranks(card).any(|crank| crank.notes.contains(&Note::NoCam)) => ("window.noturn", "speed.todo.cam"),
            () => ("window.nocrank", "window.todo.crank"),
        };
        return waiting(6, finding, todo);
    }
    let window = card.window();
    let mut values = vec![("start", number(window.low, 0)), ("end", number(window.high, 0))];
    values.push((
        "source",
        text(match window.chosen_by {
            ChosenBy::User => "window.source.user",
            ChosenBy::Search => "window.source.search",
            ChosenBy::Mode => "window.source.practice",
        }),
    ));
    let excess =
        card.evidence().and_then(|evidence| Some((evidence.excess_in(window.low, window.high)?, evidence.pairs)));
    let mut todo = Vec::new();
    let (mut state, finding) = match excess {
        Some(((share, peak_deg), pairs)) => {
            values.extend([("share", percent(share)), ("peak", number(peak_deg, 0)), ("n", number(pairs as f64, 0))]);
            if share >= 0.7 {
                (State::Holds, say("window.finding.holds", &values))
            } else if window.chosen_by == ChosenBy::Search {
                // Where loud cycles have most, quiet ones may have much too: the search weighed both.
                (State::Holds, say("window.finding.searched", &values))
            } else {
                todo.push(say("window.todo.move", &values));
                (State::Look, say("window.finding.outside", &values))
            }
        }
        None => {
            todo.push(text("window.todo.provoke"));
            (State::NotEnough, say("window.finding.start", &values))
        }
    };
    let finding = match card.search().filter(|_| window.chosen_by == ChosenBy::Search) {
        Some(search) => {
            let [from, to] = search.flat.window_deg_atdc.map(|deg| number(deg, 0));
            format!("{finding} {}", say("window.flat", &[("from", from), ("to", to)]))
        }
        None => finding,
    };
    let speeds = [1000.0, 2000.0, 3000.0, 4000.0, 5000.0, 6000.0];
    let rows = speeds.map(|rpm| {
        let ms = |deg: f64| number(deg / (6.0 * rpm) * 1000.0, 2);
        row([number(rpm, 0), ms(window.low), ms(window.high), ms(window.high - window.low)])
    });
    let columns = ["rpm", "opens", "closes", "length"].map(|key| text(&format!("window.column.{key}")));
    let mut figures = if card.evidence().is_some_and(|evidence| !evidence.loud_profile_db.is_empty()) {
        vec![figure("profile", "window.figure", finding.clone())]
    } else {
        Vec::new()
    };
    let doubt = match heard_deg {
        Some(deg) => Some(("window.heard", deg, "speed.todo.offset")),
        None => within(card, |note| match note {
            Note::OffsetDoubtful { within_deg, .. } | Note::OffsetAgainstIgnition { within_deg, .. } => {
                Some(*within_deg)
            }
            _ => None,
        })
        .map(|deg| ("window.doubtful", deg, "speed.todo.offsetcheck")),
    };
    let finding = match doubt {
        Some((key, deg, act)) => {
            todo.push(text(act));
            state = State::Look;
            format!("{finding} {}", say(key, &[("within", number(deg, 0))]))
        }
        None => finding,
    };
    let impacts = impacts::impacts(card);
    figures.extend(impacts::figure(card));
    let by_speed = card.evidence().map_or(&[][..], |evidence| &evidence.windows[..]);
    let finding = [Some(finding), widens(by_speed), impacts::sentence(&impacts, window)]
        .into_iter()
        .flatten()
        .collect::<Vec<_>>()
        .join(" ");
    let mut tables = vec![table("window", text("window.caption"), columns, rows.to_vec())];
    tables.extend(at_speeds(by_speed));
    tables.extend(impacts::table(card, &impacts, window));
    SectionView {
        why: vec![text("window.why"), text("window.why.impacts")],
        todo,
        tables,
        figures,
        ..blank(6, state, finding)
    }
}

fn cranks(card: &Card) -> impl Iterator<Item = &Crank> {
    card.recordings().filter_map(|(_, recording)| recording.crank())
}

/// The widest interval that a note of any recording states.
fn within(card: &Card, stated: impl Fn(&Note) -> Option<f64>) -> Option<f64> {
    cranks(card).flat_map(|crank| &crank.notes).filter_map(stated).max_by(f64::total_cmp)
}

/// That the window ought to widen with speed, by how much, and that levels are measured in the one all the same.
fn widens(windows: &[WindowAt]) -> Option<String> {
    let [slow, .., fast] = windows else { return None };
    let length = |window: &WindowAt| number(window.end_deg_atdc - window.start_deg_atdc, 0);
    let values = [
        ("slow", length(slow)),
        ("fast", length(fast)),
        ("below", number(slow.rpm_high.unwrap_or(0.0), 0)),
        ("above", number(fast.rpm_low, 0)),
    ];
    Some(say("window.widens", &values))
}

fn at_speeds(windows: &[WindowAt]) -> Option<Table> {
    let speeds = |window: &WindowAt| match window.rpm_high {
        Some(high) if window.rpm_low > 0.0 => format!("{} – {}", number(window.rpm_low, 0), number(high, 0)),
        Some(high) => say("window.below", &[("rpm", number(high, 0))]),
        None => say("window.above", &[("rpm", number(window.rpm_low, 0))]),
    };
    let line = |window: &WindowAt| {
        let angles = [window.start_deg_atdc, window.end_deg_atdc].map(|deg| number(deg, 0));
        row([vec![speeds(window)], angles.to_vec(), vec![number(window.pairs as f64, 0)]].concat())
    };
    let columns = ["rpm", "from", "to", "pairs"].map(|key| text(&format!("window.column.{key}")));
    let rows = windows.iter().map(line).collect();
    (!windows.is_empty()).then(|| table("window-speeds", text("window.speeds.caption"), columns, rows))
}
