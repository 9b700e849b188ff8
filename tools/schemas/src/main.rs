//! `holdgate-schemas`: writes the generated files of `schemas/`, or says where they have drifted.

use std::path::PathBuf;
use std::process::ExitCode;

use clap::Parser;
use holdgate_schemas::{CURE, SchemaError, compare, generated, write};

/// Writes the generated files of schemas/: JSON Schemas and declared tables.
#[derive(Debug, Parser)]
#[command(name = "holdgate-schemas", version)]
struct Arguments {
    /// Write nothing; compare, and end with 1 where something has drifted
    #[arg(long)]
    check: bool,
    /// The folder; without it, that of the repository this program was built from
    #[arg(long, value_name = "FOLDER")]
    schemas: Option<PathBuf>,
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    match run(&arguments) {
        Ok((lines, code)) => {
            lines.iter().for_each(|line| say(line));
            code
        }
        Err(error) => {
            say(&format!("problem: {error}"));
            ExitCode::from(2)
        }
    }
}

fn run(arguments: &Arguments) -> Result<(Vec<String>, ExitCode), SchemaError> {
    let own = || PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../schemas"));
    let schemas = arguments.schemas.clone().unwrap_or_else(own);
    let files = generated();
    if !arguments.check {
        let changed = write(&schemas, &files)?;
        let mut lines: Vec<String> = changed.iter().map(|path| format!("wrote schemas/{path}")).collect();
        lines.push(format!("{} of {} files changed", changed.len(), files.len()));
        return Ok((lines, ExitCode::SUCCESS));
    }
    let drifts = compare(&schemas, &files)?;
    if drifts.is_empty() {
        return Ok((vec![format!("{} files are what the code makes", files.len())], ExitCode::SUCCESS));
    }
    let mut lines: Vec<String> = drifts.iter().map(ToString::to_string).collect();
    lines.push(CURE.to_string());
    Ok((lines, ExitCode::FAILURE))
}

/// Writes a line to standard output.
#[expect(clippy::print_stdout, reason = "the one place that does")]
fn say(text: &str) {
    println!("{text}");
}
