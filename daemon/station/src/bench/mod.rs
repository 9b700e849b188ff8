//! The bench car on a line in this process.

mod hands;
mod line_end;
#[cfg(unix)]
mod pty;
#[cfg(unix)]
pub mod served;
mod variant;
mod warm;

pub use hands::{Hands, SharedHands, Watched, readouts, share_hands};
pub use line_end::{SharedWorld, WorldLine, share};
pub use variant::Variant;
pub use warm::warm_level;
