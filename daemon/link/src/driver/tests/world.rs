//! A driver, its controller, its sides and a script on a thread, run to their end on a rehearsal clock.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use car::Description;
use clock::{Caller, Clock, Stop, handoff};
use model::event::{ReleaseCause, ReleaseProof};
use model::{
    Command, Condition, Event, EventEnvelope, Exchange, Gap, Moment, OutputId, Quantity, Reply, Sample,
    SessionId, Span, StationId,
};

use super::controller::{Controller, Say};
use super::sides::{Book, Hands, Tape, Window, pick};
use super::trail::Trail;
use super::{CAR, S, gate, rpm_above, steps, valve};
use crate::transport::Transport;
use crate::transport::in_process::InProcess;
use crate::{Driver, DriverParts, Intent, Patience, RunEnd};

/// The script's side: it asks, and every question has its one reply.
pub(super) struct Script {
    caller: Caller<Command, Reply>,
    log: Arc<Mutex<usize>>,
}

impl Script {
    pub(super) fn new(caller: Caller<Command, Reply>, log: Arc<Mutex<usize>>) -> Self {
        Self { caller, log }
    }

    pub(super) fn ask(&self, command: Command) -> Reply {
        self.try_ask(command).expect("the driver outlives its script")
    }

    /// The same where the driver may be gone.
    pub(super) fn try_ask(&self, command: Command) -> Option<Reply> {
        let reply = self.caller.call(command).ok()?;
        *self.log.lock().unwrap() += 1;
        Some(reply)
    }

    /// Lets time pass: a prompt that nobody answers.
    pub(super) fn pause(&self, limit: Span) -> Reply {
        self.ask(Command::Prompt {
            act: "wait".into(),
            target: String::new(),
            words: String::new(),
            wanted: model::Wanted::Done,
            limit,
        })
    }

    /// Waits until the engine is seen to run.
    pub(super) fn link_up(&self) {
        let reply = self.ask(Command::Wait { gate: gate(rpm_above(100.0), Span::ZERO, S(30)) });
        assert!(matches!(reply, Reply::Waited { outcome: model::event::Outcome::Met, .. }), "{reply:?}");
    }

    pub(super) fn engage(&self, at_most: Span, drop_if: Vec<Condition>) -> Reply {
        self.engage_at(valve(), steps(32.0), at_most, drop_if)
    }

    pub(super) fn engage_at(
        &self,
        output: OutputId,
        value: Quantity,
        at_most: Span,
        drop_if: Vec<Condition>,
    ) -> Reply {
        self.ask(Command::Engage { output, value, at_most, drop_if, goes_on: false })
    }

    pub(super) fn release(&self) -> Reply {
        self.ask(Command::Release { output: valve() })
    }

    pub(super) fn stop(&self, by: &str) -> Reply {
        self.ask(Command::Stop { by: by.into() })
    }
}

/// What a run is made of.
pub(super) struct World {
    pub(super) car: String,
    pub(super) controller: Controller,
    pub(super) trail: Trail,
    pub(super) ledger_works: bool,
    /// Whether the ledger can strike anything out.
    pub(super) striking_works: bool,
    /// How long the disk takes for an entry of the ledger.
    pub(super) ledger_takes: Option<Span>,
    pub(super) hands: Hands,
    /// Their answers come at moments of which the driver knows nothing beforehand.
    pub(super) unforeseen: bool,
    pub(super) stop: Stop,
    pub(super) left_behind: Vec<Intent>,
    pub(super) patience: Patience,
    pub(super) room: usize,
    /// After how many samples the recorder's disk is full.
    pub(super) stops_after: Option<usize>,
    /// Whether the recorder wants exchanges.
    pub(super) traces: bool,
    /// How long, in real time, the script may compute between two calls.
    pub(super) script_patience: Duration,
    /// The script's thread does not end by itself.
    pub(super) keep_waiting: bool,
    /// Puts something between the driver and the line.
    pub(super) wrap: Option<Wrap>,
    /// When the plug is out: every call in that time fails, and the port can be opened again after it.
    pub(super) unplugged: Option<Vec<(Moment, Moment)>>,
}

