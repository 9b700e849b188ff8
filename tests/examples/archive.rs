//! Writes an archive of invented sessions with everything in it that is rare in a rehearsal: a clock that is set
//! while it records, gaps of every reason, readings of every quality, steps that are skipped, run twice or broken off,
//! a session without its end and one without readings. For outside readers. Usage: archive FOLDER

use std::collections::BTreeMap;
use std::path::Path;

use model::event::NoteValue;
use model::judgement::{Estimate, Finding};
use model::{
    ChannelId, Ending, Event, EventEnvelope, Gap, GapReason, Moment, Quality, Quantity, SCHEMA_VERSION,
    Sample, SessionId, Span, StationId, StepId, Uncertainty, Unit, Word,
};
use record::{Archive, ChannelHead, SessionHead, SessionWriter};

/// 2026-03-04T23:59:50Z: the day changes while the sessions run.
const BEGUN: i64 = 1_772_668_790_000_000_000;
const SECOND: i64 = 1_000_000_000;

/// Channels: id, unit, factor, offset, noise, shared.
const CHANNELS: [(&str, &str, f64, f64, f64, f64); 4] = [
    ("rpm", "{rev}/min", 0.5, 0.0, 7.0, 1.0),
    ("coolant", "Cel", 0.8, -40.0, 0.2, 1.5),
    ("battery", "V", 0.078_431_372_549_019_6, 0.0, 0.03, 0.1),
    ("fan", "1", 1.0, 0.0, 0.0, 0.0),
];

fn main() {
    let folder = std::env::args().nth(1).expect("usage: archive FOLDER");
    let (archive, _) = Archive::open(Path::new(&folder)).expect("the folder can be written to");
    whole(Session::begin(&archive, "made-whole", "bench-car", 1));
    broken_off(Session::begin(&archive, "made-broken-off", "bench-car", 2));
    // A car whose name looks like a number, and nothing read.
    empty(Session::begin(&archive, "made-empty", "0042", 3));
}

/// A session with a clock set twice, gaps, and steps of every kind.
fn whole(mut s: Session) {
    s.event(0, Event::StepSkipped { step: step("look"), reason: "seen \"before\" \\ by hand".into() });
    s.read(0, 4 * SECOND);
    // Where the head put the clock's start was wrong by a second and some.
    s.anchor(4 * SECOND + 123_456_789, BEGUN + 5 * SECOND + 987_654_321);
    s.started(5 * SECOND, "warm", "Wait, \"warm\" or not \\ it's on you");
    s.read(5 * SECOND, 9 * SECOND);
    s.gap("coolant", 9 * SECOND, 2 * SECOND, GapReason::LinkDown);
    for (n, reason) in GapReason::ALL.into_iter().enumerate() {
        s.gap("rpm", 9 * SECOND + n as i64 * 300_000_000, 250_000_003, reason);
    }
    s.ended(11 * SECOND, "warm", Ending::CarNotRight);
    // Set forward by an hour, and back beyond where it was.
    s.anchor(12 * SECOND, BEGUN + 1_812 * SECOND);
    s.anchor(12 * SECOND, BEGUN + 3_612 * SECOND);
    s.sample(0, 12 * SECOND - 10_000, 10_000);
    s.sample(0, 12 * SECOND, 10_000);
    s.read(12 * SECOND + 1, 15 * SECOND);
    s.started(15 * SECOND, "warm", "Once more");
    // At the very moments at which a step begins and ends, and in one answer.
    for at in [15 * SECOND, 20 * SECOND] {
        (0..3).for_each(|index| s.sample(index, at, 10_000));
    }
    s.measured(16 * SECOND, "rpm", Some(estimate(850.25, 3.5, "{rev}/min")));
    s.measured(16 * SECOND, "battery", None);
    s.anchor(16 * SECOND + 5, BEGUN + 9 * SECOND + 1);
    s.read(16 * SECOND, 20 * SECOND - 1);
    s.ended(20 * SECOND, "warm", Ending::Passed);
    s.started(20 * SECOND, "verdict", "Judge");
    s.noted("turns", NoteValue::Quantity(Quantity::new(1.25, unit("1"))));
    s.noted("idle", NoteValue::Estimate(estimate(1e-7, 2.5e-8, "V")));
    s.noted("by", NoteValue::Text("a \"person\"".into()));
    s.noted("cold", NoteValue::Flag(false));
    s.result("idle speed", Word::Proven, Some(estimate(851.0, 2.0, "{rev}/min")));
    s.result("charging", Word::Unknown, None);
    s.ended(21 * SECOND, "verdict", Ending::Passed);
    s.event(22 * SECOND, Event::SessionEnded { ending: Ending::Passed });
    s.close(Ending::Passed);
}

/// A session that breaks off in a step; no anchor was recorded.
fn broken_off(mut s: Session) {
    s.started(SECOND, "warm", "Wait until warm");
    s.read(0, 6 * SECOND);
    // Long after: more microseconds than 32 bits count, and more nanoseconds than a fraction keeps.
    s.read(3 * 3_600 * SECOND, 3 * 3_600 * SECOND + 2 * SECOND);
    s.read(200 * 86_400 * SECOND, 200 * 86_400 * SECOND + 2 * SECOND);
    s.close(Ending::LinkLost);
}

fn empty(mut s: Session) {
    s.anchor(5, BEGUN + 5);
    s.event(SECOND, Event::SessionEnded { ending: Ending::Stopped });
    s.close(Ending::Stopped);
}

struct Session {
    writer: SessionWriter,
    session: SessionId,
    station: StationId,
    seq: u64,
    now: i64,
    seed: u64,
}

