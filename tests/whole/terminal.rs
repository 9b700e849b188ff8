//! What a person at the terminal sees and types, and hands in another program, in real time.

use std::io::{BufRead, BufReader, Lines, Write};
use std::process::{Child, ChildStdout, Command, Stdio};

use bench_car::{Start, WorldConfig};
use holdgate_tests::garage::Garage;
use rustix::process::{Pid, Signal, kill_process};
use station::bench::served::Act;

use crate::command_line::program;

/// The program at work, read line by line.
struct Shown {
    process: Child,
    lines: Lines<BufReader<ChildStdout>>,
    seen: Vec<String>,
}

impl Shown {
    fn start(command: &mut Command) -> Self {
        let command = command.env_remove("HOLDGATE_LOG").stdin(Stdio::piped()).stdout(Stdio::piped());
        let mut process = command.stderr(Stdio::inherit()).spawn().expect("it starts");
        let lines = BufReader::new(process.stdout.take().expect("it is piped")).lines();
        Self { process, lines, seen: Vec::new() }
    }

    /// Reads until a line holds these words, and gives that line.
    fn until(&mut self, words: &str) -> String {
        loop {
            let line =
                self.lines.next().unwrap_or_else(|| panic!("it ended without '{words}': {:#?}", self.seen));
            let line = line.expect("its output is text");
            self.seen.push(line.clone());
            if line.contains(words) {
                return line;
            }
        }
    }

    fn type_line(&mut self, line: &str) {
        let input = self.process.stdin.as_mut().expect("it is piped");
        writeln!(input, "{line}").expect("it listens");
    }

    /// Ctrl-C; then its exit code and everything that it has written.
    fn interrupted(mut self) -> (Option<i32>, String) {
        kill_process(Pid::from_child(&self.process), Signal::INT).expect("it runs");
        self.ended()
    }

    fn ended(&mut self) -> (Option<i32>, String) {
        for line in self.lines.by_ref() {
            self.seen.push(line.expect("its output is text"));
        }
        (self.process.wait().expect("it ends").code(), self.seen.join("\n"))
    }
}

fn watch(garage: &Garage, more: &[&str]) -> Shown {
    let mut command = Command::new(program());
    command.args(["watch", "rpm", "battery", "--car", "bench-car", "--port"]).arg(garage.port());
    Shown::start(command.arg("--archive").arg(garage.archive()).args(more))
}

#[test]
fn a_watch_tells_the_window_the_way_to_it_and_the_loss_of_the_link() {
    let garage = Garage::with(WorldConfig { seed: 13, start: Start::StandingWarm, ..WorldConfig::default() });
    let mut shown = watch(&garage, &["--window", "rpm=300..4000"]);
    assert!(shown.until("UP by").starts_with("rpm"), "an engine that stands is below the window");
    assert!(shown.until("battery").contains('V'), "a channel without a window shows its value alone");
    garage.act(Act::Crank);
    let there = shown.until("IN THE WINDOW");
    shown.until("\u{7}");
    assert!(there.contains("within 300 to 4000"), "{there}");
    garage.act(Act::Unplug);
    shown.until("NO LINK");
    garage.act(Act::Plug);
    shown.until("IN THE WINDOW");
    // Ctrl-C is how a watch ends.
    let (code, _) = shown.interrupted();
    assert_eq!(code, Some(0));

    let mut quiet = watch(&garage, &["--window", "rpm=6000..7000", "--big", "--quiet"]);
    quiet.until("█");
    quiet.until("UP by");
    garage.act(Act::Key(false));
    quiet.until("unknown");
    let (code, all) = quiet.interrupted();
    assert_eq!(code, Some(0));
    assert!(!all.contains('\u{7}'), "it was told to be quiet");
    garage.finish();
}

#[test]
fn a_watch_of_what_the_car_does_not_have_is_refused_with_every_mistake() {
    let mut shown = Shown::start(
        Command::new(program()).args(["watch", "rmp", "throttel", "--car", "bench-car"]).args([
            "--port",
            "/dev/none",
            "--window",
            "rpm=2..1",
        ]),
    );
    assert_eq!(shown.ended().0, Some(2));
}

