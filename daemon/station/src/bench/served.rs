//! The bench car in real time behind a pseudo-terminal, for a tester in another program.

use std::future::poll_fn;
use std::path::{Path, PathBuf};

use clock::{Clock, Stop};
use link::Operator;
use link::transport::in_process::LineEnd;
use model::{Judgement, Moment};
use tokio::sync::mpsc::UnboundedReceiver;
use wire::kline::Received;

use super::pty::{Pty, StablePath};
use super::{Hands, SharedHands, SharedWorld, WorldLine, readouts};
use crate::sides::distant::Told;

/// What is done to the bench car from outside.
pub enum Act {
    /// The adapter is pulled out.
    Unplug,
    /// It is put back.
    Plug,
    /// The key is turned.
    Key(bool),
    /// The starter is turned.
    Crank,
    /// The hands are told something; what answers goes to this.
    Tell(Told),
    /// Where answers of the hands go from now on.
    Answers(Box<dyn FnMut(String) + Send>),
}

impl std::fmt::Debug for Act {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Tell(told) => f.debug_tuple("Tell").field(told).finish(),
            Self::Answers(_) => f.write_str("Answers"),
            Self::Unplug => f.write_str("Unplug"),
            Self::Plug => f.write_str("Plug"),
            Self::Key(on) => f.debug_tuple("Key").field(on).finish(),
            Self::Crank => f.write_str("Crank"),
        }
    }
}

/// A bench car at work.
pub struct Served {
    clock: Clock,
    world: SharedWorld,
    line: WorldLine,
    hands: Hands,
    shared: SharedHands,
    link: Option<PathBuf>,
    port: Option<(Pty, Option<StablePath>)>,
    baud: u32,
    answers: Option<Box<dyn FnMut(String) + Send>>,
}

impl std::fmt::Debug for Served {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Served").field("port", &self.port).finish_non_exhaustive()
    }
}

impl Served {
    /// A bench car whose port is plugged in; `link` is a path that stays the same when it is pulled and put back.
    pub fn new(
        clock: Clock,
        world: SharedWorld,
        hands: SharedHands,
        link: Option<&Path>,
    ) -> std::io::Result<Self> {
        let line = WorldLine::new(world.clone(), hands.clone());
        // The clock may have run before the line was opened; the world begins now.
        let begun = line.begun() - clock.now().0;
        let line = line.beginning_at(begun);
        let mut served = Self {
            hands: Hands::new(hands.clone(), begun),
            clock,
            world,
            line,
            shared: hands,
            link: link.map(Path::to_path_buf),
            port: None,
            baud: 0,
            answers: None,
        };
        served.plug()?;
        Ok(served)
    }

    fn plug(&mut self) -> std::io::Result<()> {
        self.port = None;
        let pty = Pty::open()?;
        let link = self.link.as_deref().map(|link| StablePath::point(link, pty.path())).transpose()?;
        self.port = Some((pty, link));
        self.baud = 0;
        Ok(())
    }

    /// The path of the port, while it is plugged in.
    pub fn path(&self) -> Option<PathBuf> {
        let (pty, _) = self.port.as_ref()?;
        Some(self.link.clone().unwrap_or_else(|| pty.path().to_path_buf()))
    }

    /// Serves until it is told to stop.
    pub async fn run(&mut self, acts: &mut UnboundedReceiver<Act>, stop: &Stop) -> std::io::Result<()> {
        let mut heard = Vec::new();
        let mut said: Vec<Received> = Vec::new();
        loop {
            let now = self.clock.now();
            self.line.read(now, &mut said);
            for one in said.drain(..) {
                if let Some((pty, _)) = &self.port {
                    pty.write(one.byte);
                }
            }
            if let (Some(tell), Some(answer)) = (&mut self.answers, self.hands.answer(now)) {
                tell(answer);
            }
            let next = [self.line.next_event(), self.hands.next_answer()].into_iter().flatten().min();
            let next = next.unwrap_or(Moment::NEVER);
            let (clock, port) = (self.clock.clone(), &self.port);
            tokio::select! {
                biased;
                () = stop.raised() => return Ok(()),
                act = acts.recv() => match act {
                    Some(act) => self.act(act)?,
                    None => return Ok(()),
                },
                read = poll_fn(|context| match port {
                    Some((pty, _)) => pty.poll_read(context, &mut heard),
                    None => std::task::Poll::Pending,
                }) => {
                    read?;
                    self.hear(&mut heard)?;
                }
                () = clock.sleep_until_precisely(next) => {}
            }
        }
    }

    fn hear(&mut self, heard: &mut Vec<u8>) -> std::io::Result<()> {
        let now = self.clock.now();
        if let Some((pty, _)) = &self.port {
            pty.let_others_in()?;
            let baud = pty.baud()?;
            if baud != self.baud && baud > 0 {
                self.baud = baud;
                self.line.set_baud(now, baud);
            }
        }
        heard.drain(..).for_each(|byte| self.line.write(now, byte));
        Ok(())
    }

    fn act(&mut self, act: Act) -> std::io::Result<()> {
        let now = self.clock.now();
        let there = now.0 + self.line.begun();
        match act {
            Act::Unplug => self.port = None,
            Act::Plug => self.plug()?,
            Act::Key(on) => self.world.borrow_mut().key(there, on),
            Act::Crank => self.world.borrow_mut().crank(there),
            Act::Answers(answers) => self.answers = Some(answers),
            Act::Tell(told) => self.tell(now, told),
        }
        Ok(())
    }

    fn tell(&mut self, now: Moment, told: Told) {
        match told {
            Told::Ask { act, target, words, wanted } => self.hands.ask(now, &act, &target, &words, &wanted),
            Told::Instruct { act, target, words } => self.hands.instruct(now, &act, &target, &words),
            Told::Call { text } => self.hands.call(now, &text),
            Told::Readout { judgement, recent } => self.see(now, &judgement, &recent),
            // Hands need no words.
            Told::Caution { .. } | Told::Remark { .. } => {}
        }
    }

    fn see(&self, now: Moment, judgement: &Judgement, recent: &[f64]) {
        self.shared.borrow_mut().see(now.0 + self.line.begun(), readouts(judgement, recent));
    }
}
