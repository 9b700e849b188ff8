//! The file system as this room uses it: a small trait, so that tests can put a disk behind it that fails,
//! tears writes and forgets what was not synced.

use std::fs;
use std::io::{self, Read, Write};
use std::path::Path;

#[cfg(test)]
pub(crate) mod sim;

/// A file open for writing at its end.
pub(crate) trait DiskFile: Write + Send {
    /// Returns once everything written is on the medium. After an error nothing may be assumed about what
    /// was written since the last success, and a later success says nothing about it either.
    fn sync(&mut self) -> io::Result<()>;
}

/// One thing in a folder.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Listed {
    pub(crate) name: String,
    pub(crate) folder: bool,
}

/// What lies under a name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Thing {
    File,
    Folder,
    /// A link or a device: nothing that this room made. A link is never followed.
    Other,
}

/// Keeps a lock until dropped.
pub(crate) type Lock = Box<dyn Send + Sync>;

/// What is asked of a file system.
pub(crate) trait Disk: Send + Sync {
    /// Makes one folder; an existing one is fine. Its parent must exist.
    fn create_folder(&self, path: &Path) -> io::Result<()>;
    /// Creates a file that must not exist yet.
    fn create(&self, path: &Path) -> io::Result<Box<dyn DiskFile>>;
    /// Opens a file for reading from its start; a link is refused.
    fn read(&self, path: &Path) -> io::Result<Box<dyn Read>>;
    /// Everything in a folder, sorted by name.
    fn list(&self, path: &Path) -> io::Result<Vec<Listed>>;
    /// What is there, if anything is.
    fn look(&self, path: &Path) -> io::Result<Option<Thing>>;
    /// Whether something is there.
    fn exists(&self, path: &Path) -> io::Result<bool> {
        self.look(path).map(|thing| thing.is_some())
    }
    /// Renames atomically.
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()>;
    /// Removes a file.
    fn remove_file(&self, path: &Path) -> io::Result<()>;
    /// Removes a folder with everything in it; of a link only the link itself.
    fn remove_folder(&self, path: &Path) -> io::Result<()>;
    /// Returns once the names in a folder are on the medium.
    fn sync_folder(&self, path: &Path) -> io::Result<()>;
    /// Takes a lock that ends with the process at the latest; `None` while another holds it.
    fn lock(&self, path: &Path) -> io::Result<Option<Lock>>;
}

/// Reads a whole small file.
pub(crate) fn read_all(disk: &dyn Disk, path: &Path) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    disk.read(path)?.read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// Makes the folders from `root` down to `path`, each synced into its parent so that none is lost with what
/// will lie in it; also those that were there, because whoever made them may not have come to sync them.
pub(crate) fn create_folders(disk: &dyn Disk, root: &Path, path: &Path) -> io::Result<()> {
    let mut here = root.to_path_buf();
    for part in path.strip_prefix(root).map_err(io::Error::other)? {
        let parent = here.clone();
        here.push(part);
        match disk.look(&here)? {
            Some(Thing::Folder) => {}
            Some(_) => {
                let why = format!("{} is a file or a link, not a folder", here.display());
                return Err(io::Error::new(io::ErrorKind::NotADirectory, why));
            }
            None => disk.create_folder(&here)?,
        }
        disk.sync_folder(&parent)?;
    }
    Ok(())
}

/// The file system of the operating system.
pub(crate) struct RealDisk;

impl DiskFile for fs::File {
    fn sync(&mut self) -> io::Result<()> {
        self.sync_data()
    }
}

impl Disk for RealDisk {
    fn create_folder(&self, path: &Path) -> io::Result<()> {
        match fs::create_dir(path) {
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => Ok(()),
            other => other,
        }
    }

    fn create(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        Ok(Box::new(fs::OpenOptions::new().append(true).create_new(true).open(path)?))
    }

    fn read(&self, path: &Path) -> io::Result<Box<dyn Read>> {
        not_a_link(path)?;
        Ok(Box::new(fs::File::open(path)?))
    }

    fn list(&self, path: &Path) -> io::Result<Vec<Listed>> {
        let mut all = Vec::new();
        for entry in fs::read_dir(path)? {
            let entry = entry?;
            let name = entry.file_name().to_string_lossy().into_owned();
            all.push(Listed { name, folder: entry.file_type()?.is_dir() });
        }
        all.sort();
        Ok(all)
    }

    fn look(&self, path: &Path) -> io::Result<Option<Thing>> {
        match fs::symlink_metadata(path) {
            Ok(about) if about.is_dir() => Ok(Some(Thing::Folder)),
            Ok(about) if about.is_file() => Ok(Some(Thing::File)),
            Ok(_) => Ok(Some(Thing::Other)),
            Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(e) => Err(e),
        }
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        fs::rename(from, to)
    }

    fn remove_file(&self, path: &Path) -> io::Result<()> {
        fs::remove_file(path)
    }

    fn remove_folder(&self, path: &Path) -> io::Result<()> {
        fs::remove_dir_all(path)
    }

    fn sync_folder(&self, path: &Path) -> io::Result<()> {
        // Windows has no handle on a folder to sync; there a rename is durable through the file system's log.
        if cfg!(unix) { fs::File::open(path)?.sync_all() } else { Ok(()) }
    }

    fn lock(&self, path: &Path) -> io::Result<Option<Lock>> {
        loop {
            if fs::symlink_metadata(path).is_ok() {
                not_a_link(path)?;
            }
            let file = fs::OpenOptions::new().write(true).create(true).truncate(false).open(path)?;
            match file.try_lock() {
                // Whoever held it may have removed it meanwhile: a lock on a file without a name locks nobody out.
                Ok(()) if !is_at(&file, path)? => {}
                Ok(()) => return Ok(Some(Box::new(file))),
                Err(fs::TryLockError::WouldBlock) => return Ok(None),
                Err(fs::TryLockError::Error(e)) => return Err(e),
            }
        }
    }
}

/// Refuses what is neither a file nor a folder.
fn not_a_link(path: &Path) -> io::Result<()> {
    match RealDisk.look(path)? {
        Some(Thing::Other) => {
            Err(io::Error::new(io::ErrorKind::InvalidInput, "it is a link or a device, not a file"))
        }
        _ => Ok(()),
    }
}

/// Whether an open file is the one that has the name.
#[cfg(unix)]
fn is_at(file: &fs::File, path: &Path) -> io::Result<bool> {
    use std::os::unix::fs::MetadataExt;
    let named = match fs::symlink_metadata(path) {
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(false),
        other => other?,
    };
    let held = file.metadata()?;
    Ok((held.dev(), held.ino()) == (named.dev(), named.ino()))
}

/// Elsewhere a file that is open keeps its name.
#[cfg(not(unix))]
fn is_at(_: &fs::File, _: &Path) -> io::Result<bool> {
    Ok(true)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lock_is_refused_while_held_and_free_afterwards() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("lock");
        let first = RealDisk.lock(&path).unwrap();
        assert!(first.is_some());
        assert!(RealDisk.lock(&path).unwrap().is_none());
        drop(first);
        assert!(RealDisk.lock(&path).unwrap().is_some());
    }

    #[test]
    fn a_file_is_never_created_over_another() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a");
        RealDisk.create(&path).unwrap().write_all(b"x").unwrap();
        assert_eq!(RealDisk.create(&path).err().unwrap().kind(), io::ErrorKind::AlreadyExists);
        assert_eq!(read_all(&RealDisk, &path).unwrap(), b"x");
    }
}
