//! The keeper, on a clock and a disk of its own.
