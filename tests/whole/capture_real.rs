//! Captures over a pseudo-terminal, in real time: what is typed, a signal, a plug that is pulled, a disk that refuses.

use std::path::PathBuf;

use bench_car::{Happened, WorldConfig};
use clock::Clock;
use holdgate_tests::garage::Garage;
use model::{Event, GapReason, Moment, Span};
use record::{Row, read_session};
use serde_json::Value;
use station::bench::served::Act;

use crate::command_line::program;

fn warm(seed: u64) -> WorldConfig {
    WorldConfig { seed, warm_at: 75.0, ..WorldConfig::default() }
}

/// Lets real time pass: a person does something after it, not after an event.
fn pass(time: Span) {
    let clock = Clock::real();
    let until = clock.now() + time;
    clock::block_on(async { clock.sleep_until(until).await }).expect("a runtime");
}

fn path(end: &Value, i: usize) -> PathBuf {
    PathBuf::from(end["sessions"][i]["path"].as_str().unwrap_or_else(|| panic!("no session {i}: {end}")))
}

#[test]
fn what_is_typed_and_signalled_is_marked_and_stop_ends_it() {
    let garage = Garage::with(warm(21));
    let mut running = garage.capture(&program(), &["--channel", "rpm"]);
    running.until("link_up");
    for line in ["mark a squeak", "", "measure oil 95 Cel ± 2 with probe", "nonsense"] {
        running.type_line(line);
    }
    running.until("measured_by_hand");
    running.mark();
    let marked = running.until("marked");
    assert_eq!(marked["event"]["how"], "signal", "{marked}");
    running.type_line("stop");
    let (code, lines) = running.finish();
    let end = lines.last().expect("it says how it ended");
    assert_eq!((code, &end["why"]), (Some(0), &Value::from("ended by stop")), "{end}");
    let session = read_session(&path(end, 0)).expect("it is readable");
    let said: Vec<String> = session.events.iter().filter_map(|one| report::said(&one.event)).collect();
    assert_eq!(
        said,
        [
            "recording: from the beginning",
            "mark: a squeak",
            "mark (typed)",
            "measured by hand: oil 95 °C ± 2 with probe",
            "mark (signal)",
            "recording ends: ended by stop"
        ]
    );
    assert!(session.card.samples > 0);
    garage.finish();
}

#[test]
fn a_pulled_plug_is_gaps_in_one_record_that_ctrl_c_ends_well() {
    let garage = Garage::with(warm(22));
    let mut running = garage.capture(&program(), &["--channel", "rpm"]);
    running.until("link_up");
    pass(Span::from_millis(700));
    garage.act(Act::Unplug);
    running.until("link_down");
    pass(Span::from_millis(2_300));
    garage.act(Act::Plug);
    running.until("link_up");
    pass(Span::from_millis(700));
    running.interrupt();
    let (code, lines) = running.finish();
    let end = lines.last().expect("it says how it ended");
    assert_eq!(code, Some(0), "{end}");
    let session = read_session(&path(end, 0)).expect("it is readable");
    let links: Vec<(Moment, bool)> = session
        .events
        .iter()
        .filter_map(|one| match one.event {
            Event::LinkUp { .. } => Some((one.at, true)),
            Event::LinkDown { .. } => Some((one.at, false)),
            _ => None,
        })
        .collect();
    let down = links.iter().find(|(_, up)| !up).expect("it was down").0;
    let up = links.iter().find(|(at, up)| *up && *at > down).expect("it came back").0;
    // The silence is covered by rows, piece after piece, from the loss to the return.
    let mut end = down;
    for row in session.rows().expect("rows").map(|row| row.expect("a good row")) {
        match row {
            Row::Gap(gap) if gap.why == GapReason::LinkDown && gap.at > down && gap.at < up => {
                // Recorded times are rounded outward by a few ticks of 10 µs.
                let from = gap.at - gap.half;
                assert!(from.since(end).0.abs() < 100_000, "{gap:?} does not follow {end:?}");
                end = gap.at + gap.half;
            }
            Row::Sample(sample) => {
                assert!(!(down < sample.at && sample.at < up), "{sample:?} lies in the silence");
            }
            Row::Gap(_) => {}
        }
    }
    assert!(up.since(end).0.abs() < 100_000, "{end:?} {up:?}");
    garage.finish();
}

#[test]
fn where_the_disk_refuses_the_car_is_read_on_and_it_does_not_pass() {
    let garage = Garage::with(warm(23));
    let mut running = garage.capture(&program(), &["--channel", "rpm", "--split-every", "1s"]);
    running.until("link_up");
    // No further session can begin: a file lies where open sessions have their folder.
    let (open, moved) = (garage.archive().join(".open"), garage.archive().join("moved"));
    std::fs::rename(&open, &moved).expect("it is there");
    std::fs::write(&open, "in the way").expect("the archive can be written to");
    pass(Span::from_secs(3));
    running.type_line("stop");
    let (code, lines) = running.finish();
    let end = lines.last().expect("it says how it ended");
    assert_eq!(code, Some(2), "{end}");
    assert!(!end["problems"].as_array().expect("a list").is_empty(), "{end}");
    let log = garage.finish();
    let asked: Vec<i64> = log
        .iter()
        .filter_map(|one| if let Happened::Request { at, .. } = one { Some(*at) } else { None })
        .collect();
    let longest = asked.windows(2).map(|two| two[1] - two[0]).max().unwrap_or(i64::MAX);
    assert!(longest < 1_500_000_000, "it was read on without a break: {longest} ns");
    let spoken = asked.last().unwrap_or(&0) - asked.first().unwrap_or(&0);
    assert!(spoken > 2_500_000_000, "{spoken} ns");
}
