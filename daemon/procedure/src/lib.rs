//! Procedures: steps, guards, endings, prompts, and the host that runs their scripts.
//!
//! A script is compiled once ([`compile`]) and run on a thread of its own ([`run`]). It knows the car only
//! through the small traits in [`room`]; [`Remote`] implements them all by sending one command and waiting for
//! exactly one reply. Whatever a script does (end, throw, loop for ever, ask for too much memory), every output
//! it took over is given back and the run ends with one of the endings of the house.
//!
//! A thread that runs a script needs a stack of [`STACK_BYTES`].

pub mod check;
pub mod defaults;
pub mod facts;
mod host;
mod limits;
mod nearest;
mod report;
pub mod room;
pub mod scripts;

pub use facts::{Facts, OutputFact, SetupFact};
pub use host::compile::{Script, compile};
pub use host::registrar::Entry;
pub use host::registration::reference;
pub use host::run::{header, run};
pub use limits::{Cancel, Limits, MemoryMeter, STACK_BYTES};
pub use report::{Header, RunReport, StepHow, StepRecord};
pub use room::remote::{Ask, Remote};
