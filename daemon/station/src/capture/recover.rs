//! What a rolling capture that was killed has left: its segments are closed, and what it promised is kept.

use std::path::{Path, PathBuf};

use model::{Event, Moment, Problem, Span};
use record::{Archive, RecoveryOutcome, Session, read_card, read_session};

use super::archivist::Kept;
use super::promise::{Promise, Promises};
use super::promote::{RUN_TAG, promote};
use super::shelf::rolling_folder;

/// Closes the rolling segments that a crash left in an archive, and keeps what was promised of them. Gives the lines to
/// tell; nothing where there is no rolling record.
pub fn recover_rolling(archive: &Path) -> Vec<String> {
    let root = match rolling_folder(archive) {
        Ok(root) => root,
        Err(problem) => return vec![format!("problem: {problem}")],
    };
    if !root.is_dir() {
        return Vec::new();
    }
    let mut told = Vec::new();
    let recovered = Archive::unrecovered(&root).and_then(|rolling| Ok((rolling.recover_all()?, rolling)));
    let (recovered, rolling) = match recovered {
        Ok(recovered) => recovered,
        Err(problem) => return vec![format!("problem: {problem}")],
    };
    let mut unclosed = Vec::new();
    for one in &recovered {
        if matches!(one.outcome, RecoveryOutcome::Left(_)) {
            unclosed.push(one.session.to_string());
        }
        told.push(match &one.outcome {
            RecoveryOutcome::Closed { .. } => {
                format!("rolling segment {} of a former run: recovered", one.session)
            }
            RecoveryOutcome::MovedAside(problem) | RecoveryOutcome::Left(problem) => {
                format!("problem: rolling segment {}: {problem}", one.session)
            }
        });
    }
    let (promises, left, problems) = Promises::left(&root);
    told.extend(problems.iter().map(|problem| format!("problem: {problem}")));
    let segments = match segments(&rolling, &mut told) {
        Ok(segments) => segments,
        Err(problem) => {
            told.push(format!("problem: {problem}"));
            return told;
        }
    };
    for promise in left {
        // What is struck out is never copied again, so nothing is while a part of it may still come.
        if let Some(open) = unclosed.iter().find(|name| is_of(name, &promise.run)) {
            let session = &promise.session;
            told.push(format!(
                "problem: {session} is kept at a later start: segment {open} is not closed yet"
            ));
            continue;
        }
        let kept = keep(&promise, archive, &segments, &mut told);
        told.push(match kept {
            Ok(Some((kept, before, after))) => format!(
                "kept {} out of the rolling record of a former run: {before} before, {after} after ({})",
                kept.session,
                kept.path.display()
            ),
            Ok(None) => format!("problem: nothing is left of what was to be kept as {}", promise.session),
            Err(problem) => {
                told.push(format!("problem: {problem}"));
                continue;
            }
        });
        told.extend(promises.fulfilled(&promise.session).err().map(|problem| format!("problem: {problem}")));
    }
    told
}

/// A closed segment that a former run has left.
struct Segment {
    path: PathBuf,
    /// What it is: its run, and from when to when there is something in it; otherwise what is wrong with it.
    what: Result<(String, Moment, Moment), Problem>,
}

impl Segment {
    /// Whether it has, or may have had, something of a promise.
    fn has(&self, promise: &Promise) -> bool {
        match &self.what {
            Ok((run, from, to)) => *run == promise.run && *from <= promise.to && *to >= promise.from,
            Err(_) => self.path.file_name().is_some_and(|name| is_of(&name.to_string_lossy(), &promise.run)),
        }
    }
}

/// Whether a name is that of a segment of a run.
fn is_of(name: &str, run: &str) -> bool {
    name.strip_prefix(run).is_some_and(|rest| rest.starts_with("-roll-"))
}

/// Every segment, in the order of its beginning. What cannot be read is told, and stands in nobody's way.
fn segments(rolling: &Archive, told: &mut Vec<String>) -> Result<Vec<Segment>, Problem> {
    let mut segments = Vec::new();
    for path in rolling.sessions()? {
        let what = match read_card(&path) {
            Ok(card) => {
                let run = card.head.tags.get(RUN_TAG).cloned();
                let Some((run, (from, to))) = run.zip(card.first.zip(card.last)) else { continue };
                Ok((run, from, to))
            }
            // One that has been removed meanwhile was needed by nobody.
            Err(_) if !path.exists() => continue,
            Err(problem) => {
                told.push(format!("problem: {problem}"));
                Err(problem)
            }
        };
        segments.push(Segment { path, what });
    }
    segments.sort_by_key(|one| one.what.as_ref().map_or(Moment::ZERO, |what| what.1));
    Ok(segments)
}

/// What there is before and after, as a copy says of itself that was made.
fn around(session: &Session) -> (Span, Span) {
    let around = session.events.iter().find_map(|one| match &one.event {
        Event::KeptAround { before, after, .. } => Some((*before, *after)),
        _ => None,
    });
    around.unwrap_or_default()
}

