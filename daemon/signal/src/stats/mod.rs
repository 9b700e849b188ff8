//! Statistics of readings, stable in double precision and checked against NIST's reference data.

pub mod line;
pub mod moments;
pub mod quantile;
pub mod window;

pub use line::{Line, TheilSen, fit_line, theil_sen};
pub use moments::{Moments, Sums, effective_size, moments};
pub use window::{Reading, Summary, Window};
