//! Finding recorded sessions again, from the command line.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use tempfile::TempDir;

use crate::command_line::program;

/// An archive with two rehearsals.
pub(crate) struct Archive {
    folder: TempDir,
}

impl Archive {
    pub(crate) fn new() -> Self {
        let archive = Self { folder: tempfile::tempdir().expect("a temporary folder") };
        for (seed, tag) in [("1", "fuel=e10"), ("2", "fuel=e5")] {
            let output = archive.run("rehearse", &["hold-demo", "--seed", seed, "--tag", tag]);
            assert_eq!(output.code, 0, "{output:?}");
        }
        archive
    }

    pub(crate) fn path(&self) -> &Path {
        self.folder.path()
    }

    /// Runs a command on this archive.
    pub(crate) fn run(&self, command: &str, arguments: &[&str]) -> Ran {
        self.answer(command, arguments, "")
    }

    /// Runs a command on this archive, with this on its standard input.
    fn answer(&self, command: &str, arguments: &[&str], typed: &str) -> Ran {
        let mut child = Command::new(program())
            .args(command.split(' '))
            .args(arguments)
            .arg("--archive")
            .arg(self.path())
            .env_remove("HOLDGATE_LOG")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("it starts");
        // A command that asks nothing may have ended before it is answered.
        child.stdin.take().expect("it was asked for").write_all(typed.as_bytes()).ok();
        Ran::of(&child.wait_with_output().expect("it ends"))
    }

    fn sessions(&self, arguments: &[&str]) -> Ran {
        self.run("sessions", arguments)
    }

    /// Folder of the session of a seed.
    pub(crate) fn session(&self, seed: u32) -> PathBuf {
        self.path().join(format!("car=bench-car/date=2026-01-01/rehearsal-hold-demo-seed-{seed}"))
    }
}

/// What a command said.
#[derive(Debug)]
pub(crate) struct Ran {
    pub(crate) code: i32,
    pub(crate) out: String,
    pub(crate) err: String,
}

impl Ran {
    fn of(output: &Output) -> Self {
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        let code = output.status.code().expect("no signal ended it");
        Self { code, out: text(&output.stdout), err: text(&output.stderr) }
    }

    #[track_caller]
    fn says(&self, code: i32, parts: &[&str]) -> &Self {
        assert_eq!(self.code, code, "{self:?}");
        for part in parts {
            assert!(self.out.contains(part) || self.err.contains(part), "{part} is missing in {self:?}");
        }
        self
    }

    /// The names of the sessions, from a list in JSON.
    fn names(&self) -> Vec<String> {
        let name = |line: &str| {
            let line: serde_json::Value = serde_json::from_str(line).expect("JSON");
            line["session"].as_str().expect("a name").trim_start_matches("rehearsal-hold-demo-").to_string()
        };
        self.out.lines().map(name).collect()
    }
}

#[test]
fn sessions_are_listed_filtered_annotated_and_shown() {
    let archive = Archive::new();
    let one = "rehearsal-hold-demo-seed-1";
    archive.sessions(&[]).says(0, &["began (UTC)", one, "fuel=e10", "2 sessions", "passed", "hold-demo"]);
    archive.sessions(&["list", "--limit", "1"]).says(0, &["1 of 2 sessions"]);
    let named = |arguments: &[&str]| {
        let all = [&["list", "--json"], arguments].concat();
        let ran = archive.sessions(&all);
        assert_eq!(ran.code, 0, "{ran:?}");
        ran.names()
    };
    assert_eq!(named(&[]).len(), 2);
    assert_eq!(named(&["--tag", "fuel=e10"]), ["seed-1"]);
    assert_eq!(named(&["--tag", "weather"]), Vec::<String>::new());
    assert_eq!(named(&["--since", "2026-01-02"]), Vec::<String>::new());

    archive.sessions(&["tag", one, "weather=rain", "fuel=e98"]).says(0, &["fuel=e98, weather=rain"]);
    archive.sessions(&["tag", one, "--remove", "wether"]).says(2, &["did you mean 'weather'?"]);
    archive.sessions(&["tag", one, "a=\u{7}", "=x", "novalue"]).says(2, &["control", "no key", "KEY=VALUE"]);
    archive.sessions(&["note", one, "cable", "was tight"]).says(0, &["note 1"]);
    archive.sessions(&["date", one, "2026-03-04T10:30+02:00"]).says(0, &["began 2026-03-04T08:30:00Z"]);
    archive.sessions(&["date", one, "2026-03-04"]).says(2, &["not a date and time"]);
    archive.sessions(&["keep", "last"]).says(0, &["no limit removes it"]);
    assert_eq!(named(&["--tag", "weather=rain"]), ["seed-1"]);
    assert_eq!(named(&["--text", "TIGHT cable"]), ["seed-1"]);
    assert_eq!(named(&["--since", "2026-03-04", "--until", "2026-03-04"]), ["seed-1"]);
    assert_eq!(named(&["--until", "2026-01-01"]), ["seed-2"]);
    archive.sessions(&["show", "last"]).says(
        0,
        &[
            "2026-03-04T08:30:00Z (corrected",
            "fuel=e98 (recorded as e10)",
            "weather=rain (added)",
            "cable was tight",
            "kept",
        ],
    );
    let shown = archive.sessions(&["show", one, "--json"]);
    let shown: serde_json::Value = serde_json::from_str(&shown.out).expect("JSON");
    assert_eq!(shown["tags"]["weather"], "rain");
    assert_eq!(shown["session"]["head"]["tags"]["fuel"], "e10", "the record stays as it was");
    // Everything said afterwards stands in the one file, and the record is as whole as before.
    archive.sessions(&["verify"]).says(0, &["2 sessions checked, 0 not whole"]);
    archive.sessions(&["date", one, "--off"]).says(0, &["began 2026-01-01T00:00:00Z, as it was recorded"]);
    archive.sessions(&["show", "rehearsal-hold-demo-seed"]).says(2, &["may be 2 sessions"]);
    archive
        .sessions(&["list", "--ending", "well", "--since", "soon"])
        .says(2, &["'well'", "car-not-right", "'soon'"]);
}

