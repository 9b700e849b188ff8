//! The host of the scripts: the engine, its limits, and everything that a script can call.

pub(crate) mod compile;
mod engine;
mod explain;
mod fault;
mod gate_spec;
mod quantity;
pub(crate) mod registrar;
pub(crate) mod registration;
pub(crate) mod run;
mod scope;
mod shared;
mod state;

use rhai::EvalAltResult;

/// What a registered function returns.
pub(crate) type Scripted<T> = Result<T, Box<EvalAltResult>>;
