//! Hands that spoil a run at a chosen point: at the n-th time the driver awaits, or at the n-th call of the
//! script.
//!
//! The driver awaits in one place only, and polls the transport each time it does: counting those polls
//! counts its await points.

use std::cell::RefCell;
use std::rc::Rc;
use std::sync::mpsc;
use std::sync::{Arc, Mutex};
use std::task::{Context, Poll};

use clock::Stop;
use link::transport::{Transport, TransportError};
use model::{Command, Ending, Moment, Reply};
use station::bench::SharedWorld;
use station::run::{AskDriver, Hooks};
use wire::kline::Received;

/// What is done to the run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Harm {
    /// Nothing; points are counted.
    None,
    /// The port fails once.
    Error,
    /// The port is gone for good.
    Gone,
    /// The driver panics.
    Panic,
    /// Somebody stops the run.
    Cancel,
    /// The cable is cut for good.
    Cut,
    /// The program dies at once: nothing more reaches the wire or the disk.
    Crash,
    /// At a call of the script: the call panics in the script's thread.
    HostPanic,
    /// At a call of the script: it is told that the run is over.
    HostError,
    /// At a call of the script: the script never comes back.
    Abandon,
}

impl Harm {
    /// What can be done where the driver awaits.
    pub const AT_AWAITS: [Self; 6] =
        [Self::Error, Self::Gone, Self::Panic, Self::Cancel, Self::Cut, Self::Crash];
    /// What can be done where the script calls.
    pub const AT_CALLS: [Self; 5] =
        [Self::HostPanic, Self::HostError, Self::Abandon, Self::Cancel, Self::Crash];
}

#[derive(Debug, Default)]
struct Counts {
    awaits: usize,
    calls: usize,
    done_at: Option<i64>,
}

/// Counts points and does its harm at one of them.
#[derive(Debug, Clone)]
pub struct Saboteur {
    harm: Harm,
    await_point: Option<usize>,
    call_point: Option<usize>,
    world: SharedWorld,
    stop: Stop,
    crash: Stop,
    awaits: Rc<RefCell<Counts>>,
    calls: Arc<Mutex<Counts>>,
    stuck: Arc<Mutex<Vec<mpsc::Sender<()>>>>,
}

impl Saboteur {
    /// One that only counts.
    pub fn counting(world: &SharedWorld) -> Self {
        Self {
            harm: Harm::None,
            await_point: None,
            call_point: None,
            world: world.clone(),
            stop: Stop::new(),
            crash: Stop::new(),
            awaits: Rc::default(),
            calls: Arc::default(),
            stuck: Arc::default(),
        }
    }

    /// One that does its harm when the driver awaits for the n-th time, from 0.
    pub fn at_await(world: &SharedWorld, harm: Harm, n: usize) -> Self {
        Self { harm, await_point: Some(n), ..Self::counting(world) }
    }

    /// One that does its harm when the script calls for the n-th time, from 0.
    pub fn at_call(world: &SharedWorld, harm: Harm, n: usize) -> Self {
        Self { harm, call_point: Some(n), ..Self::counting(world) }
    }

    /// How often the driver awaited.
    pub fn awaits(&self) -> usize {
        self.awaits.borrow().awaits
    }

    /// How often the script called.
    pub fn calls(&self) -> usize {
        self.calls.lock().expect("no panic while locked").calls
    }

    /// The car's time at which an await point was harmed.
    pub fn harmed_at(&self) -> Option<i64> {
        self.awaits.borrow().done_at
    }

    /// Lets scripts that were made to hang go on, so that their threads end with the test.
    pub fn let_go(&self) {
        self.stuck.lock().expect("no panic while locked").clear();
    }

