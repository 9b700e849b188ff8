//! Captures that are killed (`kill -9`) at seeded moments in real time: the next start recovers each, and what the
//! bench car sent says what is missing.
//!
//! `HOLDGATE_KILLS` sets how many (5 otherwise); `HOLDGATE_KILLED_OUT` names a file for the table.

use std::fmt::Write;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use bench_car::{Happened, WorldConfig};
use clock::{Clock, Stop};
use holdgate_tests::garage::Garage;
use holdgate_tests::report;
use holdgate_tests::world::Bench;
use model::{ChannelId, Ending, Event, Moment, Span, StationId};
use record::{Archive, DEFAULT_SYNC_INTERVAL, Session, read_session};
use serde_json::Value;
use station::bench::Variant;
use station::capture::CapturePlan;
use station::run::About;
use station::sides::said::{Said, marked};
use station::sides::screen::{Screen, Style};
use tempfile::TempDir;
use wire::frame::Message;

use crate::command_line::program;

/// Looks at the engine speed for a long time and takes nothing over.
const LOOKER: &str = r#"
procedure("looker", #{ title: "Look", channels: ["rpm"] });
caution(["Lead the exhaust outside."]);
poll(["rpm"], 100.milliseconds);
step("look", "Look", || {
    wait(above("rpm", 30000.rpm).limit(10.minutes));
});
"#;

fn pass(time: Span) {
    let clock = Clock::real();
    let until = clock.now() + time;
    clock::block_on(async { clock.sleep_until(until).await }).expect("a runtime");
}

/// What the bench car sent in one communication.
#[derive(Default)]
struct Communication {
    /// When the link came up.
    opened: i64,
    /// The end of each answer with the channel that is counted and its reading.
    readings: Vec<(i64, &'static str, i64)>,
}

impl Communication {
    fn of(&self, channel: &str) -> Vec<(i64, i64)> {
        let of = self.readings.iter().filter(|(_, of, _)| *of == channel);
        of.map(|(end, _, raw)| (*end, *raw)).collect()
    }
}

/// The engine speeds that the bench car sent in each of its communications. Of its description: request 21 A1, the
/// speed in the first two bytes, and request 21 A2, the same in a short answer.
fn sent(log: &[Happened]) -> Vec<Communication> {
    let mut all: Vec<Communication> = Vec::new();
    for one in log {
        match one {
            Happened::Opened { at } => all.push(Communication { opened: *at, ..Communication::default() }),
            Happened::Sent { end, bytes, .. } => {
                let Ok(Some(message)) = Message::decode(bytes) else { continue };
                let (channel, high, low) = match &message.data[..] {
                    [0x61, 0xA1, high, low, ..] => ("rpm", *high, *low),
                    [0x61, 0xA2, high, low, ..] => ("rpm_quick", *high, *low),
                    _ => continue,
                };
                if let Some(now) = all.last_mut() {
                    now.readings.push((*end, channel, i64::from(u16::from_be_bytes([high, low]))));
                }
            }
            _ => {}
        }
    }
    all
}

/// What is recorded of a channel.
fn raws(session: &Session, channel: &str) -> Vec<i64> {
    let samples = session.samples().expect("samples").map(|one| one.expect("a good one"));
    samples.filter(|one| one.channel.as_str() == channel).map(|one| one.raw).collect()
}

/// Nothing lies in the archive but whole sessions.
fn only_whole_sessions(archive: &Path) {
    let open = archive.join(".open");
    let left: Vec<_> =
        std::fs::read_dir(&open).map(|list| list.flatten().map(|e| e.path()).collect()).unwrap_or_default();
    let folders: Vec<_> = left.iter().filter(|path: &&PathBuf| path.is_dir()).collect();
    assert!(folders.is_empty(), "{folders:?}");
    assert!(!archive.join(".broken").exists(), "nothing had to be moved aside");
    for date in walk(archive, "car=").iter().flat_map(|car| walk(car, "date=")) {
        for session in walk(&date, "") {
            read_session(&session).unwrap_or_else(|problem| panic!("{problem}"));
        }
    }
}

fn walk(folder: &Path, prefix: &str) -> Vec<PathBuf> {
    let list = std::fs::read_dir(folder).expect("it is there").flatten();
    list.filter(|entry| entry.file_name().to_string_lossy().starts_with(prefix))
        .map(|entry| entry.path())
        .collect()
}

/// Two requests, one of them for three channels.
const CHANNELS: [&str; 8] =
    ["--channel", "rpm=5", "--channel", "coolant=5", "--channel", "battery=5", "--channel", "rpm_quick=5"];

#[test]
fn a_killed_capture_loses_at_most_what_was_not_yet_synced() {
    let kills: usize = std::env::var("HOLDGATE_KILLS").ok().and_then(|text| text.parse().ok()).unwrap_or(5);
    let longest = if kills > 20 { 6_000 } else { 3_000 };
    let garage = Garage::with(WorldConfig { seed: 31, warm_at: 75.0, ..WorldConfig::default() });
    // Moments from a fixed linear congruential sequence (Numerical Recipes' constants, from memory).
    let mut state: u32 = 17;
    for _ in 0..kills {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let mut running = garage.capture(&program(), &CHANNELS);
        running.until("link_up");
        pass(Span::from_millis(i64::from(state >> 8) % longest));
        running.kill();
    }
    let archive = garage.archive();
    let (_, recovered) = Archive::open(&archive).expect("the archive is in order");
    // Each start recovered the one before it; the last is recovered here.
    assert_eq!(recovered.len(), 1, "{recovered:?}");
    only_whole_sessions(&archive);
    let (opened, _) = Archive::open(&archive).expect("the archive is in order");
    let mut sessions: Vec<_> = opened
        .sessions()
        .expect("sessions")
        .iter()
        .map(|path| read_session(path).expect("readable"))
        .collect();
    sessions.sort_by_key(|session| session.head().utc_nanos);
    let recorded: Vec<[Vec<i64>; 4]> = sessions
        .iter()
        .map(|session| ["rpm", "rpm_quick", "coolant", "battery"].map(|channel| raws(session, channel)))
        .collect();
    // With it goes its folder.
    let sent = sent(&garage.finish());
    assert_eq!((sessions.len(), sent.len()), (kills, kills));
    let mut page = String::from(
        "| kill | sent | recorded | missing | ms from the last that is there to the last sent |\n| --- | --- | --- | --- | --- |\n",
    );
    let mut worst = (0, 0.0_f64);
    for (i, ((session, recorded), sent)) in sessions.iter().zip(&recorded).zip(&sent).enumerate() {
        assert!(session.card.recovered && session.card.ending.is_none(), "kill {i}");
        let [rpm, quick, coolant, battery] = recorded;
        for (channel, raws) in [("rpm", rpm), ("rpm_quick", quick)] {
            let said: Vec<i64> = sent.of(channel).iter().map(|(_, raw)| *raw).collect();
            assert!(
                said.starts_with(raws),
                "kill {i}: something of {channel} before the end is missing or invented"
            );
        }
        // Channels of one answer are kept together, but for the answer that a sync may divide.
        for other in [coolant, battery] {
            assert!(other.len().abs_diff(rpm.len()) <= 1, "kill {i}: {} of {}", other.len(), rpm.len());
        }
        let there = rpm.len() + quick.len();
        let missing = sent.readings.len() - there;
        // The last that is there; where there is none, the time runs from the link's coming up.
        let last =
            there.checked_sub(1).and_then(|n| sent.readings.get(n)).map_or(sent.opened, |(end, ..)| *end);
        let open = Span(sent.readings.last().map_or(last, |(end, ..)| *end) - last);
        worst = (worst.0.max(missing), worst.1.max(open.as_millis_f64()));
        let (all, open_ms) = (sent.readings.len(), open.as_millis_f64());
        writeln!(page, "| {} | {all} | {there} | {missing} | {open_ms:.0} |", i + 1).expect("a text");
        // How long the disk takes for a sync, and this machine for everything else, is told and not judged, but for
        // what cannot be a sync any more. What is owed without them is judged on a rehearsal's clock.
        let bound = DEFAULT_SYNC_INTERVAL + Span::from_secs(2);
        assert!(open <= bound, "kill {i}: {open} are missing at the end ({missing} readings)");
    }
    let excess = (worst.1 - DEFAULT_SYNC_INTERVAL.as_millis_f64()).max(0.0);
    let told = format!(
        "{kills} captures killed: all recovered, at most {} answers and {:.0} ms missing at the end of one, {excess:.0} ms \
         more than the {DEFAULT_SYNC_INTERVAL} between two syncs",
        worst.0, worst.1
    );
    report(&told);
    if let Ok(out) = std::env::var("HOLDGATE_KILLED_OUT") {
        let head = format!(
            "# Captures that were killed\n\n{kills} real-time captures of the bench car over a pseudo-terminal, four channels \
             in two requests, killed by signal 9 at seeded moments. Sent is what the bench car says it sent, in answers. \
             Written by `tests/run --full`.\n\n{told}.\n\n"
        );
        std::fs::write(out, format!("{head}{page}")).expect("the table can be written");
    }
}

/// Copies the archive as it lies on the disk whenever a mark is told, with the moment: what a kill then would leave.
struct AtMarks {
    archive: PathBuf,
    copies: Arc<Mutex<Vec<(i64, TempDir)>>>,
}

impl std::io::Write for AtMarks {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        let told: Option<Value> = serde_json::from_slice(bytes).ok();
        if let Some(told) = told.filter(|one| one["event"]["kind"] == "marked") {
            let copy = tempfile::tempdir_in(self.archive.parent().expect("it has one"))?;
            copy_folder(&self.archive, copy.path())?;
            let at = told["at"].as_i64().expect("a moment");
            self.copies.lock().expect("nothing panics while it holds this").push((at, copy));
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

fn copy_folder(from: &Path, to: &Path) -> std::io::Result<()> {
    for entry in std::fs::read_dir(from)? {
        let entry = entry?;
        let to = to.join(entry.file_name());
        if entry.file_type()?.is_dir() {
            std::fs::create_dir(&to)?;
            copy_folder(&entry.path(), &to)?;
        } else {
            std::fs::copy(entry.path(), to)?;
        }
    }
    Ok(())
}

#[test]
fn without_a_slow_disk_a_kill_costs_the_time_between_two_syncs_and_one_exchange() {
    let config = WorldConfig { seed: 34, warm_at: 75.0, keep_log: true, ..WorldConfig::default() };
    let bench = Bench::with(config);
    let copies = Arc::new(Mutex::new(Vec::new()));
    let out = AtMarks { archive: bench.archive.path().to_path_buf(), copies: copies.clone() };
    let mut state: u32 = 18;
    let mut foretold: Vec<_> = (0..60)
        .map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            Moment(i64::from(state >> 8) % 60_000 * 1_000_000)
        })
        .map(|at| (at, Said::Record(marked("", "foretold"))))
        .collect();
    foretold.sort_by_key(|(at, _)| *at);
    let every = DEFAULT_SYNC_INTERVAL;
    let about = About { foretold, sync_every: Some(every), ..About::default() };
    let channel = |name: &str| (ChannelId::new(name).expect("an id"), Span::from_millis(200));
    let (file, text) = Variant::Pressure.description();
    let plan = CapturePlan {
        car: Arc::new(station::load::described(file, text).expect("it is in order")),
        station: StationId::new("bench").expect("an id"),
        name: "killed".into(),
        tags: Default::default(),
        about,
        archive: bench.archive.path().to_path_buf(),
        channels: ["rpm", "rpm_quick", "coolant", "battery"].map(channel).into(),
        start_when: None,
        stop_when: None,
        length: Some(Span::from_secs(61)),
        split_every: None,
        split_size: None,
        rolling: None,
        patience: link::Patience::default(),
        screen: Screen::new(Box::new(out), None, Style::Json),
    };
    let ended =
        station::capture::rehearse(&Arc::new(plan), bench.world.clone(), bench.hands.clone(), Stop::new());
    assert_eq!(ended.expect("it is recorded").ending, Ending::Passed);
    let sent = sent(bench.world.borrow().log());
    let answers = &sent.first().expect("a communication").readings;
    let ends = std::iter::once(sent[0].opened).chain(answers.iter().map(|(end, ..)| *end));
    let exchange = ends.clone().zip(ends.skip(1)).map(|(one, next)| next - one).max().expect("answers");
    let copies = std::mem::take(&mut *copies.lock().expect("nothing panics while it holds this"));
    assert_eq!(copies.len(), 60);
    let (mut worst, mut costly) = (0, 0);
    for (at, copy) in copies {
        let (_, recovered) = Archive::open(copy.path()).expect("the archive is in order");
        assert_eq!(recovered.len(), 1, "{recovered:?}");
        let session = read_session(&recovered[0].path).expect("readable");
        let there = raws(&session, "rpm").len() + raws(&session, "rpm_quick").len();
        let heard = answers.iter().filter(|(end, ..)| *end < at).count();
        let lost = answers.get(there..heard).unwrap_or_default();
        let age = lost.first().map_or(0, |(end, ..)| at - end);
        assert!(
            age <= every.0 + exchange,
            "at {at}: what is lost is up to {age} ns old, beside exchanges of {exchange} ns"
        );
        worst = worst.max(age);
        costly += u32::from(!lost.is_empty());
    }
    // Some moments fall between two syncs, or nothing was tried.
    assert!(costly > 10, "{costly}");
    report(&format!(
        "60 kills on a rehearsal's clock: {costly} cost something, at most what was {:.0} ms old, with {:.0} ms between \
         two answers at most",
        Span(worst).as_millis_f64(),
        Span(exchange).as_millis_f64()
    ));
}

#[test]
fn how_much_a_kill_may_cost_is_what_was_asked_for() {
    let garage = Garage::with(WorldConfig { seed: 33, warm_at: 75.0, ..WorldConfig::default() });
    let mut counts = Vec::new();
    // A minute between two syncs is not over when it is killed.
    for (every, procedure) in [("20ms", false), ("60s", false), ("20ms", true), ("60s", true)] {
        let mut running = if procedure {
            garage.run(&program(), LOOKER, &["--sync-every", every])
        } else {
            garage.capture(&program(), &["--channel", "rpm=10", "--sync-every", every])
        };
        running.until("link_up");
        pass(Span::from_millis(1_500));
        running.kill();
        let archive = garage.archive();
        let (opened, recovered) = Archive::open(&archive).expect("the archive is in order");
        assert_eq!(recovered.len(), 1, "{every}: {recovered:?}");
        counts.push(read_session(&recovered[0].path).expect("readable").samples().expect("samples").count());
        drop(opened);
    }
    assert!(counts[0] > 0 && counts[1] == 0 && counts[2] > 0 && counts[3] == 0, "{counts:?}");
}

#[test]
fn a_killed_rolling_capture_keeps_what_it_had_promised() {
    let garage = Garage::with(WorldConfig { seed: 32, warm_at: 75.0, ..WorldConfig::default() });
    let rolling = ["--channel", "rpm=10", "--rolling", "--before", "30s", "--after", "30s"];
    let mut running = garage.capture(&program(), &rolling);
    running.until("link_up");
    pass(Span::from_millis(1_500));
    running.type_line("mark it");
    running.until("marked");
    pass(Span::from_millis(900));
    running.kill();
    let archive = garage.archive();
    assert_eq!(walk(&archive, "car=").len(), 0, "nothing is kept yet");
    let told = station::capture::recover_rolling(&archive);
    assert!(told.iter().any(|line| line.starts_with("kept ")), "{told:?}");
    assert_eq!(station::capture::recover_rolling(&archive), [""; 0], "there is nothing left to do");
    only_whole_sessions(&archive);
    let (opened, _) = Archive::open(&archive).expect("the archive is in order");
    let kept = read_session(&opened.sessions().expect("sessions")[0]).expect("readable");
    let around = kept.events.iter().find_map(|one| match &one.event {
        Event::KeptAround { triggers, before, after, .. } => Some((triggers.clone(), *before, *after)),
        _ => None,
    });
    let (triggers, before, after) = around.expect("it says what it was kept around");
    assert_eq!(triggers[0].why, "a mark: it");
    assert!(before > Span::from_millis(1_000) && before < Span::from_secs(10), "{before}");
    // What came after the mark and was synced is there.
    assert!(after > Span::from_millis(200), "{after}");
    let raws: Vec<i64> = kept.samples().expect("samples").map(|one| one.expect("a good one").raw).collect();
    let log = garage.finish();
    let said: Vec<i64> = sent(&log).iter().flat_map(|one| one.of("rpm")).map(|(_, raw)| raw).collect();
    assert!(raws.len() > 5 && said.starts_with(&raws), "{} of {}", raws.len(), said.len());
}
