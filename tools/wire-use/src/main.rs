//! `holdgate-wire-use`: measures how much of the wire the driver uses, and prints the table.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode};

use clap::Parser;
use model::Span;
use wire_use::{Busy, Case, Measured, Real, measure, measure_real, page, plain_sleeps, real_table, table};

/// Runs the driver against the bench car as fast as the wire allows, in virtual time, and tells how much of the wire
/// it used.
///
/// Ends with 0 when every case reached its floor, with 1 when one did not, with 2 when something asked for cannot be
/// used or a case could not be measured.
#[derive(Debug, Parser)]
#[command(name = "holdgate-wire-use", version)]
struct Arguments {
    /// Only this case; may be given again. All of them where it is not given
    #[arg(long = "case", value_name = "NAME")]
    cases: Vec<String>,
    /// The seed of the bench car
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Write the table with its revision to this file as well
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// In real time over a pseudo-terminal, each case beside its rehearsal, and the library's own timer beside them
    #[arg(long, conflicts_with = "out")]
    real: bool,
    /// How long each case is measured in real time
    #[arg(long, value_name = "N", default_value_t = 10, requires = "real", value_parser = clap::value_parser!(i64).range(1..=3600))]
    seconds: i64,
    /// Loops that keep so many cores busy meanwhile
    #[arg(long, value_name = "N", default_value_t = 0, requires = "real")]
    busy: usize,
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    if arguments.real {
        return match run_real(&arguments) {
            Ok(()) => ExitCode::SUCCESS,
            Err(problem) => {
                complain(&format!("problem: {problem}\n"));
                ExitCode::from(2)
            }
        };
    }
    match run(&arguments) {
        Ok(rows) => {
            say(&table(&rows));
            let short: Vec<_> = rows.iter().filter(|(case, one)| one.share() < case.floor).collect();
            for (case, one) in &short {
                say(&format!(
                    "{}: {:.2} % is below its floor of {:.0} %",
                    case.name,
                    one.share(),
                    case.floor
                ));
            }
            if short.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
        }
        Err(problem) => {
            complain(&format!("problem: {problem}\n"));
            ExitCode::from(2)
        }
    }
}

/// Figures of a machine in real time have no floor: they are told, and whoever reads them judges.
fn run_real(arguments: &Arguments) -> Result<(), String> {
    let time = Span::from_secs(arguments.seconds);
    let mut rows: Vec<(Case, Measured, Real)> = Vec::new();
    let beside = {
        let busy = Busy::loops(arguments.busy);
        let sleeps = std::thread::spawn(move || plain_sleeps(time));
        for case in cases(arguments)? {
            let failed = |error: wire_use::MeasureError| format!("{}: {error}", case.name);
            let real = measure_real(&case, arguments.seed, time).map_err(failed)?;
            rows.push((case, measure(&case, arguments.seed).map_err(failed)?, real));
        }
        drop(busy);
        sleeps
            .join()
            .map_err(|_| "the timer's thread panicked".to_string())?
            .map_err(|error| error.to_string())?
    };
    say(&real_table(&rows));
    if let Some((_, _, real)) = rows.first() {
        say(&format!("The wire's thread: {}. Busy loops beside it: {}.", real.thread, arguments.busy));
    }
    let worst = rows.iter().map(|(_, _, real)| real.request_late.p99.max(real.character_late.p99)).max();
    let worst = worst.unwrap_or_default().as_millis_f64();
    let (median, p99) = (beside.median.as_millis_f64(), beside.p99.as_millis_f64());
    say(&format!(
        "tokio::time::sleep on a thread beside it: late {median:.3} ms (median), {p99:.3} ms (99 %): {:.0} times the \
         driver's worst 99 % of {worst:.3} ms",
        p99 / worst
    ));
    Ok(())
}

fn cases(arguments: &Arguments) -> Result<Vec<Case>, String> {
    if arguments.cases.is_empty() {
        return Ok(Case::ALL.to_vec());
    }
    arguments.cases.iter().map(|name| named(name)).collect()
}

fn run(arguments: &Arguments) -> Result<Vec<(Case, Measured)>, String> {
    let cases = cases(arguments)?;
    let mut rows = Vec::new();
    for case in cases {
        let one = measure(&case, arguments.seed).map_err(|error| format!("{}: {error}", case.name))?;
        rows.push((case, one));
    }
    if let Some(out) = &arguments.out {
        write(out, &page(&revision(), &command(arguments), &rows))
            .map_err(|error| format!("{}: it cannot be written: {error}", out.display()))?;
    }
    Ok(rows)
}

fn named(name: &str) -> Result<Case, String> {
    Case::named(name).ok_or_else(|| {
        let known: Vec<&str> = Case::ALL.iter().map(|case| case.name).collect();
        format!("there is no case '{name}': use {}", known.join(", "))
    })
}

/// The command as it can be given again.
fn command(arguments: &Arguments) -> String {
    let cases: String = arguments.cases.iter().map(|name| format!(" --case {name}")).collect();
    format!("holdgate-wire-use --seed {}{cases}", arguments.seed)
}

/// The commit of the repository this was built from, and whether its sources have been changed since.
fn revision() -> String {
    let git = |arguments: &[&str]| {
        let output =
            Command::new("git").current_dir(env!("CARGO_MANIFEST_DIR")).args(arguments).output().ok()?;
        output.status.success().then(|| String::from_utf8_lossy(&output.stdout).trim().to_string())
    };
    let sources = ["status", "--porcelain", "--", "../../daemon", "../../tools", "../../schemas"];
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
