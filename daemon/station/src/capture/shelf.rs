//! The closed segments of rolling records: how many there are, and which of them go.

use std::path::{Path, PathBuf};

use model::{Moment, Place, Problem, ProblemKind, Span};
use record::{Archive, read_session};

use super::archivist::name_of;

/// Folder of rolling records in an archive; it is an archive of its own.
pub(super) const ROLLING: &str = ".rolling";
/// Folder in it of segments that are being removed: one that is half gone must not look whole.
const REMOVED: &str = ".removed";

/// A closed segment.
#[derive(Debug, Clone)]
pub(super) struct Segment {
    /// Where it lies.
    pub(super) path: PathBuf,
    bytes: u64,
    /// When it began and ended on the clock of its run; none for one of a former run.
    stretch: Option<(Moment, Moment)>,
    /// UTC of its end.
    ended: i64,
}

/// The closed segments, oldest first.
#[derive(Debug)]
pub(super) struct Shelf {
    root: PathBuf,
    segments: Vec<Segment>,
    size: u64,
    age: Span,
    utc_at_zero: i64,
}

impl Shelf {
    /// The shelf with what former runs have left on it. `rolling` is the archive of segments, `root` its folder.
    pub(super) fn open(
        root: &Path,
        rolling: &Archive,
        size: u64,
        age: Span,
        utc_at_zero: i64,
    ) -> Result<Self, Problem> {
        // What a crash left half removed is gone for good.
        drop(std::fs::remove_dir_all(root.join(REMOVED)));
        let mut segments = Vec::new();
        for path in rolling.sessions()? {
            // One that cannot be read is the first to go.
            let (bytes, ended) = match read_session(&path) {
                Ok(session) => {
                    let card = &session.card;
                    let bytes = card.files.iter().map(|file| file.bytes).sum();
                    (bytes, card.head.utc_nanos.saturating_add(card.last.map_or(0, |last| last.0)))
                }
                Err(_) => (0, i64::MIN),
            };
            segments.push(Segment { path, bytes, stretch: None, ended });
        }
        segments.sort_by(|a, b| (a.ended, &a.path).cmp(&(b.ended, &b.path)));
        Ok(Self { root: root.to_path_buf(), segments, size, age, utc_at_zero })
    }

    /// Puts a segment of this run on it.
    pub(super) fn put(&mut self, path: PathBuf, bytes: u64, from: Moment, to: Moment) {
        let ended = self.utc_at_zero.saturating_add(to.0);
        self.segments.push(Segment { path, bytes, stretch: Some((from, to)), ended });
    }

    /// The segments of this run that reach into a stretch, oldest first.
    pub(super) fn reaching(&self, from: Moment, to: Moment) -> Vec<PathBuf> {
        // A reading lies in the segment that was open when it came, which is a little after its own time.
        const LATE: Span = Span::from_secs(10);
        let reaches = |stretch: (Moment, Moment)| stretch.0 <= to + LATE && stretch.1 >= from - LATE;
        let segments = self.segments.iter().filter(|segment| segment.stretch.is_some_and(reaches));
        segments.map(|segment| segment.path.clone()).collect()
    }

    /// Removes what is too old or too much, oldest first; nothing that is needed from a moment on.
    pub(super) fn clear(&mut self, needed_from: Option<Moment>) -> Vec<Problem> {
        let mut problems = Vec::new();
        let newest = self.segments.last().map_or(i64::MIN, |segment| segment.ended);
        let oldest = newest.saturating_sub(self.age.0);
        let mut total: u64 = self.segments.iter().map(|segment| segment.bytes).sum();
        let segments = std::mem::take(&mut self.segments);
        for segment in segments {
            let needed = needed_from.zip(segment.stretch).is_some_and(|(from, stretch)| stretch.1 >= from);
            if needed || (segment.ended >= oldest && total <= self.size) {
                self.segments.push(segment);
                continue;
            }
            match self.remove(&segment.path) {
                Ok(()) => total -= segment.bytes,
                Err(error) => {
                    let place = Place::Path { path: segment.path.display().to_string() };
                    let seen = format!("an old segment cannot be removed: {error}");
                    problems.push(Problem::new(
                        ProblemKind::Record,
                        place,
                        seen,
                        "check the permissions of the archive",
                    ));
                    // It is not tried again and again.
                    total -= segment.bytes;
                }
            }
        }
        problems
    }

    fn remove(&self, path: &Path) -> std::io::Result<()> {
        let removed = self.root.join(REMOVED);
        std::fs::create_dir_all(&removed)?;
        let to = removed.join(name_of(path));
        std::fs::rename(path, &to)?;
        std::fs::remove_dir_all(to)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shelf(folder: &Path, size: u64, age: Span) -> Shelf {
        let (archive, _) = Archive::open(folder).unwrap();
        Shelf::open(folder, &archive, size, age, 0).unwrap()
    }

    fn fill(shelf: &mut Shelf, folder: &Path, count: i64) {
        for i in 0..count {
            let path = folder.join(format!("s{i}"));
            std::fs::create_dir(&path).unwrap();
            let at = |n| Moment::ZERO + Span::from_secs(60) * n;
            shelf.put(path, 10, at(i), at(i + 1));
        }
    }

    fn names(shelf: &Shelf) -> Vec<String> {
        shelf.segments.iter().map(|segment| name_of(&segment.path)).collect()
    }

    #[test]
    fn what_is_too_much_goes_oldest_first_and_what_is_needed_stays() {
        let folder = tempfile::tempdir().unwrap();
        let mut shelf = shelf(folder.path(), 35, Span::from_secs(3_600));
        fill(&mut shelf, folder.path(), 6);
        assert_eq!(shelf.clear(Some(Moment::ZERO + Span::from_secs(90))), []);
        assert_eq!(names(&shelf), ["s1", "s2", "s3", "s4", "s5"], "s1 ends after what is needed begins");
        shelf.clear(None);
        assert_eq!(names(&shelf), ["s3", "s4", "s5"]);
        assert!(!folder.path().join("s0").exists() && folder.path().join("s3").exists());
    }

    #[test]
    fn what_is_too_old_goes() {
        let folder = tempfile::tempdir().unwrap();
        let mut shelf = shelf(folder.path(), 1_000, Span::from_secs(120));
        fill(&mut shelf, folder.path(), 6);
        shelf.clear(None);
        assert_eq!(names(&shelf), ["s3", "s4", "s5"]);
        let from = Moment::ZERO + Span::from_secs(290);
        assert_eq!(shelf.reaching(from, from).len(), 2);
    }
}