fn keep(
    promise: &Promise,
    archive: &Path,
    segments: &[Segment],
    told: &mut Vec<String>,
) -> Result<Option<(Kept, Span, Span)>, Problem> {
    let main = Archive::unrecovered(archive)?;
    main.discard(&promise.session)?;
    // A copy that was made, or closed by another start before it was whole, is not made a second time under its name.
    let closed = main.sessions()?.into_iter().find(|path| path.ends_with(promise.session.as_str()));
    let mut promise = promise.clone();
    if let Some(path) = closed {
        let session = read_session(&path)?;
        if !session.card.recovered {
            let (before, after) = around(&session);
            let (readings, events) = (session.card.samples, session.card.events);
            let kept = Kept { session: promise.session.to_string(), path, readings, events, bytes: 0 };
            return Ok(Some((kept, before, after)));
        }
        promise.session = another_name(&promise, &main)?;
    }
    let (mut whole, mut damaged) = (Vec::new(), Vec::new());
    for segment in segments.iter().filter(|one| one.has(&promise)) {
        match &segment.what {
            Ok(_) => match read_session(&segment.path) {
                Ok(session) => whole.push(session),
                Err(problem) => {
                    told.push(format!("problem: {problem}"));
                    damaged.push(problem);
                }
            },
            Err(problem) => damaged.push(problem.clone()),
        }
    }
    match (whole.is_empty(), damaged.pop()) {
        // It stays promised, so that the segment stays: somebody may mend it.
        (true, Some(problem)) => Err(problem),
        (_, last) => {
            damaged.extend(last);
            promote(&promise, &main, &whole, &damaged)
        }
    }
}

fn another_name(promise: &Promise, main: &Archive) -> Result<model::SessionId, Problem> {
    let name = super::series::free_name(&[main], promise.session.as_str())?;
    model::SessionId::new(&name).map_err(|error| {
        let place = model::Place::Argument { name: "session".into() };
        Problem::new(
            model::ProblemKind::Argument,
            place,
            error.to_string(),
            "rename the session of that name",
        )
    })
}

#[cfg(test)]
mod tests {
    use super::super::promise::Promises;
    use super::super::testing::{promise, segment};
    use super::*;

    fn lines(archive: &Path, start: &str) -> Vec<String> {
        let told = recover_rolling(archive);
        told.into_iter().filter(|line| line.starts_with(start)).collect()
    }

    #[test]
    fn a_damaged_segment_is_told_and_what_is_whole_is_kept_all_the_same() {
        let folder = tempfile::tempdir().unwrap();
        let root = rolling_folder(folder.path()).unwrap();
        let rolling = Archive::unrecovered(&root).unwrap();
        // A minute each; the promise reaches from the first into the third, and the fourth is of no use to it.
        let paths: Vec<PathBuf> =
            (0..4).map(|i| segment(&rolling, &format!("old-roll-{i}"), i * 60, Some("old"))).collect();
        let promises = Promises::begin(&root, "old").unwrap();
        let mut promised = promise("old", 90, Span::from_secs(60));
        promises.write(&promised).unwrap();
        drop(promises);
        std::fs::write(paths[1].join("samples.parquet"), "nothing").unwrap();
        std::fs::write(paths[3].join("session.json"), "{}").unwrap();
        let told = recover_rolling(folder.path());
        assert_eq!(told.iter().filter(|line| line.starts_with("problem: ")).count(), 2, "{told:?}");
        let kept: Vec<_> = told.iter().filter(|line| line.starts_with("kept ")).collect();
        // The first reading in the stretch is at 60 s, the last at 120 s.
        assert!(kept.len() == 1 && kept[0].contains("30.0 s before, 30.0 s after"), "{told:?}");

        let main = Archive::unrecovered(folder.path()).unwrap();
        let session = read_session(&main.sessions().unwrap()[0]).unwrap();
        let says = session.events.iter().filter(|one| matches!(one.event, Event::Problem { .. })).count();
        assert_eq!((session.card.samples, says), (2, 2));
        assert_eq!(lines(folder.path(), "kept "), [""; 0]);

        // A start that was killed before it struck the promise out has made the copy.
        promised.after = Span::from_secs(3_600);
        Promises::begin(&root, "old").unwrap().write(&promised).unwrap();
        let again = lines(folder.path(), "kept ");
        assert!(again.len() == 1 && again[0].contains("30.0 s before, 30.0 s after"), "{again:?}");
        assert_eq!(main.sessions().unwrap().len(), 1);
    }

    #[test]
    fn what_has_nothing_whole_left_stays_promised() {
        let folder = tempfile::tempdir().unwrap();
        let root = rolling_folder(folder.path()).unwrap();
        let rolling = Archive::unrecovered(&root).unwrap();
        let path = segment(&rolling, "old-roll-1", 60, Some("old"));
        let whole = std::fs::read(path.join("events.parquet")).unwrap();
        Promises::begin(&root, "old").unwrap().write(&promise("old", 90, Span::from_secs(60))).unwrap();
        std::fs::write(path.join("events.parquet"), "nothing").unwrap();
        assert_eq!(lines(folder.path(), "kept "), [""; 0]);
        std::fs::write(path.join("events.parquet"), whole).unwrap();
        assert_eq!(lines(folder.path(), "kept ").len(), 1);
    }
}
