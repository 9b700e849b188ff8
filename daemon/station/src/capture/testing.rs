//! What tests of a rolling record are made of.

use std::path::PathBuf;

use model::event::Trigger;
use model::{
    ChannelId, Ending, Event, EventEnvelope, Moment, Quality, SCHEMA_VERSION, Sample, SessionId, Span,
    StationId, Uncertainty,
};
use record::{Archive, SessionHead, SessionWriter};

use super::promise::Promise;
use super::promote::RUN_TAG;

/// So many seconds from zero.
pub(super) fn at(seconds: i64) -> Moment {
    Moment::ZERO + Span::from_secs(seconds)
}

/// A reading.
pub(super) fn reading(seconds: i64) -> Sample {
    Sample {
        channel: ChannelId::new("rpm").unwrap(),
        at: at(seconds),
        time_uncertainty: Span::from_millis(1),
        raw: seconds,
        value: seconds as f64,
        uncertainty: Uncertainty::default(),
        quality: Quality::Good,
    }
}

/// A session that has begun, with a reading and a remark at each end of the minute that begins then.
pub(super) fn begun(archive: &Archive, name: &str, from: i64, run: Option<&str>) -> SessionWriter {
    let session = SessionId::new(name).unwrap();
    let station = StationId::new("bench").unwrap();
    let head = SessionHead {
        session: session.clone(),
        station: station.clone(),
        car: "bench-car".into(),
        procedure: None,
        program: "0".into(),
        utc_nanos: 0,
        job: model::Job::default(),
        tags: run.map(|run| (RUN_TAG.to_string(), run.to_string())).into_iter().collect(),
        description_sha256: String::new(),
        script_sha256: None,
        channels: Vec::new(),
    };
    let mut writer = archive.begin(head).unwrap();
    for (seq, seconds) in [(1, from), (2, from + 60)] {
        let event = Event::Remark { text: "there".into() };
        let (session, station, at) = (session.clone(), station.clone(), at(seconds));
        writer.event(&EventEnvelope { schema: SCHEMA_VERSION, seq, station, session, at, event });
        writer.sample(&reading(seconds));
    }
    writer
}

/// A closed one; gives its folder.
pub(super) fn segment(archive: &Archive, name: &str, from: i64, run: Option<&str>) -> PathBuf {
    begun(archive, name, from, run).close(Ending::Passed).unwrap().path
}

/// A promise to keep this much before and after a mark.
pub(super) fn promise(run: &str, seconds: i64, around: Span) -> Promise {
    let trigger = Trigger { at: at(seconds), why: "a mark".into() };
    let name = SessionId::new(&format!("{run}-kept-{seconds}")).unwrap();
    Promise::around(name, run, trigger, around, around)
}
