//! Keeping the computer awake: a laptop that sleeps, or whose lid is closed under the bonnet, loses the link.
//!
//! A program of the system holds the inhibition for as long as it runs, and it runs for as long as its standard input
//! is open. The other end of that belongs to this program: when it ends, in whatever way, the kernel closes it, and
//! the computer may sleep again.

use std::io;
use std::process::{Child, Command, Stdio};

/// How the computer is kept awake.
#[derive(Debug, Clone)]
pub struct Inhibit {
    program: String,
    arguments: Vec<String>,
}

/// What the reason is put in place of.
const WHY: &str = "{why}";

impl Inhibit {
    /// As this system does it.
    pub fn system() -> Self {
        let arguments = [
            "--what=sleep:idle:handle-lid-switch",
            "--who=holdgate",
            &format!("--why={WHY}"),
            "--mode=block",
            // Reads until its input is closed, and does nothing else.
            "cat",
        ];
        Self::with("systemd-inhibit", &arguments)
    }

    /// By another program, which must end when its standard input does. `{why}` in an argument stands for the reason.
    pub fn with(program: &str, arguments: &[&str]) -> Self {
        let arguments = arguments.iter().map(ToString::to_string).collect();
        Self { program: program.into(), arguments }
    }

    /// Keeps the computer awake until the value given is dropped. It never fails: [`Inhibition::complaint`] says what
    /// is wrong.
    pub fn begin(&self, why: &str) -> Inhibition {
        let mut command = Command::new(&self.program);
        command.args(self.arguments.iter().map(|argument| argument.replace(WHY, why)));
        command.stdin(Stdio::piped()).stdout(Stdio::null()).stderr(Stdio::null());
        // A Ctrl-C goes to every program of the terminal's group; the computer must stay awake while we release.
        #[cfg(unix)]
        std::os::unix::process::CommandExt::process_group(&mut command, 0);
        let state = match command.spawn() {
            Ok(child) => State::Running(child),
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                State::Untold(format!("this system has no program '{}'", self.program))
            }
            Err(error) => State::Untold(format!("'{}' does not start: {error}", self.program)),
        };
        Inhibition { program: self.program.clone(), state }
    }
}

#[derive(Debug)]
enum State {
    Running(Child),
    /// Not kept awake, for a reason that nobody has been told.
    Untold(String),
    Told,
}

/// While this lives the computer is kept awake, unless [`Inhibition::complaint`] says otherwise.
#[derive(Debug)]
pub struct Inhibition {
    program: String,
    state: State,
}

impl Inhibition {
    /// Why the computer is not kept awake: given once, nothing before and after it. Ask now and then: a program that
    /// the system refuses ends a moment after it has started.
    pub fn complaint(&mut self) -> Option<String> {
        if let State::Running(child) = &mut self.state {
            let why = match child.try_wait() {
                Ok(None) => return None,
                Ok(Some(status)) => format!("'{}' has ended ({status})", self.program),
                Err(error) => format!("'{}' cannot be asked: {error}", self.program),
            };
            self.state = State::Untold(why);
        }
        match std::mem::replace(&mut self.state, State::Told) {
            State::Untold(why) => Some(format!("the computer may go to sleep: {why}")),
            State::Running(_) | State::Told => None,
        }
    }
}

impl Drop for Inhibition {
    fn drop(&mut self) {
        if let State::Running(child) = &mut self.state {
            drop(child.stdin.take());
            // One that heeds the end of its input is ending already; one that does not must not be waited for. That
            // it may be gone before is no error here.
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

#[cfg(test)]
#[cfg(target_os = "linux")]
mod tests {
    use super::*;

    fn is_there(id: u32) -> bool {
        std::path::Path::new(&format!("/proc/{id}")).exists()
    }

    fn complaint_in_the_end(inhibition: &mut Inhibition) -> String {
        loop {
            if let Some(told) = inhibition.complaint() {
                return told;
            }
            std::thread::yield_now();
        }
    }

    #[test]
    fn it_lasts_as_long_as_the_guard_and_then_leaves_nothing_behind() {
        let mut inhibition = Inhibit::with("cat", &[]).begin("a hold");
        let State::Running(child) = &inhibition.state else { panic!("{inhibition:?}") };
        let id = child.id();
        assert!(inhibition.complaint().is_none() && is_there(id));
        drop(inhibition);
        assert!(!is_there(id));
    }

    #[test]
    fn it_ends_with_this_program_because_its_input_does() {
        let mut inhibition = Inhibit::with("cat", &[]).begin("a hold");
        let State::Running(child) = &mut inhibition.state else { panic!("{inhibition:?}") };
        // What the kernel does when this program is killed.
        drop(child.stdin.take());
        assert!(child.wait().unwrap().success());
    }

    #[test]
    fn what_does_not_keep_the_computer_awake_is_told_once() {
        let mut missing = Inhibit::with("no-such-program-here", &[]).begin("a hold");
        assert_eq!(
            missing.complaint().as_deref(),
            Some("the computer may go to sleep: this system has no program 'no-such-program-here'")
        );
        assert_eq!(missing.complaint(), None);
        let mut refused = Inhibit::with("false", &[]).begin("a hold");
        assert_eq!(
            complaint_in_the_end(&mut refused),
            "the computer may go to sleep: 'false' has ended (exit status: 1)"
        );
        assert_eq!(refused.complaint(), None);
    }

    #[test]
    fn the_reason_reaches_the_program_in_its_place() {
        // Succeeds only if its first argument is the reason.
        let check = Inhibit::with("sh", &["-c", "test \"$1\" = 'why=a hold'", "sh", "why={why}"]);
        let told = complaint_in_the_end(&mut check.begin("a hold"));
        assert!(told.ends_with("'sh' has ended (exit status: 0)"), "{told}");
        let system = Inhibit::system();
        assert_eq!(system.program, "systemd-inhibit");
        assert!(system.arguments.contains(&"--why={why}".to_string()));
    }
}
