//! The bench car's line, as the in-process transport sees it.

use std::cell::RefCell;
use std::rc::Rc;

use bench_car::{Arrival, World};
use link::transport::in_process::LineEnd;
use model::Moment;
use wire::kline::Received;

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
    begun: i64,
    arrivals: Vec<Arrival>,
}

impl std::fmt::Debug for WorldLine {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("WorldLine")
    }
}

impl WorldLine {
    /// The line of a bench car.
    pub fn new(world: SharedWorld) -> Self {
        let begun = world.borrow().truth().at;
        Self { world, begun, arrivals: Vec::new() }
    }

    fn there(&self, here: Moment) -> i64 {
        here.0 + self.begun
    }
}

impl LineEnd for WorldLine {
    fn write(&mut self, now: Moment, byte: u8) {
        self.world.borrow_mut().write(self.there(now), byte);
    }

    fn set_level(&mut self, now: Moment, low: bool) {
        self.world.borrow_mut().set_level(self.there(now), low);
    }

    fn set_baud(&mut self, now: Moment, baud: u32) -> u32 {
        self.world.borrow_mut().set_baud(self.there(now), baud)
    }

    fn purge(&mut self, now: Moment) {
        self.world.borrow_mut().purge(self.there(now));
    }

    fn read(&mut self, now: Moment, into: &mut Vec<Received>) {
        let there = self.there(now);
        self.world.borrow_mut().read(there, &mut self.arrivals);
        let begun = self.begun;
        let received = self.arrivals.drain(..);
        into.extend(received.map(|a| Received {
            byte: a.byte,
            end: Moment(a.end - begun),
            broken: a.framing_error,
        }));
    }

    fn next_event(&self) -> Option<Moment> {
        self.world.borrow().next_event().map(|at| Moment(at - self.begun))
    }
}
