//! Order of waits, and tests that wait for ever.

use crate::{Finding, Source, blank, word_places};

/// Every `select!` that does not begin with `biased;`: without it the order is random, and one seed no longer
/// gives one run.
pub fn unordered_select(files: &[Source]) -> Vec<Finding> {
    let judge = |file: &Source| {
        let code = blank(&file.text);
        let told = word_places(&code, "select").filter(|at| is_unordered(&code[at + 6..])).map(|at| {
            Finding::at(&file.path, &code, at, "select! picks at random here: begin it with `biased;`")
        });
        told.collect::<Vec<_>>()
    };
    files.iter().filter(|file| file.is_rust()).flat_map(judge).collect()
}

fn is_unordered(after: &str) -> bool {
    let Some(body) = after.trim_start().strip_prefix('!') else { return false };
    let Some(body) = body.trim_start().strip_prefix(['{', '(', '[']) else { return false };
    let ordered =
        body.trim_start().strip_prefix("biased").is_some_and(|rest| rest.trim_start().starts_with(';'));
    !ordered
}

/// Tests that are switched off.
pub fn ignored_tests(files: &[Source]) -> Vec<Finding> {
    let judge = |file: &Source| {
        let code = blank(&file.text);
        let attribute = |at: &usize| {
            let before = code[..*at].trim_end();
            before.ends_with('[') && before[..before.len() - 1].trim_end().ends_with('#')
        };
        let told = word_places(&code, "ignore").filter(attribute).map(|at| {
            Finding::at(&file.path, &code, at, "a test that does not run proves nothing: run it or remove it")
        });
        told.collect::<Vec<_>>()
    };
    files.iter().filter(|file| file.is_rust()).flat_map(judge).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(text: &str) -> [Source; 1] {
        [Source::new("daemon/link/src/a.rs", text)]
    }

    #[test]
    fn a_select_without_order_is_told_and_others_are_passed() {
        for bad in
            ["tokio::select! {\n a = b => c }", "select!(a = b => c)", "select! { /* biased; */ x = y => z }"]
        {
            assert_eq!(unordered_select(&file(bad)).len(), 1, "{bad}");
        }
        for good in
            ["select! {\n // why\n biased;\n a = b => c }", "x.select(y)", "// select! { }", "selects! { a }"]
        {
            assert!(unordered_select(&file(good)).is_empty(), "{good}");
        }
    }

    #[test]
    fn a_test_that_is_switched_off_is_told() {
        for bad in ["#[ignore]\nfn f() {}", "#[ignore = \"slow\"]", "# [ ignore ]"] {
            assert_eq!(ignored_tests(&file(bad)).len(), 1, "{bad}");
        }
        assert!(ignored_tests(&file("fn ignore(list: &[u8]) { ignore(list) } // #[ignore]")).is_empty());
    }
}
