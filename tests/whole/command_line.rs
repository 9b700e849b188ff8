//! The program itself, started as people start it.

use std::path::PathBuf;
use std::process::{Command, Output};

use station::bench::Variant;

/// The program, as the entry script builds it beside these tests.
pub(crate) fn program() -> PathBuf {
    let mut path = std::env::current_exe().expect("this test has a path");
    path.pop();
    path.pop();
    let path = path.join(format!("holdgate{}", std::env::consts::EXE_SUFFIX));
    assert!(path.is_file(), "{} is missing: run tests/run, or cargo build --release first", path.display());
    path
}

fn run(arguments: &[&str]) -> Output {
    Command::new(program()).args(arguments).env_remove("HOLDGATE_LOG").output().expect("it starts")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

#[test]
fn the_demonstration_passes_and_says_where_its_session_lies_and_how_fast_it_ran() {
    let archive = tempfile::tempdir().unwrap();
    let folder = archive.path().to_str().unwrap();
    let output = run(&["rehearse", "hold-demo", "--seed", "1", "--archive", folder, "--tag", "fuel=e10"]);
    let out = text(&output.stdout);
    assert_eq!(output.status.code(), Some(0), "{out}{}", text(&output.stderr));
    assert!(out.contains("CAUTION") && out.find("CAUTION") < out.find("step warm"), "{out}");
    assert!(out.contains("times faster than real time"), "{out}");
    let path = out.lines().find_map(|line| line.strip_prefix("session: ")).expect("a path is printed");
    let session = record::read_session(std::path::Path::new(path)).unwrap();
    assert_eq!(session.head().tags.get("fuel").map(String::as_str), Some("e10"));

    // The same name again: nothing is overwritten.
    let again = run(&["rehearse", "hold-demo", "--seed", "1", "--archive", folder]);
    assert_eq!(again.status.code(), Some(0));
    assert!(text(&again.stdout).contains("seed-1-2"), "{}", text(&again.stdout));

    let report = run(&["report", path]);
    assert_eq!(report.status.code(), Some(0), "{}", text(&report.stderr));
    assert!(text(&report.stdout).contains("idle held"), "{}", text(&report.stdout));
}

#[test]
fn what_the_bench_car_sent_is_written_from_its_own_log() {
    let archive = tempfile::tempdir().unwrap();
    let folder = archive.path().to_str().unwrap();
    let rehearse = |file: &std::path::Path| {
        run(&["rehearse", "hold-demo", "--archive", folder, "--sent", file.to_str().unwrap()])
    };
    let nowhere = archive.path().join("none").join("sent.csv");
    let refused = rehearse(&nowhere);
    assert_eq!(refused.status.code(), Some(2), "{}", text(&refused.stdout));
    let err = text(&refused.stderr);
    assert!(err.contains(nowhere.to_str().unwrap()) && err.contains("--sent"), "{err}");
    assert_eq!(
        std::fs::read_dir(archive.path()).unwrap().count(),
        0,
        "it was refused before anything was run"
    );

    let file = archive.path().join("sent.csv");
    assert_eq!(rehearse(&file).status.code(), Some(0));
    let sent = std::fs::read_to_string(&file).unwrap();
    let (head, rows) = sent.split_once('\n').unwrap();
    assert_eq!(head, "start_ns,end_ns,request,answer");
    // StartCommunication is 81, between header and checksum (ISO 14230-2, from memory).
    let first: Vec<&str> = rows.lines().next().unwrap().split(',').collect();
    assert_eq!((first.len(), first[2]), (4, "812AF1811D"));
    let starts: Vec<i64> = rows.lines().map(|row| row.split(',').next().unwrap().parse().unwrap()).collect();
    assert!(starts.len() > 100 && starts.is_sorted(), "{starts:?}");
}

#[test]
fn every_word_of_the_language_is_listed() {
    let output = run(&["reference"]);
    assert_eq!(output.status.code(), Some(0));
    let out = text(&output.stdout);
    for word in ["wait(gate)", "hold(", "measure(", "change(from, to)", ".celsius", "caution("] {
        assert!(out.contains(word), "{word} is missing in:\n{out}");
    }
}

#[test]
fn json_is_one_object_a_line_and_the_end_is_the_last() {
    let archive = tempfile::tempdir().unwrap();
    let output = run(&[
        "rehearse",
        "hold-demo",
        "--seed",
        "2",
        "--json",
        "--archive",
        archive.path().to_str().unwrap(),
    ]);
    let lines: Vec<serde_json::Value> =
        text(&output.stdout).lines().map(|line| serde_json::from_str(line).expect("JSON")).collect();
    let (end, events) = lines.split_last().unwrap();
    assert_eq!(end["kind"], "run_ended");
    assert_eq!(end["ending"], "passed");
    for (i, event) in events.iter().enumerate() {
        assert_eq!(event["seq"], i as u64 + 1);
        assert_eq!(event["schema"], u64::from(model::SCHEMA_VERSION));
    }
}

#[test]
fn bad_input_says_what_where_and_the_cure_all_at_once_and_exits_with_2() {
    let archive = tempfile::tempdir().unwrap();
    let folder = archive.path().to_str().unwrap();
    let all = ["rehearse", "hold-dmo", "--fault", "air-leek", "--tag", "fuel", "--archive", folder];
    let output = run(&all);
    let err = text(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{err}");
    for part in [
        "hold-dmo",
        "did you mean 'hold-demo'?",
        "air-leek",
        "sticking-idle-valve",
        "'fuel' is not KEY=VALUE",
    ] {
        assert!(err.contains(part), "{part} is missing in:\n{err}");
    }
    assert_eq!(run(&["rehearse", "missing.rhai"]).status.code(), Some(2));
    assert_eq!(run(&["rehearse"]).status.code(), Some(2));
    let all = [
        "rehearse",
        "base-idle",
        "--start",
        "lukewarm",
        "--bench",
        "steam",
        "--scripts",
        "nowhere",
        "--follows",
        folder,
    ];
    let output = run(&all);
    let err = text(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{err}");
    for part in
        ["'lukewarm'", "standing-warm", "'steam'", "choose one of pressure, mass", "no folder 'nowhere'"]
    {
        assert!(err.contains(part), "{part} is missing in:\n{err}");
    }
    assert_eq!(run(&["report", folder]).status.code(), Some(2));
    assert_eq!(run(&["--version"]).status.code(), Some(0));
}

#[test]
fn a_script_of_ones_own_is_run_and_its_mistake_is_told_with_line_and_column() {
    let folder = tempfile::tempdir().unwrap();
    let script = folder.path().join("mine.rhai");
    std::fs::write(&script, "procedure(\"mine\", #{ title: \"Mine\", channels: [\"rpm\"] });\nwait(above(\"rmp\", 1.rpm).limit(1.second));\n").unwrap();
    let archive = folder.path().join("archive");
    let output = run(&["rehearse", script.to_str().unwrap(), "--archive", archive.to_str().unwrap()]);
    let out = text(&output.stdout);
    assert_eq!(output.status.code(), Some(2), "{out}");
    assert!(out.contains("mine.rhai:2:") && out.contains("did you mean 'rpm'?"), "{out}");
    assert!(out.contains("session: "), "the recording is kept: {out}");
}

#[test]
fn the_bench_cars_description_can_be_looked_at_and_a_broken_one_tells_every_mistake() {
    let output = run(&["car"]);
    assert_eq!(output.status.code(), Some(0));
    assert!(text(&output.stdout).contains("idle_valve"));
    let folder = tempfile::tempdir().unwrap();
    let broken = folder.path().join("car.toml");
    std::fs::write(&broken, "schema = 1\nname = \"x\"\ntitel = \"X\"\n[link]\nbaud = -1\n").unwrap();
    let output = run(&["car", broken.to_str().unwrap()]);
    let err = text(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{err}");
    assert!(err.contains("car.toml:3") && err.contains("car.toml:5"), "{err}");
}

#[test]
fn a_procedure_is_checked_against_every_kind_of_bench_car_and_the_help_names_them_all() {
    let help = ["check", "rehearse", "bench-car"].map(|command| text(&run(&[command, "--help"]).stdout));
    for (kind, variant) in Variant::NAMES {
        let output = run(&["check", "hold-demo", "--bench", kind, "--json"]);
        let out = text(&output.stdout);
        let last = out.lines().last().expect("it says how it ended");
        let end: serde_json::Value = serde_json::from_str(last).expect("JSON");
        let (file, _) = variant.description();
        assert_eq!(end["car"].as_str(), file.strip_suffix(".toml"), "{out}{}", text(&output.stderr));
        for help in &help {
            let words = help.split_whitespace().collect::<Vec<_>>().join(" ");
            assert!(
                words.contains(&format!("{kind} ({})", variant.words())),
                "{kind} is missing in:\n{help}"
            );
        }
    }
    let output = run(&["check", "hold-demo", "--bench", "steam"]);
    let err = text(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{err}");
    for (kind, _) in Variant::NAMES {
        assert!(err.contains("choose one of") && err.contains(kind), "{err}");
    }
}
