//! The operating system, by way of the standard library, in rooms that must not touch it.

use crate::{Finding, HOUSE, Source, blank, word_places};

/// Modules of the standard library that reach outside the process or its arguments.
const SYSTEM: &[&str] = &["env", "fs", "net", "os", "process", "thread", "time"];

/// Sources of pure rooms that use such a module. Tests beside the source folder may read files.
pub fn system_in_pure_rooms(files: &[Source]) -> Vec<Finding> {
    let is_pure = |file: &&Source| {
        file.is_rust() && HOUSE.iter().any(|room| room.pure && file.is_in(&format!("{}/src", room.folder)))
    };
    files.iter().filter(is_pure).flat_map(judge).collect()
}

fn judge(file: &Source) -> Vec<Finding> {
    let code = blank(&file.text);
    let mut findings = Vec::new();
    for at in word_places(&code, "std") {
        let Some(path) = code[at + 3..].trim_start().strip_prefix("::") else { continue };
        for module in first_segments(path.trim_start()).into_iter().filter(|m| SYSTEM.contains(m)) {
            let words = format!("std::{module} does not belong into a pure room: pass in what is needed");
            findings.push(Finding::at(&file.path, &code, at, words));
        }
    }
    findings
}

/// The first names of a path: one, or each of a group in braces.
fn first_segments(path: &str) -> Vec<&str> {
    let name = |text: &str| text.find(|c: char| !(c.is_alphanumeric() || c == '_')).unwrap_or(text.len());
    let Some(group) = path.strip_prefix('{') else { return vec![&path[..name(path)]] };
    let mut names = Vec::new();
    let mut depth = 0;
    let mut start = 0;
    for (at, c) in group.char_indices() {
        match c {
            '{' => depth += 1,
            '}' if depth > 0 => depth -= 1,
            ',' | '}' if depth == 0 => {
                let item = group[start..at].trim_start();
                names.push(&item[..name(item)]);
                start = at + 1;
                if c == '}' {
                    break;
                }
            }
            _ => {}
        }
    }
    names
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(path: &str, text: &str) -> Vec<String> {
        system_in_pure_rooms(&[Source::new(path, text)]).iter().map(ToString::to_string).collect()
    }

    #[test]
    fn a_file_is_told_however_it_is_reached() {
        for text in [
            "use std::fs;",
            "fn f() { std::fs::read(p) }",
            "use std::{fmt, fs::File};",
            "use std::{collections::{BTreeMap, BTreeSet}, fs};",
            "use ::std :: { net };",
            "let t = std::time::Instant::now();",
        ] {
            let told = told("daemon/wire/src/a.rs", text);
            assert_eq!(told.len(), 1, "{text}: {told:?}");
            assert!(told[0].starts_with("daemon/wire/src/a.rs:1: std::"), "{told:?}");
        }
    }

    #[test]
    fn other_modules_words_and_rooms_are_passed() {
        for text in [
            "use std::fmt;",
            "use std::{fmt, collections::BTreeMap};",
            "// std::fs",
            "\"std::fs\"",
            "env!(\"X\")",
        ] {
            assert_eq!(told("daemon/signal/src/a.rs", text), Vec::<String>::new(), "{text}");
        }
        assert_eq!(told("daemon/record/src/a.rs", "use std::fs;"), Vec::<String>::new());
        assert_eq!(told("daemon/signal/tests/a.rs", "use std::fs;"), Vec::<String>::new());
    }
}
