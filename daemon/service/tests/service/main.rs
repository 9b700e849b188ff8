//! The service as a program meets it: mostly without a network, once over a socket.

#![allow(clippy::unwrap_used, reason = "helpers of tests may fail as tests do")]

mod access;
mod broken;
mod routes;
mod schema;
mod socket;
mod streams;
mod world;
