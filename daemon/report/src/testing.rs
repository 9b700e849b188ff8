//! Recorded sessions for the tests of this room.

use std::collections::BTreeMap;

use model::event::{Outcome, ReleaseCause, ReleaseProof};
use model::judgement::Finding;
use model::{
    Cause, ChannelId, Condition, Demand, Ending, Estimate, Event, EventEnvelope, Evidence, Gate, Grade,
    Judgement, Moment, OutputId, Place, Problem, ProblemKind, Quality, Quantity, SCHEMA_VERSION, Sample,
    SessionId, Span, Speaks, StationId, StepId, Uncertainty, Unit, Watch, Word,
};
use record::{Archive, ChannelHead, Session, SessionHead, SessionWriter, read_session};

/// A session being recorded in a folder of its own. Times are in milliseconds.
pub(crate) struct Recording {
    folder: tempfile::TempDir,
    head: SessionHead,
    writer: Option<SessionWriter>,
    seq: u64,
}

impl Recording {
    pub(crate) fn new(session: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        Self { folder, head: head(session), writer: None, seq: 0 }
    }

    /// Changes the head; nothing may be recorded yet.
    pub(crate) fn restart(&mut self, change: impl Fn(&mut SessionHead)) {
        assert!(self.writer.is_none());
        change(&mut self.head);
    }

    fn writer(&mut self) -> &mut SessionWriter {
        self.writer.get_or_insert_with(|| {
            let (archive, _) = Archive::open(self.folder.path()).unwrap();
            archive.begin(self.head.clone()).unwrap()
        })
    }

    pub(crate) fn sample(&mut self, sample: &Sample) {
        self.writer().sample(sample);
    }

    pub(crate) fn event(&mut self, at: i64, event: Event) {
        self.seq += 1;
        let envelope = EventEnvelope {
            schema: SCHEMA_VERSION,
            seq: self.seq,
            station: self.head.station.clone(),
            session: self.head.session.clone(),
            at: Moment(at * 1_000_000),
            event,
        };
        self.writer().event(&envelope);
    }

    /// Closes it in order and reads it back. The folder goes; samples are read before.
    pub(crate) fn close(mut self) -> Session {
        self.writer();
        let closed = self.writer.take().unwrap().close(Ending::Passed).unwrap();
        let session = read_session(&closed.path).unwrap();
        keep(self.folder);
        session
    }

    /// Leaves it as a crash would and reads what the next start makes of it.
    pub(crate) fn abandon(mut self) -> Session {
        self.writer().sync().unwrap();
        self.writer = None;
        let (_, recovered) = Archive::open(self.folder.path()).unwrap();
        let session = read_session(&recovered[0].path).unwrap();
        keep(self.folder);
        session
    }
}

/// Samples are read when asked for, so the folder must outlive the session; it goes with the test's thread.
fn keep(folder: tempfile::TempDir) {
    thread_local! {
        static KEPT: std::cell::RefCell<Vec<tempfile::TempDir>> = const { std::cell::RefCell::new(Vec::new()) };
    }
    KEPT.with_borrow_mut(|kept| kept.push(folder));
}

fn unit(code: &str) -> Unit {
    Unit::new(code).unwrap()
}

fn channel(id: &str) -> ChannelId {
    ChannelId::new(id).unwrap()
}

fn head(session: &str) -> SessionHead {
    let one = |id: &str, code: &str, factor: f64| ChannelHead {
        id: channel(id),
        title: id.into(),
        unit: unit(code),
        factor,
        offset: 0.0,
        resolution: factor,
        noise: factor / 8.0,
        shared: factor / 4.0,
        rounding: "nearest".into(),
    };
    SessionHead {
        session: SessionId::new(session).unwrap(),
        station: StationId::new("bench").unwrap(),
        car: "bench-car".into(),
        procedure: Some("idle-set-up".into()),
        program: "0.1.0".into(),
        utc_nanos: 1_795_593_600_000_000_000,
        job: model::Job::default(),
        tags: BTreeMap::new(),
        description_sha256: "d1".into(),
        script_sha256: None,
        channels: vec![one("rpm", "{rev}/min", 25.0), one("coolant", "Cel", 1.0)],
    }
}

pub(crate) fn sample(id: &str, at_ms: i64, raw: i64) -> Sample {
    let factor = if id == "rpm" { 25.0 } else { 1.0 };
    Sample {
        channel: channel(id),
        at: Moment(at_ms * 1_000_000),
        time_uncertainty: Span::from_micros(400),
        raw,
        value: raw as f64 * factor,
        uncertainty: Uncertainty { noise: factor / 8.0, resolution: factor, shared: factor / 4.0 },
        quality: Quality::Good,
    }
}

