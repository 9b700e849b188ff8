//! `holdgate serve`.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::pin::pin;

use clap::Args;
use clock::Stop;
use model::{Ending, Place, Problem, ProblemKind};
use record::{Archive, Recovered, RecoveryOutcome};
use service::{Limits, ServiceState};

use super::{complain, refuse};
use crate::sides::screen::{Screen, Style};

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The folder of recorded sessions
    #[arg(long, default_value = "archive", value_name = "FOLDER")]
    archive: PathBuf,
    /// The loopback address and port to listen at; port 0 takes any free one
    #[arg(long, default_value = "127.0.0.1:8427", value_name = "ADDRESS:PORT")]
    listen: SocketAddr,
}

pub(super) fn run(arguments: &Arguments) -> Ending {
    match serve(arguments) {
        Ok(()) => Ending::Passed,
        Err(problem) => refuse(&[problem]),
    }
}

fn serve(arguments: &Arguments) -> Result<(), Problem> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| own(&format!("no runtime could be made: {error}")))?;
    let ended = runtime.block_on(until_interrupted(arguments));
    // A read still under way must not keep the program from ending.
    runtime.shutdown_background();
    ended
}

async fn until_interrupted(arguments: &Arguments) -> Result<(), Problem> {
    let screen = Screen::terminal(Style::Plain);
    // The socket comes first: a refused address must leave the archive as it was.
    let listener = service::listen(arguments.listen).await?;
    let address =
        listener.local_addr().map_err(|error| own(&format!("the socket has no address: {error}")))?;
    let (archive, recovered) = open(arguments)?;
    for session in &recovered {
        tell(session, &screen);
    }
    let state = ServiceState::new(archive, address, Limits::default())?;

    let mut interrupted = pin!(tokio::signal::ctrl_c());
    // Polled once before the address is told, so that whoever reads the address can already interrupt.
    tokio::select! {
        biased;
        early = &mut interrupted => return early.map_err(|error| no_signals(&error)),
        () = std::future::ready(()) => {}
    }
    screen.line(&format!("serving {} at http://{address}/ until Ctrl-C", arguments.archive.display()));
    let stop = Stop::new();
    let mut serving = pin!(service::serve(listener, state, stop.clone()));
    tokio::select! {
        biased;
        ended = &mut serving => return ended,
        asked = &mut interrupted => asked.map_err(|error| no_signals(&error))?,
    }
    stop.raise("Ctrl-C");
    serving.await
}

/// Opens an archive that is there already: a service that reads has nothing to begin.
fn open(arguments: &Arguments) -> Result<(Archive, Vec<Recovered>), Problem> {
    if !arguments.archive.is_dir() {
        return Err(Problem::new(
            ProblemKind::Argument,
            Place::Argument { name: "--archive".into() },
            format!("there is no folder '{}'", arguments.archive.display()),
            "name the folder in which sessions were recorded",
        ));
    }
    Archive::open(&arguments.archive)
}

fn tell(recovered: &Recovered, screen: &Screen) {
    match &recovered.outcome {
        RecoveryOutcome::Closed { .. } => {
            screen.line(&recovered.to_string());
        }
        RecoveryOutcome::MovedAside(_) | RecoveryOutcome::Left(_) => {
            complain(&format!("problem: {recovered}"));
        }
    }
}

fn own(seen: &str) -> Problem {
    Problem::new(ProblemKind::Program, Place::Program, seen, "end other programs and start again")
}

fn no_signals(error: &std::io::Error) -> Problem {
    own(&format!("Ctrl-C cannot be listened for: {error}"))
}
