//! The script host from outside: scripts in, commands and endings out. Cases are the project's own; there is no
//! published source for them.

// The name by which every other room knows it.
extern crate holdgate_procedure as procedure;

mod bad_scripts;
mod endings;
mod fake;
mod hold_ends;
mod holds;
mod language;
mod limits;
mod people;
mod shipped;