/// Puts something around a transport.
pub(super) type Wrap = Box<dyn FnOnce(&Clock, Box<dyn Transport>) -> Box<dyn Transport>>;

/// How it came out.
pub(super) struct Told {
    pub(super) end: RunEnd,
    pub(super) at: Moment,
    pub(super) events: Vec<EventEnvelope>,
    pub(super) samples: Vec<Sample>,
    pub(super) gaps: Vec<Gap>,
    pub(super) exchanges: Vec<Exchange>,
    pub(super) ledger: BTreeMap<OutputId, Intent>,
    pub(super) controller: Controller,
    pub(super) trail: Trail,
    pub(super) shown: Vec<(Moment, String)>,
    /// How many records the recorder refused.
    pub(super) refused: u64,
    /// How many replies the script got.
    pub(super) replies: usize,
    /// Whether the line was the driver's to the end, with nothing in between that could fail.
    plain: bool,
}

impl World {
    /// A healthy controller.
    pub(super) fn new() -> Self {
        Self::with(|_, _| Say::Usual)
    }

    pub(super) fn with(mind: impl FnMut(Moment, &[u8]) -> Say + Send + 'static) -> Self {
        let trail = Trail::default();
        Self {
            car: CAR.to_string(),
            controller: Controller::new(trail.clone(), mind),
            trail,
            ledger_works: true,
            striking_works: true,
            ledger_takes: None,
            hands: Hands::default(),
            unforeseen: false,
            stop: Stop::new(),
            left_behind: Vec::new(),
            patience: Patience::default(),
            room: usize::MAX,
            stops_after: None,
            traces: false,
            script_patience: Duration::from_secs(60),
            keep_waiting: false,
            wrap: None,
            unplugged: None,
        }
    }

    /// A controller that keeps what it holds for ever.
    pub(super) fn without_timeout(mut self) -> Self {
        self.car = self.car.replace("controller_timeout_ms = 5000", "controller_timeout_ms = \"none\"");
        self.controller.look().timeout = None;
        self
    }

    pub(super) fn run(self, script: impl FnOnce(&Script) + Send + 'static) -> Told {
        self.run_owned(move |s| script(&s))
    }

    /// The script gets its side to keep or to drop.
    pub(super) fn run_owned(self, script: impl FnOnce(Script) + Send + 'static) -> Told {
        let told = clock::rehearse(0, |clock| self.drive(clock, script)).unwrap();
        told.check_always();
        told
    }

    pub(super) async fn drive(self, clock: Clock, script: impl FnOnce(Script) + Send + 'static) -> Told {
        let (caller, callee) = handoff(&clock, self.script_patience);
        let mut tape = Tape::new(self.room);
        tape.stops_after = self.stops_after;
        tape.traces = self.traces;
        let (recorded, refused) = (tape.recorded.clone(), tape.refused.clone());
        let slow = self.ledger_takes.map(|takes| (clock.clone(), takes));
        let mut book = Book::new(self.trail.clone(), self.ledger_works, slow);
        book.strikes = self.striking_works;
        let open = book.open.clone();
        open.lock().unwrap().extend(self.left_behind.iter().map(|i| (i.output.clone(), i.clone())));
        let window = Window::default();
        let shown = window.0.clone();
        let line: Box<dyn Transport> = Box::new(InProcess::new(self.controller.clone()));
        let plain = self.wrap.is_none() && self.unplugged.is_none();
        let transport = match self.wrap {
            Some(wrap) => wrap(&clock, line),
            None => line,
        };
        let (transport, reopen) = match self.unplugged {
            Some(times) => {
                let (transport, reopen) = super::reopening::plug(self.controller.clone(), transport, times);
                (transport, Some(reopen))
            }
            None => (transport, None),
        };
        let mut hands = self.hands;
        hands.unforeseen = self.unforeseen.then(|| clock.clone());
        let driver = Driver::new(DriverParts {
            clock: clock.clone(),
            transport,
            description: description(&self.car),
            script: callee,
            stop: self.stop,
            sink: Box::new(tape),
            ledger: Box::new(book),
            operator: Box::new(hands),
            viewer: Box::new(window),
            station: StationId::new("bench").unwrap(),
            session: SessionId::new("s1").unwrap(),
            left_behind: self.left_behind,
            patience: self.patience,
            reopen,
        });
        let replies = Arc::new(Mutex::new(0));
        let log = replies.clone();
        let thread = std::thread::spawn(move || script(Script::new(caller, log)));
        let end = driver.run().await;
        if !self.keep_waiting
            && let Err(panic) = thread.join()
        {
            std::panic::resume_unwind(panic);
        }
        let recorded = std::mem::take(&mut *recorded.lock().unwrap());
        let at = clock.now();
        self.controller.look().expire(at);
        let ledger = open.lock().unwrap().clone();
        let (shown, refused, replies) =
            (shown.lock().unwrap().clone(), *refused.lock().unwrap(), *replies.lock().unwrap());
        Told {
            end,
            at,
            events: recorded.events,
            samples: recorded.samples,
            gaps: recorded.gaps,
            exchanges: recorded.exchanges,
            ledger,
            controller: self.controller,
            trail: self.trail,
            shown,
            refused,
            replies,
            plain,
        }
    }
}

