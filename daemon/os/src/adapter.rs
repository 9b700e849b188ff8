//! The timer with which a serial adapter on USB holds characters back, to send several together.
//!
//! Left as it is, it can cost more time than the exchange on the wire. Drivers that let it be set show it in the
//! kernel's folders as `latency_timer`, in milliseconds; where that may not be written, the terminal's flag for low
//! latency may be (`ASYNC_LOW_LATENCY` in the kernel's tty_flags.h), which any user who may open the port may set.

#[cfg(target_os = "linux")]
mod flag;

use std::fmt;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// The shortest time that the timer can be set to.
const SHORTEST: Duration = Duration::from_millis(1);

/// What became of the timer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Latency {
    /// Its time before.
    pub was: Option<Duration>,
    /// Its time now, as read back.
    pub is: Option<Duration>,
    /// Why it is what it is.
    pub outcome: Outcome,
}

/// How lowering came out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Outcome {
    /// There is no such timer to set: no adapter on USB, or one without, or a system that does not show it.
    NotOffered,
    /// It was as short as can be already.
    Low,
    /// It is shorter now.
    Lowered,
    /// It stayed.
    Kept {
        /// What the system said.
        why: String,
        /// What to do about it.
        cure: String,
    },
}

impl fmt::Display for Latency {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let words = |time: Option<Duration>| match time {
            Some(time) => format!("{} ms", time.as_millis()),
            None => "an unknown time".into(),
        };
        match &self.outcome {
            Outcome::NotOffered => write!(f, "no timer that could be set holds characters back"),
            Outcome::Low => write!(f, "characters are held back for {} at most", words(self.is)),
            Outcome::Lowered => write!(
                f,
                "characters are held back for {} at most; it was {}",
                words(self.is),
                words(self.was)
            ),
            Outcome::Kept { why, cure } => {
                write!(f, "characters are held back for {}, which stays: {why} ({cure})", words(self.is))
            }
        }
    }
}

/// The time of the timer behind a device, from the kernel's folders below `sys`; none where it shows no timer.
pub fn latency(device: &Path, sys: &Path) -> Option<Duration> {
    timer(device, sys).and_then(|timer| read(&timer))
}

/// Makes the timer behind a device as short as can be. `sys` is where the kernel's folders lie.
pub fn lower(device: &Path, sys: &Path) -> Latency {
    match timer(device, sys) {
        Some(timer) => judge(|| read(&timer), || fs::write(&timer, "1"), || set_flag(device)),
        None => Latency { was: None, is: None, outcome: Outcome::NotOffered },
    }
}

/// The timer's file: a driver shows it at the terminal's device, which both folders name.
fn timer(device: &Path, sys: &Path) -> Option<PathBuf> {
    let name = device.file_name()?;
    let places =
        [sys.join("class/tty").join(name).join("device"), sys.join("bus/usb-serial/devices").join(name)];
    places.into_iter().map(|place| place.join("latency_timer")).find(|timer| timer.is_file())
}

fn read(timer: &Path) -> Option<Duration> {
    fs::read_to_string(timer).ok()?.trim().parse().ok().map(Duration::from_millis)
}

fn set_flag(device: &Path) -> io::Result<()> {
    #[cfg(target_os = "linux")]
    {
        flag::set_low_latency(device)
    }
    #[cfg(not(target_os = "linux"))]
    {
        let _ = device;
        Err(io::ErrorKind::Unsupported.into())
    }
}

/// The timer's own file first, then the terminal's flag; what counts is what is read back.
fn judge(
    read: impl Fn() -> Option<Duration>,
    write: impl FnOnce() -> io::Result<()>,
    set_flag: impl FnOnce() -> io::Result<()>,
) -> Latency {
    let was = read();
    if was.is_some_and(|was| was <= SHORTEST) {
        return Latency { was, is: was, outcome: Outcome::Low };
    }
    let refused = write().err();
    // Whether the flag was taken is read back like everything else.
    let refused_too = refused.as_ref().and_then(|_| set_flag().err());
    let is = read();
    let shorter = is.is_some_and(|is| was.is_none_or(|was| is < was));
    let outcome = if shorter { Outcome::Lowered } else { kept(refused.as_ref(), refused_too.as_ref()) };
    Latency { was, is, outcome }
}

