//! The closed segments of rolling records: how many there are, and which of them go.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use model::{Moment, Place, Problem, ProblemKind, Span};
use record::{Archive, read_card};

use super::archivist::name_of;
use super::promise::{Promise, is_alive, standing};
use super::promote::RUN_TAG;

/// Folder of rolling records in an archive; it is an archive of its own.
const ROLLING: &str = ".rolling";
/// Folder in it of segments that are being removed: one that is half gone must not look whole.
const REMOVED: &str = ".removed";

/// The folder of rolling records in an archive. One that is a link is refused: old segments are removed from it, and
/// what it leads to may be another archive.
pub(super) fn rolling_folder(archive: &Path) -> Result<PathBuf, Problem> {
    let root = archive.join(ROLLING);
    match root.symlink_metadata() {
        Ok(metadata) if metadata.is_symlink() => {
            let place = Place::Path { path: root.display().to_string() };
            let seen = "the folder of rolling records is a link, and segments are removed from it";
            let cure = "put a folder in the place of the link, or choose another archive";
            Err(Problem::new(ProblemKind::Record, place, seen, cure))
        }
        _ => Ok(root),
    }
}

/// A closed segment.
#[derive(Debug, Clone)]
pub(super) struct Segment {
    /// Where it lies.
    pub(super) path: PathBuf,
    bytes: u64,
    /// The run that it belongs to.
    run: String,
    /// When it began and ended on the clock of its run; none where nothing is in it.
    stretch: Option<(Moment, Moment)>,
    /// UTC of its end.
    ended: i64,
}

impl Segment {
    fn reaches(&self, from: Moment, to: Moment) -> bool {
        // A reading lies in the segment that was open when it came, which is a little after its own time.
        const LATE: Span = Span::from_secs(10);
        self.stretch.is_some_and(|stretch| stretch.0 <= to + LATE && stretch.1 >= from - LATE)
    }
}

/// What a shelf is opened with.
#[derive(Debug, Clone)]
pub(super) struct ShelfPlan {
    /// The folder of rolling records.
    pub(super) root: PathBuf,
    /// The run that puts segments on it.
    pub(super) run: String,
    /// Bytes that the segments may take together.
    pub(super) size: u64,
    /// How old they may be.
    pub(super) age: Span,
    /// UTC where the clock of the run is zero.
    pub(super) utc_at_zero: i64,
}

/// The closed segments, oldest first.
#[derive(Debug)]
pub(super) struct Shelf {
    plan: ShelfPlan,
    segments: Vec<Segment>,
}

impl Shelf {
    /// The shelf with what former runs have left on it, and why that is not known where it is not. Only what says that
    /// it is a segment is on it: what else lies there, or cannot be read, is not for it to remove.
    pub(super) fn open(plan: ShelfPlan) -> (Self, Option<Problem>) {
        // What a crash left half removed is gone for good.
        drop(std::fs::remove_dir_all(plan.root.join(REMOVED)));
        let found = Archive::existing(&plan.root).and_then(|rolling| rolling.sessions());
        let (paths, problem) = match found {
            Ok(paths) => (paths, None),
            Err(problem) => (Vec::new(), Some(problem)),
        };
        let mut segments: Vec<Segment> = paths.into_iter().filter_map(left).collect();
        segments.sort_by(|a, b| (a.ended, &a.path).cmp(&(b.ended, &b.path)));
        (Self { plan, segments }, problem)
    }

    /// Puts a segment of this run on it.
    pub(super) fn put(&mut self, path: PathBuf, bytes: u64, from: Moment, to: Moment) {
        let ended = self.plan.utc_at_zero.saturating_add(to.0);
        let run = self.plan.run.clone();
        self.segments.push(Segment { path, bytes, run, stretch: Some((from, to)), ended });
    }

    /// The segments of this run that reach into a stretch, oldest first.
    pub(super) fn reaching(&self, from: Moment, to: Moment) -> Vec<PathBuf> {
        let ours = |segment: &&Segment| segment.run == self.plan.run && segment.reaches(from, to);
        let segments = self.segments.iter().filter(ours);
        segments.map(|segment| segment.path.clone()).collect()
    }

