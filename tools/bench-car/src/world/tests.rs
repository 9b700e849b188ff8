//! The bench car from the adapter's end of the wire.

mod bench;
mod communication;
mod data;
mod hands;
mod holds;
mod manners;
mod random;
mod single;
mod timing;
mod troubles;