fn kept(timer: Option<&io::Error>, flag: Option<&io::Error>) -> Outcome {
    let rule = "let the device manager set it whenever the adapter is plugged in: write the line \
                ACTION==\"add\", SUBSYSTEM==\"usb-serial\", TEST==\"latency_timer\", ATTR{latency_timer}=\"1\" into \
                /etc/udev/rules.d/99-serial-latency.rules as administrator and plug the adapter in again";
    match (timer, flag) {
        (None, _) => Outcome::Kept {
            why: "the adapter took another time and does not keep it".into(),
            cure: "expect fewer readings a second, or use another adapter".into(),
        },
        (Some(timer), None) => Outcome::Kept { why: timer.to_string(), cure: rule.into() },
        (Some(timer), Some(flag)) => {
            Outcome::Kept { why: format!("{timer}; for the terminal's flag: {flag}"), cure: rule.into() }
        }
    }
}

#[cfg(test)]
mod tests {
    use std::cell::Cell;

    use super::*;

    fn ms(time: u64) -> Option<Duration> {
        Some(Duration::from_millis(time))
    }

    fn refusal() -> io::Error {
        io::ErrorKind::PermissionDenied.into()
    }

    #[test]
    fn both_folders_of_the_kernel_lead_to_the_timer_and_it_is_set_there() {
        for place in ["class/tty/ttyUSB3/device", "bus/usb-serial/devices/ttyUSB3"] {
            let sys = tempfile::tempdir().unwrap();
            let folder = sys.path().join(place);
            fs::create_dir_all(&folder).unwrap();
            fs::write(folder.join("latency_timer"), "16\n").unwrap();
            let device = Path::new("/dev/ttyUSB3");
            assert_eq!(latency(device, sys.path()), ms(16));
            let lowered = lower(device, sys.path());
            assert_eq!(lowered, Latency { was: ms(16), is: ms(1), outcome: Outcome::Lowered });
            assert_eq!(fs::read_to_string(folder.join("latency_timer")).unwrap(), "1");
            assert_eq!(lower(device, sys.path()).outcome, Outcome::Low);
            assert_eq!(lowered.to_string(), "characters are held back for 1 ms at most; it was 16 ms");
        }
    }

    #[test]
    fn a_port_without_a_timer_offers_none() {
        let sys = tempfile::tempdir().unwrap();
        for device in ["/dev/ttyS0", "/dev/ttyACM0", "/"] {
            assert_eq!(latency(Path::new(device), sys.path()), None);
            assert_eq!(lower(Path::new(device), sys.path()).outcome, Outcome::NotOffered);
        }
    }

    #[test]
    fn the_flag_of_the_terminal_helps_where_the_timer_may_not_be_written() {
        let time = Cell::new(16);
        let flag = || {
            time.set(1);
            Ok(())
        };
        let lowered = judge(|| ms(time.get()), || Err(refusal()), flag);
        assert_eq!(lowered, Latency { was: ms(16), is: ms(1), outcome: Outcome::Lowered });
        // The flag is not touched where the timer can be written.
        let written = Cell::new(16);
        let write = || {
            written.set(1);
            Ok(())
        };
        assert_eq!(judge(|| ms(written.get()), write, || panic!("needless")).outcome, Outcome::Lowered);
    }

    #[test]
    fn a_time_that_stays_is_told_with_its_reason_and_a_cure_that_fits() {
        let told = judge(|| ms(16), || Err(refusal()), || Err(refusal())).to_string();
        assert!(
            told.starts_with("characters are held back for 16 ms, which stays: permission denied; "),
            "{told}"
        );
        assert!(told.contains("/etc/udev/rules.d/"), "{told}");
        // The flag was taken and changed nothing.
        let told = judge(|| ms(16), || Err(refusal()), || Ok(())).to_string();
        assert!(told.contains("permission denied (let the device manager"), "{told}");
        // Written without complaint and not kept: a rule would not help.
        let told = judge(|| ms(16), || Ok(()), || Ok(())).to_string();
        assert!(told.contains("does not keep it (expect fewer"), "{told}");
    }
}
