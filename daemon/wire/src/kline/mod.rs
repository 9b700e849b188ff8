//! ISO 14230 on a K-line, the tester's side.

mod client;
mod key_bytes;
mod timing;
mod timing_bytes;

pub use crate::dialect::{Answer, Event, ExchangeTimes, Failure, Received, Transmit};
pub use client::{Client, ClientConfig, Wakeup};
pub use key_bytes::{KeyBytes, KeyBytesError};
pub use timing::{Timing, TimingError};
pub use timing_bytes::{TimingCoding, decode_timing, encode_timing};
