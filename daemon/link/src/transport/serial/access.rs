//! Getting at a device: may it be opened, is it free, is it a serial port at all; each refusal in plain words.

#[cfg(not(unix))]
mod elsewhere;
#[cfg(unix)]
mod unix;

use std::path::Path;

use model::{Place, Problem, ProblemKind};

use super::ports::{self, Roots};

#[cfg(not(unix))]
pub(super) use elsewhere::Access;
#[cfg(unix)]
pub(super) use unix::Access;

fn problem(path: &Path, seen: impl Into<String>, cure: impl Into<String>) -> Problem {
    let place = Place::Path { path: path.display().to_string() };
    Problem::new(ProblemKind::Link, place, seen, cure)
}

/// There is no such device: what there is instead.
fn absent(path: &Path, roots: &Roots) -> Problem {
    let known: Vec<String> = ports::paths(roots).iter().map(|path| path.display().to_string()).collect();
    let cure = if known.is_empty() {
        "no serial port is there at all: plug the adapter in and look with holdgate ports".to_string()
    } else {
        format!("there is {}", known.join(", "))
    };
    problem(path, "there is no such port", cure)
}

fn busy(path: &Path) -> Problem {
    problem(path, "it is used by another program", "close that program, or choose another port")
}

/// It is there but does not work as a serial port.
pub(super) fn unusable(path: &Path, why: &str) -> Problem {
    problem(path, format!("it cannot be used: {why}"), "choose a port from holdgate ports")
}

/// What the serial library refused after the device itself had been found free and in order.
pub(super) fn told(path: &Path, error: &tokio_serial::Error) -> Problem {
    match error.kind() {
        // So the library calls a device that somebody else has taken.
        tokio_serial::ErrorKind::NoDevice => busy(path),
        _ => unusable(path, &error.to_string()),
    }
}