/// The description, which a test may have changed.
pub(super) fn description(text: &str) -> Arc<Description> {
    let problems = |p: Vec<model::Problem>| p.iter().map(|p| format!("{p}\n")).collect::<String>();
    Arc::new(car::load("tiny.toml", text).unwrap_or_else(|p| panic!("{}", problems(p))))
}

/// A hold that a former run left behind.
pub(super) fn left_behind(timeout: Option<Span>) -> Intent {
    Intent {
        output: valve(),
        value: steps(32.0),
        engage: super::ENGAGE.to_vec(),
        release: super::RELEASE.to_vec(),
        at_most: S(30),
        controller_timeout: timeout,
    }
}

impl Told {
    /// What holds at the end of every run, whatever was tried.
    pub(super) fn check_always(&self) {
        for (i, event) in self.events.iter().enumerate() {
            assert_eq!(event.seq, i as u64 + 1, "a gap in the order of events");
        }
        assert!(self.events.windows(2).all(|two| two[0].at <= two[1].at), "time went back");
        assert!(!self.plain || !self.controller.look().line_low, "the line was left low");
        if self.ledger.is_empty() {
            let state = self.controller.look();
            assert_eq!(state.held, None, "held at {:?}, last heard {:?}", self.at, state.last_heard);
        } else {
            let told = self.key_off() || self.end.ending == model::Ending::Undecided;
            assert!(told, "the ledger is not empty and nobody says so");
        }
    }

    /// Whether the end says that only the key helps.
    pub(super) fn key_off(&self) -> bool {
        self.end.problems.iter().any(|problem| problem.cure == "switch the key off")
    }

    pub(super) fn releasing(&self) -> Vec<(Moment, (ReleaseCause, String))> {
        pick(&self.events, |event| match event {
            Event::HoldReleasing { cause, detail, .. } => Some((*cause, detail.clone())),
            _ => None,
        })
    }

    pub(super) fn released(&self) -> Vec<(Moment, (ReleaseProof, Span))> {
        pick(&self.events, |event| match event {
            Event::HoldReleased { proof, held, .. } => Some((*proof, *held)),
            _ => None,
        })
    }

    /// The one release of this run: its cause, and how it is known.
    pub(super) fn the_release(&self) -> (ReleaseCause, ReleaseProof) {
        let (causes, proofs) = (self.releasing(), self.released());
        assert_eq!((causes.len(), proofs.len()), (1, 1), "{causes:?} {proofs:?}");
        (causes[0].1.0, proofs[0].1.0)
    }

    pub(super) fn engaged_at(&self) -> Moment {
        let held = pick(&self.events, |event| matches!(event, Event::HoldEngaged { .. }).then_some(()));
        held.first().expect("it was held").0
    }

    /// How many times the controller heard a request.
    pub(super) fn heard(&self, request: &[u8]) -> usize {
        self.controller.requests().iter().filter(|one| *one == request).count()
    }
}

/// Words of a refusal.
pub(super) fn refusal(reply: &Reply) -> String {
    match reply {
        Reply::Refused { problem } => problem.to_string(),
        other => panic!("it was not refused: {other:?}"),
    }
}
