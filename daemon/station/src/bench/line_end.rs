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
pub struct WorldLine {
    world: SharedWorld,
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
        Self { world, arrivals: Vec::new() }
    }
}

impl LineEnd for WorldLine {
    fn write(&mut self, now: Moment, byte: u8) {
        self.world.borrow_mut().write(now.0, byte);
    }

    fn set_level(&mut self, now: Moment, low: bool) {
        self.world.borrow_mut().set_level(now.0, low);
    }

    fn set_baud(&mut self, now: Moment, baud: u32) -> u32 {
        self.world.borrow_mut().set_baud(now.0, baud)
    }

    fn purge(&mut self, now: Moment) {
        self.world.borrow_mut().purge(now.0);
    }

    fn read(&mut self, now: Moment, into: &mut Vec<Received>) {
        self.world.borrow_mut().read(now.0, &mut self.arrivals);
        let received = self.arrivals.drain(..);
        into.extend(received.map(|a| Received { byte: a.byte, end: Moment(a.end), broken: a.framing_error }));
    }

    fn next_event(&self) -> Option<Moment> {
        self.world.borrow().next_event().map(Moment)
    }
}
