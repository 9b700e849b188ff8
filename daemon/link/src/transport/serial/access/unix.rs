//! Access to a device of a system with terminals after POSIX.

use std::fs::{File, OpenOptions, TryLockError};
use std::io;
use std::os::unix::fs::{MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

use model::Problem;
use rustix::fs::OFlags;
use rustix::io::Errno;
use rustix::termios::{InputModes, OptionalActions, isatty, tcgetattr, tcsetattr};

use super::{absent, busy, problem, unusable};
use crate::transport::serial::ports::{self, Roots};

/// A second descriptor of the device, held as long as the port is: it asks what the first one's library does not
/// let ask, and keeps the device from closing in between, which would drop its modem lines.
#[derive(Debug)]
pub(in crate::transport::serial) struct Access {
    device: PathBuf,
    file: File,
    is_pseudo_terminal: bool,
}

impl Access {
    /// Opens the device and locks it. Nothing of a port that somebody else uses is touched.
    pub(in crate::transport::serial) fn claim(path: &Path, roots: &Roots) -> Result<Self, Problem> {
        // Neither waits for a carrier nor becomes this program's terminal.
        let flags = OFlags::NOCTTY | OFlags::NONBLOCK;
        let file =
            OpenOptions::new().read(true).write(true).custom_flags(flags.bits().cast_signed()).open(path);
        let file = file.map_err(|error| refused(path, &error, roots))?;
        if !isatty(&file) {
            return Err(unusable(path, "it is no serial port"));
        }
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => return Err(busy(path)),
            Err(TryLockError::Error(error)) => return Err(unusable(path, &error.to_string())),
        }
        let unusable = |error: io::Error| unusable(path, &error.to_string());
        let device = path.canonicalize().map_err(unusable)?;
        let is_pseudo_terminal = is_pseudo_terminal(&device, file.metadata().map_err(unusable)?.rdev());
        Ok(Self { device, file, is_pseudo_terminal })
    }

    /// Gives the lock on, to the descriptor that the serial library opens and locks: a lock of the same process on
    /// another descriptor would keep it out. Only the library's own makes the port exclusive, and when that fails it
    /// would undo the other's flag; so it must not be tried before the lock has been had.
    pub(in crate::transport::serial) fn unlock(&self, path: &Path) -> Result<(), Problem> {
        self.file.unlock().map_err(|error| unusable(path, &error.to_string()))
    }

    /// The device's own path, behind all links.
    pub(in crate::transport::serial) fn device(&self) -> &Path {
        &self.device
    }

    /// Whether another program stands at the other end instead of a wire. A break does not pass there.
    pub(in crate::transport::serial) fn is_pseudo_terminal(&self) -> bool {
        self.is_pseudo_terminal
    }

    /// Has characters without a stop bit and breaks marked instead of dropped or given as if they were whole.
    pub(in crate::transport::serial) fn mark_errors(&self, path: &Path) -> Result<(), Problem> {
        let set = tcgetattr(&self.file).and_then(|mut settings| {
            settings.input_modes.remove(InputModes::IGNBRK | InputModes::BRKINT | InputModes::IGNPAR);
            settings.input_modes.insert(InputModes::INPCK | InputModes::PARMRK);
            tcsetattr(&self.file, OptionalActions::Now, &settings)
        });
        set.map_err(|error| unusable(path, &error.to_string()))
    }

    /// Why the device is lost, where it is. One that was unplugged or whose other end was closed answers no question
    /// any more.
    pub(in crate::transport::serial) fn lost(&self) -> Option<String> {
        match tcgetattr(&self.file) {
            Err(Errno::IO) => Some("it was unplugged, or its other end was closed".into()),
            Err(Errno::NXIO | Errno::NODEV) => Some("it was unplugged".into()),
            _ => None,
        }
    }
}

/// Linux gives the character devices with major numbers 136 to 143 to the lower ends of pseudo-terminals (the
/// kernel's list of devices, Documentation/admin-guide/devices.txt); elsewhere only the folder tells.
fn is_pseudo_terminal(device: &Path, number: u64) -> bool {
    #[cfg(target_os = "linux")]
    let numbered = (136..=143).contains(&rustix::fs::major(number));
    #[cfg(not(target_os = "linux"))]
    let numbered = {
        let _ = number;
        false
    };
    numbered || device.starts_with("/dev/pts")
}

fn refused(path: &Path, error: &io::Error, roots: &Roots) -> Problem {
    match Errno::from_io_error(error) {
        Some(Errno::NOENT) => absent(path, roots),
        Some(Errno::ACCESS | Errno::PERM) => denied(path, roots),
        Some(Errno::BUSY) => busy(path),
        Some(Errno::NXIO | Errno::NODEV | Errno::IO) => {
            let cure = "plug the adapter in again, or choose a port from holdgate ports";
            problem(path, "nothing is connected behind it", cure)
        }
        _ => unusable(path, &error.to_string()),
    }
}

/// This user may not open it: who may, and how to become one of them.
fn denied(path: &Path, roots: &Roots) -> Problem {
    let cure = match path.metadata() {
        Ok(device) => ports::cure_of_denial(device.mode(), device.gid(), roots),
        Err(_) => "ask whoever looks after this computer".into(),
    };
    problem(path, "this user may not open it", cure)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_refusal_of_the_system_has_its_words_and_its_cure() {
        let (roots, _folder) = ports::tests::machine();
        let device = roots.dev.join("ttyUSB0");
        let told =
            |errno: Errno| refused(&device, &io::Error::from(errno), &roots).to_string().replace('\\', "/");
        let place = device.display();
        let expected = [
            (Errno::BUSY, "it is used by another program (close that program, or choose another port)"),
            (
                Errno::NXIO,
                "nothing is connected behind it (plug the adapter in again, or choose a port from holdgate ports)",
            ),
            (
                Errno::ISDIR,
                "it cannot be used: Is a directory (os error 21) (choose a port from holdgate ports)",
            ),
        ];
        for (errno, words) in expected {
            assert_eq!(told(errno), format!("{place}: {words}"));
        }
        assert!(told(Errno::ACCESS).contains("this user may not open it ("));
        let dev = roots.dev.display();
        assert_eq!(
            told(Errno::NOENT),
            format!("{place}: there is no such port (there is {dev}/ttyS0, {dev}/ttyUSB0, {dev}/ttyUSB1)")
        );
    }
}
