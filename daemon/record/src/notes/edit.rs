//! Changing `notes.json`: whole or not at all, and never by two at once.

use std::io::{ErrorKind, Write};
use std::path::Path;

use model::Problem;

use super::{LONGEST_FILE, Notes};
use crate::disk::{Disk, RealDisk};
use crate::layout::{CARD, NOTES};
use crate::problem::{damaged, on_disk};

/// Where the new notes are written before they take the place of the old ones.
const FRESH: &str = "notes.json.new";

/// Changes the notes of a closed session and gives back what they are now. Where `change` refuses, and where the
/// notes that are there cannot be read, nothing is changed. What this returns is on the medium.
pub fn edit_notes(
    folder: &Path,
    change: impl FnOnce(&mut Notes) -> Result<(), Problem>,
) -> Result<Notes, Problem> {
    edit_on(&RealDisk, folder, change)
}

pub(super) fn edit_on(
    disk: &dyn Disk,
    folder: &Path,
    change: impl FnOnce(&mut Notes) -> Result<(), Problem>,
) -> Result<Notes, Problem> {
    let step = |at: &Path, doing: &'static str| {
        let at = at.to_path_buf();
        move |e: std::io::Error| on_disk(&at, doing, &e)
    };
    let card = folder.join(CARD);
    if !disk.exists(&card).map_err(step(&card, "looking for the session"))? {
        let cure = "name the folder of a closed session";
        return Err(damaged(folder, "there is no closed session in it", cure));
    }
    // The description is there as long as the session is, and never changes: locking it leaves no file behind.
    let lock = disk.lock(&card).map_err(step(&card, "locking"))?;
    let Some(_lock) = lock else {
        return Err(damaged(folder, "another program is changing it", "try again when that has ended"));
    };
    let (path, fresh) = (folder.join(NOTES), folder.join(FRESH));
    let mut notes = read_on(disk, &path)?;
    let before = notes.clone();
    change(&mut notes)?;
    if notes == before {
        return Ok(notes);
    }
    let bytes = notes.to_bytes(&path)?;
    if disk.exists(&fresh).map_err(step(&fresh, "looking for a former try"))? {
        disk.remove_file(&fresh).map_err(step(&fresh, "removing a former try"))?;
    }
    let mut file = disk.create(&fresh).map_err(step(&fresh, "making the notes"))?;
    let written = file.write_all(&bytes).and_then(|()| file.sync());
    written.map_err(step(&fresh, "writing the notes"))?;
    drop(file);
    disk.rename(&fresh, &path).map_err(step(&path, "putting the notes in their place"))?;
    disk.sync_folder(folder).map_err(step(folder, "syncing the folder"))?;
    Ok(notes)
}

fn read_on(disk: &dyn Disk, path: &Path) -> Result<Notes, Problem> {
    use std::io::Read;
    let read = |e: std::io::Error| on_disk(path, "reading the notes", &e);
    let source = match disk.read(path) {
        Ok(source) => source,
        Err(e) if e.kind() == ErrorKind::NotFound => return Ok(Notes::default()),
        Err(e) => return Err(read(e)),
    };
    let mut bytes = Vec::new();
    source.take(LONGEST_FILE + 1).read_to_end(&mut bytes).map_err(read)?;
    Notes::from_bytes(&bytes, path)
}
