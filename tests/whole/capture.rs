//! Capturing without a procedure, on the bench car's rehearsal clock: the program as people start it.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use model::{Ending, Event, Moment, Sample, Span};
use record::{Row, Session, read_session};
use serde_json::Value;

use crate::command_line::program;

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

fn start(archive: &Path, arguments: &[&str]) -> Output {
    let mut command = Command::new(program());
    command.args(["capture", "--rehearse", "--archive"]).arg(archive).args(arguments);
    command.env_remove("HOLDGATE_LOG").output().expect("it starts")
}

/// A capture as machines see it: exit code, events, the end.
fn capture(archive: &Path, arguments: &[&str]) -> (Option<i32>, Vec<Value>, Value) {
    let output = start(archive, &[arguments, &["--json"]].concat());
    let lines = text(&output.stdout);
    let mut lines: Vec<Value> = lines.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect();
    let end = lines.pop().unwrap_or_else(|| panic!("it says nothing: {}", text(&output.stderr)));
    assert_eq!(end["kind"], "capture_ended");
    (output.status.code(), lines, end)
}

fn sessions(end: &Value) -> Vec<Session> {
    let list = end["sessions"].as_array().expect("a list");
    let path = |one: &Value| PathBuf::from(one["path"].as_str().expect("a path"));
    list.iter().map(|one| read_session(&path(one)).expect("it is readable")).collect()
}

fn samples(session: &Session) -> Vec<Sample> {
    session.samples().expect("samples").map(|sample| sample.expect("a good sample")).collect()
}

fn of_kind<'a>(lines: &'a [Value], kind: &str) -> Vec<&'a Value> {
    lines.iter().filter(|line| line["event"]["kind"] == kind).collect()
}

#[test]
fn what_was_asked_for_is_recorded_with_the_job_tags_measurements_and_marks() {
    let archive = tempfile::tempdir().unwrap();
    let (code, lines, end) = capture(
        archive.path(),
        &[
            "--seed",
            "11",
            "--for",
            "40s",
            "--channel",
            "coolant=2",
            "--channel",
            "rpm_quick=2",
            "--tag",
            "who=me",
            "--work",
            "throttle body cleaned",
            "--odometer",
            "123456 km",
            "--ambient",
            "-4 Cel",
            "--fuel",
            "petrol",
            "--note",
            "left in the rain",
            "--measurement",
            "fuel pressure 2.9 bar ± 0.1 with gauge 3",
            "--say",
            "20 s mark the fan starts",
            "--say",
            "25 s measure oil 95 Cel",
        ],
    );
    assert_eq!((code, &end["ending"]), (Some(0), &Value::from("passed")), "{end}");
    let session = sessions(&end).remove(0);
    assert_eq!(session.card.ending, Some(Ending::Passed));
    let head = session.head();
    let job = &head.job;
    assert_eq!(job.work.as_deref(), Some("throttle body cleaned"));
    assert_eq!(job.odometer.as_ref().unwrap().to_string(), "123456 km");
    assert_eq!(job.ambient.as_ref().unwrap().to_string(), "-4 °C");
    assert_eq!((job.fuel.as_deref(), job.note.as_deref()), (Some("petrol"), Some("left in the rain")));
    assert_eq!(head.tags.get("who").map(String::as_str), Some("me"));
    assert_eq!(head.procedure, None);
    // Only what was asked for, though the coolant comes with nine other channels.
    let readings = samples(&session);
    let mut count: BTreeMap<&str, usize> = BTreeMap::new();
    readings.iter().for_each(|sample| *count.entry(sample.channel.as_str()).or_default() += 1);
    assert_eq!(count.keys().copied().collect::<Vec<_>>(), ["coolant", "rpm_quick"]);
    let rate = count["coolant"] as f64 / 40.0;
    assert!((1.7..=2.1).contains(&rate), "two a second were asked for: {rate}");
    assert_eq!(end["readings"].as_u64(), Some(readings.len() as u64));
    let said: Vec<(f64, String)> = session
        .events
        .iter()
        .filter_map(|one| report::said(&one.event).map(|words| (one.at.as_secs_f64().round(), words)))
        .collect();
    assert!(
        said.contains(&(0.0, "measured by hand: fuel pressure 2.9 bar ± 0.1 with gauge 3".into())),
        "{said:?}"
    );
    assert!(said.contains(&(20.0, "mark: the fan starts".into())), "{said:?}");
    assert!(said.contains(&(25.0, "measured by hand: oil 95 °C".into())), "{said:?}");
    // Machines see what is recorded, numbered without a gap.
    let numbers: Vec<u64> = lines.iter().map(|line| line["seq"].as_u64().unwrap()).collect();
    assert_eq!(numbers, (1..=session.events.len() as u64).collect::<Vec<_>>());
}

