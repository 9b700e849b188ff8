//! Errors of host calls as scripts see them.

use std::fmt;

use model::{Place, Problem, ProblemKind};

use crate::room::Fail;

/// What a script catches when a host call is refused.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Fault(pub(crate) Problem);

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0.seen)
    }
}

/// A host call was used wrongly. Its place is filled in where the call is known.
pub(crate) fn misuse(seen: impl Into<String>, cure: impl Into<String>) -> Fail {
    Fail::Refused(Problem::new(ProblemKind::Script, Place::Program, seen, cure))
}

/// A host call panicked: a bug of this program, whatever the script did.
pub(crate) fn panicked(payload: &(dyn std::any::Any + Send)) -> Problem {
    let text = payload
        .downcast_ref::<&str>()
        .map(ToString::to_string)
        .or_else(|| payload.downcast_ref::<String>().cloned())
        .unwrap_or_else(|| "no message".into());
    Problem::new(
        ProblemKind::Program,
        Place::Program,
        format!("the program failed inside: {text}"),
        "this is a fault of the program: please report it with the script",
    )
}
