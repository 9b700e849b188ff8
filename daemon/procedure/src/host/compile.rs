//! Reading a script.

use model::{Place, Problem, ProblemKind};
use rhai::AST;

use super::{engine, explain};
use crate::limits::Limits;

/// A script that has been read and can be run any number of times.
#[derive(Debug, Clone)]
pub struct Script {
    pub(crate) name: String,
    pub(crate) ast: AST,
}

impl Script {
    /// The name under which problems in it are reported.
    pub fn name(&self) -> &str {
        &self.name
    }
}

/// Reads a script; `name` is the file name that its problems are reported under.
///
/// Fails with what is wrong, by line and column: the interpreter stops at the first error of syntax.
pub fn compile(name: &str, text: &str, limits: &Limits) -> Result<Script, Vec<Problem>> {
    read(name, text, limits, true)
}

/// The same, but variables may be unknown: for whoever looks them up himself and goes on.
pub(crate) fn tolerant(name: &str, text: &str, limits: &Limits) -> Result<Script, Vec<Problem>> {
    read(name, text, limits, false)
}

fn read(name: &str, text: &str, limits: &Limits, strict: bool) -> Result<Script, Vec<Problem>> {
    let whole = |seen: String, cure: &str| {
        let place = Place::File { file: name.into(), line: 0, column: 0 };
        vec![Problem::new(ProblemKind::Script, place, seen, cure)]
    };
    if text.trim().is_empty() {
        return Err(whole("the script is empty".into(), "begin with procedure(\"name\", #{ title: … })"));
    }
    if text.len() > limits.script_bytes {
        let seen = format!("the script has {} bytes, and {} are allowed", text.len(), limits.script_bytes);
        return Err(whole(seen, "split it into several procedures"));
    }
    let mut engine = engine::bare(limits);
    engine.set_strict_variables(strict);
    match engine.compile(text) {
        Ok(ast) => Ok(Script { name: name.into(), ast }),
        Err(error) => Err(vec![explain::syntax(&error, name)]),
    }
}