#[test]
fn a_group_is_all_channels_of_a_request_and_one_seed_gives_one_record() {
    let run = || {
        let archive = tempfile::tempdir().unwrap();
        let (code, _, end) =
            capture(archive.path(), &["--seed", "12", "--for", "20s", "--group", "running_data=3"]);
        assert_eq!(code, Some(0));
        let session = sessions(&end).remove(0);
        let bytes = std::fs::read(
            PathBuf::from(end["sessions"][0]["path"].as_str().unwrap()).join("samples.parquet"),
        );
        (samples(&session), bytes.unwrap())
    };
    let (readings, bytes) = run();
    let names: std::collections::BTreeSet<&str> = readings.iter().map(|one| one.channel.as_str()).collect();
    assert_eq!(names.len(), 10, "{names:?}");
    assert!(names.contains("battery") && !names.contains("rpm_quick"));
    assert_eq!(run().1, bytes);
}

#[test]
fn what_is_recorded_is_what_the_bench_car_says_it_sent() {
    let archive = tempfile::tempdir().unwrap();
    let sent = archive.path().join("sent.jsonl");
    let arguments = ["--seed", "15", "--for", "60s", "--channel", "rpm", "--sent", sent.to_str().unwrap()];
    let (code, _, end) = capture(archive.path(), &arguments);
    assert_eq!(code, Some(0), "{end}");
    let lines = std::fs::read_to_string(&sent).expect("it is written");
    // Start, end, request and answer; the last two whole and in hex.
    let bytes = |line: &str| -> Vec<u8> {
        let hex = line.rsplit(',').next().expect("an answer");
        let pair = |i: usize| u8::from_str_radix(&hex[i..i + 2], 16).expect("hex");
        (0..hex.len() / 2).map(|i| pair(2 * i)).collect()
    };
    // The bench car's description: answers to 21 A1 have the speed in their first two bytes.
    let said: Vec<i64> = lines
        .lines()
        .skip(1)
        .filter_map(|line| {
            let message = wire::frame::Message::decode(&bytes(line)).ok()??;
            match message.data[..] {
                [0x61, 0xA1, high, low, ..] => Some(i64::from(u16::from_be_bytes([high, low]))),
                _ => None,
            }
        })
        .collect();
    let read: Vec<i64> = samples(&sessions(&end)[0]).iter().map(|sample| sample.raw).collect();
    // The last answer came when the time was over.
    assert!(
        read.len() > 300 && said.starts_with(&read) && said.len() - read.len() <= 1,
        "{} {}",
        said.len(),
        read.len()
    );
}

#[test]
fn parts_of_a_series_hold_together_what_one_session_would_have_held() {
    let archive = tempfile::tempdir().unwrap();
    let base = ["--seed", "13", "--for", "1200s", "--channel", "rpm", "--channel", "battery_alone"];
    let rows = |sessions: &[Session]| {
        let rows = sessions.iter().flat_map(|session| session.rows().expect("rows").collect::<Vec<_>>());
        let mut rows: Vec<(String, Moment, String)> = rows
            .map(|row| row.expect("a good row"))
            .map(|row| (row.channel().to_string(), row.at(), format!("{:?}", row.half())))
            .collect();
        rows.sort();
        rows
    };
    let (_, _, whole) = capture(archive.path(), &base);
    let whole = sessions(&whole);
    for split in [["--split-every", "150s"], ["--split-size", "10kB"]] {
        let (code, _, end) = capture(archive.path(), &[&base[..], &split[..]].concat());
        assert_eq!(code, Some(0));
        let parts = sessions(&end);
        assert!(parts.len() >= 3, "{split:?}: {} parts", parts.len());
        assert!(rows(&parts) == rows(&whole), "{split:?}: something is lost or there twice");
        let series: Vec<_> = parts.iter().map(|part| part.head().tags["series"].clone()).collect();
        assert!(series.iter().all(|one| *one == series[0]), "{series:?}");
        for (i, part) in (1..).zip(&parts) {
            assert_eq!(part.head().session.as_str(), format!("{}-{i}", series[0]));
            assert_eq!(part.card.ending, Some(Ending::Passed));
            assert!(matches!(part.events[0].event, Event::SessionStarted { .. }));
            assert!(
                part.events.iter().any(|one| matches!(one.event, Event::Anchor { .. })),
                "it stands alone"
            );
            assert!((1..).zip(&part.events).all(|(seq, one)| one.seq == seq), "numbered from one");
        }
    }
}

