//! What needs the operating system or unsafe code: counting memory, a thread's priority, the latency of serial
//! adapters, keeping the computer awake, what this program has cost in time and memory.
//!
//! Everything here helps and nothing is required: what a system does not offer or does not allow is a value to be
//! told to people, never an error. Linux comes first; other systems answer that they do not offer it.

pub mod adapter;
pub mod inhibit;
pub mod memory;
pub mod priority;
pub mod process;
