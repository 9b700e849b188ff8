//! Lists and filters an archive of many sessions and prints how long that took:
//! `cargo run --release -p holdgate-tests --example list_sessions -- 10000`.
//!
//! Each session has a description with twenty channels and three tags; every fifth has notes. Figures of a machine
//! are told, not judged.

use std::collections::BTreeMap;
use std::path::Path;

use clock::Clock;
use model::{ChannelId, Ending, Event, EventEnvelope, Job, Moment, SessionId, StationId, Unit};
use record::{Archive, ChannelHead, Filter, Matches, Note, Notes, SessionHead};

const STARTED: i64 = 1_767_225_600_000_000_000;
const HOUR: i64 = 3_600_000_000_000;
const ROUNDS: usize = 5;

fn head() -> SessionHead {
    let channel = |i: usize| ChannelHead {
        id: ChannelId::new(&format!("channel_{i}")).expect("an id"),
        title: format!("The channel of number {i}"),
        unit: Unit::new("V").expect("a unit"),
        factor: 0.019_607_843_137_254_9,
        offset: 0.0,
        resolution: 0.019_607_843_137_254_9,
        noise: 0.002,
        shared: 0.01,
        rounding: "nearest".into(),
    };
    let tag = |(key, value): (&str, &str)| (key.to_string(), value.to_string());
    SessionHead {
        session: SessionId::new("session-0").expect("an id"),
        station: StationId::new("garage").expect("an id"),
        car: "car-0".into(),
        procedure: Some("base-idle".into()),
        program: "0.1.0".into(),
        utc_nanos: STARTED,
        job: Job { work: Some("throttle body cleaned".into()), ..Job::default() },
        tags: BTreeMap::from([("fuel", "e10"), ("who", "me"), ("weather", "rain")].map(tag)),
        description_sha256: "0".repeat(64),
        script_sha256: Some("0".repeat(64)),
        channels: (0..20).map(channel).collect(),
    }
}

/// One real session; the others are its description under other names.
fn fill(root: &Path, sessions: usize) {
    let (archive, _) = Archive::open(root).expect("a new archive");
    let (station, session) = (head().station, head().session);
    let mut writer = archive.begin(head()).expect("a session begins");
    let event = Event::Remark { text: "x".into() };
    writer.event(&EventEnvelope {
        schema: model::SCHEMA_VERSION,
        seq: 1,
        station,
        session,
        at: Moment(1),
        event,
    });
    let first = writer.close(Ending::Passed).expect("it is closed").path;
    let text = std::fs::read(first.join("session.json")).expect("it is there");
    let mut card: serde_json::Value = serde_json::from_slice(&text).expect("it is JSON");
    for i in 1..sessions {
        let (car, name, utc) = (format!("car-{}", i % 7), format!("session-{i}"), STARTED + i as i64 * HOUR);
        card["head"]["session"] = name.clone().into();
        card["head"]["car"] = car.clone().into();
        card["head"]["utc_nanos"] = utc.into();
        let day = &record::utc_text(utc)[..10];
        let folder = root.join(format!("car={car}")).join(format!("date={day}")).join(&name);
        std::fs::create_dir_all(&folder).expect("a folder");
        let text = serde_json::to_vec_pretty(&card).expect("it is JSON");
        std::fs::write(folder.join("session.json"), text).expect("a file");
        if i % 5 == 0 {
            let mut notes = Notes::default();
            notes.tags.insert("fuel".into(), Some(format!("blend-{}", i % 11)));
            notes.notes.push(Note { utc_nanos: utc, text: "the cable was tight".into() });
            let text = serde_json::to_vec_pretty(&notes).expect("it is JSON");
            std::fs::write(folder.join("notes.json"), text).expect("a file");
        }
    }
}

#[expect(clippy::print_stdout, reason = "it prints what it measured")]
fn main() {
    let sessions: usize =
        std::env::args().nth(1).map_or(10_000, |n| n.parse().expect("a number of sessions"));
    let folder = tempfile::tempdir().expect("a temporary folder");
    fill(folder.path(), sessions);
    let archive = Archive::existing(folder.path()).expect("it was made");
    let filter = Filter {
        tags: vec![("fuel".into(), Some("blend-5".into()))],
        since: Some(STARTED + 1_000 * HOUR),
        words: vec!["CABLE".into()],
        ..Filter::default()
    };
    let clock = Clock::real();
    for round in 1..=ROUNDS {
        let start = clock.now();
        let lines = archive.catalogue().expect("it can be listed");
        let listed = clock.now();
        let found = lines.iter().filter(|line| filter.matches(line) == Matches::Yes).count();
        let filtered = clock.now();
        println!(
            "round {round}: {} sessions listed in {:.0} ms, {found} found in {:.1} ms more",
            lines.len(),
            listed.since(start).as_millis_f64(),
            filtered.since(listed).as_millis_f64()
        );
    }
}
