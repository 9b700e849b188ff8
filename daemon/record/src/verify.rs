//! Checking a closed session to the last page.

use std::fs::File;
use std::path::Path;

use model::Problem;
use parquet::file::reader::{FileReader, SerializedFileReader};

use crate::card::SessionCard;
use crate::close::check_digest;
use crate::layout::{CARD, EVENTS, SAMPLES};
use crate::notes::read_notes;
use crate::problem::{damaged, on_disk};
use crate::read::read_session;
use crate::row::Row;
use crate::salvage::{Damage, inspect};

const RESTORE: &str =
    "restore the session's folder from a copy, or see what 'holdgate sessions rescue' can have of it";

/// What was checked of a session, and what is wrong with it.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Verified {
    /// Files whose digest was compared.
    pub files: usize,
    /// Pages whose checksum was compared.
    pub pages: u64,
    /// Readings, gaps and events that were read back.
    pub rows: u64,
    /// Everything that is wrong.
    pub problems: Vec<Problem>,
}

/// Reads the description of a closed session and refuses it when one character is not what was written.
pub fn read_card(folder: &Path) -> Result<SessionCard, Problem> {
    let path = folder.join(CARD);
    let bytes = std::fs::read(&path).map_err(|e| on_disk(&path, "reading the session's description", &e))?;
    SessionCard::from_bytes(&bytes, &path)
}

/// Checks everything that can be checked of a closed session: the description's own digest, length and digest of
/// every file, the checksum of every page, the numbers of rows, that every row reads back, and the notes. Goes on
/// after a fault, so that all of them are told.
pub fn verify(folder: &Path) -> Verified {
    let mut found = Verified::default();
    found.problems.extend(read_notes(folder).err());
    let card = match read_card(folder) {
        Ok(card) => card,
        Err(problem) => {
            found.problems.push(problem);
            return found;
        }
    };
    let notes = found.problems.len();
    for name in [SAMPLES, EVENTS] {
        if !card.files.iter().any(|file| file.name == name) {
            let seen = "the session's description does not name it";
            found.problems.push(damaged(&folder.join(name), seen, RESTORE));
        }
    }
    for file in &card.files {
        let path = folder.join(&file.name);
        found.files += 1;
        // No damaged byte is given to the library that reads tables: what is damaged is looked at page by page below.
        if let Err(problem) = whole(&path, file.bytes, &file.sha256) {
            found.problems.push(problem);
            continue;
        }
        if path.extension().is_some_and(|extension| extension == "parquet") {
            let wanted = match file.name.as_str() {
                SAMPLES => Some(card.samples.saturating_add(card.gaps)),
                EVENTS => Some(card.events),
                _ => None,
            };
            pages(&path, wanted, &mut found);
        }
    }
    if found.problems.len() == notes {
        rows(folder, &card, &mut found);
    } else {
        found.problems.extend(places(folder));
    }
    found
}

/// The damaged places, each a problem.
fn places(folder: &Path) -> Vec<Problem> {
    match inspect(folder) {
        Ok(damages) => {
            let problem = |damage: &Damage| damaged(&folder.join(&damage.file), damage.told(), RESTORE);
            damages.iter().map(problem).collect()
        }
        Err(problem) => vec![problem],
    }
}

fn whole(path: &Path, bytes: u64, sha256: &str) -> Result<(), Problem> {
    let mut source = File::open(path).map_err(|e| on_disk(path, "opening the table", &e))?;
    let length = source.metadata().map_err(|e| on_disk(path, "reading the table", &e))?.len();
    if length != bytes {
        return Err(damaged(path, format!("it has {length} bytes, not {bytes}"), RESTORE));
    }
    check_digest(&mut source, path, sha256)
}

/// Every page of every column of every row group; a column is left at its first damaged page.
fn pages(path: &Path, rows: Option<u64>, found: &mut Verified) {
    let opened = File::open(path).map_err(|e| on_disk(path, "opening the table", &e));
    let reader =
        match opened.and_then(|file| SerializedFileReader::new(file).map_err(|e| unreadable(path, &e))) {
            Ok(reader) => reader,
            Err(problem) => return found.problems.push(problem),
        };
    let about = reader.metadata().file_metadata();
    if let Some(rows) = rows
        && u64::try_from(about.num_rows()) != Ok(rows)
    {
        let seen = format!("it holds {} rows, not {rows}", about.num_rows());
        found.problems.push(damaged(path, seen, RESTORE));
    }
    for group in 0..reader.num_row_groups() {
        let columns = match reader.get_row_group(group) {
            Ok(columns) => columns,
            Err(e) => {
                found.problems.push(unreadable(path, &e));
                continue;
            }
        };
        for column in 0..columns.num_columns() {
            let name = about.schema_descr().column(column).path().string();
            let mut page = 0_u64;
            let fault = match columns.get_column_page_reader(column) {
                Err(e) => Some(e),
                Ok(mut pages) => loop {
                    match pages.get_next_page() {
                        Ok(Some(_)) => page += 1,
                        Ok(None) => break None,
                        Err(e) => break Some(e),
                    }
                },
            };
            found.pages += page;
            if let Some(e) = fault {
                let seen = format!(
                    "page {} of column '{name}' in row group {} is damaged: {e}",
                    page + 1,
                    group + 1
                );
                found.problems.push(damaged(path, seen, RESTORE));
            }
        }
    }
}

