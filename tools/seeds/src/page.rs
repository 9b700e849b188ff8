//! The table, and the page that is committed.

use std::collections::BTreeMap;
use std::fmt::Write;

use model::Ending;

use crate::broken;
use crate::run::Verdict;
use crate::tally::Row;
use crate::truth::Truth;

/// How many examples of one ending are told of one case.
const EXAMPLES: usize = 3;

/// The endings in the order of their exit codes, with what they are called in the table.
const ENDINGS: [Ending; 6] = [
    Ending::Passed,
    Ending::CarNotRight,
    Ending::Undecided,
    Ending::Stopped,
    Ending::LinkLost,
    Ending::BadInput,
];

/// The table in Markdown.
pub fn table(rows: &[Row]) -> String {
    let mut lines = vec!["| fault | severity | seeds |".to_string(), "| --- | ---: | ---: |".to_string()];
    for ending in ENDINGS {
        lines[0] += &format!(" {} |", ending.words());
        lines[1] += " ---: |";
    }
    lines[0] += " left held | median engine time, s | times real time |";
    lines[1] += " ---: | ---: | ---: |";
    lines.extend(rows.iter().map(line));
    lines.push(String::new());
    lines.join("\n")
}

/// The place of the true cause among the findings, for runs that a fault has spoilt, in Markdown; empty where no
/// run has findings.
pub fn causes_table(rows: &[Row]) -> String {
    let faulty: Vec<&Row> = rows.iter().filter(|row| row.case.fault.is_some()).collect();
    if faulty.iter().all(|row| row.ranked_within(usize::MAX) == 0) {
        return String::new();
    }
    let mut lines = vec![
        "| fault | severity | seeds | spoilt | cause first | first or second | found at all | share within two | mildest spoilt |".to_string(),
        "| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |".to_string(),
    ];
    let share = |part: usize, whole: usize| {
        if whole == 0 { "-".to_string() } else { format!("{:.1} %", 100.0 * part as f64 / whole as f64) }
    };
    let (mut spoilt, mut within) = (0, 0);
    for row in faulty {
        let n = row.spoilt().count();
        spoilt += n;
        within += row.ranked_within(2);
        let mildest = row.spoilt().filter_map(|verdict| verdict.severity).min_by(f64::total_cmp);
        lines.push(format!(
            "| {} | {} | {} | {n} | {} | {} | {} | {} | {} |",
            row.case.name(),
            row.case.fault.as_ref().map_or(String::new(), |fault| fault.severity.to_string()),
            row.verdicts.len(),
            row.ranked_within(1),
            row.ranked_within(2),
            row.ranked_within(usize::MAX),
            share(row.ranked_within(2), n),
            mildest.map_or("-".into(), |severity| format!("{severity:.1}")),
        ));
    }
    lines.push(format!("| all | | | {spoilt} | | {within} | | {} | |", share(within, spoilt)));
    lines.push(String::new());
    lines.join("\n")
}

/// What was said of the cars against what was so, in Markdown.
pub fn truth_table(rows: &[Row]) -> String {
    let truth = rows.iter().fold(Truth::default(), |all, row| all.and(row.truth()));
    let share = |part: u64, whole: u64| {
        if whole == 0 { "-".to_string() } else { format!("{:.2} %", 100.0 * part as f64 / whole as f64) }
    };
    let proven = truth.proven_true + truth.proven_false;
    [
        "| what was said | times | true of the car | share |".to_string(),
        "| --- | ---: | ---: | ---: |".to_string(),
        format!(
            "| \"proven\", by a gate or of a result | {proven} | {} | {} |",
            truth.proven_true,
            share(truth.proven_true, proven)
        ),
        format!(
            "| 95 % interval of a mean, dither shown | {} | {} | {} |",
            truth.measured_dithered,
            truth.covered_dithered,
            share(truth.covered_dithered, truth.measured_dithered)
        ),
        format!(
            "| 95 % interval of a mean, no dither | {} | {} | {} |",
            truth.measured,
            truth.covered,
            share(truth.covered, truth.measured)
        ),
        format!(
            "| \"proven\" of what the car has no truth of its own for | {} | - | - |",
            truth.proven_unchecked
        ),
        String::new(),
    ]
    .join("\n")
}

fn line(row: &Row) -> String {
    let number = |value: Option<f64>, digits: usize| value.map_or("-".into(), |v| format!("{v:.digits$}"));
    let severity = row.case.fault.as_ref().map_or("-".into(), |fault| fault.severity.to_string());
    let mut line = format!("| {} | {severity} | {} |", row.case.name(), row.verdicts.len());
    for ending in ENDINGS {
        line += &format!(" {} |", row.count(ending));
    }
    let (seconds, speed) = (number(row.median_engine_seconds(), 1), number(row.median_speed(), 0));
    line += &format!(" {} | {seconds} | {speed} |", row.left_held());
    line
}

