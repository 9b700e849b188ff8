//! The script's own thread.

use std::sync::Arc;
use std::thread::JoinHandle;

use clock::Caller;
use model::{Command, Ending, Place, Problem, ProblemKind, Reply};
use procedure::{Cancel, Facts, Limits, MemoryMeter, RunReport};

use super::plan::{AskDriver, WrapAsk};
use crate::load::Procedure;

/// Starts the script on a thread with the stack that its limits need.
pub(super) fn start(
    procedure: Arc<Procedure>,
    facts: Facts,
    limits: Limits,
    caller: Caller<Command, Reply>,
    wrap: Option<WrapAsk>,
    cancel: Cancel,
) -> Result<JoinHandle<RunReport>, Problem> {
    let ask: AskDriver = Box::new(move |command| {
        caller
            .call(command)
            .unwrap_or_else(|_| Reply::Over { ending: Ending::LinkLost, why: "the driver is gone".into() })
    });
    let ask = match wrap {
        Some(wrap) => wrap(ask),
        None => ask,
    };
    let thread = std::thread::Builder::new().name("script".into()).stack_size(procedure::STACK_BYTES);
    let body = move || {
        let start = os::memory::allocated_by_this_thread();
        // Memory that other threads took and this one frees would count below zero.
        let meter = MemoryMeter::new(move || {
            u64::try_from(os::memory::allocated_by_this_thread() - start).unwrap_or(0)
        });
        procedure::run(&procedure.script, &facts, ask, cancel, meter, &limits)
    };
    thread.spawn(body).map_err(|error| {
        let seen = format!("the script's thread cannot be started: {error}");
        Problem::new(ProblemKind::Program, Place::Program, seen, "free memory or raise the limit of threads")
    })
}
