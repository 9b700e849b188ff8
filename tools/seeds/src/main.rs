//! `holdgate-seeds`: runs a procedure over many seeds and faults and tells how the runs ended.

use std::io::{IsTerminal, Write};
use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode};

use clap::Parser;
use holdgate_seeds::{
    Case, Row, SeedRange, Setup, Severity, broken, causes_table, every_fault, page, rows, run_all, table,
    truth_table,
};
use station::bench::Variant;

/// Counts memory by thread, as the program itself does, so that scripts have the same limits.
#[global_allocator]
static MEMORY: os::memory::Counting = os::memory::Counting;

/// Runs a procedure against many bench cars and tells how the runs ended.
///
/// Ends with 0 when every healthy car passed, every run could be carried out and nothing was held after the
/// end; with 1 when not; with 2 when something asked for cannot be used.
#[derive(Debug, Parser)]
#[command(name = "holdgate-seeds", version)]
struct Arguments {
    /// The procedure: a shipped name or the path of a .rhai file
    procedure: String,
    /// Seeds of healthy cars, from A up to and without B
    #[arg(long, value_name = "A..B", default_value = "1..21")]
    seeds: SeedRange,
    /// A fault with its severity from 0 to 1; may be given again
    #[arg(long = "fault", value_name = "NAME=S")]
    faults: Vec<String>,
    /// Every known fault at the severities 0.5 and 1
    #[arg(long)]
    every_fault: bool,
    /// Every known fault, its severity from a tenth to the whole by the seed
    #[arg(long)]
    mixed: bool,
    /// Which kind of bench car: pressure, mass or single
    #[arg(long, value_name = "KIND", default_value = "pressure")]
    bench: String,
    /// Seeds of cars with a fault; those of the healthy ones where it is not given
    #[arg(long, value_name = "A..B")]
    fault_seeds: Option<SeedRange>,
    /// How many runs at a time; one for each processor where it is not given
    #[arg(long, value_name = "N")]
    at_a_time: Option<NonZeroUsize>,
    /// Write the table with its revision to this file as well
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    match run(&arguments) {
        Ok(rows) => {
            say(&table(&rows));
            say(&causes_table(&rows));
            say(&truth_table(&rows));
            let broken = broken(&rows);
            broken.iter().for_each(|one| say(one));
            if broken.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
        }
        Err(problems) => {
            problems.iter().for_each(|problem| complain(&format!("problem: {problem}\n")));
            ExitCode::from(2)
        }
    }
}

fn run(arguments: &Arguments) -> Result<Vec<Row>, Vec<String>> {
    let all = |problems: Vec<model::Problem>| problems.iter().map(ToString::to_string).collect::<Vec<_>>();
    let variant = Variant::named(&arguments.bench).ok_or_else(|| {
        vec![format!("there is no bench car '{}': choose pressure, mass or single", arguments.bench)]
    })?;
    let setup = Setup::new(&arguments.procedure, variant).map_err(all)?;
    let cases = cases(arguments)?;
    let own = std::thread::available_parallelism().unwrap_or(NonZeroUsize::MIN);
    let progress = std::io::stderr().is_terminal();
    let verdicts = run_all(&setup, &cases, arguments.at_a_time.unwrap_or(own), |done, of| {
        if progress {
            complain(&format!("\r{done} of {of}{}", if done == of { "\n" } else { "" }));
        }
    });
    let rows = rows(&cases, verdicts);
    if let Some(out) = &arguments.out {
        let text = page(&arguments.procedure, &revision(), &command(arguments), &rows);
        write(out, &text)
            .map_err(|error| vec![format!("{}: it cannot be written: {error}", out.display())])?;
    }
    Ok(rows)
}

fn cases(arguments: &Arguments) -> Result<Vec<Case>, Vec<String>> {
    let seeds = arguments.fault_seeds.unwrap_or(arguments.seeds);
    let mut cases = vec![Case::healthy(arguments.seeds)];
    let mut problems = Vec::new();
    for text in &arguments.faults {
        match Case::faulty(text, seeds) {
            Ok(case) => cases.push(case),
            Err(problem) => problems.push(problem.to_string()),
        }
    }
    if arguments.every_fault {
        cases.extend(every_fault(&[Severity::Fixed(0.5), Severity::Fixed(1.0)], seeds));
    }
    if arguments.mixed {
        cases.extend(every_fault(&[Severity::Mixed], seeds));
    }
    if problems.is_empty() { Ok(cases) } else { Err(problems) }
}

/// The command as it can be given again.
fn command(arguments: &Arguments) -> String {
    let mut command = format!("holdgate-seeds {} --seeds {}", arguments.procedure, arguments.seeds);
    arguments.faults.iter().for_each(|fault| command += &format!(" --fault {fault}"));
    if arguments.bench != "pressure" {
        command += &format!(" --bench {}", arguments.bench);
    }
    if arguments.every_fault {
        command += " --every-fault";
    }
    if arguments.mixed {
        command += " --mixed";
    }
    if let Some(seeds) = arguments.fault_seeds {
        command += &format!(" --fault-seeds {seeds}");
    }
    command
}

/// The commit of the repository this was built from, and whether its sources have been changed since.
fn revision() -> String {
    let git = |arguments: &[&str]| {
        let output =
            Command::new("git").current_dir(env!("CARGO_MANIFEST_DIR")).args(arguments).output().ok()?;
        output.status.success().then(|| String::from_utf8_lossy(&output.stdout).trim().to_string())
    };
    let sources =
        ["status", "--porcelain", "--", "../../daemon", "../../tools", "../../scripts", "../../schemas"];
    match (git(&["rev-parse", "HEAD"]), git(&sources)) {
        (Some(commit), Some(changes)) if changes.is_empty() => commit,
        (Some(commit), _) => format!("{commit} with changes not yet committed"),
        (None, _) => "unknown (no git here)".into(),
    }
}

fn write(path: &Path, text: &str) -> std::io::Result<()> {
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder)?;
    }
    std::fs::write(path, text)
}

/// Writes a line to standard output.
#[expect(clippy::print_stdout, reason = "the one place that does")]
fn say(text: &str) {
    println!("{text}");
}

/// Writes to standard error.
fn complain(text: &str) {
    let mut err = std::io::stderr().lock();
    // Nothing is left to tell it to when standard error is gone.
    let _ = err.write_all(text.as_bytes()).and_then(|()| err.flush());
}