    /// Removes what is too old or too much, oldest first; nothing that is needed from a moment on, nothing of which a
    /// stretch is still promised, and nothing of another run that lives.
    pub(super) fn clear(&mut self, needed_from: Option<Moment>) -> Vec<Problem> {
        let mut problems = Vec::new();
        let newest = self.segments.last().map_or(i64::MIN, |segment| segment.ended);
        let oldest = newest.saturating_sub(self.plan.age.0);
        let holds = self.holds(needed_from);
        let counted = self.segments.iter().zip(&holds).filter(|(_, hold)| **hold != Hold::Held);
        let mut total: u64 = counted.map(|(segment, _)| segment.bytes).sum();
        let segments = std::mem::take(&mut self.segments);
        for (segment, hold) in segments.into_iter().zip(holds) {
            if hold != Hold::Free || (segment.ended >= oldest && total <= self.plan.size) {
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

    fn holds(&self, needed_from: Option<Moment>) -> Vec<Hold> {
        let promises = standing(&self.plan.root);
        let mut alive: BTreeMap<String, bool> = BTreeMap::new();
        let hold = |segment: &Segment| {
            let ours = segment.run == self.plan.run;
            if ours && needed_from.zip(segment.stretch).is_some_and(|(from, stretch)| stretch.1 >= from) {
                return Hold::Needed;
            }
            let lives = !ours
                && *alive.entry(segment.run.clone()).or_insert_with_key(|run| is_alive(&self.plan.root, run));
            let is_promised = |one: &Promise| one.run == segment.run && segment.reaches(one.from, one.to);
            if lives || promises.iter().any(is_promised) { Hold::Held } else { Hold::Free }
        };
        self.segments.iter().map(hold).collect()
    }

    fn remove(&self, path: &Path) -> std::io::Result<()> {
        let removed = self.plan.root.join(REMOVED);
        std::fs::create_dir_all(&removed)?;
        let to = removed.join(name_of(path));
        std::fs::rename(path, &to)?;
        std::fs::remove_dir_all(to)
    }
}

/// Why a segment stays, whatever its age.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Hold {
    /// It need not.
    Free,
    /// What is to be kept of this run begins before its end.
    Needed,
    /// It is promised, or of another run that lives; it does not count against the size, which would leave no room for
    /// what is read now.
    Held,
}

/// A segment that a former run has left.
fn left(path: PathBuf) -> Option<Segment> {
    // What cannot be read is told when the records of former runs are looked through.
    let card = read_card(&path).ok()?;
    let run = card.head.tags.get(RUN_TAG)?.clone();
    let bytes = card.files.iter().map(|file| file.bytes).sum();
    let ended = card.head.utc_nanos.saturating_add(card.last.map_or(0, |last| last.0));
    Some(Segment { path, bytes, run, stretch: card.first.zip(card.last), ended })
}

#[cfg(test)]
mod tests {
    use super::super::promise::Promises;
    use super::super::testing::segment;
    use super::*;

    fn shelf(folder: &Path, size: u64, age: Span) -> Shelf {
        let (root, run) = (folder.to_path_buf(), "run".to_string());
        let (shelf, problem) = Shelf::open(ShelfPlan { root, run, size, age, utc_at_zero: 0 });
        assert_eq!(problem, None);
        shelf
    }

    fn promise(run: &str, seconds: i64) -> Promise {
        super::super::testing::promise(run, seconds, Span::from_secs(5))
    }

    #[test]
    fn of_former_runs_what_is_promised_or_alive_stays_and_what_is_no_segment_is_not_touched() {
        let folder = tempfile::tempdir().unwrap();
        let archive = Archive::unrecovered(folder.path()).unwrap();
        for minute in 0..3 {
            segment(&archive, &format!("old-{minute}"), minute * 60, Some("old"));
            segment(&archive, &format!("other-{minute}"), minute * 60, Some("other"));
        }
        segment(&archive, "a-session", 0, None);
        let damaged = segment(&archive, "damaged", 0, Some("old"));
        std::fs::write(damaged.join("session.json"), "{}").unwrap();
        Promises::begin(folder.path(), "old").unwrap().write(&promise("old", 90)).unwrap();
        let other = Promises::begin(folder.path(), "other").unwrap();

        // Neither size nor age leaves anything that nobody holds.
        let mut shelf = shelf(folder.path(), 0, Span::ZERO);
        assert_eq!(shelf.clear(None), []);
        let there = || -> Vec<String> {
            let mut names: Vec<String> =
                archive.sessions().unwrap().iter().map(|path| name_of(path)).collect();
            names.sort();
            names
        };
        assert_eq!(there(), ["a-session", "damaged", "old-1", "other-0", "other-1", "other-2"]);
        drop(other);
        Promises::left(folder.path()).0.fulfilled(&promise("old", 90).session).unwrap();
        assert_eq!(shelf.clear(None), []);
        assert_eq!(there(), ["a-session", "damaged"]);
    }

    #[test]
    fn what_this_run_promised_and_could_not_copy_stays() {
        let folder = tempfile::tempdir().unwrap();
        let mut shelf = shelf(folder.path(), 0, Span::ZERO);
        fill(&mut shelf, folder.path(), 6);
        let promises = Promises::begin(folder.path(), "run").unwrap();
        promises.write(&promise("run", 90)).unwrap();
        assert_eq!(shelf.clear(None), []);
        assert_eq!(names(&shelf), ["s1"]);
    }

    #[cfg(unix)]
    #[test]
    fn a_link_in_the_place_of_the_folder_is_refused() {
        let (folder, elsewhere) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        rolling_folder(folder.path()).unwrap();
        std::os::unix::fs::symlink(elsewhere.path(), folder.path().join(ROLLING)).unwrap();
        let problem = rolling_folder(folder.path()).unwrap_err();
        assert!(problem.seen.contains("is a link"), "{problem}");
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
