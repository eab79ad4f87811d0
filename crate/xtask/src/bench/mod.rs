//! `bench`: the core's work beside its peers, turn about in one run, so that a busy minute hits all of them alike.

mod criterion;
pub mod data;
mod items;
mod peer;
mod report;

use items::{ITEMS, Item};
use peer::Peer;
use report::Row;

/// Rounds that count; one before them warms up.
const ROUNDS: usize = 5;
/// Two threads under this many times the speed of one: something else is using the machine.
const LEAST_OF_TWO: f64 = 1.5;

/// Runs the items named, or all of them, and prints a table each.
pub fn run(names: &[String]) -> Result<(), String> {
    let items = chosen(names)?;
    let folder = data::prepare(&items)?;
    let before = canary(&folder)?;
    let mut text = report::head(before)?;
    for item in &items {
        let table = report::table(item, &timed(item, &folder)?);
        println!("{table}");
        text.push_str(&table);
    }
    let alone = criterion::table(&items, &folder)?;
    println!("{alone}");
    text.push_str(&alone);
    let after = canary(&folder)?;
    let verdict = report::foot(before, after);
    println!("{verdict}");
    text.push_str(&verdict);
    if before.min(after) < LEAST_OF_TWO {
        return Err(format!(
            "void: two threads gave {:.2} times the speed of one, {LEAST_OF_TWO} is needed",
            before.min(after)
        ));
    }
    if names.is_empty() { report::keep(&text) } else { Ok(()) }
}

fn chosen(names: &[String]) -> Result<Vec<&'static Item>, String> {
    if names.is_empty() {
        return Ok(ITEMS.iter().collect());
    }
    let known = || ITEMS.iter().map(|item| item.name).collect::<Vec<_>>().join(", ");
    let find = |name: &String| ITEMS.iter().find(|item| item.name == name);
    names.iter().map(|name| find(name).ok_or_else(|| format!("there is no item `{name}`: {}", known()))).collect()
}

/// Each peer once a round, in turn.
fn timed(item: &Item, folder: &std::path::Path) -> Result<Vec<Row>, String> {
    let mut peers = item.peers.iter().map(|spec| Peer::start(spec, folder)).collect::<Result<Vec<_>, _>>()?;
    let rounds = item.rounds.unwrap_or(ROUNDS);
    for peer in &mut peers {
        peer.warm_up()?;
    }
    for _ in 0..rounds {
        for peer in &mut peers {
            peer.once()?;
        }
    }
    Ok(peers.into_iter().map(Peer::finish).collect())
}

/// Speed of two threads over that of one.
fn canary(folder: &std::path::Path) -> Result<f64, String> {
    let rows = timed(&items::CANARY, folder)?;
    let [one, two] = rows.as_slice() else { return Err("the canary has two peers".into()) };
    Ok(one.median_ms() / two.median_ms())
}