    /// The hooks for a run.
    pub fn hooks(&self) -> Hooks {
        let (mine, world) = (self.clone(), self.world.clone());
        let transport = move |inner| -> Box<dyn Transport> {
            Box::new(Wire { inner, saboteur: mine, world, dead: false })
        };
        let (harm, at, calls, stuck) = (self.harm, self.call_point, self.calls.clone(), self.stuck.clone());
        let (stop, crash) = (self.stop.clone(), self.crash.clone());
        let ask = move |mut inner: AskDriver| -> AskDriver {
            Box::new(move |command: Command| {
                let n = {
                    let mut counts = calls.lock().expect("no panic while locked");
                    counts.calls += 1;
                    counts.calls - 1
                };
                if at != Some(n) {
                    return inner(command);
                }
                match harm {
                    Harm::HostPanic => panic!("a host call failed on purpose"),
                    Harm::HostError => Reply::Over { ending: Ending::LinkLost, why: "on purpose".into() },
                    Harm::Abandon => {
                        let (release, held) = mpsc::channel::<()>();
                        stuck.lock().expect("no panic while locked").push(release);
                        // Hangs until the test lets go; the driver must not wait for it.
                        held.recv().ok();
                        Reply::Over { ending: Ending::Stopped, why: "let go".into() }
                    }
                    Harm::Cancel => {
                        stop.raise("the test");
                        inner(command)
                    }
                    Harm::Crash => {
                        crash.raise("the test");
                        inner(command)
                    }
                    _ => inner(command),
                }
            })
        };
        Hooks {
            transport: Some(Box::new(transport)),
            ask: Some(Box::new(ask)),
            operator: None,
            crash: Some(self.crash.clone()),
            stop: self.stop.clone(),
        }
    }
}

/// The transport with a saboteur's hand on it.
struct Wire {
    inner: Box<dyn Transport>,
    saboteur: Saboteur,
    world: SharedWorld,
    dead: bool,
}

impl Wire {
    /// Counts an await point; gives an error where the point is to fail.
    fn point(&mut self, now: Moment) -> Option<TransportError> {
        let counts = self.saboteur.awaits.clone();
        let n = {
            let mut counts = counts.borrow_mut();
            counts.awaits += 1;
            counts.awaits - 1
        };
        if self.saboteur.await_point != Some(n) {
            return None;
        }
        // The first run of a world: the station's clock and the car's are the same.
        counts.borrow_mut().done_at = Some(now.0);
        match self.saboteur.harm {
            Harm::Error => {
                return Some(TransportError::Unable { what: "read", why: "on purpose".into() });
            }
            Harm::Gone => self.dead = true,
            Harm::Panic => panic!("the driver failed on purpose"),
            Harm::Cancel => self.saboteur.stop.raise("the test"),
            Harm::Cut => self.world.borrow_mut().cut(now.0, true),
            Harm::Crash => self.saboteur.crash.raise("the test"),
            _ => {}
        }
        None
    }

    /// Whether the wire still carries anything from here: not from a program that has crashed, which does not
    /// learn of it either.
    fn carries(&self) -> Result<bool, TransportError> {
        if self.dead {
            return Err(TransportError::Gone("on purpose".into()));
        }
        Ok(!self.saboteur.crash.is_raised())
    }
}

impl Transport for Wire {
    fn write(&mut self, now: Moment, bytes: &[u8]) -> Result<(), TransportError> {
        if self.carries()? { self.inner.write(now, bytes) } else { Ok(()) }
    }

    fn set_level(&mut self, now: Moment, low: bool) -> Result<bool, TransportError> {
        if self.carries()? { self.inner.set_level(now, low) } else { Ok(true) }
    }

    fn set_baud(&mut self, now: Moment, baud: u32) -> Result<u32, TransportError> {
        if self.carries()? { self.inner.set_baud(now, baud) } else { Ok(baud) }
    }

    fn purge(&mut self, now: Moment) -> Result<(), TransportError> {
        if self.carries()? { self.inner.purge(now) } else { Ok(()) }
    }

    fn poll_read(
        &mut self,
        context: &mut Context<'_>,
        now: Moment,
        into: &mut Vec<Received>,
    ) -> Poll<Result<(), TransportError>> {
        if let Some(error) = self.point(now) {
            return Poll::Ready(Err(error));
        }
        match self.carries() {
            Ok(true) => self.inner.poll_read(context, now, into),
            Ok(false) => Poll::Pending,
            Err(gone) => Poll::Ready(Err(gone)),
        }
    }

    fn next_arrival(&self) -> Option<Moment> {
        if matches!(self.carries(), Ok(true)) { self.inner.next_arrival() } else { None }
    }
}
