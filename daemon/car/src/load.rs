//! From the text of a description to its usable form.

use model::{Place, Problem, ProblemKind};

use crate::check;
use crate::raw::RawDescription;
use crate::read::findings::Findings;
use crate::read::source::Source;
use crate::read::structure;
use crate::resolved::description::Description;

/// Reads a description.
///
/// `file_name` is only said in problems. A text that is not TOML comes back with every broken line and nothing
/// else, because nothing in it can be trusted; otherwise every mistake of structure and of sense is told at
/// once, in the order of the file.
pub fn load(file_name: &str, text: &str) -> Result<Description, Vec<Problem>> {
    let source = Source::read(file_name, text)?;
    let mut findings = Findings::new(&source);
    let value = structure::check(&mut findings);
    let resolved = match serde_json::from_value::<RawDescription>(value) {
        Ok(raw) => check::resolve(&raw, &mut findings),
        Err(error) => return Err(vec![our_fault(file_name, &error.to_string())]),
    };
    let (problems, warnings) = findings.finish();
    match resolved {
        Some(description) if problems.is_empty() => Ok(Description { warnings, ..description }),
        _ if problems.is_empty() => {
            Err(vec![our_fault(file_name, "a part is missing that no check has told")])
        }
        _ => Err(problems),
    }
}

/// The checks let something through that the form cannot hold. Nothing a user writes may lead here.
fn our_fault(file_name: &str, seen: &str) -> Problem {
    let place = Place::File { file: file_name.to_string(), line: 0, column: 0 };
    let seen = format!("the description passed its checks and still cannot be read: {seen}");
    Problem::new(ProblemKind::Program, place, seen, "this is a fault of the program: report it with the file")
}
