//! Who has a device open or locked, from what the kernel tells of its programs (proc(5) and proc_locks(5) of the Linux
//! manual pages).

use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use super::{User, read};

/// A lock: the process that took it, and the file as the kernel writes it.
#[derive(Debug)]
struct Lock {
    process: Option<u32>,
    file: String,
}

/// Open files and locks at one moment, as far as this user may see them.
#[derive(Debug)]
pub(super) struct Holders {
    proc: PathBuf,
    open: Vec<(u32, PathBuf)>,
    locks: Vec<Lock>,
}

impl Holders {
    /// Looks at all programs and locks.
    pub(super) fn read(proc: &Path) -> Self {
        let entries = proc.read_dir().into_iter().flatten().flatten();
        let mut processes: Vec<u32> =
            entries.filter_map(|entry| entry.file_name().to_str()?.parse().ok()).collect();
        processes.sort_unstable();
        // A program of somebody else keeps its files to itself; its locks are seen by all.
        let files = |process: &u32| {
            let folder = proc.join(process.to_string()).join("fd").read_dir();
            let links = folder.into_iter().flatten().flatten();
            let process = *process;
            links.filter_map(move |link| Some((process, link.path().read_link().ok()?)))
        };
        let open = processes.iter().flat_map(files).filter(|(_, to)| to.is_absolute()).collect();
        let locks = read(&proc.join("locks")).unwrap_or_default().lines().filter_map(lock).collect();
        Self { proc: proc.to_path_buf(), open, locks }
    }

    /// Who uses a device.
    pub(super) fn of(&self, path: &Path) -> Option<User> {
        let device = path.canonicalize().ok()?;
        let file = file(path.metadata().ok()?.dev(), path.metadata().ok()?.ino());
        let opener = self.open.iter().find(|(_, to)| *to == device).map(|(process, _)| *process);
        let lock = self.locks.iter().find(|lock| lock.file == file);
        match opener.or(lock.and_then(|lock| lock.process)) {
            Some(process) => {
                let name = read(&self.proc.join(process.to_string()).join("comm"));
                Some(User::Program { process, name })
            }
            None => lock.map(|_| User::Unseen),
        }
    }
}

/// A line of the kernel's list: its number, kind, advisory or not, reading or writing, process, file, range. One that
/// waits for another has `->` behind its number and holds nothing. A process of another container has no number.
fn lock(line: &str) -> Option<Lock> {
    let fields: Vec<&str> = line.split_whitespace().collect();
    if fields.get(1) == Some(&"->") {
        return None;
    }
    let process = fields.get(4)?.parse().ok().filter(|process| *process != 0);
    Some(Lock { process, file: fields.get(5)?.to_string() })
}

/// A file as the kernel's list of locks writes it: major and minor number of its file system in at least two
/// hexadecimal digits, and its own number.
fn file(dev: u64, ino: u64) -> String {
    #[cfg(target_os = "linux")]
    let (major, minor) = (rustix::fs::major(dev), rustix::fs::minor(dev));
    #[cfg(not(target_os = "linux"))]
    let (major, minor) = (0, dev);
    format!("{major:02x}:{minor:02x}:{ino}")
}

#[cfg(test)]
mod tests {
    use std::fs::File;

    use super::*;

    #[test]
    fn a_lock_reads_as_the_manual_shows_it() {
        // The example of proc_locks(5) of the Linux manual pages.
        let held = lock("1: POSIX  ADVISORY  READ  5433 08:01:7864448 128 128").unwrap();
        assert_eq!((held.process, held.file.as_str()), (Some(5433), "08:01:7864448"));
        let held = lock("2: FLOCK  ADVISORY  WRITE 2001 08:01:7864554 0 EOF").unwrap();
        assert_eq!((held.process, held.file.as_str()), (Some(2001), "08:01:7864554"));
        // One that waits, from memory of the kernel's own list.
        assert!(lock("3: -> POSIX  ADVISORY  WRITE 2001 08:01:7864554 0 EOF").is_none());
        // A lock of an open file belongs to no single process.
        assert_eq!(lock("8: OFDLCK ADVISORY  WRITE -1 08:01:8713209 128 191").unwrap().process, None);
        assert!(lock("").is_none());
        assert_eq!(file((8 << 8) | 1, 7_864_448), "08:01:7864448");
    }

    #[test]
    #[cfg(target_os = "linux")]
    fn this_program_is_seen_by_the_file_that_it_has_open() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("port");
        let file = File::create(&path).unwrap();
        let proc = Path::new("/proc");
        let User::Program { process, name } = Holders::read(proc).of(&path).unwrap() else {
            panic!("unseen")
        };
        assert_eq!(process, std::process::id());
        assert_eq!(name, read(Path::new("/proc/self/comm")));
        drop(file);
        assert_eq!(Holders::read(proc).of(&path), None);
    }
}
