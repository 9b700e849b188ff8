//! The bench car on a line in this process.

mod hands;
mod line_end;
mod warm;

pub use hands::Hands;
pub use line_end::{SharedWorld, WorldLine, share};
pub use warm::warm_level;
