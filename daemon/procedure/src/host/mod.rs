//! The host of the scripts: the engine, its limits, and everything that a script can call.

pub(crate) mod compile;
pub(crate) mod engine;
pub(crate) mod explain;
pub(crate) mod fault;
pub(crate) mod gate_spec;
pub(crate) mod quantity;
pub(crate) mod registrar;
pub(crate) mod registration;
pub(crate) mod run;
mod scope;
pub(crate) mod sense;
mod shared;
mod state;

use rhai::EvalAltResult;

/// What a registered function returns.
pub(crate) type Scripted<T> = Result<T, Box<EvalAltResult>>;
