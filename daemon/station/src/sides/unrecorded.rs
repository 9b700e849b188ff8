//! Nobody: where nothing is recorded and nobody is asked.

use link::{Operator, Sink};
use model::{EventEnvelope, Gap, Moment, Sample, Wanted};

/// Records nothing, and nobody is asked anything.
#[derive(Debug)]
pub struct Unrecorded;

impl Sink for Unrecorded {
    fn sample(&mut self, _: &Sample) {}

    fn gap(&mut self, _: &Gap) {}

    fn event(&mut self, _: &EventEnvelope) {}
}

impl Operator for Unrecorded {
    fn caution(&mut self, _: Moment, _: &[String]) {}

    fn remark(&mut self, _: Moment, _: &str) {}

    fn ask(&mut self, _: Moment, _: &str, _: &str, _: &str, _: &Wanted) {}

    fn instruct(&mut self, _: Moment, _: &str, _: &str, _: &str) {}

    fn call(&mut self, _: Moment, _: &str) {}

    fn answer(&mut self, _: Moment) -> Option<String> {
        None
    }

    fn next_answer(&self) -> Option<Moment> {
        None
    }
}