#[test]
fn a_broken_sidecar_hides_nothing_and_stops_only_what_needs_it() {
    let archive = Archive::new();
    let session = archive.session(1);
    let sidecar = session.join("notes.json");
    std::fs::write(&sidecar, r#"{"schema":1,"colour":"red"}"#).unwrap();
    archive
        .sessions(&[])
        .says(0, &["seed-1", "its notes cannot be read", "unknown field `colour`", "2 sessions"]);
    archive.sessions(&["list", "--tag", "fuel=e5"]).says(2, &["seed-1", "seed-2", "listed all the same"]);
    archive.sessions(&["show", session.to_str().unwrap()]).says(2, &["ended      passed", "unknown field"]);
    archive.sessions(&["tag", "rehearsal-hold-demo-seed-1", "a=b"]).says(2, &["mend it by hand"]);
    archive
        .sessions(&["remove", "rehearsal-hold-demo-seed-1", "--yes"])
        .says(2, &["may be marked to be kept"]);
    archive.sessions(&["verify", "rehearsal-hold-demo-seed-1"]).says(2, &["not whole", "notes.json"]);
    archive.run("export", &[session.to_str().unwrap(), "--channels", "rpm"]).says(0, &["rpm [{rev}/min]"]);
    archive.run("export", &[session.to_str().unwrap(), "--time", "utc"]).says(2, &["unknown field"]);
    assert_eq!(std::fs::read_to_string(&sidecar).unwrap(), r#"{"schema":1,"colour":"red"}"#);
}

#[test]
fn verify_names_the_damaged_file() {
    let archive = Archive::new();
    let table = archive.session(2).join("samples.parquet");
    let mut bytes = std::fs::read(&table).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 0x10;
    std::fs::write(&table, bytes).unwrap();
    archive.sessions(&["verify"]).says(
        2,
        &[
            "seed-1: whole: 3 files",
            "seed-2: not whole",
            "samples.parquet",
            "digest",
            "a page of column",
            "2 sessions checked, 1 not whole",
        ],
    );
    archive.run("export", &["rehearsal-hold-demo-seed-2"]).says(2, &["samples.parquet", "digest"]);

    archive.sessions(&["rescue", "rehearsal-hold-demo-seed-1"]).says(0, &["nothing to rescue"]);
    archive
        .sessions(&["rescue", "rehearsal-hold-demo-seed-2"])
        .says(0, &["samples.parquet: a page of column", "rescued: ", "stays as it is"]);
    archive.sessions(&["verify", "rehearsal-hold-demo-seed-2-rescued"]).says(0, &["whole"]);
    let tag = ["list", "--tag", "rescued_from=rehearsal-hold-demo-seed-2"];
    archive.sessions(&tag).says(0, &["seed-2-rescued"]);
    archive.sessions(&["rescue", "rehearsal-hold-demo-seed-2"]).says(2, &["already"]);
}

#[test]
fn nothing_is_removed_without_consent_and_what_is_kept_stays() {
    let archive = Archive::new();
    let (one, two) = (archive.session(1), archive.session(2));
    let name = "rehearsal-hold-demo-seed-1";
    archive.answer("sessions remove", &[name], "no\n").says(3, &["Type yes", "nothing was removed"]);
    archive.answer("sessions remove", &[name], "").says(3, &["nothing was removed"]);
    assert!(one.is_dir());
    archive.sessions(&["keep", name]).says(0, &[]);
    archive.answer("sessions remove", &[name], "yes\n").says(2, &["marked to be kept", "--off"]);
    archive.sessions(&["limits"]).says(2, &["no limit is given"]);
    archive.sessions(&["limits", "--max-bytes", "lots"]).says(2, &["not a size"]);
    archive.sessions(&["limits", "--max-count", "5"]).says(0, &["2 sessions", "nothing has to go"]);
    archive
        .sessions(&["limits", "--max-count", "0", "--yes"])
        .says(0, &["1 of them marked", "1 session removed"]);
    assert!(one.is_dir() && !two.exists());
    archive.sessions(&["keep", name, "--off"]).says(0, &["limits may remove it"]);
    archive.answer("sessions remove", &[name, "last"], "yes\n").says(0, &["1 session removed"]);
    assert!(!one.exists());
    archive.sessions(&[]).says(0, &["no session is recorded here"]);
    archive.sessions(&["recover"]).says(0, &["a crash left nothing here"]);
}

#[test]
fn what_runs_is_left_alone_and_what_a_crash_left_is_closed_first() {
    let archive = Archive::new();
    let mut head = record::read_session(&archive.session(1)).unwrap().head().clone();
    head.session = model::SessionId::new("cut-short").unwrap();
    let (open, _) = record::Archive::open(archive.path()).unwrap();
    let writer = open.begin(head).unwrap();
    archive.sessions(&["list", "--ending", "running"]).says(0, &["cut-short", "running", "1 of 3 sessions"]);
    archive.sessions(&["remove", "cut-short", "--yes"]).says(2, &["is being recorded"]);
    archive.sessions(&["note", "cut-short", "x"]).says(2, &["is being recorded"]);
    archive.sessions(&["recover"]).says(0, &["a crash left nothing", "left alone"]);
    drop(writer);
    archive.sessions(&["list", "--ending", "crash"]).says(0, &["cut-short", "left open by a crash"]);
    archive.sessions(&["show", "cut-short"]).says(0, &["left open by a crash", "began 2026-01-01 00:00Z"]);
    archive.sessions(&["remove", "cut-short", "--yes"]).says(2, &["sessions recover"]);
    archive.run("export", &["cut-short"]).says(2, &["sessions recover"]);
    let trash = archive.path().join(".trash/half");
    std::fs::create_dir_all(&trash).unwrap();
    let recovered = archive.sessions(&["recover"]);
    recovered.says(0, &["is recovered, with 0 readings", "1 session that a crash left half removed"]);
    assert!(!trash.exists());
    archive.sessions(&["show", "cut-short"]).says(0, &["ended by a crash, recovered by a later start"]);
    archive.run("export", &["cut-short"]).says(2, &["nothing was recorded"]);
}

#[test]
fn paths_that_lead_elsewhere_touch_nothing() {
    let archive = Archive::new();
    let outside = tempfile::tempdir().unwrap();
    std::fs::write(outside.path().join("precious"), "x").unwrap();
    std::fs::write(outside.path().join("session.json"), "{}").unwrap();
    let path = outside.path().to_str().unwrap();
    let up = format!("{}/../..", archive.session(1).display());
    let names = |folder: &Path| std::fs::read_dir(folder).unwrap().count();
    let before = names(&archive.session(1));
    for elsewhere in [path, "..", "/", &up, "rehearsal-hold-demo-seed-1/../..", "no such", ""] {
        for command in ["remove", "keep", "tag", "note", "date"] {
            let more: &[&str] = match command {
                "remove" => &["--yes"],
                "tag" => &["a=b"],
                "note" => &["x"],
                "date" => &["2026-01-01T00:00"],
                _ => &[],
            };
            let ran = archive.sessions(&[&[command, elsewhere], more].concat());
            assert_eq!(ran.code, 2, "{command} {elsewhere}: {ran:?}");
        }
    }
    assert_eq!((names(outside.path()), names(&archive.session(1))), (2, before));
    // A folder whose name is no car's is told and leads nowhere.
    std::fs::create_dir_all(archive.path().join("car=.. x/date=2026-01-01/s")).unwrap();
    let listed = archive.sessions(&[]);
    listed.says(0, &["3 sessions", "cannot be read", "seed-1", "seed-2"]);
    let nowhere = Command::new(program()).args(["sessions", "--archive", "nowhere-at-all"]).output().unwrap();
    assert_eq!(nowhere.status.code(), Some(2));
    assert!(!Path::new("nowhere-at-all").exists());
}