#[test]
fn nothing_is_kept_before_the_gate_that_starts_it_and_nothing_after_the_one_that_ends_it() {
    let archive = tempfile::tempdir().unwrap();
    let base = ["--seed", "4", "--channel", "coolant"];
    let gates = ["--start-when", "coolant above 75 Cel for 3 s", "--stop-when", "coolant above 80 Cel"];
    let (code, lines, end) = capture(archive.path(), &[&base[..], &gates[..]].concat());
    assert_eq!(code, Some(0), "{end}");
    let readings = samples(&sessions(&end)[0]);
    let (first, last) = (readings.first().unwrap(), readings.last().unwrap());
    assert!(first.value > 74.0 && last.value < 82.5, "{first:?} {last:?}");
    let begun = of_kind(&lines, "capture_begun");
    assert!(begun[0]["event"]["why"].as_str().unwrap().contains("held 3.0 s of 3.0 s"), "{begun:?}");
    assert!(end["why"].as_str().unwrap().contains("coolant above 80 Cel"), "{end}");
    // The time is counted from the start.
    let times = ["--start-when", "coolant above 75 Cel for 3 s", "--for", "10s"];
    let (_, _, end) = capture(archive.path(), &[&base[..], &times[..]].concat());
    let readings = samples(&sessions(&end)[0]);
    let length = readings.last().unwrap().at.since(readings[0].at);
    assert!((Span::from_secs(8)..=Span::from_secs(10)).contains(&length), "{length}");
}

#[test]
fn a_person_starts_and_ends_it_and_is_told_when_nothing_is_kept() {
    let archive = tempfile::tempdir().unwrap();
    let never = ["--seed", "5", "--channel", "rpm", "--start-when", "rpm above 5000 /min"];
    let by_hand = ["--say", "10 s start", "--say", "20 s stop"];
    let (code, _, end) = capture(archive.path(), &[&never[..], &by_hand[..]].concat());
    assert_eq!((code, &end["why"]), (Some(0), &Value::from("ended by stop")));
    let first = samples(&sessions(&end)[0])[0].at;
    assert!(first >= Moment::ZERO + Span::from_secs(10), "{first:?}");
    let (code, _, end) = capture(archive.path(), &[&never[..], &["--say", "20 s stop"]].concat());
    assert_eq!((code, end["sessions"].as_array().unwrap().len()), (Some(3), 0));
    assert!(end["why"].as_str().unwrap().contains("nothing is kept"), "{end}");
    // Where it was to last longer, a stop is an early one.
    let early = ["--seed", "5", "--channel", "rpm", "--for", "1min", "--say", "20 s stop"];
    let (code, _, end) = capture(archive.path(), &early);
    assert_eq!(code, Some(3), "{end}");
    assert_eq!(sessions(&end)[0].card.ending, Some(Ending::Stopped));
}

/// What a plain capture of the same car holds of a stretch.
fn stretch(plain: &Session, from: f64, to: f64) -> Vec<(String, Moment, i64)> {
    let inside = |at: Moment| (from..=to).contains(&at.as_secs_f64());
    let rows = samples(plain).into_iter().filter(|sample| inside(sample.at));
    rows.map(|sample| (sample.channel.to_string(), sample.at, sample.raw)).collect()
}