/// Asks for a word, and takes nothing over.
const CHOOSER: &str = r#"
procedure("chooser", #{ title: "Choose", channels: ["rpm"] });
caution(["Lead the exhaust outside."]);
step("look", "Look", || {
    let hoses = ask_choice("look", "hoses", "How are the hoses?", ["sound", "cracked"], 60.seconds);
    note("hoses", hoses);
    ask_number("read", "dash tachometer", "What does it read?",
        #{ low: 0.rpm, high: 8000.rpm, give_or_take: 50.rpm }, 60.seconds);
});
"#;

#[test]
fn a_choice_at_the_terminal_lists_its_options_and_takes_a_number() {
    let garage = Garage::with(WorldConfig { seed: 5, ..WorldConfig::default() });
    let folder = tempfile::tempdir().expect("a temporary folder");
    let script = folder.path().join("chooser.rhai");
    std::fs::write(&script, CHOOSER).expect("the folder is there");
    let mut command = Command::new(program());
    command.arg("run").arg(&script).args(["--car", "bench-car", "--port"]).arg(garage.port());
    let mut shown = Shown::start(command.arg("--archive").arg(garage.archive()));
    shown.until("> How are the hoses?");
    assert_eq!(shown.until("sound").trim(), "1  sound");
    assert_eq!(shown.until("cracked").trim(), "2  cracked");
    shown.type_line("2");
    assert!(shown.until("< ").ends_with("< cracked"), "{:#?}", shown.seen);
    assert!(shown.until("What does it read?").contains("(0 to 8000"), "{:#?}", shown.seen);
    shown.type_line("850");
    shown.until("< 850");
    let (code, all) = shown.ended();
    assert_eq!(code, Some(0), "{all}");
    garage.finish();
}

/// Passes only when somebody turns the key.
const STARTER: &str = r#"
procedure("starter", #{ title: "Start it", channels: ["rpm"] });
caution(["Lead the exhaust outside."]);
step("start", "Start the engine", || {
    ask_to("key", "start", "Start the engine", 60.seconds);
    wait(above("rpm", 300.rpm).limit(20.seconds));
});
"#;

#[test]
fn hands_in_another_program_serve_the_prompts_of_a_run() {
    let _alone = holdgate_tests::garage::alone();
    let folder = tempfile::tempdir().expect("a temporary folder");
    let at = |name: &str| folder.path().join(name);
    std::fs::write(at("starter.rhai"), STARTER).expect("the folder is there");
    let mut car = Command::new(program());
    car.args(["bench-car", "--start", "standing-warm", "--seed", "4", "--link"]).arg(at("port"));
    let mut car = Shown::start(car.arg("--hands").arg(at("hands")));
    car.until("hands:");
    let mut run = Command::new(program());
    run.arg("run").arg(at("starter.rhai")).args(["--car", "bench-car", "--port"]).arg(at("port"));
    let mut run = Shown::start(run.arg("--operator").arg(at("hands")).arg("--archive").arg(at("archive")));
    let (code, all) = run.ended();
    assert_eq!(code, Some(0), "{all}");
    assert!(all.contains("> Start the engine") && all.contains("< done"), "{all}");
    car.type_line("quit");
    let (code, all) = car.ended();
    assert_eq!(code, Some(0), "{all}");
    assert!(!at("hands").exists() && !at("port").exists(), "socket and port are taken away");
}

/// What a run on a port tells on standard error before it begins.
fn told_before(port: &str, more: &[&str]) -> String {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut command = Command::new(program());
    command.args(["run", "hold-demo", "--car", "bench-car", "--port", port]).args(more).stdin(Stdio::null());
    let output = command.arg("--archive").arg(folder.path()).output().expect("it starts");
    assert!(!output.status.success(), "there is no such port");
    String::from_utf8_lossy(&output.stderr).into_owned()
}

#[test]
fn consent_given_beforehand_still_tells_what_is_taken_over_and_of_the_exhaust_gas() {
    let told = told_before("/dev/null", &["--consent", "idle_valve"]);
    assert!(told.contains("idle_valve from") && told.contains("Exhaust gas kills"), "{told}");
}

#[test]
fn a_port_or_an_operator_that_is_not_there_is_told_before_anybody_agrees() {
    for more in [&[][..], &["--operator", "/no/socket"]] {
        let told = told_before("/dev/none", more);
        let what = if more.is_empty() { "there is no such port" } else { "nobody answers there" };
        assert!(told.contains(what) && !told.contains("takes over"), "{told}");
    }
}