/// Every row reads back, and there are as many of each kind as the description says.
fn rows(folder: &Path, card: &SessionCard, found: &mut Verified) {
    let counted = read_session(folder).and_then(|session| {
        let (mut samples, mut gaps) = (0_u64, 0_u64);
        for row in session.rows()? {
            match row? {
                Row::Sample(_) => samples += 1,
                Row::Gap(_) => gaps += 1,
            }
        }
        Ok((samples, gaps, session.events.len() as u64))
    });
    match counted {
        Err(problem) => found.problems.push(problem),
        Ok((samples, gaps, events)) => {
            found.rows = samples + gaps + events;
            if (samples, gaps) != (card.samples, card.gaps) {
                let seen = format!(
                    "it holds {samples} readings and {gaps} gaps, not {} and {}",
                    card.samples, card.gaps
                );
                found.problems.push(damaged(&folder.join(SAMPLES), seen, RESTORE));
            }
        }
    }
}

fn unreadable(path: &Path, error: &parquet::errors::ParquetError) -> Problem {
    damaged(path, format!("it cannot be read: {error}"), RESTORE)
}

#[cfg(test)]
mod tests {
    use std::fs;

    use model::Ending;

    use super::*;
    use crate::archive::Archive;
    use crate::layout::NOTES;
    use crate::testing::{event, gap, head, sample};

    fn session() -> (tempfile::TempDir, std::path::PathBuf) {
        let folder = tempfile::tempdir().unwrap();
        let (archive, _) = Archive::open(folder.path()).unwrap();
        let mut writer = archive.begin(head("s1")).unwrap();
        for i in 0..3_000 {
            writer.sample(&sample("rpm", i * 10_007, i % 9));
        }
        writer.gap(&gap("volts", 5, model::GapReason::NoAnswer));
        (0..20).for_each(|i| writer.event(&event("s1", i + 1, i as i64, "x")));
        let path = writer.close(Ending::Passed).unwrap().path;
        (folder, path)
    }

    #[test]
    fn a_whole_session_is_found_whole() {
        let (_folder, path) = session();
        let verified = verify(&path);
        assert_eq!(verified.problems, []);
        assert_eq!((verified.files, verified.rows), (3, 3_021));
        assert!(verified.pages > 15, "{verified:?}");
    }

    #[test]
    fn whatever_is_damaged_is_told_with_its_file_and_its_page() {
        let (_folder, path) = session();
        for name in [SAMPLES, EVENTS] {
            let at = path.join(name);
            let good = fs::read(&at).unwrap();
            let mut told_page = false;
            for bit in (0..good.len() * 8).step_by(997) {
                let mut bad = good.clone();
                bad[bit / 8] ^= 1 << (bit % 8);
                fs::write(&at, bad).unwrap();
                let problems = verify(&path).problems;
                assert!(problems.iter().all(|p| p.place.to_string().contains(name)), "{problems:?}");
                assert!(problems.iter().any(|p| p.seen.contains("digest")), "{problems:?}");
                told_page |= problems.iter().any(|p| p.seen.contains("page ") && p.seen.contains("column '"));
            }
            assert!(told_page, "no flip of {name} was found in a page");
            fs::write(&at, &good[..good.len() / 2]).unwrap();
            let problems = verify(&path).problems;
            assert!(problems.iter().any(|p| p.seen.contains("bytes, not")), "{problems:?}");
            fs::remove_file(&at).unwrap();
            assert!(!verify(&path).problems.is_empty());
            fs::write(&at, good).unwrap();
        }
        assert_eq!(verify(&path).problems, []);
    }

    #[test]
    fn broken_notes_and_a_changed_description_are_told_and_the_notes_hide_nothing() {
        let (_folder, path) = session();
        fs::write(path.join(NOTES), "{").unwrap();
        let verified = verify(&path);
        assert_eq!(verified.problems.len(), 1);
        assert!(verified.problems[0].place.to_string().ends_with(NOTES));
        assert_eq!(verified.rows, 3_021, "the rest is checked all the same");
        let card = fs::read_to_string(path.join(CARD)).unwrap();
        fs::write(path.join(CARD), card.replace("\"samples\": 3000", "\"samples\": 3001")).unwrap();
        let problems = verify(&path).problems;
        assert!(problems.iter().any(|p| p.seen.contains("digest")), "{problems:?}");
    }
}
