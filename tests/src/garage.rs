//! A bench car in real time behind a pseudo-terminal, and the program at work on it as a process of its own.

use std::io::{BufRead, BufReader, Lines, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdout, Command, Stdio};
use std::sync::mpsc::channel;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;

use bench_car::{Happened, World, WorldConfig, hands};
use clock::{RunnerError, Stop, spawn_real};
use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use station::bench::served::{Act, Served};
use station::bench::{share, share_hands};
use tempfile::TempDir;
use tokio::sync::mpsc::{UnboundedSender, unbounded_channel};

/// What the bench car's thread gives back: what happened on its side.
type Ended = Result<Result<Vec<Happened>, String>, RunnerError>;

/// Only one measurement or run in real time at a time: a machine of two cores has no room for the threads of two.
static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());

/// Waits until nobody else in this process works in real time.
pub fn alone() -> MutexGuard<'static, ()> {
    // A test that failed has left nothing behind in it.
    ONE_AT_A_TIME.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A garage: a bench car with its port, and a folder.
pub struct Garage {
    _alone: MutexGuard<'static, ()>,
    folder: TempDir,
    acts: UnboundedSender<Act>,
    stop: Stop,
    thread: JoinHandle<Ended>,
}

impl Garage {
    /// Puts a bench car of this kind into a new garage.
    pub fn with(config: WorldConfig) -> Self {
        let _alone = alone();
        let folder = tempfile::tempdir().expect("a temporary folder");
        let (acts, mut acting) = unbounded_channel();
        let stop = Stop::new();
        let (ready, is_ready) = channel();
        let (ending, link) = (stop.clone(), folder.path().join("port"));
        let config = WorldConfig { awake: true, untimed: true, keep_log: true, ..config };
        let seed = config.seed;
        let thread = spawn_real("bench-car", move |clock| async move {
            os::priority::raise_this_thread();
            let world = share(World::new(config).map_err(|error| error.to_string())?);
            let hands = share_hands(hands::Hands::new(seed));
            let served = Served::new(clock, world.clone(), hands, Some(&link));
            let mut served = served.map_err(|error| error.to_string())?;
            ready.send(()).map_err(|error| error.to_string())?;
            served.run(&mut acting, &ending).await.map_err(|error| error.to_string())?;
            let log = world.borrow().log().to_vec();
            Ok(log)
        });
        let thread = thread.expect("a thread");
        is_ready.recv().expect("the bench car is served");
        Self { _alone, folder, acts, stop, thread }
    }

    /// Does something to the bench car.
    pub fn act(&self, act: Act) {
        self.acts.send(act).expect("the bench car is at work");
    }

    /// The path of the bench car's port.
    pub fn port(&self) -> PathBuf {
        self.folder.path().join("port")
    }

    /// Where sessions go.
    pub fn archive(&self) -> PathBuf {
        self.folder.path().join("archive")
    }

    /// Starts the program on the bench car, with every event as a line of JSON. `script` is a shipped name or a
    /// text of its own.
    pub fn run(&self, program: &Path, script: &str, more: &[&str]) -> Running {
        let procedure = if script.contains('\n') {
            let path = self.folder.path().join("script.rhai");
            std::fs::write(&path, script).expect("the folder is there");
            path.display().to_string()
        } else {
            script.to_string()
        };
        self.start(program, &["run", &procedure], more)
    }

    /// Starts a capture on the bench car, with every event as a line of JSON.
    pub fn capture(&self, program: &Path, more: &[&str]) -> Running {
        self.start(program, &["capture"], more)
    }

    fn start(&self, program: &Path, command: &[&str], more: &[&str]) -> Running {
        let mut process = Command::new(program)
            .args(command)
            .args(["--car", "bench-car", "--json"])
            .arg("--port")
            .arg(self.port())
            .arg("--archive")
            .arg(self.archive())
            .args(more)
            .env_remove("HOLDGATE_LOG")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::inherit())
            .spawn()
            .expect("it starts");
        let lines = BufReader::new(process.stdout.take().expect("it is piped")).lines();
        Running { process, lines, seen: Vec::new() }
    }

    /// Drives the bench car away and says what happened on its side.
    pub fn finish(self) -> Vec<Happened> {
        self.stop.raise("the end of the test");
        let ended = self.thread.join().expect("the bench car does not panic");
        ended.expect("it had a runtime").expect("its port works")
    }
}

/// The program at work.
pub struct Running {
    process: Child,
    lines: Lines<BufReader<ChildStdout>>,
    seen: Vec<Value>,
}

impl Running {
    fn next(&mut self) -> Option<Value> {
        let line = self.lines.next()?.expect("its output is text");
        let value: Value = serde_json::from_str(&line).unwrap_or_else(|error| panic!("{error}: {line}"));
        self.seen.push(value.clone());
        Some(value)
    }

    /// Waits for an event of this kind and gives it.
    pub fn until(&mut self, kind: &str) -> Value {
        loop {
            let value = self.next().unwrap_or_else(|| panic!("it ended without {kind}: {:#?}", self.seen));
            if value["event"]["kind"] == kind {
                return value;
            }
        }
    }

    fn signal(&self, signal: Signal) {
        let pid = Pid::from_child(&self.process);
        // One that has ended by itself hears nothing.
        kill_process(pid, signal).ok();
    }

    /// Types a line.
    pub fn type_line(&mut self, line: &str) {
        let input = self.process.stdin.as_mut().expect("it is piped");
        writeln!(input, "{line}").expect("it reads");
    }

    /// Marks the moment by a signal.
    pub fn mark(&self) {
        self.signal(Signal::USR1);
    }

    /// Ctrl-C.
    pub fn interrupt(&self) {
        self.signal(Signal::INT);
    }

    /// Kills it as a crash would.
    pub fn kill(mut self) {
        self.process.kill().expect("it runs");
        self.process.wait().expect("it was killed");
    }

    /// Processor time that it has used so far, in clock ticks of 10 ms.
    pub fn ticks(&self) -> u64 {
        let stat = std::fs::read_to_string(format!("/proc/{}/stat", self.process.id())).expect("it runs");
        let after = stat.rsplit(')').next().expect("its name is in brackets");
        let field = |n: usize| after.split_whitespace().nth(n).and_then(|t| t.parse::<u64>().ok());
        // utime and stime, fields 14 and 15 (proc_pid_stat(5)).
        field(11).unwrap_or(0) + field(12).unwrap_or(0)
    }

    /// Waits for its end: exit code and every line.
    pub fn finish(mut self) -> (Option<i32>, Vec<Value>) {
        while self.next().is_some() {}
        let status = self.process.wait().expect("it ends");
        (status.code(), std::mem::take(&mut self.seen))
    }
}
