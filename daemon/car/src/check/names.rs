//! The names that one part of a description gives and others refer to.

use std::collections::BTreeMap;

use model::nearest;

use crate::read::findings::{Findings, shown};
use crate::read::source::below;

/// By how many letters a slip may lengthen or shorten a name.
const SLIP: usize = 2;

/// Names by their place in the list.
#[derive(Debug)]
pub(crate) struct Names<'r> {
    places: BTreeMap<&'r str, usize>,
    complete: bool,
}

impl<'r> Names<'r> {
    /// Takes the names down and tells those given twice.
    pub(crate) fn new(
        findings: &mut Findings<'_>,
        list: &str,
        key: &str,
        names: impl Iterator<Item = Option<&'r str>>,
    ) -> Self {
        let mut places = BTreeMap::new();
        let mut complete = !findings.is_broken(list);
        for (i, name) in names.enumerate() {
            let Some(name) = name else {
                complete = false;
                continue;
            };
            match places.get(name) {
                None => {
                    places.insert(name, i);
                }
                Some(first) => {
                    // One of the two is meant to have another name, which somebody may refer to.
                    complete = false;
                    let line = findings.source().line(&below(&format!("{list}/{first}"), key));
                    findings.problem(
                        &below(&format!("{list}/{i}"), key),
                        format!("the {key} '{name}' is given twice, first on line {line}"),
                        "give each its own",
                    );
                }
            }
        }
        Self { places, complete }
    }

    /// The place of the named one. An unknown name is told; where some name could not be read it may be that
    /// one, and then it is told only if it looks like a slip of a known one: of nearly the same length.
    pub(crate) fn find(
        &self,
        name: &str,
        kind: &str,
        pointer: &str,
        findings: &mut Findings<'_>,
    ) -> Option<usize> {
        let found = self.places.get(name).copied();
        if found.is_none() {
            let known: Vec<&str> = self.places.keys().copied().collect();
            let slip = |meant: &&str| self.complete || meant.len().abs_diff(name.len()) <= SLIP;
            let cure = match nearest(name, known.iter().copied()).filter(slip) {
                Some(meant) => format!("did you mean '{meant}'?"),
                None if !self.complete => return None,
                None if known.is_empty() => format!("the file describes no {kind}"),
                None => format!("known: {}", shown_list(&known)),
            };
            findings.problem(pointer, format!("there is no {kind} '{}'", shown(name)), cure);
        }
        found
    }
}

fn shown_list(known: &[&str]) -> String {
    const MOST: usize = 12;
    let more = if known.len() > MOST { ", …" } else { "" };
    format!("{}{more}", known[..known.len().min(MOST)].join(", "))
}
