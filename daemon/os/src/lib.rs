//! What needs the operating system or unsafe code: here, counting memory.

pub mod memory;
