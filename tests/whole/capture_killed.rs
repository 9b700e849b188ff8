//! Captures that are killed (`kill -9`) at seeded moments in real time: the next start recovers each, and what the
//! bench car sent says what is missing.
//!
//! `HOLDGATE_KILLS` sets how many (5 otherwise); `HOLDGATE_KILLED_OUT` names a file for the table.

use std::fmt::Write;
use std::path::Path;

use bench_car::{Happened, WorldConfig};
use clock::Clock;
use holdgate_tests::garage::Garage;
use holdgate_tests::report;
use model::{Event, Span};
use record::{Archive, DEFAULT_SYNC_INTERVAL, read_session};
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

/// The engine speeds that the bench car sent in each of its communications, with the end of each answer. The running
/// data of its description: request 21 A1, the speed in the first two bytes.
fn sent(log: &[Happened]) -> Vec<Vec<(i64, i64)>> {
    let mut all: Vec<Vec<(i64, i64)>> = Vec::new();
    for one in log {
        match one {
            Happened::Opened { .. } => all.push(Vec::new()),
            Happened::Sent { end, bytes, .. } => {
                let Ok(Some(message)) = Message::decode(bytes) else { continue };
                if let ([0x61, 0xA1, high, low, ..], Some(now)) = (&message.data[..], all.last_mut()) {
                    now.push((*end, i64::from(u16::from_be_bytes([*high, *low]))));
                }
            }
            _ => {}
        }
    }
    all
}

/// Nothing lies in the archive but whole sessions.
fn only_whole_sessions(archive: &Path) {
    let open = archive.join(".open");
    let left: Vec<_> =
        std::fs::read_dir(&open).map(|list| list.flatten().map(|e| e.path()).collect()).unwrap_or_default();
    let folders: Vec<_> = left.iter().filter(|path: &&std::path::PathBuf| path.is_dir()).collect();
    assert!(folders.is_empty(), "{folders:?}");
    assert!(!archive.join(".broken").exists(), "nothing had to be moved aside");
    for date in walk(archive, "car=").iter().flat_map(|car| walk(car, "date=")) {
        for session in walk(&date, "") {
            read_session(&session).unwrap_or_else(|problem| panic!("{problem}"));
        }
    }
}

fn walk(folder: &Path, prefix: &str) -> Vec<std::path::PathBuf> {
    let list = std::fs::read_dir(folder).expect("it is there").flatten();
    list.filter(|entry| entry.file_name().to_string_lossy().starts_with(prefix))
        .map(|entry| entry.path())
        .collect()
}

#[test]
fn a_killed_capture_loses_at_most_what_was_not_yet_synced() {
    let kills: usize = std::env::var("HOLDGATE_KILLS").ok().and_then(|text| text.parse().ok()).unwrap_or(5);
    let garage = Garage::with(WorldConfig { seed: 31, warm_at: 75.0, ..WorldConfig::default() });
    // Moments from a fixed linear congruential sequence (Numerical Recipes' constants, from memory).
    let mut state: u32 = 17;
    for _ in 0..kills {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let mut running = garage.capture(&program(), &["--channel", "rpm=10"]);
        running.until("link_up");
        pass(Span::from_millis(i64::from(state >> 8) % 2_000));
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
    let recorded: Vec<Vec<i64>> = sessions
        .iter()
        .map(|session| session.samples().expect("samples").map(|one| one.expect("a good one").raw).collect())
        .collect();
    // With it goes its folder.
    let sent = sent(&garage.finish());
    assert_eq!((sessions.len(), sent.len()), (kills, kills));
    let mut page = String::from(
        "| kill | sent | recorded | missing | ms from the last that is there to the last sent |\n| --- | --- | --- | --- | --- |\n",
    );
    let mut worst = (0, 0.0_f64);
    for (i, ((session, raws), sent)) in sessions.iter().zip(&recorded).zip(&sent).enumerate() {
        assert!(session.card.recovered && session.card.ending.is_none(), "kill {i}");
        let said: Vec<i64> = sent.iter().map(|(_, raw)| *raw).collect();
        assert!(said.starts_with(raws), "kill {i}: something before the end is missing or invented");
        let missing = said.len() - raws.len();
        let last = raws.len().checked_sub(1).map_or(sent.first(), |n| sent.get(n)).map_or(0, |(end, _)| *end);
        let open = Span(sent.last().map_or(0, |(end, _)| *end) - last);
        worst = (worst.0.max(missing), worst.1.max(open.as_millis_f64()));
        writeln!(
            page,
            "| {} | {} | {} | {missing} | {:.0} |",
            i + 1,
            said.len(),
            raws.len(),
            open.as_millis_f64()
        )
        .expect("a text");
        // One batch is what comes between two syncs while the disk is at work; the answer that the car was giving when
        // its tester died counts as sent. A disk that takes half a second for a sync is not this program's fault.
        let bound = DEFAULT_SYNC_INTERVAL + Span::from_millis(750);
        assert!(open <= bound, "kill {i}: {open} are missing at the end ({missing} readings)");
    }
    report(&format!(
        "{kills} captures killed: all recovered, at most {} readings and {:.0} ms missing at the end of one",
        worst.0, worst.1
    ));
    if let Ok(out) = std::env::var("HOLDGATE_KILLED_OUT") {
        let head = format!(
            "# Captures that were killed\n\n{kills} real-time captures of the bench car over a pseudo-terminal, one channel, \
             killed by signal 9 at seeded moments. Sent is what the bench car says it sent. Written by `tests/run --full`.\n\n"
        );
        std::fs::write(out, format!("{head}{page}")).expect("the table can be written");
    }
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
    let said: Vec<i64> = sent(&log).concat().iter().map(|(_, raw)| *raw).collect();
    assert!(raws.len() > 5 && said.starts_with(&raws), "{} of {}", raws.len(), said.len());
}
