//! Findings while they are gathered, and where each is told.

use std::collections::{BTreeMap, BTreeSet};

use rhai::Position;

use super::finding::{Class, Finding, Kind};

/// The call of a function of the script within which something was found.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Call {
    pub(super) function: String,
    pub(super) at: Position,
}

#[derive(Debug)]
struct Raw {
    class: Class,
    kind: Kind,
    at: Position,
    seen: String,
    cure: String,
    call: Option<Call>,
}

/// Gathers findings.
#[derive(Debug, Default)]
pub(super) struct Report {
    raw: Vec<Raw>,
    calls: BTreeMap<String, BTreeSet<Position>>,
    elsewhere: Vec<Finding>,
}

impl Report {
    pub(super) fn put(
        &mut self,
        class: Class,
        kind: Kind,
        at: Position,
        words: (String, String),
        call: Option<Call>,
    ) {
        let (seen, cure) = words;
        self.raw.push(Raw { class, kind, at, seen, cure, call });
    }

    /// A finding in another file.
    pub(super) fn put_elsewhere(&mut self, finding: Finding) {
        self.elsewhere.push(finding);
    }

    /// A function of the script is called here.
    pub(super) fn called(&mut self, call: &Call) {
        self.calls.entry(call.function.clone()).or_default().insert(call.at);
    }

    /// Every finding once, in the order of the file. What is found in a function on each of its calls is told where
    /// it stands; what only some of its calls bring about is told at those calls.
    pub(super) fn findings(self, file: &str) -> Vec<Finding> {
        type Place = (Kind, Class, Position, String);
        let mut groups: BTreeMap<Place, Vec<Raw>> = BTreeMap::new();
        for raw in self.raw {
            let function = raw.call.as_ref().map_or(String::new(), |call| call.function.clone());
            groups.entry((raw.kind, raw.class, raw.at, function)).or_default().push(raw);
        }
        let mut findings = self.elsewhere;
        for ((_, _, at, function), group) in groups {
            let all = self.calls.get(&function).cloned().unwrap_or_default();
            let here: BTreeSet<Position> =
                group.iter().filter_map(|raw| Some(raw.call.as_ref()?.at)).collect();
            if here.is_empty() || here == all {
                let raw = group.into_iter().next();
                findings.extend(raw.map(|raw| told(file, at, &raw, raw.seen.clone())));
                continue;
            }
            let mut told_at = BTreeSet::new();
            for raw in group {
                let call = raw.call.as_ref().map_or(at, |call| call.at);
                if told_at.insert(call) {
                    let line = at.line().unwrap_or(0);
                    let seen = format!("{}, in {function} at line {line}", raw.seen);
                    findings.push(told(file, call, &raw, seen));
                }
            }
        }
        findings.sort_by(|a, b| {
            let key = |f: &Finding| (f.file.clone(), f.line, f.column, f.class, f.kind, f.seen.clone());
            key(a).cmp(&key(b))
        });
        findings.dedup();
        findings
    }
}

fn told(file: &str, at: Position, raw: &Raw, seen: String) -> Finding {
    let number = |n: Option<usize>| n.and_then(|n| u32::try_from(n).ok()).unwrap_or(0);
    Finding {
        class: raw.class,
        kind: raw.kind,
        file: file.into(),
        line: number(at.line()),
        column: number(at.position()),
        seen,
        cure: raw.cure.clone(),
    }
}
