//! The bench car as one piece: line, engine and controller.

use line::{Arrival, End, Line, LineConfig};

use crate::config::{WorldConfig, WorldError};
use crate::controller::Around;
use crate::controller::trouble::ControllerFault;
use crate::controller::unit::Unit;
use crate::engine::{Engine, Hose, Load};
use crate::fault::Severities;
use crate::happened::{Happened, Log};
use crate::parameters::Parameters;
use crate::truth::{Truth, Truthful};

/// The latest moment a world knows, in nanoseconds: far enough from the end of the count that no deadline
/// passes it. Later ones count as this.
const LATEST: i64 = i64::MAX / 4;

/// Line, engine and controller, driven from outside.
///
/// After every call that changes something, ask [`World::next_event`] and at that moment call
/// [`World::read`] (or [`World::advance`]). Everything else about time is the caller's.
#[derive(Debug)]
pub struct World {
    line: Line,
    engine: Engine,
    controller: Unit,
    log: Log,
    now: i64,
    browned_out: bool,
}

impl World {
    /// A bench car as configured.
    ///
    /// Errors: an unknown fault (the known ones are listed), a severity or another figure out of range.
    pub fn new(config: WorldConfig) -> Result<Self, WorldError> {
        config.check()?;
        let faults = Severities::resolve(&config.faults)?;
        let engine = Engine::new(&config, &faults);
        let controller = Unit::new(&config, &faults);
        let line = Line::new(&LineConfig {
            seed: config.seed,
            echo: config.echo,
            noise: config.line_noise,
            tester_baud: config.baud,
            controller_baud: config.baud,
            adapter_clock: config.adapter_clock,
        });
        Ok(Self {
            line,
            engine,
            controller,
            log: Log::new(config.keep_log),
            now: config.begin,
            browned_out: false,
        })
    }

    // The adapter's end of the wire.

    /// Sends one character now, or when the one before it has ended.
    pub fn write(&mut self, now: i64, byte: u8) {
        self.advance(now);
        self.line.write(End::Tester, self.now, byte);
    }

    /// Pulls the wire low or lets it go at exactly this moment.
    pub fn set_level(&mut self, now: i64, low: bool) {
        self.advance(now);
        self.line.set_level(End::Tester, self.now, low);
    }

    /// Sets the adapter's rate, in bits a second; returns the rate achieved. Zero changes nothing.
    pub fn set_baud(&mut self, now: i64, baud: u32) -> u32 {
        self.advance(now);
        self.line.set_baud(End::Tester, self.now, baud)
    }

    /// Forgets what the adapter has heard and not handed over, and what it has not begun to send.
    pub fn purge(&mut self, now: i64) {
        self.advance(now);
        self.line.purge(End::Tester, self.now);
    }

    /// Appends the characters that have wholly arrived at the adapter by now, oldest first.
    pub fn read(&mut self, now: i64, into: &mut Vec<Arrival>) {
        self.advance(now);
        self.line.read(End::Tester, self.now, into);
    }

    /// Lives through everything up to this moment.
    pub fn advance(&mut self, now: i64) {
        let now = now.min(LATEST);
        while let Some(at) = self.next_step().filter(|at| *at <= now) {
            self.step(at.max(self.now));
        }
        self.now = self.now.max(now);
        self.engine.advance(self.now);
        self.line.advance(self.now);
    }

    /// The next moment, later than the one advanced to, at which reading may bring something: a character
    /// completes, or one could complete because the controller may act before. A caller that sleeps until
    /// then misses nothing. `None` while nothing can come without something being written first.
    pub fn next_event(&self) -> Option<i64> {
        let heard = self.line.next_event(End::Tester);
        // The controller answers a character it is still hearing no sooner than P2min later.
        let request = self.line.next_event(End::Controller);
        let answer = request.map(|at| at.saturating_add(self.controller.shortest_answer()));
        let sending = [self.controller.next_sending(), answer].into_iter().flatten().min();
        let character = self.line.character_time(End::Tester).min(self.line.character_time(End::Controller));
        let sent = sending.map(|at| at.saturating_add(character));
        [heard, sent].into_iter().flatten().min().map(|at| at.max(self.now.saturating_add(1)))
    }

    // The truth, and hands on the car.

    /// What is really so at the moment last advanced to.
    pub fn truth(&self) -> Truth {
        let readings = self.engine.readings(self.now);
        Truth {
            at: self.now,
            rpm: readings.rpm,
            mean_rpm: self.engine.mean_rpm(self.now),
            running: self.engine.is_running(),
            valve_steps: self.engine.valve.actual,
            valve_believed: self.engine.valve.believed,
            held: self.engine.control.held,
            coolant: readings.coolant,
            battery: readings.battery,
            throttle_volts: readings.throttle_volts,
            screw_turns: self.engine.screw,
            load: self.engine.loads.together,
            plate_angle: readings.plate_angle,
            recognised_closed: self.engine.recognises_closed(),
            fan_on: readings.fan_on,
            trims: (readings.short_trim, readings.long_trim),
            idle_target: self.engine.target(),
            session: self.controller.session(),
            last_request: self.controller.last_request(),
            key_on: self.controller.is_powered(),
        }
    }

    /// The mean of a true quantity from one moment to another, both on the caller's clock. `None` unless the
    /// configuration keeps the truth, the second moment comes after the first, and the engine was simulated
    /// without a gap in between (a cold soak is one).
    pub fn true_mean(&self, what: Truthful, from: i64, to: i64) -> Option<f64> {
        self.engine.true_mean(what, from, to)
    }

