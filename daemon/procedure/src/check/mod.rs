//! The checker of scripts: everything that is wrong with one, told at once and before anything runs.
//!
//! It goes through the syntax tree with what is known of each value (its kind, its unit, its number where that is
//! known) and applies the rules of the host to it, in every branch and closure, taken or not. What a function takes
//! and means is read where the function is registered; there is no second list. What cannot be told before the
//! procedure runs is said to be so.

mod finding;
mod flow;
mod gate;
mod ground;
mod report;
mod rules;
mod tree;
mod value;
mod vocabulary;
mod walk;

#[cfg(test)]
mod tests;

pub use finding::{Checked, Class, Finding, Kind};
pub use ground::{Ground, ReadingFact, RuleNames};

use model::{Place, Problem};
use rhai::Position;

use crate::host::compile;
use crate::limits::Limits;
use report::Report;
use rules::names::Thing;
use rules::notes::Notes;
use tree::Tree;
use walk::Walker;

/// Looks at a script until what its notes hold is known, and no more often than this.
const LOOKS: usize = 4;

/// Checks a script against a car. `file` is the name under which findings are told.
pub fn check(file: &str, text: &str, ground: &Ground, limits: &Limits) -> Checked {
    // Variables are looked up here, so that a misspelt one does not hide what comes after it.
    let script = match compile::tolerant(file, text, limits) {
        Ok(script) => script,
        Err(problems) => return Checked { findings: problems.iter().map(|p| syntax(file, p)).collect() },
    };
    let tree = Tree::of(&script.ast);
    let mut notes = Notes::default();
    for look in 1..=LOOKS {
        let mut walker = Walker::new(ground, &tree, notes);
        walker.script();
        if walker.notes.is_settled() || look == LOOKS {
            return Checked { findings: conclude(walker, ground).findings(file) };
        }
        notes = Notes::after(walker.notes);
    }
    unreachable!("the last look always returns")
}

/// What can be told only when everything was seen.
fn conclude(mut walker: Walker<'_>, ground: &Ground) -> Report {
    if walker.header.is_none() && !walker.flow.header && !walker.names.told_header {
        walker.mistake(
            Kind::Header,
            Position::NONE,
            "the script ends without saying what it is",
            "begin with procedure(\"name\", #{ title: … })",
        );
    }
    for (what, at) in walker.names.unused() {
        walker.hint(Kind::Unused, at, format!("the header names {what}, and nothing uses it"), "take it out");
    }
    if let Some(rules) = &ground.rules {
        for (name, line) in &rules.setup {
            if walker.in_car(Thing::Setup, name) || walker.names.declares(Thing::Setup, name) {
                continue;
            }
            let finding = Finding {
                class: Class::Mistake,
                kind: Kind::Findings,
                file: rules.file.clone(),
                line: *line,
                column: 0,
                seen: format!("the rules ask for a set-up value '{name}', which the car's description lacks"),
                cure: walker.name_cure(Thing::Setup, name),
            };
            walker.report.put_elsewhere(finding);
        }
        walker.notes.tell_rules(rules, &mut walker.report);
    }
    walker.notes.tell(&mut walker.report);
    walker.notes.tell_look_alikes(ground.rules.as_ref(), &mut walker.report);
    let told = std::mem::take(&mut walker.outcomes).never().collect::<Vec<_>>();
    let lines: Vec<_> = told.iter().map(|(at, ..)| at.line()).collect();
    for (at, seen, cure) in told {
        walker.report.put(Class::Mistake, Kind::Comparison, at, (seen, cure), None);
    }
    let missed = std::mem::take(&mut walker.reach).never();
    // What a comparison that never comes out leaves unreached is told at the comparison.
    for (at, words) in missed.filter(|(at, _)| !lines.contains(&at.line())) {
        walker.report.put(Class::Mistake, Kind::Unreachable, at, words, None);
    }
    let (mut report, spent) = walker.spent();
    if spent {
        let words = (
            "the script is too intricate to be gone through to its end".to_string(),
            "rehearse it, or split it into several procedures".to_string(),
        );
        report.put(Class::Undecided, Kind::Size, Position::NONE, words, None);
    }
    report
}

/// A mistake at which the text cannot be read any further.
fn syntax(file: &str, problem: &Problem) -> Finding {
    let (line, column) = match &problem.place {
        Place::File { line, column, .. } => (*line, *column),
        _ => (0, 0),
    };
    Finding {
        class: Class::Mistake,
        kind: Kind::Syntax,
        file: file.into(),
        line,
        column,
        seen: problem.seen.clone(),
        cure: problem.cure.clone(),
    }
}
