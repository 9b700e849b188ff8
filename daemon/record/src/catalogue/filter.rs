//! Which sessions are wanted.

use std::collections::BTreeMap;

use model::Ending;

use super::{CatalogueLine, SessionState};

/// How a session must have ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EndingFilter {
    /// It ended so.
    Ended(Ending),
    /// A crash ended it.
    Crash,
    /// It has not ended.
    Running,
}

/// Which sessions are wanted: those of which all of this is so.
#[derive(Debug, Clone, Default)]
pub struct Filter {
    /// It has these tags, with this value where one is given.
    pub tags: Vec<(String, Option<String>)>,
    /// It is of this car.
    pub car: Option<String>,
    /// It ran this procedure.
    pub procedure: Option<String>,
    /// It ended so.
    pub ending: Option<EndingFilter>,
    /// It began at this UTC or later, in nanoseconds, as it was corrected.
    pub since: Option<i64>,
    /// It began before this UTC, in nanoseconds, as it was corrected.
    pub before: Option<i64>,
    /// Its notes, its job or its tags hold every one of these, whatever the case.
    pub words: Vec<String>,
}

/// Whether a session is wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Matches {
    /// It is.
    Yes,
    /// It is not.
    No,
    /// Something of it cannot be read, so that nobody can say.
    Unknown,
}

impl Filter {
    /// Whether a session is wanted.
    pub fn matches(&self, line: &CatalogueLine) -> Matches {
        let Some(brief) = &line.brief else {
            return self.of_unreadable(line);
        };
        let is = |wanted: &Option<String>, is: Option<&str>| wanted.as_deref().is_none_or(|w| is == Some(w));
        let ending = match self.ending {
            None => true,
            Some(EndingFilter::Running) => line.state == SessionState::Running,
            Some(EndingFilter::Crash) => brief.ending.is_none() && line.state != SessionState::Running,
            Some(EndingFilter::Ended(ending)) => brief.ending == Some(ending),
        };
        if !ending || !is(&self.car, Some(&brief.car)) || !is(&self.procedure, brief.procedure.as_deref()) {
            return Matches::No;
        }
        let asks_notes =
            !self.tags.is_empty() || self.since.is_some() || self.before.is_some() || !self.words.is_empty();
        if asks_notes && line.notes_unknown() {
            return Matches::Unknown;
        }
        let began = self.notes_began(line);
        let tags = line.tags();
        if began && self.tagged(&tags) && self.worded(line, &tags) { Matches::Yes } else { Matches::No }
    }

    /// A folder whose session cannot be read: only its path tells of it.
    fn of_unreadable(&self, line: &CatalogueLine) -> Matches {
        let folder = |wanted: &String| {
            line.path.components().any(|part| part.as_os_str().to_str() == Some(&format!("car={wanted}")))
        };
        let aside = !line.path.components().any(|p| p.as_os_str().to_string_lossy().starts_with("car="));
        let other_car = self.car.as_ref().is_some_and(|wanted| !aside && !folder(wanted));
        let closed = self.ending == Some(EndingFilter::Running) && line.state != SessionState::Running;
        if other_car || closed { Matches::No } else { Matches::Unknown }
    }

    fn notes_began(&self, line: &CatalogueLine) -> bool {
        let began = line.began().unwrap_or(i64::MIN);
        self.since.is_none_or(|since| began >= since) && self.before.is_none_or(|before| began < before)
    }

    fn tagged(&self, tags: &BTreeMap<String, String>) -> bool {
        self.tags.iter().all(|(key, wanted)| {
            tags.get(key).is_some_and(|value| wanted.as_ref().is_none_or(|wanted| wanted == value))
        })
    }

    fn worded(&self, line: &CatalogueLine, tags: &BTreeMap<String, String>) -> bool {
        if self.words.is_empty() {
            return true;
        }
        let job = line.brief.as_ref().map(|brief| &brief.job);
        let of_job = job.into_iter().flat_map(|job| [&job.work, &job.fuel, &job.note].into_iter().flatten());
        let texts: Vec<String> = of_job
            .chain(line.notes.notes.iter().map(|note| &note.text))
            .chain(tags.values())
            .map(|text| text.to_lowercase())
            .collect();
        self.words.iter().all(|word| texts.iter().any(|text| text.contains(&word.to_lowercase())))
    }
}
