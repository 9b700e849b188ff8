//! Where an export goes: standard output, or a file that is there whole or not at all.

use std::fs::{self, File};
use std::io::{self, BufWriter, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use model::Problem;

use crate::command::session::argument;

/// Where an export goes.
#[derive(Debug)]
pub(super) enum Output {
    /// Standard output.
    Standard,
    /// A file, under its own name and the one that it has until it is whole.
    File { path: PathBuf, fresh: PathBuf, file: File, force: bool },
}

impl Output {
    /// Opens it. A file that is there is refused unless it may be written over; a terminal is refused what nobody can
    /// read there.
    pub(super) fn open(path: &Path, force: bool, binary: bool) -> Result<Self, Problem> {
        if path == Path::new("-") {
            if binary && io::stdout().is_terminal() {
                let seen = "Parquet cannot be read on a terminal".to_string();
                return Err(argument("--output", seen, "name a file with --output"));
            }
            return Ok(Self::Standard);
        }
        let Some(name) = path.file_name().filter(|_| !path.is_dir()) else {
            let seen = format!("'{}' is a folder", path.display());
            return Err(argument("--output", seen, "name a file in it"));
        };
        free(path, force)?;
        let mut unfinished = std::ffi::OsString::from(".");
        unfinished.push(name);
        unfinished.push(format!(".{}.part", std::process::id()));
        let fresh = path.with_file_name(unfinished);
        let file = File::options().write(true).create_new(true).open(&fresh);
        let file = file.map_err(|error| cannot(path, "made", &error))?;
        Ok(Self::File { path: path.to_path_buf(), fresh, file, force })
    }

    /// Has it written and puts it in its place. None where the reader of standard output went away. On an error
    /// nothing of the file stays.
    pub(super) fn write<T>(
        self,
        how: impl FnOnce(Box<dyn Write + Send>) -> Result<T, Problem>,
    ) -> Result<Option<T>, Problem> {
        match self {
            Self::Standard => {
                let gone = Arc::new(AtomicBool::new(false));
                let out = Standard { out: BufWriter::new(io::stdout()), gone: gone.clone() };
                match how(Box::new(out)) {
                    Err(_) if gone.load(Ordering::Relaxed) => Ok(None),
                    other => other.map(Some),
                }
            }
            Self::File { path, fresh, file, force } => {
                let written = file
                    .try_clone()
                    .map_err(|error| cannot(&path, "written", &error))
                    .and_then(|copy| how(Box::new(BufWriter::new(copy))))
                    .and_then(|done| {
                        file.sync_all().map_err(|error| cannot(&path, "written", &error))?;
                        // It may have come while this one was written.
                        free(&path, force)?;
                        fs::rename(&fresh, &path)
                            .map_err(|error| cannot(&path, "put in its place", &error))?;
                        Ok(done)
                    });
                if written.is_err()
                    && let Err(error) = fs::remove_file(&fresh)
                {
                    tracing::warn!(%error, path = %fresh.display(), "a half file stays behind");
                }
                written.map(Some)
            }
        }
    }
}

/// Refuses a file that is there; a link that leads nowhere is there too.
fn free(path: &Path, force: bool) -> Result<(), Problem> {
    if force || fs::symlink_metadata(path).is_err() {
        return Ok(());
    }
    let seen = format!("there is a file '{}' already", path.display());
    Err(argument("--output", seen, "choose another name, or write over it with --force"))
}

fn cannot(path: &Path, what: &str, error: &io::Error) -> Problem {
    let seen = format!("'{}' cannot be {what}: {error}", path.display());
    argument("--output", seen, "check the folder, its permissions and the room on its disk")
}

/// Standard output, which remembers that its reader went away.
struct Standard {
    out: BufWriter<io::Stdout>,
    gone: Arc<AtomicBool>,
}

impl Standard {
    fn seen<T>(&self, result: io::Result<T>) -> io::Result<T> {
        if result.as_ref().is_err_and(|error| error.kind() == io::ErrorKind::BrokenPipe) {
            self.gone.store(true, Ordering::Relaxed);
        }
        result
    }
}

impl Write for Standard {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.out.write(bytes);
        self.seen(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        let flushed = self.out.flush();
        self.seen(flushed)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(folder: &Path) -> Vec<String> {
        let entries = fs::read_dir(folder).unwrap();
        entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect()
    }

    #[test]
    fn a_file_is_there_whole_or_not_at_all_and_never_written_over() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.csv");
        let write = |force: bool, text: &'static str| {
            Output::open(&path, force, false)?.write(|mut out| {
                out.write_all(text.as_bytes()).unwrap();
                out.flush().unwrap();
                Ok(())
            })
        };
        write(false, "one").unwrap();
        let problem = write(false, "two").unwrap_err();
        assert!(problem.cure.contains("--force"), "{problem}");
        assert_eq!(fs::read_to_string(&path).unwrap(), "one");
        write(true, "three").unwrap();
        assert_eq!(fs::read_to_string(&path).unwrap(), "three");
        let failed = Output::open(&path, true, false).unwrap().write(|mut out| {
            out.write_all(b"half").unwrap();
            Err::<(), _>(argument("x", "no".into(), "no"))
        });
        assert!(failed.is_err());
        assert_eq!(fs::read_to_string(&path).unwrap(), "three");
        assert_eq!(names(folder.path()), ["a.csv"]);
        let late = Output::open(&folder.path().join("b.csv"), false, false).unwrap();
        fs::write(folder.path().join("b.csv"), "somebody's").unwrap();
        assert!(late.write(|_| Ok(())).is_err());
        assert_eq!(fs::read_to_string(folder.path().join("b.csv")).unwrap(), "somebody's");
        assert_eq!(names(folder.path()).len(), 2);
        assert!(Output::open(folder.path(), true, false).is_err());
        assert!(Output::open(&folder.path().join("nowhere/a.csv"), true, false).is_err());
    }
}
