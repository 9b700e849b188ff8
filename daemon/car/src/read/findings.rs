//! What was found wrong so far.

use std::collections::BTreeSet;

use model::{Place, Problem, ProblemKind};

use super::source::Source;

/// Collects problems, so that a description is read to its end and everything is told at once.
#[derive(Debug)]
pub(crate) struct Findings<'a> {
    source: &'a Source,
    problems: Vec<Problem>,
    warnings: Vec<Problem>,
    broken: BTreeSet<String>,
}

impl<'a> Findings<'a> {
    pub(crate) fn new(source: &'a Source) -> Self {
        Self { source, problems: Vec::new(), warnings: Vec::new(), broken: BTreeSet::new() }
    }

    pub(crate) fn source(&self) -> &'a Source {
        self.source
    }

    /// Something that keeps the description from being used.
    pub(crate) fn problem(&mut self, pointer: &str, seen: impl Into<String>, cure: impl Into<String>) {
        self.problems.push(Problem::new(ProblemKind::Description, self.source.place(pointer), seen, cure));
    }

    /// Something the reader must know, though the description can be used.
    pub(crate) fn warn(&mut self, pointer: &str, seen: impl Into<String>, cure: impl Into<String>) {
        self.warnings.push(Problem::new(ProblemKind::Description, self.source.place(pointer), seen, cure));
    }

    /// Marks a key as told already: it is absent from here on, and its absence is not another mistake.
    pub(crate) fn mark_broken(&mut self, pointer: &str) {
        self.broken.insert(pointer.to_string());
    }

    /// Whether this key, or anything around it, has been told.
    pub(crate) fn is_broken(&self, pointer: &str) -> bool {
        let mut pointer = pointer;
        loop {
            if self.broken.contains(pointer) {
                return true;
            }
            match pointer.rfind('/') {
                Some(at) => pointer = &pointer[..at],
                None => return false,
            }
        }
    }

    pub(crate) fn any_problem(&self) -> bool {
        !self.problems.is_empty()
    }

    /// Problems and warnings, each in the order of the file.
    pub(crate) fn finish(mut self) -> (Vec<Problem>, Vec<Problem>) {
        self.problems.sort_by_key(order);
        self.warnings.sort_by_key(order);
        (self.problems, self.warnings)
    }
}

fn order(problem: &Problem) -> (u32, String) {
    match &problem.place {
        Place::Key { line, key, .. } => (*line, key.clone()),
        _ => (0, String::new()),
    }
}

/// A piece of somebody's text, short and without control characters, for use in a message.
pub(crate) fn shown(text: &str) -> String {
    let mut short: String = text.chars().take(60).flat_map(char::escape_debug).collect();
    if text.chars().nth(60).is_some() {
        short.push('…');
    }
    short
}
