//! Strict hand-off between a script's thread and the driver: one command over, one reply back.
//!
//! In a rehearsal the driver *blocks* while the script computes, so that its clock stands still and a slow
//! computer changes nothing. In real time it never blocks: the script's next command is awaited like any
//! other event.

use std::sync::mpsc;
use std::time::Duration;

use crate::Clock;

/// The other side is gone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("the driver is gone")]
pub struct Gone;

/// What the script's side did with its turn.
#[derive(Debug, PartialEq, Eq)]
pub enum Turn<C> {
    /// It asks.
    Asked(C),
    /// It has gone away.
    Gone,
    /// It has taken longer than a rehearsal's patience without asking anything.
    Abandoned,
}

/// The script's side.
#[derive(Debug)]
pub struct Caller<C, R> {
    ask: Ask<C>,
    replies: mpsc::Receiver<R>,
}

#[derive(Debug)]
enum Ask<C> {
    Rehearsal(mpsc::Sender<C>),
    Real(tokio::sync::mpsc::UnboundedSender<C>),
}

#[derive(Debug)]
enum Asked<C> {
    Rehearsal { from: mpsc::Receiver<C>, patience: Duration },
    Real(tokio::sync::mpsc::UnboundedReceiver<C>),
}

/// The driver's side.
#[derive(Debug)]
pub struct Callee<C, R> {
    asked: Asked<C>,
    replies: mpsc::Sender<R>,
    open: bool,
    owing: bool,
}

/// Makes the two sides. `patience` bounds, in real seconds, how long a rehearsal lets a script compute
/// between two calls before it counts as abandoned.
pub fn handoff<C, R>(clock: &Clock, patience: Duration) -> (Caller<C, R>, Callee<C, R>) {
    let (reply, replies) = mpsc::channel();
    let (ask, asked) = if clock.is_rehearsal() {
        let (to, from) = mpsc::channel();
        (Ask::Rehearsal(to), Asked::Rehearsal { from, patience })
    } else {
        let (to, from) = tokio::sync::mpsc::unbounded_channel();
        (Ask::Real(to), Asked::Real(from))
    };
    (Caller { ask, replies }, Callee { asked, replies: reply, open: true, owing: false })
}

impl<C, R> Caller<C, R> {
    /// Sends one command and waits for its one reply, however long it takes.
    pub fn call(&self, command: C) -> Result<R, Gone> {
        match &self.ask {
            Ask::Rehearsal(to) => to.send(command).map_err(|_| Gone)?,
            Ask::Real(to) => to.send(command).map_err(|_| Gone)?,
        }
        self.replies.recv().map_err(|_| Gone)
    }
}

impl<C, R> Callee<C, R> {
    /// The script's next turn. While a reply is owed, or after it has gone, this waits for ever.
    ///
    /// Safe to drop and call again: nothing is lost.
    pub async fn next(&mut self) -> Turn<C> {
        if self.owing || !self.open {
            return std::future::pending().await;
        }
        let turn = match &mut self.asked {
            Asked::Rehearsal { from, patience } => match from.recv_timeout(*patience) {
                Ok(command) => Turn::Asked(command),
                Err(mpsc::RecvTimeoutError::Disconnected) => Turn::Gone,
                Err(mpsc::RecvTimeoutError::Timeout) => Turn::Abandoned,
            },
            Asked::Real(from) => from.recv().await.map_or(Turn::Gone, Turn::Asked),
        };
        match turn {
            Turn::Asked(_) => self.owing = true,
            Turn::Gone | Turn::Abandoned => self.open = false,
        }
        turn
    }

    /// Pays the reply owed. A script that has gone away does not read it.
    pub fn reply(&mut self, reply: R) {
        debug_assert!(self.owing, "a reply without a command");
        self.owing = false;
        if self.replies.send(reply).is_err() {
            self.open = false;
        }
    }

    /// Whether a reply is owed.
    pub fn owes(&self) -> bool {
        self.owing
    }

    /// Whether the script may still ask.
    pub fn is_open(&self) -> bool {
        self.open
    }
}

#[cfg(test)]
mod tests {
    use model::Span;

    use super::*;
    use crate::{rehearse, spawn_real};

    const LONG: Duration = Duration::from_secs(600);

    #[test]
    fn the_clock_stands_still_while_the_script_computes() {
        rehearse(0, |clock| async move {
            let (caller, mut callee) = handoff::<u32, u32>(&clock, LONG);
            let script = std::thread::spawn(move || {
                let mut sum = 0;
                for n in 0..50 {
                    std::hint::black_box((0..20_000_u64).fold(0, |a, b| a ^ b));
                    sum += caller.call(n).unwrap();
                }
                sum
            });
            let mut spent = Span::ZERO;
            loop {
                let before = clock.now();
                let turn = callee.next().await;
                assert_eq!(clock.now(), before, "computing took engine time");
                let Turn::Asked(n) = turn else { break };
                clock.sleep_until(before + Span::from_millis(5)).await;
                spent += clock.now().since(before);
                callee.reply(n * 2);
            }
            assert_eq!(spent, Span::from_millis(250));
            assert_eq!(script.join().unwrap(), 2_450);
        })
        .unwrap();
    }

    #[test]
    fn a_script_that_never_comes_back_is_abandoned_and_one_that_ends_is_gone() {
        rehearse(0, |clock| async move {
            let (caller, mut callee) = handoff::<u32, u32>(&clock, Duration::from_millis(1));
            assert_eq!(callee.next().await, Turn::Abandoned);
            drop(caller);
            let (caller, mut callee) = handoff::<u32, u32>(&clock, LONG);
            drop(caller);
            assert_eq!(callee.next().await, Turn::Gone);
            assert!(!callee.is_open());
        })
        .unwrap();
    }

    #[test]
    fn real_time_goes_on_while_the_script_computes() {
        let (release, held) = mpsc::channel::<()>();
        let driver = spawn_real("driver", move |clock| async move {
            let (caller, mut callee) = handoff::<u32, u32>(&clock, LONG);
            let script = std::thread::spawn(move || {
                held.recv().unwrap();
                caller.call(1)
            });
            // The script is stuck until the driver has waited: a driver that blocked would never get there.
            tokio::select! {
                biased;
                _ = callee.next() => panic!("the script had not asked yet"),
                () = clock.sleep_until(clock.now() + Span::from_millis(1)) => {}
            }
            release.send(()).unwrap();
            assert_eq!(callee.next().await, Turn::Asked(1));
            drop(callee);
            script.join().unwrap()
        })
        .unwrap();
        assert_eq!(driver.join().unwrap().unwrap(), Err(Gone));
    }
}
