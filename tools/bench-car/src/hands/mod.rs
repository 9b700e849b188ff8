//! Simulated hands: a person at the car who knows only what a person would: the prompt, the readout, the dash.
//!
//! The hands never look at the car's truth except where a person feels it directly (a screw that will not go
//! further, an engine that is heard to run, a starter that has caught). They react late, overshoot, may turn the wrong way first, let the sensor
//! creep while its screws are tightened, and walk away from a long wait until they are called.
//!
//! What is asked is an act and a target in words; see [`ACTS`] for those they can serve. Anything else is answered
//! with "done" after a while, as a person would who looks and nods.

mod nudge;
mod screw;
mod temper;

use crate::parameters::SCREW_TRAVEL;
use crate::random::{Draws, Purpose};
use crate::{Hose, Load, World};

use nudge::Nudge;
use screw::Screw;
pub use temper::Temper;

/// The acts that the hands carry out, with their targets.
pub const ACTS: &[(&str, &str)] = &[
    ("key", "on"),
    ("key", "off"),
    ("key", "start"),
    ("sweep", "throttle pedal"),
    ("blip", "throttle pedal"),
    ("turn", "throttle sensor"),
    ("tighten", "throttle sensor"),
    ("push shut", "throttle plate"),
    ("let go", "throttle plate"),
    ("turn out", "bypass screw"),
    ("turn in", "bypass screw"),
    ("count", "bypass screw"),
    ("pinch", "cold-start air hose"),
    ("pinch", "vacuum hoses"),
    ("let go", "cold-start air hose"),
    ("let go", "vacuum hoses"),
    ("switch off", "loads"),
    ("read", "dash tachometer"),
    ("wait", "warm-up"),
];

/// What a person sees of one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct Readout {
    /// Its name.
    pub channel: String,
    /// Its value.
    pub value: f64,
    /// How far to go: positive when it must rise, negative when it must fall, zero when it is right.
    pub gap: f64,
}

/// What kind of answer is wanted.
#[derive(Debug, Clone, PartialEq)]
pub enum Wanted {
    /// That it is done.
    Done,
    /// One of these.
    Choice(Vec<String>),
    /// A number.
    Number,
    /// Words.
    Text,
}

/// One movement that takes time: due moments with what is done then.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Move {
    Pedal(f64),
    Key(bool),
    Crank,
    Look,
}

/// The hands of one person.
#[derive(Debug)]
pub struct Hands {
    temper: Temper,
    draws: Draws,
    asked: Option<Asked>,
    answer: Option<(i64, String)>,
    moves: std::collections::VecDeque<(i64, Move)>,
    nudge: Option<Nudge>,
    screw: Screw,
    readouts: std::collections::VecDeque<(i64, Vec<Readout>)>,
    away_until: Option<i64>,
    rounds: u32,
    gave_up: bool,
}

#[derive(Debug, Clone)]
struct Asked {
    at: i64,
    act: String,
    target: String,
    wanted: Wanted,
}

const SECOND: f64 = 1e9;
/// A person reads what was on the screen this long ago, in nanoseconds.
const EYE: i64 = 400_000_000;
/// Seconds between two looks at the readout while turning something.
const LOOKS: (f64, f64) = (0.9, 1.8);
/// A slow sweep: seconds up and seconds down, and its steps.
const SWEEP: (f64, f64) = (6.0, 8.5);
const SWEEP_STEPS: u32 = 80;

impl Hands {
    /// The hands of a seed's person.
    pub fn new(seed: u64) -> Self {
        Self::of(seed, Temper::draw(seed))
    }

    /// Hands of a temper.
    pub fn of(seed: u64, temper: Temper) -> Self {
        Self {
            temper,
            draws: Draws::new(seed, Purpose::Hands),
            asked: None,
            answer: None,
            moves: Default::default(),
            nudge: None,
            screw: Screw::default(),
            readouts: Default::default(),
            away_until: None,
            rounds: 0,
            gave_up: false,
        }
    }

    /// Whether the person has given up and answers no more.
    pub fn gave_up(&self) -> bool {
        self.gave_up
    }

    /// Asks for an act and an answer.
    pub fn ask(&mut self, now: i64, act: &str, target: &str, wanted: Wanted) {
        self.rest();
        self.answer = None;
        let back = self.away_until.map_or(now, |until| until.max(now));
        let at = back + self.seconds(self.temper.reaction);
        self.asked = Some(Asked { at, act: act.into(), target: target.into(), wanted });
    }

