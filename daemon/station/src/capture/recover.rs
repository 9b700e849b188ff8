//! What a rolling capture that was killed has left: its segments are closed, and what it promised is kept.

use std::path::{Path, PathBuf};

use model::{Problem, Span};
use record::{Archive, RecoveryOutcome, read_session};

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
    for one in &recovered {
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
    for promise in left {
        told.push(match keep(&promise, archive, &rolling) {
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

fn keep(promise: &Promise, archive: &Path, rolling: &Archive) -> Result<Option<(Kept, Span, Span)>, Problem> {
    let main = Archive::unrecovered(archive)?;
    main.discard(&promise.session)?;
    // A copy that was made, or closed by another start before it was whole, is not made a second time under its name.
    let closed = main.sessions()?.into_iter().find(|path| path.ends_with(promise.session.as_str()));
    let mut promise = promise.clone();
    if let Some(path) = closed {
        if !read_session(&path)?.card.recovered {
            let kept = read_session(&path)?.card;
            let (session, path) = (promise.session.to_string(), path);
            let kept = Kept { session, path, readings: kept.samples, events: kept.events, bytes: 0 };
            return Ok(Some((kept, promise.before, promise.after)));
        }
        promise.session = another_name(&promise, &main)?;
    }
    let mut segments: Vec<(i64, PathBuf)> = Vec::new();
    for path in rolling.sessions()? {
        let session = read_session(&path)?;
        let card = &session.card;
        let ours = card.head.tags.get(RUN_TAG) == Some(&promise.run);
        let stretch = card.first.zip(card.last);
        if let Some((from, to)) = stretch.filter(|_| ours)
            && from <= promise.to
            && to >= promise.from
        {
            segments.push((from.0, path));
        }
    }
    segments.sort();
    let segments: Vec<PathBuf> = segments.into_iter().map(|(_, path)| path).collect();
    promote(&promise, &main, &segments)
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
