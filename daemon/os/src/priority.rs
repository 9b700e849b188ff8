//! A thread that is woken on time: its place among the threads that want to run, and how far the kernel may put its
//! timers off.
//!
//! A thread whose waits are late wastes the wire it serves. The system may allow it to run before all ordinary
//! threads (real time), or to be preferred among them (nice), or neither.
//!
//! One call of the C library and the safe wrappers of `rustix`, which the program has anyway, do all of it; a library
//! for thread priorities would bring a tree of its own for this one call.

use std::fmt;

/// How a thread now runs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Scheduling {
    /// Before every ordinary thread, in turn with others of its level.
    RealTime {
        /// Its level, 1 (lowest) to 99.
        level: i32,
    },
    /// Preferred among ordinary threads.
    Nicer {
        /// Its nice value, −20 (most preferred) to 19.
        nice: i32,
    },
    /// Like any other thread, because the system allows nothing else.
    Usual {
        /// What the system said.
        why: String,
    },
    /// Like any other thread: this system offers nothing else here.
    NotOffered,
}

/// What [`raise_this_thread`] achieved.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Raised {
    /// How the thread now runs.
    pub scheduling: Scheduling,
    /// By how many nanoseconds the kernel may put this thread's timers off; none where it does not tell.
    pub timer_slack: Option<u64>,
}

impl fmt::Display for Raised {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.scheduling {
            Scheduling::RealTime { level } => write!(f, "real-time priority, level {level}")?,
            Scheduling::Nicer { nice } => write!(f, "preferred among ordinary threads (nice {nice})")?,
            Scheduling::Usual { why } => write!(f, "usual priority, more is not allowed ({why})")?,
            Scheduling::NotOffered => write!(f, "usual priority, this system offers no other here")?,
        }
        match self.timer_slack {
            Some(slack) => write!(f, "; timers put off by {slack} ns at most"),
            None => Ok(()),
        }
    }
}

/// Raises the calling thread as far as the system allows. Threads and programs that it starts later do not inherit
/// real-time priority.
pub fn raise_this_thread() -> Raised {
    #[cfg(target_os = "linux")]
    {
        linux::raise()
    }
    #[cfg(not(target_os = "linux"))]
    Raised { scheduling: Scheduling::NotOffered, timer_slack: None }
}

#[cfg(target_os = "linux")]
mod linux {
    use std::io;
    use std::num::NonZeroU64;

    use rustix::process::{Resource, getpriority_process, getrlimit, setpriority_process};
    use rustix::thread::{current_timer_slack, set_current_timer_slack};

    use super::{Raised, Scheduling};

    /// The lowest level already comes before every ordinary thread, and after whatever the system itself runs in real
    /// time.
    const LEVEL: i32 = 1;

    /// Far enough before ordinary threads, and not before those that the system keeps itself alive with (our choice,
    /// no published source).
    const NICE: i32 = -10;

    pub(super) fn raise() -> Raised {
        let scheduling = real_time().or_else(|denied| nicer().ok_or(denied));
        let scheduling = scheduling.unwrap_or_else(|why| Scheduling::Usual { why: why.to_string() });
        // The slack of a thread in real time counts as none; set all the same, it holds if that is taken away.
        let slack = set_current_timer_slack(NonZeroU64::new(1)).and_then(|()| current_timer_slack());
        Raised { scheduling, timer_slack: slack.ok() }
    }

    fn real_time() -> io::Result<Scheduling> {
        let level = libc::sched_param { sched_priority: LEVEL };
        // SAFETY: 0 is the calling thread, the parameter lives on this stack, and the call keeps no pointer to it.
        let done = unsafe { libc::sched_setscheduler(0, libc::SCHED_RR | libc::SCHED_RESET_ON_FORK, &level) };
        if done == 0 { Ok(Scheduling::RealTime { level: LEVEL }) } else { Err(io::Error::last_os_error()) }
    }