    /// Shows what to do; the car is what answers.
    pub fn instruct(&mut self, now: i64, act: &str, target: &str) {
        self.rest();
        self.asked = None;
        let at = self.away_until.map_or(now, |until| until.max(now)) + self.seconds(self.temper.reaction);
        match (act, target) {
            ("turn", "throttle sensor") => {
                self.nudge = Some(Nudge::default());
                self.moves.push_back((at, Move::Look));
            }
            ("sweep", "throttle pedal") => self.sweep(at),
            ("wait", "warm-up") if self.draws.unit() < self.temper.walks_away => {
                let minutes = self.draws.between((1.0, 9.0));
                self.away_until = Some(now + (minutes * 60.0 * SECOND) as i64);
            }
            _ => {}
        }
    }

    /// Calls the person, who comes back if away.
    pub fn call(&mut self, now: i64) {
        if self.away_until.is_some_and(|until| until > now) {
            self.away_until = Some(now + self.seconds((5.0, 40.0)));
        }
    }

    /// Shows a readout.
    pub fn see(&mut self, now: i64, readouts: Vec<Readout>) {
        if self.readouts.len() == 16 {
            self.readouts.pop_front();
        }
        self.readouts.push_back((now, readouts));
    }

    /// The answer, once it is there.
    pub fn answer(&mut self, now: i64) -> Option<String> {
        self.answer.take_if(|(at, _)| *at <= now).map(|(_, answer)| answer)
    }

    /// When an answer will be there.
    pub fn answers_at(&self) -> Option<i64> {
        self.answer.as_ref().map(|(at, _)| *at)
    }

    /// The next moment at which the hands do something.
    pub fn next_act(&self) -> Option<i64> {
        let asked = self.asked.as_ref().map(|asked| asked.at);
        let moving = self.moves.front().map(|(at, _)| *at);
        [asked, moving].into_iter().flatten().min()
    }

    /// Does what is due at `now`.
    pub fn act(&mut self, now: i64, world: &mut World) {
        while let Some((_, one)) = self.moves.pop_front_if(|(at, _)| *at <= now) {
            self.movement(now, one, world);
        }
        if let Some(asked) = self.asked.take_if(|asked| asked.at <= now) {
            self.serve(now, &asked, world);
        }
    }

    /// Takes the hands off whatever they were turning or pressing.
    fn rest(&mut self) {
        self.nudge = None;
        self.moves.retain(|(_, one)| !matches!(one, Move::Look));
    }

    fn seconds(&mut self, range: (f64, f64)) -> i64 {
        (self.draws.between(range) * SECOND) as i64
    }

    fn movement(&mut self, now: i64, one: Move, world: &mut World) {
        match one {
            Move::Pedal(to) => world.press_pedal(now, to),
            Move::Key(on) => world.key(now, on),
            Move::Crank => world.crank(now),
            Move::Look => self.look(now, world),
        }
    }

    /// One look at the readout while the sensor is being turned, and the nudge that follows.
    fn look(&mut self, now: i64, world: &mut World) {
        let Some(mut nudge) = self.nudge.take() else { return };
        if let Some(seen) = self.seen(now, "throttle")
            && let Some(turn) = nudge.next(&seen, self.temper.clumsiness, &mut self.draws)
        {
            world.turn_throttle_sensor(now, turn);
        }
        if !nudge.rests() {
            let again = now + self.seconds(LOOKS);
            self.moves.push_back((again, Move::Look));
        }
        self.nudge = Some(nudge);
    }

    /// What was on the screen a moment ago of the channels whose name begins so.
    fn seen(&self, now: i64, channel: &str) -> Option<Readout> {
        let old_enough = self.readouts.iter().rev().filter(|(at, _)| *at + EYE <= now);
        old_enough.flat_map(|(_, all)| all).find(|one| one.channel.starts_with(channel)).cloned()
    }

    fn sweep(&mut self, from: i64) {
        let (up, down) = (self.draws.between(SWEEP), self.draws.between(SWEEP));
        for k in 1..=SWEEP_STEPS {
            let share = f64::from(k) / f64::from(SWEEP_STEPS);
            self.moves.push_back((from + (up * share * SECOND) as i64, Move::Pedal(share)));
        }
        let top = from + ((up + 0.8) * SECOND) as i64;
        for k in 1..=SWEEP_STEPS {
            let share = f64::from(k) / f64::from(SWEEP_STEPS);
            self.moves.push_back((top + (down * share * SECOND) as i64, Move::Pedal(1.0 - share)));
        }
    }

