//! Prints what an outside program checks: half-widths of a rectangle with noise, and Student's quantiles.
//!
//! One line a value: `interval RECTANGLE NORMAL HALF_WIDTH` or `student FREEDOM QUANTILE`, numbers with all
//! their digits. `tests/peers/uncertainty.py` reads them.

use std::io::{self, Write};

use signal::interval::half_width_95;
use signal::stats::quantile::t95;

fn main() -> io::Result<()> {
    let mut out = io::stdout().lock();
    // From a rectangle that hides the noise to noise that hides the rectangle, at three sizes.
    for size in [1e-6, 1.0, 2.5e5] {
        for step in -40..=40 {
            let (rectangle, normal) = (size, size * 10f64.powf(f64::from(step) / 10.0));
            writeln!(out, "interval {rectangle:e} {normal:e} {:e}", half_width_95(rectangle, normal))?;
        }
    }
    for (rectangle, normal) in [(0.0, 1.0), (1.0, 0.0), (0.0, 0.0)] {
        writeln!(out, "interval {rectangle:e} {normal:e} {:e}", half_width_95(rectangle, normal))?;
    }
    for freedom in (1..=40).chain([50, 100, 200]) {
        writeln!(out, "student {freedom} {:e}", t95(freedom))?;
    }
    Ok(())
}
