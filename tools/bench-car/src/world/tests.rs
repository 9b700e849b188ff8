//! The bench car from the adapter's end of the wire.

mod bench;
mod communication;
mod data;
mod holds;
mod random;
mod timing;
mod troubles;
