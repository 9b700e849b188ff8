//! Simulated hands, as the driver knows a person: asked, shown, called, and answering.

use std::cell::RefCell;
use std::rc::Rc;

use bench_car::{Readout, hands};
use link::{Live, Operator, Viewer};
use model::{Judgement, Moment, Wanted};

/// Hands that the line, the driver and whoever shows the readout look at together.
pub type SharedHands = Rc<RefCell<hands::Hands>>;

/// Shares hands.
pub fn share_hands(hands: hands::Hands) -> SharedHands {
    Rc::new(RefCell::new(hands))
}

/// The hands as the driver's operator. `begun` is the world's own time at the station's start.
pub struct Hands {
    hands: SharedHands,
    begun: i64,
}

impl std::fmt::Debug for Hands {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Hands")
    }
}

impl Hands {
    /// The operator that these hands are.
    pub fn new(hands: SharedHands, begun: i64) -> Self {
        Self { hands, begun }
    }
}

impl Operator for Hands {
    // Cautions and remarks reach people through the screen; hands need no words.
    fn caution(&mut self, _: Moment, _: &[String]) {}

    fn remark(&mut self, _: Moment, _: &str) {}

    fn ask(&mut self, now: Moment, act: &str, target: &str, _: &str, wanted: &Wanted) {
        let wanted = match wanted {
            Wanted::Done => hands::Wanted::Done,
            Wanted::Choice { options } => hands::Wanted::Choice(options.clone()),
            Wanted::Number { .. } => hands::Wanted::Number,
            Wanted::Text => hands::Wanted::Text,
        };
        self.hands.borrow_mut().ask(now.0 + self.begun, act, target, wanted);
    }

    fn instruct(&mut self, now: Moment, act: &str, target: &str, _: &str) {
        self.hands.borrow_mut().instruct(now.0 + self.begun, act, target);
    }

    fn call(&mut self, now: Moment, _: &str) {
        self.hands.borrow_mut().call(now.0 + self.begun);
    }

    fn answer(&mut self, now: Moment) -> Option<String> {
        self.hands.borrow_mut().answer(now.0 + self.begun)
    }

    fn next_answer(&self) -> Option<Moment> {
        self.hands.borrow().answers_at().map(|at| Moment(at - self.begun))
    }
}

/// A viewer that the hands look at as well.
pub struct Watched {
    inner: Box<dyn Viewer>,
    hands: SharedHands,
    begun: i64,
}

impl Watched {
    /// A viewer with eyes on it.
    pub fn new(inner: Box<dyn Viewer>, hands: SharedHands, begun: i64) -> Self {
        Self { inner, hands, begun }
    }
}

impl std::fmt::Debug for Watched {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Watched")
    }
}

impl Viewer for Watched {
    fn show(&mut self, live: &Live<'_>) {
        if let Some(judgement) = live.judgement {
            self.hands.borrow_mut().see(live.now.0 + self.begun, readouts(judgement, live.recent));
        }
        self.inner.show(live);
    }
}

/// What the hands see of a judgement. Only the first channel's newest reading is shown in big; the others by their
/// estimate.
pub fn readouts(judgement: &Judgement, recent: &[f64]) -> Vec<Readout> {
    let readout = |(i, finding): (usize, &model::judgement::Finding)| {
        let newest = recent.last().copied().filter(|_| i == 0);
        let value = newest.or(finding.estimate.as_ref().map(|estimate| estimate.value))?;
        Some(Readout { channel: finding.channel.to_string(), value, gap: finding.gap? })
    };
    judgement.findings.iter().enumerate().filter_map(readout).collect()
}
