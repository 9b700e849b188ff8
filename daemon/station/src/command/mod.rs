//! The command line.

#[cfg(feature = "bench-car")]
mod bench;
#[cfg(all(unix, feature = "bench-car"))]
mod bench_car;
mod capture;
mod car;
pub mod check;
mod export;
mod job;
mod ports;
mod reference;
#[cfg(feature = "bench-car")]
mod rehearse;
mod report;
mod run;
mod serve;
mod session;
mod sessions;
mod signals;
mod watch;

use clap::{Parser, Subcommand};
use model::{Ending, Problem};
use tracing_subscriber::EnvFilter;

/// Keeps a live link to an engine controller, logs it, and walks a person through set-up procedures whose
/// steps pass only when the engine itself says so.
#[derive(Debug, Parser)]
#[command(name = "holdgate", version, arg_required_else_help = true)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Run a procedure against the bench car, faster than real time
    #[cfg(feature = "bench-car")]
    Rehearse(rehearse::Arguments),
    /// Run a procedure on a car, in real time
    Run(run::Arguments),
    /// Record a car without a procedure
    Capture(Box<capture::Arguments>),
    /// Show live values in the terminal
    Watch(watch::Arguments),
    /// Serve the bench car in real time behind a pseudo-terminal
    #[cfg(all(unix, feature = "bench-car"))]
    BenchCar(bench_car::Arguments),
    /// Say what a recorded session holds
    Report(report::Arguments),
    /// Check a procedure before it is run: every mistake at once, with line and cure
    Check(check::Arguments),
    /// List every word of the procedure language
    Reference,
    /// Check a controller description and say what it offers
    Car(car::Arguments),
    /// List the serial ports of this computer and what is known of each
    Ports(ports::Arguments),
    /// Find recorded sessions again: list, show, tag, check, remove
    Sessions(sessions::Arguments),
    /// Write a session, or a part of it, as CSV or Parquet
    Export(export::Arguments),
    /// Serve recorded sessions to programs on this computer
    Serve(serve::Arguments),
}

/// Runs the program. What it returns decides the exit code.
pub fn main() -> Ending {
    let filter = EnvFilter::try_from_env("HOLDGATE_LOG").unwrap_or_else(|_| EnvFilter::new("error"));
    tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr).init();
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(error) => {
            // Help and version are no errors; both are printed by the same means.
            let ending = if error.use_stderr() { Ending::BadInput } else { Ending::Passed };
            if let Err(error) = error.print() {
                tracing::debug!(%error, "the screen is gone");
            }
            return ending;
        }
    };
    match arguments.command {
        #[cfg(feature = "bench-car")]
        Command::Rehearse(arguments) => rehearse::run(&arguments),
        Command::Run(arguments) => run::run(&arguments),
        Command::Capture(arguments) => capture::run(&arguments),
        Command::Watch(arguments) => watch::run(&arguments),
        #[cfg(all(unix, feature = "bench-car"))]
        Command::BenchCar(arguments) => bench_car::run(&arguments),
        Command::Report(arguments) => report::run(&arguments),
        Command::Check(arguments) => check::run(&arguments),
        Command::Reference => reference::run(),
        Command::Car(arguments) => car::run(&arguments),
        Command::Ports(arguments) => ports::run(&arguments),
        Command::Sessions(arguments) => sessions::run(&arguments),
        Command::Export(arguments) => export::run(&arguments),
        Command::Serve(arguments) => serve::run(&arguments),
    }
}

/// Prints problems and gives the gravest ending among them.
fn refuse(problems: &[Problem]) -> Ending {
    for problem in problems {
        complain(&format!("problem: {problem}"));
    }
    problems.iter().fold(Ending::Passed, |ending, problem| ending.and(problem.kind.ending()))
}

/// Writes a line to standard error. A reader who has gone away is no reason to end.
fn complain(text: &str) {
    use std::io::Write;
    if let Err(error) = writeln!(std::io::stderr(), "{text}") {
        tracing::debug!(%error, "nobody reads standard error");
    }
}