    /// What the needle on the dash shows, in r/min: the true mean speed with the instrument's own scale
    /// error, settled.
    pub fn tachometer(&self) -> f64 {
        self.engine.mean_rpm(self.now) * self.engine.parameters.tachometer_scale
    }

    /// The figures of this specimen.
    pub fn parameters(&self) -> &Parameters {
        &self.engine.parameters
    }

    /// What the controller did, in order; empty when the configuration keeps no log.
    pub fn log(&self) -> &[Happened] {
        &self.log.entries
    }

    /// Cuts or joins the cable between adapter and car. The adapter's echo survives a cut.
    pub fn cut(&mut self, now: i64, cut: bool) {
        self.advance(now);
        self.line.set_cut(self.now, cut);
    }

    /// Turns the key. Off stops the engine and cuts the controller's power; on powers the controller, which
    /// is ready 300 ms later, and leaves the engine standing: see [`World::crank`].
    pub fn key(&mut self, now: i64, on: bool) {
        self.advance(now);
        if on == self.controller.is_powered() {
            return;
        }
        let at = self.now;
        self.browned_out = false;
        let (controller, mut around) = self.parts();
        controller.power(at, on, &mut around);
        if on {
            around.engine.power_on(at);
        } else {
            around.engine.power_off(at);
        }
        self.log.note(|| Happened::Key { at, on });
    }

    /// Turns the starter until the engine runs, about a second, at most two and a half. Does nothing with the
    /// key off or the engine running. With a weak battery the voltage may fall so low that the controller
    /// restarts, and the engine may need a second try.
    pub fn crank(&mut self, now: i64) {
        self.advance(now);
        if self.controller.is_powered() {
            self.engine.crank(self.now);
        }
    }

    /// Turns the bypass screw, outwards (more air) positive. It stops at either end of its travel.
    pub fn turn_screw(&mut self, now: i64, turns: f64) {
        self.advance(now);
        if turns.is_finite() {
            self.engine.turn_screw(self.now, turns);
        }
    }

    /// Turns the throttle sensor's body in its slotted holes, by degrees, as far as they go (12 either way).
    /// Which way raises the voltage, and by how much a degree, differs from car to car.
    pub fn turn_throttle_sensor(&mut self, now: i64, degrees: f64) {
        self.advance(now);
        if degrees.is_finite() {
            self.engine.turn_throttle_sensor(self.now, degrees);
        }
    }

    /// Presses the accelerator, 0 (released) to 1 (to the floor).
    pub fn press_pedal(&mut self, now: i64, fraction: f64) {
        self.advance(now);
        if fraction.is_finite() {
            self.engine.press_pedal(self.now, fraction);
        }
    }

    /// Pushes the throttle plate against its stop by hand, or lets it go.
    pub fn push_plate_shut(&mut self, now: i64, pushed: bool) {
        self.advance(now);
        self.engine.push_plate_shut(self.now, pushed);
    }

    /// Pinches a hose, or lets it go.
    pub fn pinch(&mut self, now: i64, hose: Hose, pinched: bool) {
        self.advance(now);
        self.engine.pinch(self.now, hose, pinched);
    }

    /// Switches one load on or off.
    pub fn switch(&mut self, now: i64, load: Load, on: bool) {
        self.advance(now);
        self.engine.loads.switch(load, on);
    }

    /// Sets every load together, 0 (what is not switched on is off) to 1 (everything on).
    pub fn set_load(&mut self, now: i64, load: f64) {
        self.advance(now);
        if load.is_finite() {
            self.engine.loads.together = load.clamp(0.0, 1.0);
        }
    }

    /// Gives the controller bad manners.
    pub fn controller_fault(&mut self, now: i64, fault: ControllerFault) {
        self.advance(now);
        let at = self.now;
        let (controller, mut around) = self.parts();
        controller.fault(at, fault, &mut around);
    }

    /// The next moment at which the controller hears something or acts.
    fn next_step(&self) -> Option<i64> {
        let character = self.line.character_time(End::Controller);
        let own = self.controller.next_deadline(character, self.engine.control.held.is_some());
        [self.line.next_event(End::Controller), own, self.engine.next_watch()].into_iter().flatten().min()
    }

    fn step(&mut self, at: i64) {
        self.now = at;
        self.engine.advance(at);
        let out = self.engine.is_browned_out();
        let changed = std::mem::replace(&mut self.browned_out, out) != out;
        let (controller, mut around) = self.parts();
        if changed {
            controller.brown_out(at, out, &mut around);
        }
        while let Some(arrival) = around.line.take(End::Controller, at) {
            controller.hear(arrival, &mut around);
        }
        while let Some(pulse) = around.line.take_pulse(End::Controller, at) {
            controller.see_pulse(pulse, &mut around);
        }
        let character = around.line.character_time(End::Controller);
        let held = around.engine.control.held.is_some();
        if controller.next_deadline(character, held).is_some_and(|deadline| deadline <= at) {
            controller.act(at, &mut around);
        }
    }

    fn parts(&mut self) -> (&mut Unit, Around<'_>) {
        let around = Around { line: &mut self.line, engine: &mut self.engine, log: &mut self.log };
        (&mut self.controller, around)
    }
}

#[cfg(test)]
mod tests;
