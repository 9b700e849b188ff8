//! Where things lie in an archive.

use std::path::{Path, PathBuf};

use model::{ChannelId, Problem, SessionId, StationId};

use crate::head::SessionHead;
use crate::problem::argument;

/// Name of the journal in the folder of an open session.
pub(crate) const JOURNAL: &str = "journal";
/// Name of the folder in which a session is closed before it is renamed into place.
pub(crate) const CLOSING: &str = "closing";
/// Name of the table of samples.
pub(crate) const SAMPLES: &str = "samples.parquet";
/// Name of the table of events.
pub(crate) const EVENTS: &str = "events.parquet";
/// Name of the table of the wire's trace.
pub(crate) const WIRE: &str = "wire.parquet";
/// Name of what a damaged session is read with.
pub(crate) const SPARE: &str = "spare";
/// Name of the description of a session.
pub(crate) const CARD: &str = "session.json";
/// Name of what people say of a session afterwards.
pub(crate) const NOTES: &str = "notes.json";

/// The paths of one archive.
#[derive(Debug, Clone)]
pub(crate) struct Layout {
    root: PathBuf,
}

impl Layout {
    pub(crate) fn new(root: &Path) -> Self {
        Self { root: root.to_path_buf() }
    }

    pub(crate) fn root(&self) -> &Path {
        &self.root
    }

    /// Folder of the sessions that still run.
    pub(crate) fn open(&self) -> PathBuf {
        self.root.join(".open")
    }

    /// Folder of one session that still runs.
    pub(crate) fn open_session(&self, session: &str) -> PathBuf {
        self.open().join(session)
    }

    /// The lock that tells a running session from one that a crash left. It lies beside the folder, so that
    /// it can be taken before the folder exists.
    pub(crate) fn session_lock(&self, session: &str) -> PathBuf {
        self.open().join(format!("{session}.lock"))
    }

    /// Folder of what cannot be recovered.
    pub(crate) fn broken(&self) -> PathBuf {
        self.root.join(".broken")
    }

    /// Folder of what people have agreed to.
    pub(crate) fn consents(&self) -> PathBuf {
        self.root.join(".consents")
    }

    /// Folder of what is about to be removed.
    pub(crate) fn trash(&self) -> PathBuf {
        self.root.join(".trash")
    }

    pub(crate) fn ledger_folder(&self) -> PathBuf {
        self.root.join(".ledger")
    }

    /// The hold ledger of a station.
    pub(crate) fn ledger(&self, station: &StationId) -> PathBuf {
        self.ledger_folder().join(format!("{station}.jsonl"))
    }

    /// Where a closed session lies.
    pub(crate) fn closed(&self, head: &SessionHead) -> Result<PathBuf, Problem> {
        check_car(&head.car)?;
        Ok(self.day(&head.car, &date(head.utc_nanos)).join(head.session.as_str()))
    }

    fn day(&self, car: &str, date: &str) -> PathBuf {
        self.root.join(format!("car={car}")).join(format!("date={date}"))
    }
}

/// Refuses a car's name that could leave its folder or mean two folders: the rule is that of every id.
pub(crate) fn check_car(car: &str) -> Result<(), Problem> {
    ChannelId::new(car).map(drop).map_err(|_| {
        let shown: String = car.chars().take(80).collect();
        argument(
            "car",
            format!("'{}' cannot name a folder of the archive", shown.escape_debug()),
            "use 1 to 64 of a-z, 0-9, '_' and '-', starting with a letter or digit",
        )
    })
}

/// Reads a folder's name back as a session, for those that are one.
pub(crate) fn session_of(name: &str) -> Option<SessionId> {
    SessionId::new(name).ok()
}

/// The UTC day of a moment, as ISO 8601-1:2019 writes it (5.2.2.1 b, from memory).
pub(crate) fn date(utc_nanos: i64) -> String {
    let day = time::OffsetDateTime::from_unix_timestamp_nanos(i128::from(utc_nanos))
        .expect("64-bit nanoseconds span the years 1677 to 2262, which the calendar covers")
        .date();
    format!("{:04}-{:02}-{:02}", day.year(), u8::from(day.month()), day.day())
}

/// A moment in UTC to the second, as ISO 8601-1:2019 writes it (5.4.2.1 a and 5.3.3, from memory).
pub fn utc_text(utc_nanos: i64) -> String {
    let second = utc_nanos.div_euclid(1_000_000_000).rem_euclid(86_400);
    let (hour, minute, second) = (second / 3_600, second / 60 % 60, second % 60);
    format!("{}T{hour:02}:{minute:02}:{second:02}Z", date(utc_nanos))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_are_those_of_the_calendar() {
        // POSIX.1-2017, A.4.16 (from memory): 1970-01-01 is day 0; 2000-02-29 existed, second 951782400.
        assert_eq!(date(0), "1970-01-01");
        assert_eq!(date(-1), "1969-12-31");
        assert_eq!(date(951_782_400_000_000_000), "2000-02-29");
        assert_eq!(date(i64::MAX), "2262-04-11");
        assert_eq!(date(i64::MIN), "1677-09-21");
        assert_eq!(utc_text(951_782_400_000_000_000 - 1), "2000-02-28T23:59:59Z");
        assert_eq!(utc_text(-1), "1969-12-31T23:59:59Z");
    }

    #[test]
    fn a_car_cannot_leave_its_folder() {
        check_car("bench-car_2").unwrap();
        let long = "x".repeat(65);
        for bad in [
            "", ".", "..", "../x", "a/b", "a\\b", "/etc", "a=b", "a\0", "a\n", "Bench", ".open", "é",
            "%2e%2e", &long,
        ] {
            let problem = check_car(bad).unwrap_err();
            assert_eq!(problem.kind, model::ProblemKind::Argument, "{bad:?}");
            assert!(!problem.cure.is_empty());
        }
    }
}
