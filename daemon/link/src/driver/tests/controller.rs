//! A small controller at the other end of an in-process line. It frames with the wire's own messages and
//! keeps its output, its session and its own timeout by itself.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard};

use model::{Moment, Span};
use wire::frame::{Addressing, Assembler, Header, Message, Step};
use wire::kline::Received;

use super::trail::{Mark, Trail};
use super::{MS, S};
use crate::transport::in_process::LineEnd;

/// What it does with a request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Say {
    /// What a healthy one does.
    Usual,
    /// It does not even hear it.
    Nothing,
    /// It obeys, and its answer is lost.
    ObeyUnheard,
    /// It refuses with a code.
    Refuse(u8),
    /// It obeys, and its answer has a wrong checksum.
    Spoiled,
    /// It obeys, and these characters come instead of its answer.
    Garbage(Vec<u8>),
    /// It obeys and answers with these data.
    Data(Vec<u8>),
}

type Mind = Box<dyn FnMut(Moment, &[u8]) -> Say + Send>;

/// The controller and its line.
pub(super) struct State {
    pub(super) timeout: Option<Span>,
    pub(super) rpm: f64,
    /// What the idle valve does to the speed while it is held.
    pub(super) held_rpm: Option<f64>,
    pub(super) held: Option<u8>,
    pub(super) held_since: Moment,
    pub(super) longest_hold: Span,
    /// Every request it heard, with the end of its last character.
    pub(super) asked: Vec<(Moment, Vec<u8>)>,
    pub(super) last_heard: Moment,
    pub(super) line_low: bool,
    /// When the cable is out: nothing passes from then on until then.
    pub(super) cut: Vec<(Moment, Moment)>,
    /// From the end of a request to the start of its answer.
    pub(super) p2: Span,
    mind: Mind,
    awake: bool,
    low_since: Option<Moment>,
    pulse: Option<Span>,
    assembler: Assembler,
    busy_until: Moment,
    coming: VecDeque<Received>,
    trail: Trail,
}

/// A handle on it, for the line and for the test.
#[derive(Clone)]
pub(super) struct Controller(Arc<Mutex<State>>);

const CHARACTER: Span = Span::from_nanos(10 * 1_000_000_000 / 10_400);

impl Controller {
    pub(super) fn new(trail: Trail, mind: impl FnMut(Moment, &[u8]) -> Say + Send + 'static) -> Self {
        Self(Arc::new(Mutex::new(State {
            timeout: Some(S(5)),
            rpm: 800.0,
            held_rpm: None,
            held: None,
            held_since: Moment::ZERO,
            longest_hold: Span::ZERO,
            asked: Vec::new(),
            last_heard: Moment::ZERO,
            line_low: false,
            cut: Vec::new(),
            p2: MS(26),
            mind: Box::new(mind),
            awake: false,
            low_since: None,
            pulse: None,
            assembler: Assembler::new(),
            busy_until: Moment::ZERO,
            coming: VecDeque::new(),
            trail,
        })))
    }

    pub(super) fn look(&self) -> MutexGuard<'_, State> {
        self.0.lock().unwrap()
    }

    /// The data of every request it heard.
    pub(super) fn requests(&self) -> Vec<Vec<u8>> {
        self.look().asked.iter().map(|(_, data)| data.clone()).collect()
    }

    /// As after a former run: awake, in session, its output held.
    pub(super) fn left_held(&self) {
        let mut state = self.look();
        (state.awake, state.held) = (true, Some(32));
    }
}

impl State {
    fn is_cut(&self, at: Moment) -> bool {
        self.cut.iter().any(|(from, to)| (*from..*to).contains(&at))
    }

    /// Lets go of everything after its own timeout.
    pub(super) fn expire(&mut self, now: Moment) {
        if let Some(timeout) = self.timeout
            && self.awake
            && now.since(self.last_heard) > timeout
        {
            self.let_go(self.last_heard + timeout);
            self.awake = false;
        }
    }

    fn let_go(&mut self, at: Moment) {
        if self.held.take().is_some() {
            self.longest_hold = self.longest_hold.max(at.since(self.held_since));
        }
    }