#[test]
fn out_of_a_rolling_record_what_lies_around_a_mark_is_kept_to_the_reading_and_overlaps_are_one() {
    let archive = tempfile::tempdir().unwrap();
    let base = ["--seed", "7", "--for", "200s", "--channel", "rpm", "--channel", "battery_alone"];
    let marks = [
        "--say",
        "10 s mark early",
        "--say",
        "80 s mark one",
        "--say",
        "95 s mark two",
        "--say",
        "160 s mark",
    ];
    let rolling = ["--rolling", "--rolling-age", "60s", "--before", "20s", "--after", "10s"];
    let (code, lines, end) = capture(archive.path(), &[&base[..], &marks[..], &rolling[..]].concat());
    assert_eq!(code, Some(0), "{end}");
    let kept = sessions(&end);
    let (_, _, plain) = capture(archive.path(), &base);
    let plain = sessions(&plain).remove(0);
    let around: Vec<(Vec<f64>, f64, f64)> = kept
        .iter()
        .map(|session| {
            let kept = session.events.iter().find_map(|one| match &one.event {
                Event::KeptAround { triggers, before, after, before_asked, after_asked } => {
                    assert_eq!((*before_asked, *after_asked), (Span::from_secs(20), Span::from_secs(10)));
                    let at = triggers.iter().map(|trigger| trigger.at.as_secs_f64()).collect();
                    Some((at, before.as_secs_f64(), after.as_secs_f64()))
                }
                _ => None,
            });
            kept.expect("it says what it was kept around")
        })
        .collect();
    let marks: Vec<Vec<f64>> = around.iter().map(|(at, _, _)| at.clone()).collect();
    assert_eq!(
        marks,
        [vec![10.0], vec![80.0, 95.0], vec![160.0]],
        "the two in the middle lap over each other"
    );
    // The first had only the time since the beginning before it, and says so.
    assert!(around[0].1 <= 10.0 && around[0].1 > 8.0, "{around:?}");
    assert!(around[1..].iter().all(|(_, before, after)| *before > 19.0 && *after > 9.0), "{around:?}");
    for (session, (at, _, _)) in kept.iter().zip(&around) {
        let (from, to) = (at[0] - 20.0, at[at.len() - 1] + 10.0);
        let held: Vec<_> =
            samples(session).into_iter().map(|one| (one.channel.to_string(), one.at, one.raw)).collect();
        assert!(!held.is_empty() && held == stretch(&plain, from, to), "kept around {at:?}");
        assert!(session.head().tags.contains_key("kept-of") && !session.head().tags.contains_key("rolling"));
        assert!((1..).zip(&session.events).all(|(seq, one)| one.seq == seq), "numbered from one");
    }
    // What rolls stays within its age, and nothing is promised any more.
    let roll = archive.path().join(".rolling");
    let left = record::Archive::unrecovered(&roll).unwrap().sessions().unwrap();
    let oldest = left.iter().map(|path| read_session(path).unwrap().card.last.unwrap()).min().unwrap();
    assert!(oldest >= Moment::ZERO + Span::from_secs(139), "{oldest:?}");
    assert_eq!(std::fs::read_dir(roll.join("promises")).unwrap().count(), 0);
    // Segments are numbered each for itself.
    assert!(of_kind(&lines, "session_started").len() > 20);
}

#[test]
fn a_rolling_record_stays_under_its_size() {
    let archive = tempfile::tempdir().unwrap();
    let limits = ["--rolling", "--rolling-size", "100kB", "--before", "20s", "--after", "10s"];
    let (code, _, _) = capture(
        archive.path(),
        &[&["--seed", "8", "--for", "300s", "--channel", "rpm"], &limits[..]].concat(),
    );
    assert_eq!(code, Some(0));
    let left = record::Archive::unrecovered(&archive.path().join(".rolling")).unwrap().sessions().unwrap();
    let bytes = |path: &PathBuf| -> u64 {
        let files = std::fs::read_dir(path).unwrap().map(|file| file.unwrap());
        files
            .filter(|file| file.file_name() != "session.json")
            .map(|file| file.metadata().unwrap().len())
            .sum()
    };
    let total: u64 = left.iter().map(bytes).sum();
    assert!(!left.is_empty() && total <= 100_000, "{total} bytes in {} segments", left.len());
}

#[test]
fn a_trigger_that_is_true_already_waits_to_become_untrue_unless_it_is_told_not_to() {
    let archive = tempfile::tempdir().unwrap();
    let base = [
        "--seed",
        "9",
        "--for",
        "60s",
        "--channel",
        "rpm",
        "--rolling",
        "--before",
        "20s",
        "--after",
        "10s",
        "--keep-when",
        "rpm above 300 /min",
    ];
    let (_, lines, end) = capture(archive.path(), &base);
    assert_eq!(end["sessions"].as_array().unwrap().len(), 0, "{end}");
    let told = of_kind(&lines, "remark");
    assert!(told[0]["event"]["text"].as_str().unwrap().contains("true already"), "{told:?}");
    let (_, _, end) = capture(archive.path(), &[&base[..], &["--keep-if-already"]].concat());
    assert_eq!(end["sessions"].as_array().unwrap().len(), 1, "{end}");
    // A trigger that becomes true while it runs: the coolant of this car passes its level.
    let level = [
        "--seed",
        "4",
        "--for",
        "80s",
        "--channel",
        "coolant",
        "--rolling",
        "--before",
        "5s",
        "--after",
        "5s",
        "--keep-when",
        "coolant above 78 Cel proven",
    ];
    let (_, _, end) = capture(archive.path(), &level);
    let kept = sessions(&end);
    assert_eq!(kept.len(), 1, "{end}");
    let readings = samples(&kept[0]);
    assert!(readings[0].value < readings[readings.len() - 1].value, "it rises through its level");
}

