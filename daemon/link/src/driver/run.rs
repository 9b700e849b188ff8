//! The loop.

use std::future::poll_fn;
use std::task::{Context, Poll};

use clock::Turn;
use model::event::ReleaseCause;
use model::{Command, Ending, Moment, Place, Problem, ProblemKind, Reply};
use wire::Reason;

use super::Driver;
use super::pending::Pending;
use crate::transport::TransportError;

/// What ended a wait.
enum Wake {
    Stop,
    Turn(Turn<Command>),
    Read(Result<(), TransportError>),
    Written(Result<(), Problem>),
    Answer,
    Said,
    Time,
}

impl Driver {
    pub(super) async fn drive(&mut self) {
        loop {
            let now = self.clock.now();
            // However the script went away: nothing stays held for it.
            if !self.script.is_open() {
                self.conductor.release_all(now, ReleaseCause::ScriptGone);
            }
            self.settle(now);
            if self.is_finished(now) {
                return;
            }
            let (until, sends) = self.deadline();
            let wake = self.wait(until, sends.is_some()).await;
            let now = self.clock.now();
            self.port.due = None;
            self.notice_sleep(now);
            match wake {
                Wake::Stop => {
                    let by = self.stop.by().unwrap_or("somebody").to_string();
                    self.end_run(now, Ending::Stopped, &format!("stopped by {by}"), ReleaseCause::Stop);
                }
                Wake::Turn(Turn::Asked(command)) => self.command(now, command),
                Wake::Turn(Turn::Gone) => {}
                Wake::Turn(Turn::Abandoned) => {
                    self.abandoned = true;
                    let seen = "the script computes without end and is abandoned";
                    let cure = "look for a loop that waits for nothing";
                    self.tell(now, Problem::new(ProblemKind::Script, Place::Program, seen, cure));
                    self.end_run(now, Ending::BadInput, seen, ReleaseCause::ScriptGone);
                }
                Wake::Read(Ok(())) => {
                    self.port.heard();
                    self.conductor.bytes(now, &self.inbox);
                    self.inbox.clear();
                }
                Wake::Read(Err(error)) => self.transport_lost(now, &error),
                Wake::Written(outcome) => self.written(now, outcome),
                // At once: nothing else may make it due, and an answer that lies there unread is ready for ever.
                Wake::Answer => self.look(now),
                Wake::Said => self.hear_said(now),
                Wake::Time => {
                    self.port.due = sends.map(|reason| (until, reason));
                    self.conductor.timeout(now);
                }
            }
        }
    }

    async fn wait(&mut self, until: Moment, precisely: bool) -> Wake {
        let Self { script, stop, port, clock, inbox, over, operator, pending, entries, .. } = self;
        let clock = &*clock;
        let (listening, reading) = (over.is_none(), port.is_open());
        let asked = matches!(pending, Pending::Prompt { .. });
        let mut heard = |context: &mut Context<'_>| match operator.poll_said(context) {
            Poll::Ready(()) if listening => Poll::Ready(Wake::Said),
            _ if asked => operator.poll_answered(context).map(|()| Wake::Answer),
            _ => Poll::Pending,
        };
        let writing = entries.is_busy();
        tokio::select! {
            biased;
            () = stop.raised(), if listening => Wake::Stop,
            turn = script.next() => Wake::Turn(turn),
            read = poll_fn(|context| port.poll_read(context, clock.now(), inbox)), if reading => Wake::Read(read),
            outcome = poll_fn(|context| entries.poll(context)), if writing => Wake::Written(outcome),
            wake = poll_fn(&mut heard), if listening || asked => wake,
            () = clock.sleep_until_precisely(until), if precisely => Wake::Time,
            () = clock.sleep_until(until), if !precisely => Wake::Time,
        }
    }

    /// The next moment at which anything may have to be done, and why, where characters leave then.
    fn deadline(&self) -> (Moment, Option<Reason>) {
        let wire = self.conductor.deadline();
        let others = [
            self.port.next_arrival(),
            self.reopen_deadline(),
            self.pending.deadline(),
            self.watch_deadline(),
            self.operator_deadline(),
            self.said_deadline(),
            self.link_deadline(),
            self.farewell_deadline(),
            self.entries_deadline(),
            self.silence_deadline(),
        ];
        let other = others.into_iter().min().unwrap_or(Moment::NEVER);
        match wire {
            Some(wire) if wire.at <= other => (wire.at, Some(wire.reason).filter(|reason| sends(*reason))),
            _ => (other, None),
        }
    }

    fn link_deadline(&self) -> Moment {
        if self.link_up || self.over.is_some() {
            return Moment::NEVER;
        }
        // What was down with leave counts as down from the end of that leave.
        self.down_since.max(self.silence_until) + self.patience.link
    }

    /// Whether the link is down with leave, so that nothing can be known of the car.
    pub(super) fn bears_silence(&self, now: Moment) -> bool {
        !self.link_up && now < self.silence_until
    }

    /// Lets everything act until nothing more happens at this moment: what judging brings about is told and
    /// sent now, not when something else happens to wake the loop.
    pub(super) fn settle(&mut self, now: Moment) {
        self.tell_silence_if_due(now);
        self.hear_said(now);
        self.reopen_if_due(now);
        self.pump(now);
        for _ in 0..64 {
            if now >= self.link_deadline() {
                let why = if self.was_up {
                    format!("the link stayed down for {}", self.patience.link)
                } else {
                    let time = self.patience.link;
                    format!(
                        "no controller answered within {time}: wrong port, wrong description, or the ignition off"
                    )
                };
                self.end_run(now, Ending::LinkLost, &why, ReleaseCause::LinkLost);
            }
            self.judge(now);
            if !self.pump(now) {
                break;
            }
        }
        self.show(now);
    }

    /// Records what a person said beside any question.
    fn hear_said(&mut self, now: Moment) {
        while self.over.is_none()
            && let Some(event) = self.operator.said(now)
        {
            self.journal.event(now, event);
        }
    }

    /// Puts on the line what the wire's machine wants there and takes what it reports. Says whether anything
    /// was reported.
    fn pump(&mut self, now: Moment) -> bool {
        let mut reported = false;
        for _ in 0..64 {
            while let Some(transmit) = self.conductor.poll_transmit() {
                if let Err(error) = self.transmit(now, transmit) {
                    self.transport_lost(now, &error);
                }
            }
            let mut quiet = true;
            while let Some(event) = self.conductor.poll_event() {
                quiet = false;
                self.wire_event(now, event);
            }
            if quiet {
                break;
            }
            reported = true;
        }
        reported
    }

    /// Pays the reply that is owed.
    pub(super) fn reply(&mut self, reply: Reply) {
        if self.script.owes() {
            self.script.reply(reply);
        }
    }
}

/// Whether characters leave at a deadline of this kind, so that being late wastes the wire.
fn sends(reason: Reason) -> bool {
    matches!(
        reason,
        Reason::WakeLow
            | Reason::WakeHigh
            | Reason::ByteGap
            | Reason::RequestGap
            | Reason::ReadDue
            | Reason::KeepAlive
            | Reason::HoldRefresh
            | Reason::HoldRelease
    )
}
