//! `holdgate bench-car`.

use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::{Path, PathBuf};
use std::sync::mpsc::channel;

use bench_car::{World, WorldConfig, hands};
use clap::Args;
use clock::{Stop, spawn_real};
use model::{Ending, Place, Problem, ProblemKind};
use tokio::sync::mpsc::{UnboundedSender, unbounded_channel};

use super::bench::CarArguments;
use super::signals::interrupted;
use super::{complain, refuse};
use crate::bench::served::{Act, Served};
use crate::bench::{share, share_hands};
use crate::sides::distant::{Said, read_told};
use crate::sides::screen::{Screen, Style};

#[derive(Debug, Args)]
pub(super) struct Arguments {
    #[command(flatten)]
    car: CarArguments,
    /// The same as --start warm: idling, a little short of warm
    #[arg(long, conflicts_with = "start")]
    warm: bool,
    /// A path for the port that stays the same when it is pulled out and put back
    #[arg(long, value_name = "PATH")]
    link: Option<PathBuf>,
    /// Simulated hands that listen at this Unix socket, for run --operator
    #[arg(long, value_name = "SOCKET")]
    hands: Option<PathBuf>,
}

/// Serves the bench car until Ctrl-C or `quit`.
pub(super) fn run(arguments: &Arguments) -> Ending {
    let served = interrupted().map_err(|problem| vec![problem]).and_then(|stop| serve(arguments, &stop));
    match served {
        Ok(()) => Ending::Passed,
        Err(problems) => refuse(&problems),
    }
}

fn serve(arguments: &Arguments, stop: &Stop) -> Result<(), Vec<Problem>> {
    let (variant, mut config) = arguments.car.config()?;
    // A pseudo-terminal passes no break: this controller listens without one.
    config.awake = true;
    config.untimed = true;
    let seed = config.seed;
    let (file, _) = variant.description();
    let (acts, mut acting) = unbounded_channel();
    let socket = arguments.hands.as_deref().map(|path| listen(path, acts.clone())).transpose();
    let _socket = socket.map_err(|problem| vec![problem])?;
    let (told, where_it_is) = channel();
    let (ending, link) = (stop.clone(), arguments.link.clone());
    let thread = spawn_real("bench-car", move |clock| async move {
        os::priority::raise_this_thread();
        let world = share(World::new(WorldConfig { begin: 0, ..config }).map_err(|error| error.to_string())?);
        let hands = share_hands(hands::Hands::new(seed));
        let at = link.as_deref().map(|link| format!("--link {}: ", link.display())).unwrap_or_default();
        let mut served =
            Served::new(clock, world, hands, link.as_deref()).map_err(|error| format!("{at}{error}"))?;
        // Whoever waits for the path has it, or is being ended.
        told.send(served.path()).ok();
        served.run(&mut acting, &ending).await.map_err(|error| error.to_string())
    });
    let thread = thread.map_err(|error| vec![broken(&error.to_string())])?;
    if let Ok(Some(path)) = where_it_is.recv() {
        let screen = Screen::terminal(Style::Plain);
        screen.line(&format!("port: {}", path.display()));
        screen.line(&format!("description: {}", file.trim_end_matches(".toml")));
        if let Some(hands) = &arguments.hands {
            screen.line(&format!("hands: {}", hands.display()));
        }
        screen.line("type unplug, plug, key on, key off, crank or quit");
        command_from_input(acts.clone(), stop.clone());
    }
    let ended = thread.join().map_err(|_| vec![broken("its thread panicked")])?;
    // As long as this lives the end of what is typed ends nothing.
    drop(acts);
    let ended = ended.map_err(|error| vec![broken(&error.to_string())])?;
    ended.map_err(|seen| vec![broken(&seen)])
}

fn broken(seen: &str) -> Problem {
    let place = Place::Argument { name: "bench car".into() };
    let cure = "name paths in a folder that is there, and that nothing else is served at";
    Problem::new(ProblemKind::Argument, place, seen, cure)
}

/// Takes what is typed: unplug, plug, key on, key off, crank, quit. The end of it ends nothing.
fn command_from_input(acts: UnboundedSender<Act>, stop: Stop) {
    let reader = move || {
        for line in std::io::stdin().lock().lines() {
            let Ok(line) = line else { return };
            let act = match line.trim() {
                "" => continue,
                "unplug" => Act::Unplug,
                "plug" => Act::Plug,
                "key on" => Act::Key(true),
                "key off" => Act::Key(false),
                "crank" => Act::Crank,
                "quit" => return stop.raise("quit"),
                other => {
                    complain(&format!("'{other}' is none of unplug, plug, key on, key off, crank, quit"));
                    continue;
                }
            };
            if acts.send(act).is_err() {
                return;
            }
            complain(&format!("done: {}", line.trim()));
        }
    };
    if let Err(error) = std::thread::Builder::new().name("typed".into()).spawn(reader) {
        tracing::error!(%error, "what is typed cannot be read");
    }
}

/// A socket's path, taken away when dropped.
struct Socket(PathBuf);

impl Drop for Socket {
    fn drop(&mut self) {
        if let Err(error) = std::fs::remove_file(&self.0) {
            tracing::warn!(%error, "the socket stays behind");
        }
    }
}

/// Listens for drivers whose prompts the hands serve, one after another.
fn listen(path: &Path, acts: UnboundedSender<Act>) -> Result<Socket, Problem> {
    let problem = |error: std::io::Error| {
        let place = Place::Path { path: path.display().to_string() };
        let cure = "name a path in a folder of yours that is not taken";
        Problem::new(ProblemKind::Argument, place, format!("no socket can be made there: {error}"), cure)
    };
    let listener = UnixListener::bind(path).map_err(problem)?;
    let accept = move || {
        for stream in listener.incoming() {
            match stream {
                Ok(stream) => serve_hands(stream, &acts),
                Err(error) => tracing::warn!(%error, "a driver could not be listened to"),
            }
        }
    };
    std::thread::Builder::new().name("hands".into()).spawn(accept).map_err(problem)?;
    Ok(Socket(path.to_path_buf()))
}

fn serve_hands(stream: UnixStream, acts: &UnboundedSender<Act>) {
    let mut back = match stream.try_clone() {
        Ok(back) => back,
        Err(error) => return tracing::warn!(%error, "a driver could not be answered"),
    };
    let answer = move |answer: String| match serde_json::to_string(&Said { answer }) {
        Ok(line) => {
            if let Err(error) = writeln!(back, "{line}") {
                tracing::warn!(%error, "the driver is gone");
            }
        }
        Err(error) => tracing::error!(%error, "an answer could not be written"),
    };
    if acts.send(Act::Answers(Box::new(answer))).is_ok() {
        read_told(BufReader::new(stream), |told| acts.send(Act::Tell(told)).is_ok());
    }
}
