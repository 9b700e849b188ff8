//! Single bytes without frames, the tester's side: the controller answers a request of one or a few bytes with a
//! given number of bytes, and every byte means what the car's description says.
//!
//! This wire has no checksum, no length and no address. An answer is judged by its number of bytes, by the time in
//! which they come, by their stop bits, and by the bytes it is expected to begin with, where there are any: a bit
//! that is turned over on the way is delivered as a reading, and only a gate's own judgement over many readings
//! stands against it. After anything that does not fit both sides begin anew: this one falls silent for as long as
//! the controller needs to forget half a request, and until nothing more comes.

mod client;
mod config;

pub use client::Client;
pub use config::SingleConfig;