/// The page: what was run on which revision, the table, what broke a promise, and examples of why runs did
/// not pass. It carries no date, so that one revision gives one page but for its last column.
pub fn page(procedure: &str, revision: &str, command: &str, rows: &[Row]) -> String {
    let mut page = String::new();
    let mut add = |text: &str| {
        writeln!(page, "{text}").expect("text can always be added to text");
    };
    add(&format!("# {procedure}, many seeds\n\nRevision {revision}. Made by `{command}`.\n"));
    add(
        "The bench car is an invented engine; a seed is one car of its kind with its own noise. A fault with which",
    );
    add(
        "runs pass is one that this procedure does not find at that severity. The last column is one machine's;",
    );
    add("everything else comes out the same on every machine of one kind.\n");
    add(&table(rows));
    let causes = causes_table(rows);
    if !causes.is_empty() {
        add("## The true cause among the findings\n");
        add("Of the runs that the fault has spoilt: those that did not pass and in which nobody gave up.\n");
        add(&causes);
    }
    add("## What was said against what was so\n");
    add("Means and gates with a counterpart in the car's own truth, over all runs of this page.\n");
    add(&truth_table(rows));
    let gave_up: usize = rows.iter().map(Row::gave_up).sum();
    add(&format!("Simulated people who gave up: {gave_up}.\n"));
    add("## Promises\n");
    add(
        "Every healthy car passes, every run can be carried out, and nothing is held after the end, by the hold",
    );
    add("ledger and by the car itself.\n");
    let broken = broken(rows);
    if broken.is_empty() {
        add("All kept.\n");
    }
    broken.iter().for_each(|one| add(&format!("- {one}")));
    if !broken.is_empty() {
        add("");
    }
    add("## Why runs did not pass\n");
    let mut any = false;
    for row in rows {
        for (ending, whys) in whys(row) {
            any = true;
            let severity =
                row.case.fault.as_ref().map_or(String::new(), |fault| format!(" {}", fault.severity));
            add(&format!(
                "- {}{severity}: {ending}, {} of {}",
                row.case.name(),
                whys.len(),
                row.verdicts.len()
            ));
            for verdict in whys.iter().take(EXAMPLES) {
                let why = verdict.why.as_deref().unwrap_or("no reason given");
                add(&format!("  - seed {}: {why}", verdict.seed));
            }
        }
    }
    if !any {
        add("All passed.");
    }
    page
}

fn whys(row: &Row) -> Vec<(Ending, Vec<&Verdict>)> {
    let mut by_ending: BTreeMap<u8, (Ending, Vec<&Verdict>)> = BTreeMap::new();
    for verdict in row.verdicts.iter().filter(|verdict| verdict.ending != Ending::Passed) {
        let entry = by_ending.entry(verdict.ending.exit_code());
        entry.or_insert_with(|| (verdict.ending, Vec::new())).1.push(verdict);
    }
    by_ending.into_values().collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::case::{Case, SeedRange};
    use crate::tally::tests::verdict;

    fn rows() -> Vec<Row> {
        let seeds = SeedRange { first: 1, end: 6 };
        let faulty = |ending| (1..6).map(move |seed| verdict(seed, ending, Some("the gate was not reached")));
        vec![
            Row { case: Case::healthy(seeds), verdicts: vec![verdict(1, Ending::Passed, None)] },
            Row {
                case: Case::faulty("thermostat-open=0.5", seeds).unwrap(),
                verdicts: faulty(Ending::CarNotRight).collect(),
            },
        ]
    }

    #[test]
    fn the_table_counts_every_ending() {
        let text = table(&rows());
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines[2], "| none (healthy) | - | 1 | 1 | 0 | 0 | 0 | 0 | 0 | 0 | 10.0 | 100 |");
        assert_eq!(lines[3], "| thermostat-open | 0.5 | 5 | 0 | 5 | 0 | 0 | 0 | 0 | 0 | 30.0 | 100 |");
        let bars = |line: &str| line.matches('|').count();
        assert!(lines.iter().all(|line| bars(line) == bars(lines[0])), "{text}");
    }

    #[test]
    fn the_page_tells_why_with_a_few_examples() {
        let text = page("hold-demo", "abc", "holdgate-seeds", &rows());
        assert!(text.contains("Revision abc."), "{text}");
        assert!(text.contains("All kept."), "{text}");
        assert!(
            text.contains("- thermostat-open 0.5: the car is not right, 5 of 5\n  - seed 1: the gate"),
            "{text}"
        );
        assert_eq!(text.matches("  - seed").count(), EXAMPLES);
    }

    #[test]
    fn a_broken_promise_is_told_by_its_seed() {
        let mut rows = rows();
        rows[0].verdicts[0].ending = Ending::LinkLost;
        let text = page("hold-demo", "abc", "holdgate-seeds", &rows);
        assert!(!text.contains("All kept."), "{text}");
        assert!(text.contains("- none (healthy), seed 1: it is healthy and ended as 'link lost'"), "{text}");
    }
}