impl Session {
    fn begin(archive: &Archive, session: &str, car: &str, seed: u64) -> Self {
        let (session, station) =
            (SessionId::new(session).expect("an id"), StationId::new("bench").expect("an id"));
        let head = SessionHead {
            session: session.clone(),
            station: station.clone(),
            car: car.into(),
            procedure: Some("made".into()),
            program: "0".into(),
            utc_nanos: BEGUN,
            job: model::Job::default(),
            tags: BTreeMap::new(),
            description_sha256: String::new(),
            script_sha256: None,
            channels: CHANNELS.iter().map(channel).collect(),
        };
        let writer = archive.begin(head).expect("a new session");
        let mut this = Self { writer, session, station, seq: 0, now: 0, seed };
        let started = Event::SessionStarted {
            procedure: Some("made".into()),
            car: car.into(),
            description_sha256: String::new(),
            script_sha256: None,
            program: "0".into(),
            tags: BTreeMap::new(),
        };
        this.event(0, started);
        this
    }

    fn event(&mut self, at: i64, event: Event) {
        self.seq += 1;
        self.now = at;
        self.writer.event(&EventEnvelope {
            schema: SCHEMA_VERSION,
            seq: self.seq,
            station: self.station.clone(),
            session: self.session.clone(),
            at: Moment(at),
            event,
        });
    }

    fn anchor(&mut self, at: i64, utc_nanos: i64) {
        self.event(
            at,
            Event::Anchor { utc_nanos, uncertainty: Span::from_micros(20), source: "system".into() },
        );
    }

    fn started(&mut self, at: i64, id: &str, title: &str) {
        self.event(at, Event::StepStarted { step: step(id), title: title.into() });
    }

    fn ended(&mut self, at: i64, id: &str, ending: Ending) {
        self.event(at, Event::StepEnded { step: step(id), ending });
    }

    fn noted(&mut self, key: &str, value: NoteValue) {
        self.event(self.now, Event::Noted { key: key.into(), value });
    }

    fn measured(&mut self, at: i64, id: &str, estimate: Option<Estimate>) {
        self.event(
            at,
            Event::Measured {
                channel: name(id),
                name: format!("{id} now"),
                readings: if estimate.is_some() { 12 } else { 0 },
                rate: 6.5,
                over: Span(1_500_000_000),
                dithered: true,
                estimate,
            },
        );
    }

    fn result(&mut self, title: &str, word: Word, estimate: Option<Estimate>) {
        let finding = Finding {
            channel: name("rpm"),
            word,
            estimate,
            target: "within 750 to 950 {rev}/min".into(),
            gap: None,
            age: None,
            because: String::new(),
        };
        self.event(self.now, Event::Result { name: title.into(), finding });
    }

    fn gap(&mut self, id: &str, at: i64, half: i64, why: GapReason) {
        self.writer.gap(&Gap { channel: name(id), at: Moment(at), half: Span(half), why });
    }

    /// Readings of all channels, some in one answer, at uneven distances.
    fn read(&mut self, from: i64, to: i64) {
        let mut at = from + self.draw(50_000_000);
        while at < to {
            let half = 1_000_000 + self.draw(4_000_000);
            self.sample(0, at, half);
            if self.draw(3) == 0 {
                self.sample(1, at, half);
            }
            if self.draw(2) == 0 {
                let later = at + 10_000 * self.draw(4);
                self.sample(2, later, half);
            }
            if self.draw(4) == 0 {
                self.sample(3, at, half);
            }
            at += 60_000_000 + self.draw(90_000_000);
        }
    }

    fn sample(&mut self, index: usize, at: i64, half: i64) {
        let (id, _, factor, offset, noise, shared) = CHANNELS[index];
        let raw = match index {
            3 => self.draw(2),
            _ => 40 + self.draw(200),
        };
        let quality = match self.draw(12) {
            0 => Quality::Implausible,
            1 => Quality::Saturated,
            2 => Quality::Invalid,
            _ => Quality::Good,
        };
        let value =
            if quality == Quality::Invalid && raw % 2 == 0 { f64::NAN } else { raw as f64 * factor + offset };
        self.writer.sample(&Sample {
            channel: name(id),
            at: Moment(at),
            time_uncertainty: Span(half),
            raw,
            value,
            uncertainty: Uncertainty { noise, resolution: factor, shared },
            quality,
        });
    }

    /// A number from 0 up to, not including, `below`: the same in every run (the multiplier is Knuth's, The Art of
    /// Computer Programming, volume 2, 3.3.4, from memory).
    fn draw(&mut self, below: i64) -> i64 {
        self.seed = self.seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((self.seed >> 33) % below as u64) as i64
    }

    fn close(self, ending: Ending) {
        self.writer.close(ending).expect("the folder can be written to");
    }
}

fn channel((id, code, factor, offset, noise, shared): &(&str, &str, f64, f64, f64, f64)) -> ChannelHead {
    ChannelHead {
        id: name(id),
        title: (*id).into(),
        unit: unit(code),
        factor: *factor,
        offset: *offset,
        resolution: *factor,
        noise: *noise,
        shared: *shared,
        rounding: "to the nearest count".into(),
    }
}

fn estimate(value: f64, half: f64, code: &str) -> Estimate {
    Estimate { value, low: value - half, high: value + half, unit: unit(code) }
}

fn name(id: &str) -> ChannelId {
    ChannelId::new(id).expect("an id")
}

fn step(id: &str) -> StepId {
    StepId::new(id).expect("an id")
}

fn unit(code: &str) -> Unit {
    Unit::new(code).expect("a UCUM code")
}