    /// As nice a value as is allowed, down to [`NICE`]; nothing where that is no better than now. On Linux a nice
    /// value belongs to the thread, and 0 is the calling one (setpriority(2), "C library/kernel differences").
    pub(super) fn nicer() -> Option<Scheduling> {
        let now = getpriority_process(None).ok()?;
        // The limit counts upwards: 20 minus the nicest value allowed (getrlimit(2)).
        let limit = getrlimit(Resource::Nice).current.unwrap_or(40).min(40);
        let allowed = NICE.max(20 - i32::try_from(limit).ok()?);
        let tried = [NICE, allowed].into_iter().filter(|nice| *nice < now);
        tried.into_iter().find(|nice| setpriority_process(None, *nice).is_ok())?;
        Some(Scheduling::Nicer { nice: getpriority_process(None).ok()? })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Fields of this thread in /proc (proc(5) of the Linux manual pages): 19 nice value, 40 real-time level,
    /// 41 policy (0 ordinary, 2 round robin).
    #[cfg(target_os = "linux")]
    fn told_by_the_kernel() -> (i32, i32, i32) {
        let stat = std::fs::read_to_string("/proc/thread-self/stat").unwrap();
        let fields: Vec<&str> = stat.rsplit(')').next().unwrap().split_whitespace().collect();
        let field = |number: usize| fields[number - 3].parse().unwrap();
        (field(19), field(40), field(41) & 0xff)
    }

    #[test]
    #[cfg(target_os = "linux")]
    fn what_is_said_to_be_achieved_is_what_the_kernel_shows_and_no_other_thread_has_it() {
        let usual = told_by_the_kernel();
        let raised = std::thread::spawn(move || {
            let raised = raise_this_thread();
            let (nice, level, policy) = told_by_the_kernel();
            match &raised.scheduling {
                Scheduling::RealTime { level: said } => assert_eq!((level, policy), (*said, 2)),
                Scheduling::Nicer { nice: said } => assert_eq!((nice, level, policy), (*said, 0, 0)),
                Scheduling::Usual { why } => assert!(!why.is_empty() && told_by_the_kernel() == usual),
                Scheduling::NotOffered => panic!("Linux offers it"),
            }
            let child = std::thread::spawn(told_by_the_kernel).join().unwrap();
            assert_eq!((child.1, child.2), (0, 0), "a child inherited real time");
            raised
        });
        let raised = raised.join().unwrap();
        // For a thread in real time the kernel says 0.
        assert!(raised.timer_slack.is_some_and(|slack| slack <= 1), "{raised}");
        assert_eq!(told_by_the_kernel(), usual);
    }

    #[test]
    #[cfg(target_os = "linux")]
    fn a_nice_value_that_is_allowed_is_taken_and_one_that_is_not_changes_nothing() {
        let (achieved, before, after) = std::thread::spawn(|| {
            let before = told_by_the_kernel();
            (linux::nicer(), before, told_by_the_kernel())
        })
        .join()
        .unwrap();
        match achieved {
            Some(Scheduling::Nicer { nice }) => {
                assert_eq!((nice, 0, 0), after);
                assert!(nice < before.0);
            }
            Some(other) => panic!("{other:?}"),
            None => assert_eq!(after, before),
        }
    }

    #[test]
    fn what_was_achieved_reads_as_words() {
        let told = |scheduling, timer_slack| Raised { scheduling, timer_slack }.to_string();
        assert_eq!(
            told(Scheduling::RealTime { level: 1 }, Some(1)),
            "real-time priority, level 1; timers put off by 1 ns at most"
        );
        assert_eq!(
            told(Scheduling::Nicer { nice: -10 }, None),
            "preferred among ordinary threads (nice -10)"
        );
        assert_eq!(
            told(Scheduling::Usual { why: "not permitted".into() }, Some(50_000)),
            "usual priority, more is not allowed (not permitted); timers put off by 50000 ns at most"
        );
    }
}
