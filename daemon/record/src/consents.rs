//! What people have agreed to before, by key: an empty file each, so that nothing can be half written.

use std::path::{Path, PathBuf};

use model::Problem;

use crate::layout::Layout;
use crate::problem::{argument, on_disk};

/// The remembered consents of an archive.
#[derive(Debug, Clone)]
pub struct Consents {
    folder: PathBuf,
}

impl Consents {
    /// The consents of the archive in an existing or new folder.
    pub fn open(root: &Path) -> Result<Self, Problem> {
        let folder = Layout::new(root).consents();
        std::fs::create_dir_all(&folder)
            .map_err(|e| on_disk(&folder, "making the folder of consents", &e))?;
        Ok(Self { folder })
    }

    /// Whether a key is remembered. One that cannot be looked up is not.
    pub fn has(&self, key: &str) -> bool {
        is_key(key) && self.folder.join(key).is_file()
    }

    /// Remembers a key, 1 to 64 lower-case letters and digits.
    pub fn put(&self, key: &str) -> Result<(), Problem> {
        if !is_key(key) {
            return Err(argument("consent", format!("'{key}' is no key"), "use a digest"));
        }
        let path = self.folder.join(key);
        std::fs::write(&path, b"").map_err(|e| on_disk(&path, "remembering a consent", &e))
    }
}

fn is_key(key: &str) -> bool {
    (1..=64).contains(&key.len()) && key.bytes().all(|b| b.is_ascii_digit() || b.is_ascii_lowercase())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_is_remembered_and_no_key_leaves_the_folder() {
        let folder = tempfile::tempdir().unwrap();
        let consents = Consents::open(folder.path()).unwrap();
        assert!(!consents.has("ab12"));
        consents.put("ab12").unwrap();
        assert!(Consents::open(folder.path()).unwrap().has("ab12"));
        for bad in ["", "../x", "a/b", "A"] {
            assert!(consents.put(bad).is_err() && !consents.has(bad), "{bad}");
        }
    }
}
