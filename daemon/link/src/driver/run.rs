//! The loop.

use std::future::poll_fn;

use clock::Turn;
use model::event::ReleaseCause;
use model::{Command, Ending, Moment, Place, Problem, ProblemKind, Reply};
use wire::Reason;
use wire::kline::Transmit;

use super::Driver;
use crate::transport::TransportError;

/// What ended a wait.
enum Wake {
    Stop,
    Turn(Turn<Command>),
    Read(Result<(), TransportError>),
    Time,
}

impl Driver {
    pub(super) async fn drive(&mut self) {
        loop {
            let now = self.clock.now();
            self.settle(now);
            if self.is_finished(now) {
                return;
            }
            let (until, precisely) = self.deadline();
            let wake = self.wait(until, precisely).await;
            let now = self.clock.now();
            match wake {
                Wake::Stop => {
                    let by = self.stop.by().unwrap_or("somebody").to_string();
                    self.end_run(now, Ending::Stopped, &format!("stopped by {by}"), ReleaseCause::Stop);
                }
                Wake::Turn(Turn::Asked(command)) => self.command(now, command),
                Wake::Turn(Turn::Gone) => self.script_gone(now),
                Wake::Turn(Turn::Abandoned) => {
                    let seen = "the script computes without end and is abandoned";
                    let cure = "look for a loop that waits for nothing";
                    self.tell(now, Problem::new(ProblemKind::Script, Place::Program, seen, cure));
                    self.end_run(now, Ending::BadInput, seen, ReleaseCause::ScriptGone);
                    self.script_gone(now);
                }
                Wake::Read(Ok(())) => {
                    self.conductor.bytes(now, &self.inbox);
                    self.inbox.clear();
                }
                Wake::Read(Err(error)) => self.transport_lost(now, &error),
                Wake::Time => self.conductor.timeout(now),
            }
        }
    }

    async fn wait(&mut self, until: Moment, precisely: bool) -> Wake {
        let Self { script, stop, transport, clock, inbox, over, .. } = self;
        let clock = &*clock;
        let listening = over.is_none();
        tokio::select! {
            biased;
            () = stop.raised(), if listening => Wake::Stop,
            turn = script.next() => Wake::Turn(turn),
            read = poll_fn(|context| transport.poll_read(context, clock.now(), inbox)) => Wake::Read(read),
            () = clock.sleep_until_precisely(until), if precisely => Wake::Time,
            () = clock.sleep_until(until), if !precisely => Wake::Time,
        }
    }

    /// The next moment at which anything may have to be done, and whether characters leave then.
    fn deadline(&self) -> (Moment, bool) {
        let wire = self.conductor.deadline();
        let others = [
            self.transport.next_arrival().unwrap_or(Moment::NEVER),
            self.pending.deadline(),
            self.watch_deadline(),
            self.operator_deadline(),
            self.link_deadline(),
        ];
        let other = others.into_iter().min().unwrap_or(Moment::NEVER);
        match wire {
            Some(wire) if wire.at <= other => (wire.at, sends(wire.reason)),
            _ => (other, false),
        }
    }

    fn link_deadline(&self) -> Moment {
        if self.link_up || self.over.is_some() { Moment::NEVER } else { self.down_since + self.patience.link }
    }

    /// Lets everything act until nothing more happens at this moment.
    pub(super) fn settle(&mut self, now: Moment) {
        for _ in 0..64 {
            let mut quiet = true;
            while let Some(transmit) = self.conductor.poll_transmit() {
                if let Err(error) = self.transmit(now, transmit) {
                    self.transport_lost(now, &error);
                }
            }
            while let Some(event) = self.conductor.poll_event() {
                quiet = false;
                self.wire_event(now, event);
            }
            if quiet {
                break;
            }
        }
        if now >= self.link_deadline() {
            let why = format!("the link stayed down for {}", self.patience.link);
            self.end_run(now, Ending::LinkLost, &why, ReleaseCause::LinkLost);
        }
        self.judge(now);
        self.show(now);
        // Judging may have asked for something new on the wire.
        while let Some(transmit) = self.conductor.poll_transmit() {
            if let Err(error) = self.transmit(now, transmit) {
                self.transport_lost(now, &error);
            }
        }
    }

    fn transmit(&mut self, now: Moment, transmit: Transmit) -> Result<(), TransportError> {
        match transmit {
            Transmit::Byte(byte) => self.transport.write(now, &[byte]),
            Transmit::Low => self.transport.set_level(now, true).map(|_| ()),
            Transmit::High => self.transport.set_level(now, false).map(|_| ()),
        }
    }

    pub(super) fn transport_lost(&mut self, now: Moment, error: &TransportError) {
        self.conductor.transport_lost(now, &error.to_string());
        if matches!(error, TransportError::Gone(_)) {
            self.end_run(now, Ending::LinkLost, &error.to_string(), ReleaseCause::LinkLost);
        }
    }

    fn script_gone(&mut self, now: Moment) {
        self.conductor.release_all(now, ReleaseCause::ScriptGone);
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
