//! The bench car on a line in this process.

mod hands;
mod line_end;

pub use hands::Hands;
pub use line_end::{SharedWorld, WorldLine, share};
