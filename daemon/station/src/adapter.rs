//! The latency of serial adapters: shortened as far as the system lets us whenever a port is opened.

use std::path::Path;
use std::time::Duration;

use link::transport::serial::ports::Roots;
use model::Span;
use os::adapter::{self, Outcome};

/// An adapter that may hold characters back for longer than this throttles a K-line: an exchange without pauses takes
/// 12.5 ms at 10 400 Bd (six characters there, seven back, ten bits each), and each waits for the adapter once. The
/// share is our choice, no published source.
pub const THROTTLES: Duration = Duration::from_millis(2);

/// How long the adapter behind a device may hold characters back, after it has been shortened as far as the system
/// lets us. What stays long is told in the log with its cure.
pub fn latency(device: &Path) -> Span {
    latency_below(device, &Roots::default().sys)
}

fn latency_below(device: &Path, sys: &Path) -> Span {
    let lowered = adapter::lower(device, sys);
    match &lowered.outcome {
        Outcome::NotOffered | Outcome::Low | Outcome::Lowered => {
            tracing::info!(device = %device.display(), "{lowered}");
        }
        Outcome::Kept { .. } => tracing::warn!(device = %device.display(), "{lowered}"),
    }
    span(lowered.is.unwrap_or_default())
}

fn span(time: Duration) -> Span {
    Span::from_nanos(i64::try_from(time.as_nanos()).unwrap_or(i64::MAX))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_adapter_is_shortened_and_a_port_without_a_timer_holds_nothing_back() {
        let sys = tempfile::tempdir().unwrap();
        let device = sys.path().join("class/tty/ttyUSB0/device");
        std::fs::create_dir_all(&device).unwrap();
        std::fs::write(device.join("latency_timer"), "16\n").unwrap();
        assert_eq!(latency_below(Path::new("/dev/ttyUSB0"), sys.path()), Span::from_millis(1));
        assert_eq!(latency_below(Path::new("/dev/ttyS0"), sys.path()), Span::ZERO);
    }
}