#[test]
fn a_controller_that_is_never_heard_is_told_and_no_silent_success() {
    let archive = tempfile::tempdir().unwrap();
    // The pins of this adapter are right; the car's description is of another controller.
    let car = archive.path().join("other.toml");
    let (_, text) = station::bench::Variant::default().description();
    std::fs::write(&car, text.replace("controller_address = 0x2A", "controller_address = 0x2B")).unwrap();
    let car = car.to_str().unwrap();
    let (code, lines, end) = capture(archive.path(), &["--car", car, "--for", "45s", "--channel", "rpm"]);
    assert_eq!((code, &end["why"]), (Some(4), &Value::from("nothing was read")), "{end}");
    assert_eq!(end["readings"], 0);
    // The time in which nothing came is there as gaps.
    let session = sessions(&end).remove(0);
    let gaps: Vec<Row> = session.rows().unwrap().map(|row| row.unwrap()).collect();
    let covered: f64 = gaps.iter().map(|gap| gap.half().as_secs_f64() * 2.0).sum();
    assert!(
        gaps.iter().all(|row| matches!(row, Row::Gap(_))) && (40.0..46.0).contains(&covered),
        "{covered}"
    );
    assert!(of_kind(&lines, "link_up").is_empty());
    let plain = text_of(&start(archive.path(), &["--car", car, "--for", "45s", "--channel", "rpm"]));
    assert!(plain.contains("no controller has answered for 30.0 s"), "{plain}");
}

fn text_of(output: &Output) -> String {
    text(&output.stdout)
}

#[test]
fn marks_and_the_job_belong_to_a_procedure_as_well() {
    let archive = tempfile::tempdir().unwrap();
    let output = Command::new(program())
        .args(["rehearse", "hold-demo", "--seed", "1", "--json", "--archive"])
        .arg(archive.path())
        .args(["--work", "idle valve changed", "--odometer", "88000 km", "--say", "12 s mark a squeak"])
        .args(["--measurement", "gap 0.7 mm with feeler gauge"])
        .output()
        .expect("it starts");
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let out = text(&output.stdout);
    let end: Value = serde_json::from_str(out.lines().last().unwrap()).unwrap();
    let session = read_session(Path::new(end["path"].as_str().unwrap())).unwrap();
    assert_eq!(session.head().job.work.as_deref(), Some("idle valve changed"));
    let said: Vec<String> = session.events.iter().filter_map(|one| report::said(&one.event)).collect();
    assert_eq!(said, ["measured by hand: gap 0.7 mm with feeler gauge", "mark: a squeak"]);
}

#[test]
fn every_mistake_is_told_at_once_with_its_place_and_its_cure() {
    let archive = tempfile::tempdir().unwrap();
    let all = [
        "--channel",
        "rmp",
        "--channel",
        "rpm=fast",
        "--group",
        "runing_data",
        "--start-when",
        "rpm above 500 Cel",
        "--stop-when",
        "coolant over 75 Cel",
        "--for",
        "10",
        "--split-every",
        "soon",
        "--split-size",
        "50 mb",
        "--tag",
        "fuel",
        "--odometer",
        "18 Cel",
        "--ambient",
        "warm",
        "--measurement",
        "2.9 bar",
        "--sync-every",
        "5min",
        "--say",
        "later mark",
        "--bench",
        "steam",
    ];
    let output = start(archive.path(), &all);
    assert_eq!(output.status.code(), Some(2));
    insta::assert_snapshot!(text(&output.stderr));
    let rolling = ["--rolling", "--rolling-age", "1min", "--before", "5min", "--wire-trace"];
    let output = start(archive.path(), &rolling);
    assert_eq!(output.status.code(), Some(2));
    insta::assert_snapshot!(text(&output.stderr));
}

#[test]
fn what_a_person_reads_of_a_capture() {
    let archive = tempfile::tempdir().unwrap();
    let shown = |arguments: &[&str]| {
        let out = text_of(&start(archive.path(), arguments));
        out.replace(archive.path().to_str().unwrap(), "archive")
    };
    let parts = shown(&[
        "--seed",
        "13",
        "--for",
        "50s",
        "--channel",
        "rpm=20",
        "--split-every",
        "20s",
        "--say",
        "20 s mark the fan",
        "--measurement",
        "fuel pressure 2.9 bar ± 0.1 with gauge 3",
    ]);
    insta::assert_snapshot!(parts);
    let rolling = shown(&[
        "--seed",
        "14",
        "--for",
        "100s",
        "--channel",
        "rpm=2",
        "--rolling",
        "--before",
        "20s",
        "--after",
        "10s",
        "--keep-when",
        "rpm above 300 /min",
        "--say",
        "12 s mark",
        "--say",
        "20 s mark again",
    ]);
    insta::assert_snapshot!(rolling);
}
