//! The person at the terminal, as the driver's operator.

use std::task::{Context, Poll};

use clock::Stop;
use link::Operator;
use model::{Moment, Wanted};

use super::typed::Typed;

/// A person who reads the screen and types. Words reach them through the screen, which hears every event; this side
/// only takes their answers.
#[derive(Debug)]
pub struct Person {
    typed: Typed,
    /// Whether what they typed before they were asked is forgotten: at a terminal, not from a file.
    at_terminal: bool,
    wanted: Wanted,
    stop: Stop,
    asked: bool,
}

impl Person {
    /// A person whose lines these are.
    pub fn new(typed: Typed, at_terminal: bool, stop: Stop) -> Self {
        Self { typed, at_terminal, wanted: Wanted::Done, stop, asked: false }
    }
}

impl Operator for Person {
    fn caution(&mut self, _: Moment, _: &[String]) {}

    fn remark(&mut self, _: Moment, _: &str) {}

    fn ask(&mut self, _: Moment, _: &str, _: &str, _: &str, wanted: &Wanted) {
        if self.at_terminal {
            self.typed.forget();
        }
        self.wanted = wanted.clone();
        self.asked = true;
    }

    fn instruct(&mut self, _: Moment, _: &str, _: &str, _: &str) {}

    fn call(&mut self, _: Moment, _: &str) {}

    fn answer(&mut self, _: Moment) -> Option<String> {
        let Some(line) = self.typed.take() else {
            // Nobody will ever answer: the run must not wait for its time limit with an engine running.
            if self.typed.is_closed() && std::mem::take(&mut self.asked) {
                self.stop.raise("the end of what is typed: nobody is there to answer");
            }
            return None;
        };
        self.asked = false;
        Some(meant(&line, &self.wanted))
    }

    fn poll_answered(&mut self, context: &mut Context<'_>) -> Poll<()> {
        if self.typed.is_closed() && !self.asked {
            return Poll::Pending;
        }
        self.typed.poll_ready(context)
    }

    fn next_answer(&self) -> Option<Moment> {
        None
    }
}

/// What a line means: the number of an option stands for it, and nothing at all for the usual answer.
fn meant(line: &str, wanted: &Wanted) -> String {
    let line = line.trim();
    match wanted {
        Wanted::Done if line.is_empty() => "done".into(),
        Wanted::Choice { options } => {
            let number = line.parse::<usize>().ok().and_then(|n| n.checked_sub(1));
            let option = if line.is_empty() { options.first() } else { number.and_then(|n| options.get(n)) };
            option.cloned().unwrap_or_else(|| line.to_string())
        }
        _ => line.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn choice() -> Wanted {
        Wanted::Choice { options: vec!["go on".into(), "skip".into()] }
    }

    #[test]
    fn a_line_is_taken_as_a_person_means_it() {
        assert_eq!(meant("", &Wanted::Done), "done");
        assert_eq!(meant(" 2 ", &choice()), "skip");
        assert_eq!(meant("", &choice()), "go on");
        assert_eq!(meant("7", &choice()), "7");
        assert_eq!(meant("Skip", &choice()), "Skip");
        assert_eq!(meant("12,5", &Wanted::Text), "12,5");
    }

    #[test]
    fn a_question_that_nobody_can_answer_stops_the_run() {
        let (typed, stop) = (Typed::default(), Stop::new());
        let mut person = Person::new(typed.clone(), false, stop.clone());
        typed.put("done");
        typed.close();
        let now = Moment::ZERO;
        person.ask(now, "look", "", "look", &Wanted::Done);
        assert_eq!(person.answer(now).as_deref(), Some("done"));
        assert!(!stop.is_raised(), "what is over is not asked for");
        person.ask(now, "look", "", "look", &Wanted::Done);
        assert_eq!(person.answer(now), None);
        assert!(stop.is_raised());
    }
}
