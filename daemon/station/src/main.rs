//! The one binary.

use std::process::ExitCode;

/// Counts memory by thread, so that a script that takes too much is stopped.
#[global_allocator]
static MEMORY: os::memory::Counting = os::memory::Counting;

fn main() -> ExitCode {
    ExitCode::from(holdgate_station::command::main().exit_code())
}
