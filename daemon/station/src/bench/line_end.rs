//! The bench car's line, as the in-process transport sees it, with the hands at work on the car.

use std::cell::RefCell;
use std::rc::Rc;

use bench_car::{Arrival, World};
use link::transport::in_process::LineEnd;
use model::Moment;
use wire::kline::Received;

use super::SharedHands;

/// A bench car that the line, simulated hands and a test look at together.
pub type SharedWorld = Rc<RefCell<World>>;

/// Shares a bench car.
pub fn share(world: World) -> SharedWorld {
    Rc::new(RefCell::new(world))
}

/// The adapter's end of the bench car's line.
///
/// The world may be older than the station's clock (a station that starts anew finds the car as it is): what
/// is the clock's start here is the world's own time when the line was opened.
pub struct WorldLine {
    world: SharedWorld,
    hands: SharedHands,
    begun: i64,
    arrivals: Vec<Arrival>,
}

impl std::fmt::Debug for WorldLine {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("WorldLine")
    }
}

impl WorldLine {
    /// The line of a bench car that these hands work on.
    pub fn new(world: SharedWorld, hands: SharedHands) -> Self {
        let begun = world.borrow().truth().at;
        Self { world, hands, begun, arrivals: Vec::new() }
    }

    /// The same line on a clock at whose start the world's own time was this.
    pub fn beginning_at(self, begun: i64) -> Self {
        Self { begun, ..self }
    }

    /// The world's own time when the line was opened.
    pub fn begun(&self) -> i64 {
        self.begun
    }

    /// Lets the hands do what they do up to this moment, each act at its own time; gives the world's time.
    fn live(&mut self, here: Moment) -> i64 {
        let now = here.0 + self.begun;
        let (mut hands, mut world) = (self.hands.borrow_mut(), self.world.borrow_mut());
        while let Some(at) = hands.next_act().filter(|at| *at <= now) {
            hands.act(at, &mut world);
        }
        now
    }
}

impl LineEnd for WorldLine {
    fn write(&mut self, now: Moment, byte: u8) {
        let there = self.live(now);
        self.world.borrow_mut().write(there, byte);
    }

    fn set_level(&mut self, now: Moment, low: bool) {
        let there = self.live(now);
        self.world.borrow_mut().set_level(there, low);
    }

    fn set_baud(&mut self, now: Moment, baud: u32) -> u32 {
        let there = self.live(now);
        self.world.borrow_mut().set_baud(there, baud)
    }

    fn purge(&mut self, now: Moment) {
        let there = self.live(now);
        self.world.borrow_mut().purge(there);
    }

    fn read(&mut self, now: Moment, into: &mut Vec<Received>) {
        let there = self.live(now);
        self.world.borrow_mut().read(there, &mut self.arrivals);
        let begun = self.begun;
        let received = self.arrivals.drain(..);
        into.extend(received.map(|a| Received {
            byte: a.byte,
            end: Moment(a.end - begun),
            broken: a.framing_error,
        }));
    }

    /// The hands act between characters too: a line that slept until the next one would let them act late.
    fn next_event(&self) -> Option<Moment> {
        let line = self.world.borrow().next_event();
        let hands = self.hands.borrow().next_act();
        [line, hands].into_iter().flatten().min().map(|at| Moment(at - self.begun))
    }
}
