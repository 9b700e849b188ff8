//! Words that no file of the repository may hold.
//!
//! The words are put together here from parts, so that this file does not hold them either.

use crate::{Finding, Source, word_places};

/// Marks of work left undone; they count as words of their own, in capitals.
const UNDONE: &[&str] = &[concat!("TO", "DO"), concat!("FIX", "ME"), concat!("XX", "X"), concat!("HA", "CK")];

/// Paths of one machine and names of one network: a fresh clone elsewhere has neither.
const ELSEWHERE: &[(&str, &str)] = &[
    (concat!("/wo", "rk/"), "a path of one machine: use one within the repository"),
    (concat!("/ro", "ot/"), "a path of one machine: use one within the repository"),
    (concat!("/ho", "me/"), "a path of one machine: use one within the repository"),
    (concat!("/Us", "ers/"), "a path of one machine: use one within the repository"),
    (concat!("crates", ".io"), "a registry's host: each machine has its own settings"),
    (concat!("pypi", ".org"), "a registry's host: each machine has its own settings"),
    (concat!("python", "hosted"), "a registry's host: each machine has its own settings"),
    (concat!("npm", "js."), "a registry's host: each machine has its own settings"),
    (concat!("index", "-url"), "a registry's address: each machine has its own settings"),
];

/// References to a list of work, which readers of a clone do not have; case does not count.
const TICKETS: &[&str] = &[concat!("issue", " #"), concat!("ticket", " #"), concat!("pull", " request #")];

/// The lock file names the registry of each package; [`lock_sources`] judges it.
const LOCK: &str = "Cargo.lock";

/// Files with a word in them that does not belong there.
pub fn words(files: &[Source]) -> Vec<Finding> {
    files.iter().filter(|file| file.path != LOCK).flat_map(judge).collect()
}

fn judge(file: &Source) -> Vec<Finding> {
    let text = &file.text;
    let mut findings = Vec::new();
    let mut tell = |at: usize, words: String| findings.push(Finding::at(&file.path, text, at, words));
    for word in UNDONE {
        word_places(text, word).for_each(|at| tell(at, format!("{word}: do it, or leave it out")));
    }
    for (word, why) in ELSEWHERE {
        text.match_indices(word).for_each(|(at, _)| tell(at, format!("{word}: {why}")));
    }
    let lower = text.to_ascii_lowercase();
    for word in TICKETS {
        let why = format!("{word}: say what it is, not where it was listed");
        lower.match_indices(word).for_each(|(at, _)| tell(at, why.clone()));
    }
    findings
}

/// Packages of a lock file that do not come from the public registry.
pub fn lock_sources(lock: &str) -> Vec<Finding> {
    let public = concat!("source = \"registry+https://github.com/rust-lang/crates", ".io-index\"");
    let lines = lock.lines().enumerate().filter(|(_, line)| line.starts_with("source = ") && *line != public);
    lines
        .map(|(at, line)| Finding {
            place: LOCK.into(),
            line: Some(at + 1),
            words: format!("{line}: every package comes from the public registry"),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(text: &str) -> Vec<String> {
        words(&[Source::new("scripts/a.rhai", text)]).iter().map(ToString::to_string).collect()
    }

    #[test]
    fn every_forbidden_word_is_told_with_its_line() {
        let elsewhere = ELSEWHERE.iter().map(|(word, _)| *word);
        for word in UNDONE.iter().copied().chain(elsewhere).chain(TICKETS.iter().copied()) {
            let told = told(&format!("first line\nwith {word} in it"));
            assert_eq!(told.len(), 1, "{word}: {told:?}");
            assert!(told[0].starts_with("scripts/a.rhai:2: "), "{told:?}");
        }
    }

    #[test]
    fn case_counts_only_where_it_should() {
        assert_eq!(told(concat!("ISSUE", " #7")).len(), 1);
        assert_eq!(told("the lint named todo is denied"), Vec::<String>::new());
        assert_eq!(told("a method of doing, reworked, rooted"), Vec::<String>::new());
    }

    #[test]
    fn the_lock_file_is_judged_by_its_sources() {
        let good = concat!("source = \"registry+https://github.com/rust-lang/crates", ".io-index\"\n");
        assert!(lock_sources(good).is_empty());
        assert_eq!(lock_sources("name = \"x\"\nsource = \"git+https://example.org/x\"\n")[0].line, Some(2));
    }
}