    fn heard(&mut self, at: Moment, data: &[u8]) {
        self.expire(at);
        let woken = self.awake || (data == [0x81] && self.pulse == Some(MS(25)));
        if !woken {
            return;
        }
        let say = (self.mind)(at, data);
        if say == Say::Nothing {
            return;
        }
        self.awake = true;
        self.last_heard = at;
        self.asked.push((at, data.to_vec()));
        let usual = self.usual(data);
        match say {
            Say::Refuse(code) => self.answer(at, &[0x7F, data[0], code], 0),
            Say::Nothing => {}
            say => {
                self.obey(at, data);
                match say {
                    Say::Spoiled => self.answer(at, &usual, 0x10),
                    Say::Garbage(bytes) => self.send(at + self.p2, &bytes),
                    Say::Data(data) => self.answer(at, &data, 0),
                    Say::ObeyUnheard => {}
                    _ => {
                        let usual = self.usual(data);
                        self.answer(at, &usual, 0);
                    }
                }
            }
        }
    }

    fn obey(&mut self, at: Moment, data: &[u8]) {
        match data {
            [0x30, 0x51, 0x07, value] => {
                if self.held.is_none() {
                    self.held_since = at;
                }
                self.held = Some(*value);
            }
            [0x30, 0x51, 0x00] => self.let_go(at),
            [0x82] => {
                self.let_go(at);
                self.awake = false;
            }
            _ => {}
        }
    }

    fn usual(&self, data: &[u8]) -> Vec<u8> {
        match data {
            [0x81] => vec![0xC1, 0xEF, 0x8F],
            [0x21, id] => {
                let rpm = self.held.and(self.held_rpm).unwrap_or(self.rpm);
                let count = ((rpm * 2.0) as u16).to_be_bytes();
                vec![0x61, *id, count[0], count[1], u8::from(self.held.is_some())]
            }
            // It has no list of codes of its own.
            [0x18, ..] => vec![0x7F, 0x18, 0x11],
            [0x03] => vec![0x43, 0x01, 0x33, 0x00, 0x00, 0x00, 0x00],
            [service, rest @ ..] => [&[service | 0x40], rest].concat(),
            [] => Vec::new(),
        }
    }

    fn answer(&mut self, at: Moment, data: &[u8], spoil: u8) {
        let header = Header::addressed(Addressing::Physical, 0xF1, 0x2A);
        let mut bytes = Message { header, data: data.to_vec() }.encode().unwrap();
        *bytes.last_mut().unwrap() ^= spoil;
        self.send(at + self.p2, &bytes);
    }

    fn send(&mut self, from: Moment, bytes: &[u8]) {
        for byte in bytes {
            let end = self.busy_until.max(from) + CHARACTER;
            self.busy_until = end;
            if !self.is_cut(end) {
                self.coming.push_back(Received { byte: *byte, end, broken: false });
            }
        }
    }
}

impl LineEnd for Controller {
    fn write(&mut self, now: Moment, byte: u8) {
        let mut state = self.look();
        state.trail.push(Mark::Byte(byte));
        // P4max: half a request is forgotten after it.
        if now.since(state.busy_until) > MS(20) {
            state.assembler.clear();
        }
        let end = state.busy_until.max(now) + CHARACTER;
        state.busy_until = end;
        // The adapter hears itself, whether or not the cable is in.
        state.coming.push_back(Received { byte, end, broken: false });
        if state.is_cut(end) {
            state.assembler.clear();
        } else if let Step::Message(message) = state.assembler.push(byte) {
            state.heard(end, &message.data);
        }
    }

    fn set_level(&mut self, now: Moment, low: bool) {
        let mut state = self.look();
        state.line_low = low;
        if low {
            state.low_since = Some(now);
        } else if let Some(since) = state.low_since.take() {
            state.pulse = Some(now.since(since)).filter(|_| !state.is_cut(now));
        }
    }

    fn set_baud(&mut self, _: Moment, baud: u32) -> u32 {
        baud
    }

    fn purge(&mut self, _: Moment) {
        self.look().coming.clear();
    }

    fn read(&mut self, now: Moment, into: &mut Vec<Received>) {
        let mut state = self.look();
        while let Some(one) = state.coming.pop_front_if(|one| one.end <= now) {
            into.push(one);
        }
    }

    fn next_event(&self) -> Option<Moment> {
        self.look().coming.front().map(|one| one.end)
    }
}
