//! Whole-program tests, in one binary: what people do, from the command line to the record.

#[global_allocator]
static MEMORY: os::memory::Counting = os::memory::Counting;

mod bad_scripts;
mod base_idle;
mod capture;
#[cfg(target_os = "linux")]
mod capture_killed;
#[cfg(target_os = "linux")]
mod capture_real;
mod check;
mod command_line;
mod demo;
mod export;
mod mistakes;
#[cfg(target_os = "linux")]
mod real_time;
mod repeat;
mod sessions;
mod single;
mod terminal;
mod walk;
mod wire_use;