    fn serve(&mut self, now: i64, asked: &Asked, world: &mut World) {
        if self.gave_up {
            return;
        }
        let mut took = self.seconds((1.0, 3.0));
        let mut says = None;
        match (asked.act.as_str(), asked.target.as_str()) {
            ("key", "off") if !self.temper.leaves_engine_running && !self.temper.leaves_key_on => {
                world.key(now, false);
            }
            ("key", "on") => {
                // An engine that runs with the key on is switched off first, and on again without starting it.
                if world.truth().running && !self.temper.leaves_engine_running {
                    world.key(now, false);
                    self.moves.push_back((now + 2 * SECOND as i64, Move::Key(true)));
                    took += 3 * SECOND as i64;
                } else {
                    world.key(now, true);
                }
            }
            ("key", "start") => took += self.start(now, world),
            ("blip", "throttle pedal") => {
                world.press_pedal(now, 0.12);
                self.moves.push_back((now + 1_500_000_000, Move::Pedal(0.0)));
                took += 2 * SECOND as i64;
            }
            ("sweep", "throttle pedal") => {
                self.sweep(now);
                took += (20.0 * SECOND) as i64;
            }
            ("tighten", "throttle sensor") => {
                self.rounds += 1;
                let creep = self.temper.creep * self.draws.normal().clamp(-2.0, 2.0);
                world.turn_throttle_sensor(now, creep);
                if self.rounds > self.temper.patience {
                    self.gave_up = true;
                    return;
                }
            }
            ("push shut", "throttle plate") => world.push_plate_shut(now, true),
            ("let go", "throttle plate") => world.push_plate_shut(now, false),
            ("pinch", "cold-start air hose") => world.pinch(now, Hose::ColdStartAir, true),
            ("pinch", "vacuum hoses") => world.pinch(now, Hose::Vacuum, true),
            ("let go", "cold-start air hose") => world.pinch(now, Hose::ColdStartAir, false),
            ("let go", "vacuum hoses") => world.pinch(now, Hose::Vacuum, false),
            ("switch off", "loads") => {
                for load in [Load::Blower, Load::AirConditioning, Load::Headlamps, Load::Steering] {
                    world.switch(now, load, false);
                }
            }
            ("turn out" | "turn in", "bypass screw") => {
                says = self.turn_screw(now, asked.act == "turn out", &asked.wanted, world);
            }
            ("count", "bypass screw") => {
                // Turned in to its seat and back out by as much: a person is off by a little.
                let turns = world.truth().screw_turns;
                let counted = ((turns + 0.04 * self.draws.normal()) * 8.0).round() / 8.0;
                world.turn_screw(now, 0.03 * self.draws.normal());
                took += (25.0 * SECOND) as i64;
                says = Some(format!("{}", counted.max(0.0)));
            }
            ("read", "dash tachometer") => {
                let seen = world.tachometer() + 10.0 * self.draws.normal();
                says = Some(format!("{}", (seen / 25.0).round() * 25.0));
            }
            _ => {}
        }
        let says = says.unwrap_or_else(|| usual(&asked.wanted));
        self.answer = Some((now + took, says));
    }

    /// Turns the screw and says whether it would go.
    fn turn_screw(&mut self, now: i64, out: bool, wanted: &Wanted, world: &mut World) -> Option<String> {
        let seen = self.seen(now, "rpm");
        let (rpm, gap) = (seen.as_ref().map(|s| s.value), seen.as_ref().map(|s| s.gap).filter(|g| *g != 0.0));
        let turn = self.screw.next(out, rpm, gap, &self.temper, &mut self.draws);
        let before = world.truth().screw_turns;
        world.turn_screw(now, turn);
        let after = world.truth().screw_turns;
        let at_its_end = (out && after >= SCREW_TRAVEL) || (!out && after <= 0.0);
        match wanted {
            Wanted::Choice(options) if at_its_end && (after - before).abs() < 1e-6 => options.last().cloned(),
            _ => None,
        }
    }

    /// Turns the key until the engine runs, three times at the most; gives how long it takes.
    fn start(&mut self, now: i64, world: &mut World) -> i64 {
        world.key(now, true);
        let mut at = now + self.seconds((0.8, 2.0));
        for _ in 0..3 {
            // The starter does nothing to an engine that runs.
            self.moves.push_back((at, Move::Crank));
            at += 4 * SECOND as i64;
        }
        at - now
    }
}

fn usual(wanted: &Wanted) -> String {
    match wanted {
        Wanted::Done => "done".into(),
        Wanted::Choice(options) => options.first().cloned().unwrap_or_else(|| "done".into()),
        Wanted::Number => "0".into(),
        Wanted::Text => "as it was found".into(),
    }
}
