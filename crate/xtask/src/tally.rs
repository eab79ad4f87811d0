//! Counting what the test runners report.

/// Tests that ran, by outcome.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Tally {
    pub passed: u32,
    pub failed: u32,
    /// Ignored, skipped, still to do: each is a check that did not happen.
    pub left_out: u32,
}

impl std::ops::AddAssign for Tally {
    fn add_assign(&mut self, other: Self) {
        self.passed += other.passed;
        self.failed += other.failed;
        self.left_out += other.left_out;
    }
}

/// Sums the lines `test result: ok. 3 passed; 0 failed; 0 ignored; ...` of `cargo test`.
pub fn of_cargo(output: &str) -> Tally {
    let mut sum = Tally::default();
    for line in output.lines().filter_map(|line| line.trim_start().strip_prefix("test result: ")) {
        let counts = line.split_once(". ").map_or("", |(_, counts)| counts);
        for part in counts.split(';') {
            add(&mut sum, part.trim().split_once(' ').map(|(count, word)| (word, count)));
        }
    }
    sum
}

/// Reads the lines `i pass 3`, `i fail 0`, ... that end the report of `node --test`.
pub fn of_node(output: &str) -> Tally {
    let mut sum = Tally::default();
    for line in output.lines() {
        let text = line.trim_start_matches(|sign: char| !sign.is_ascii_alphanumeric());
        if text.len() != line.len() {
            add(&mut sum, text.trim_end().split_once(' '));
        }
    }
    sum
}

fn add(sum: &mut Tally, counted: Option<(&str, &str)>) {
    let Some((word, count)) = counted else { return };
    let Ok(count) = count.parse::<u32>() else { return };
    match word {
        "passed" | "pass" => sum.passed += count,
        "failed" | "fail" | "cancelled" => sum.failed += count,
        "ignored" | "skipped" | "todo" => sum.left_out += count,
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_binary_of_a_cargo_run_is_counted() {
        let output = "running 2 tests\ntest a ... ok\n\
            test result: ok. 2 passed; 0 failed; 0 ignored; 0 measured; 7 filtered out; finished in 0.00s\n\n\
            test result: FAILED. 11 passed; 3 failed; 1 ignored; 0 measured; 0 filtered out; finished in 1.50s\n";
        assert_eq!(of_cargo(output), Tally { passed: 13, failed: 3, left_out: 1 });
        assert_eq!(of_cargo("2 passed; 1 failed"), Tally::default());
    }

    #[test]
    fn the_summary_of_node_is_counted_and_its_test_names_are_not() {
        let output = "\u{2714} pass 9 (1.2ms)\npass 8\n\u{2139} tests 7\n\u{2139} suites 0\n\u{2139} pass 4\n\
            \u{2139} fail 1\n\u{2139} cancelled 1\n\u{2139} skipped 1\n\u{2139} todo 0\n\u{2139} duration_ms 12.5\n";
        assert_eq!(of_node(output), Tally { passed: 4, failed: 2, left_out: 1 });
    }
}