/// A session in which everything happens that a summary tells.
pub(crate) fn full_session() -> Session {
    let mut recording = Recording::new("s1");
    for i in 0..600 {
        recording.sample(&sample("rpm", i * 100, 33 + i % 3));
        if i % 10 == 0 && !(200..300).contains(&i) {
            recording.sample(&sample("coolant", i * 100 + 50, 20 + i / 10));
        }
    }
    let (warm, set, cold) =
        (StepId::new("warm").unwrap(), StepId::new("set").unwrap(), StepId::new("cold").unwrap());
    recording.event(0, Event::StepStarted { step: warm.clone(), title: "Warm the engine".into() });
    gate(&mut recording);
    recording.event(40_000, Event::StepEnded { step: warm, ending: Ending::Passed });
    recording.event(40_000, Event::StepStarted { step: set.clone(), title: "Set the stop screw".into() });
    hold(&mut recording);
    recording.event(
        55_000,
        Event::Measured {
            channel: channel("rpm"),
            name: "idle".into(),
            estimate: Some(Estimate { value: 850.0, low: 836.5, high: 863.5, unit: unit("{rev}/min") }),
            readings: 100,
            rate: 10.0,
            over: Span::from_secs(10),
            dithered: true,
        },
    );
    let finding = Finding {
        channel: channel("rpm"),
        word: Word::Inside,
        estimate: Some(Estimate { value: 850.0, low: 836.5, high: 863.5, unit: unit("{rev}/min") }),
        target: "800 to 860 r/min".into(),
        gap: Some(0.0),
        age: Some(Span::from_millis(90)),
        because: String::new(),
    };
    recording.event(56_000, Event::Result { name: "idle speed".into(), finding });
    recording.event(56_000, Event::CodesRead { codes: vec!["P0505".into()] });
    recording.event(56_500, Event::Causes { causes: Vec::new() });
    recording.event(56_500, Event::Causes { causes: vec![cause()] });
    recording.event(57_000, Event::RecordsLost { count: 3 });
    let place = Place::Channel { channel: channel("coolant") };
    let problem = Problem::new(ProblemKind::Link, place, "no answer for 10.0 s", "check the plug");
    recording.event(57_000, Event::Problem { problem });
    recording.event(59_000, Event::StepEnded { step: set, ending: Ending::Undecided });
    recording.event(59_000, Event::StepSkipped { step: cold, reason: "the engine is warm".into() });
    recording.close()
}

fn cause() -> Cause {
    let evidence = Evidence {
        note: "idle_held".into(),
        words: "the base idle is too high".into(),
        seen: "idle_held 850 ± 14 r/min".into(),
        target: "above 760 r/min".into(),
        word: Word::Proven,
        speaks: Speaks::For,
    };
    Cause {
        id: "air-leak".into(),
        title: "Air leaks in".into(),
        grade: Grade::Possible,
        score: 1.0,
        evidence: vec![evidence],
        next: vec!["Pinch the vacuum hoses.".into()],
    }
}

fn gate(recording: &mut Recording) {
    let watch = Watch { channel: channel("coolant"), over: Span::from_secs(5), fresh: Span::from_secs(2) };
    let level = Quantity::new(75.0, unit("Cel"));
    let gate = Gate {
        condition: Condition::Above { watch, level, hysteresis: None },
        demand: Demand::Inside,
        dwell: Span::from_secs(4),
        dropout: Span::from_secs(1),
        limit: Span::from_secs(900),
    };
    let judgement = |value: f64, word: Word| Judgement {
        word,
        findings: vec![Finding {
            channel: channel("coolant"),
            word,
            estimate: Some(Estimate { value, low: value - 0.9, high: value + 0.9, unit: unit("Cel") }),
            target: "above 75 °C".into(),
            gap: Some((75.0 - value).max(0.0)),
            age: Some(Span::from_millis(50)),
            because: String::new(),
        }],
        dwelt: if word == Word::Proven { Span::from_secs(4) } else { Span::ZERO },
        dwell: Span::from_secs(4),
        left: Span::from_secs(860),
    };
    recording.event(100, Event::GateArmed { gate });
    recording.event(200, Event::GateJudged { judgement: judgement(20.0, Word::Outside) });
    recording
        .event(39_900, Event::GateEnded { outcome: Outcome::Met, judgement: judgement(76.4, Word::Proven) });
}

fn hold(recording: &mut Recording) {
    let output = OutputId::new("idle_valve").unwrap();
    recording.event(
        41_000,
        Event::HoldIntended {
            output: output.clone(),
            value: Quantity::new(32.0, unit("{step}")),
            at_most: Span::from_secs(30),
            drop_if: Vec::new(),
        },
    );
    recording.event(41_100, Event::HoldEngaged { output: output.clone(), until: Moment(71_000_000_000) });
    recording.event(
        53_000,
        Event::HoldReleasing {
            output: output.clone(),
            cause: ReleaseCause::DropCondition,
            detail: "coolant above 105 °C".into(),
        },
    );
    recording.event(
        53_100,
        Event::HoldReleased {
            output,
            proof: ReleaseProof::ControllerAndEffect,
            held: Span::from_millis(12_100),
        },
    );
}
