//! A pseudo-terminal of which the bench car has the one end and a tester the other.

use std::fs::File;
use std::io::{self, Read, Write};
use std::os::fd::OwnedFd;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::task::{Context, Poll, ready};

use rustix::fs::{Mode, OFlags, fcntl_getfl, fcntl_setfl, open};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, ioctl_tiocnxcl, tcgetattr, tcsetattr};
use tokio::io::unix::AsyncFd;

/// The bench car's end.
#[derive(Debug)]
pub(crate) struct Pty {
    end: AsyncFd<File>,
    /// The tester's end, held open here as well: an end that nobody has open counts as hung up, and the runtime then
    /// calls this one ready for ever.
    other: OwnedFd,
    path: PathBuf,
}

impl Pty {
    /// Opens one, in raw mode. Must be called on the runtime that will read it.
    pub(crate) fn open() -> io::Result<Self> {
        let end: OwnedFd = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)?;
        grantpt(&end)?;
        unlockpt(&end)?;
        let path = ptsname(&end, Vec::new())?;
        let path = PathBuf::from(path.into_string().map_err(|error| io::Error::other(error.to_string()))?);
        // Until a tester sets it up, nothing may be echoed or translated.
        let mut modes = tcgetattr(&end)?;
        modes.make_raw();
        tcsetattr(&end, OptionalActions::Now, &modes)?;
        fcntl_setfl(&end, fcntl_getfl(&end)? | OFlags::NONBLOCK)?;
        // What is unsound is a value that closes its descriptor while it is registered; a file keeps its own.
        #[expect(deprecated, reason = "its replacement is unsafe, and unsafe code stands in another room")]
        let end = AsyncFd::new(File::from(end))?;
        let other = open(&path, OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty())?;
        Ok(Self { end, other, path })
    }

    /// The tester's end.
    pub(crate) fn path(&self) -> &Path {
        &self.path
    }

    /// Lets the next tester in: one that was killed has left the port marked as its own.
    pub(crate) fn let_others_in(&self) -> io::Result<()> {
        Ok(ioctl_tiocnxcl(&self.other)?)
    }

    /// The rate that the tester has set, in bits per second.
    pub(crate) fn baud(&self) -> io::Result<u32> {
        Ok(tcgetattr(self.end.get_ref())?.output_speed())
    }

    /// Reads what has come; pending while nothing has.
    pub(crate) fn poll_read(&self, context: &mut Context<'_>, into: &mut Vec<u8>) -> Poll<io::Result<()>> {
        loop {
            let mut guard = ready!(self.end.poll_read_ready(context))?;
            let mut buffer = [0; 256];
            match guard.try_io(|end| end.get_ref().read(&mut buffer)) {
                Ok(Ok(count)) if count > 0 => {
                    into.extend(&buffer[..count]);
                    return Poll::Ready(Ok(()));
                }
                Ok(Ok(_)) => return Poll::Ready(Err(io::ErrorKind::UnexpectedEof.into())),
                Ok(Err(error)) => return Poll::Ready(Err(error)),
                Err(_) => {}
            }
        }
    }

    /// Sends one character. What nobody reads is lost, as on a wire.
    pub(crate) fn write(&self, byte: u8) {
        if let Err(error) = self.end.get_ref().write_all(&[byte]) {
            tracing::debug!(%error, "a character went nowhere");
        }
    }
}

/// A path that stays the same while the pseudo-terminal behind it changes, as the stable path of an adapter does.
/// Taken away when dropped.
#[derive(Debug)]
pub(crate) struct StablePath {
    path: PathBuf,
    to: PathBuf,
}

impl StablePath {
    /// Points a path at a pseudo-terminal. What lies there already must be such a path of a bench car that is gone.
    pub(crate) fn point(path: &Path, to: &Path) -> io::Result<Self> {
        let taken = |what: &str| io::Error::new(io::ErrorKind::AlreadyExists, what.to_string());
        match std::fs::symlink_metadata(path) {
            Ok(found) if !found.is_symlink() => return Err(taken("something else lies there")),
            Ok(_) if path.exists() => return Err(taken("a port is served there already")),
            Ok(_) => std::fs::remove_file(path)?,
            Err(_) => {}
        }
        symlink(to, path)?;
        Ok(Self { path: path.to_path_buf(), to: to.to_path_buf() })
    }
}

impl Drop for StablePath {
    fn drop(&mut self) {
        // One that points elsewhere by now is somebody else's.
        if std::fs::read_link(&self.path).is_ok_and(|to| to != self.to) {
            return;
        }
        if let Err(error) = std::fs::remove_file(&self.path) {
            tracing::warn!(%error, path = %self.path.display(), "the stable path stays behind");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_path_that_somebody_serves_is_left_to_them_and_one_that_is_left_over_is_taken() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        std::fs::write(at("one"), "").unwrap();
        let first = StablePath::point(&at("port"), &at("one")).unwrap();
        assert!(StablePath::point(&at("port"), &at("two")).is_err(), "it is served");
        assert!(StablePath::point(&at("one"), &at("two")).is_err(), "something else lies there");
        std::fs::remove_file(at("one")).unwrap();
        let second = StablePath::point(&at("port"), &at("two")).unwrap();
        drop(first);
        assert_eq!(std::fs::read_link(at("port")).unwrap(), at("two"), "it is not the first one's any more");
        drop(second);
        assert!(std::fs::symlink_metadata(at("port")).is_err());
    }
}
