//! Simulated hands: they read what is asked and answer a while later, as a person would.

use link::Operator;
use model::{Moment, Span};

/// How long a person takes to read a prompt, act, and say so. Common practice, no published source.
const REACTION: Span = Span::from_secs(4);

/// Hands that do as they are asked.
#[derive(Debug, Default)]
pub struct Hands {
    answer_at: Option<Moment>,
}

impl Hands {
    /// Idle hands.
    pub fn new() -> Self {
        Self::default()
    }
}

impl Operator for Hands {
    // Cautions and remarks reach people through the screen; hands need no words.
    fn caution(&mut self, _: Moment, _: &[String]) {}

    fn remark(&mut self, _: Moment, _: &str) {}

    fn ask(&mut self, now: Moment, _: &str, _: &str, _: &str) {
        self.answer_at = Some(now + REACTION);
    }

    fn answer(&mut self, now: Moment) -> Option<String> {
        self.answer_at.take_if(|at| now >= *at).map(|_| "done".to_string())
    }

    fn next_answer(&self) -> Option<Moment> {
        self.answer_at
    }
}
