//! Native work by itself, as criterion measures it: medians of ten samples with intervals by resampling.

use super::items::{Item, Runs};
use super::peer::runner;
use crate::shell;
use serde_json::Value;
use std::fmt::Write;
use std::path::Path;

/// Peers among the native works.
const NOT_OURS: [&str; 2] = ["hound", "bare"];

/// The table; empty where no item has native work of ours.
pub fn table(items: &[&Item], data: &Path) -> Result<String, String> {
    let mut works: Vec<&str> = Vec::new();
    for spec in items.iter().flat_map(|item| item.peers) {
        if let Runs::Native(name) = spec.runs
            && !NOT_OURS.contains(&name)
            && !works.contains(&name)
        {
            works.push(name);
        }
    }
    if works.is_empty() {
        return Ok(String::new());
    }
    let home = shell::root().join("target").join("bench").join("criterion");
    let mut command = shell::command(runner());
    shell::run(command.arg("criterion").arg(data).args(&works).env("CRITERION_HOME", &home))?;
    let mut text = String::from(
        "\n## criterion: Our native work by itself, ten samples each\n\n| work | median ms | 95 % interval |\n| --- | --- | --- |\n",
    );
    for work in works {
        let path = home.join(work).join("new").join("estimates.json");
        let told = std::fs::read_to_string(&path).map_err(|error| format!("{}: {error}", path.display()))?;
        let [median, low, high] = median_ms(&told).ok_or_else(|| format!("{}: no median", path.display()))?;
        let _ = writeln!(text, "| {work} | {median:.1} | {low:.1}-{high:.1} |");
    }
    Ok(text)
}

/// Median and the ends of its interval, from the nanoseconds that criterion writes.
fn median_ms(estimates: &str) -> Option<[f64; 3]> {
    let median = &serde_json::from_str::<Value>(estimates).ok()?["median"];
    let interval = &median["confidence_interval"];
    let all = [&median["point_estimate"], &interval["lower_bound"], &interval["upper_bound"]];
    let [Some(median), Some(low), Some(high)] = all.map(Value::as_f64) else { return None };
    Some([median, low, high].map(|ns| ns / 1e6))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_median_is_told_in_milliseconds() {
        let told = r#"{"mean":{"point_estimate":1.0},"median":{"confidence_interval":{"confidence_level":0.95,
            "lower_bound":1.5e6,"upper_bound":2.5e6},"point_estimate":2e6,"standard_error":1.0}}"#;
        assert_eq!(median_ms(told), Some([2.0, 1.5, 2.5]));
        assert_eq!(median_ms("{}"), None);
    }
}
