//! Where the wire is: an address on the command line, opened again after every loss.

use car::Description;
use clock::Clock;
use link::transport::serial::Serial;
use link::transport::{Factory, Reopen};
use model::{Place, Problem, ProblemKind, Span};

/// The address of a wire.
#[derive(Debug, Clone)]
pub struct Port {
    address: String,
}

impl Port {
    /// The wire at an address: `serial:PATH`, or the path of a port alone.
    pub fn at(address: &str) -> Self {
        Self { address: address.to_string() }
    }

    /// Says at once what opening would say where nothing is there to open; what is there is not touched.
    pub fn is_there(&self) -> Result<(), Problem> {
        let path = self.address.strip_prefix("serial:").unwrap_or(&self.address);
        if std::path::Path::new(path).exists() {
            return Ok(());
        }
        let mut open = self.clone().opener();
        let opened = clock::block_on(async { open(&Clock::real()).map(drop) });
        opened.unwrap_or_else(|error| {
            let (seen, cure) = (error.to_string(), "free memory, or raise the limit of open files");
            Err(Problem::new(ProblemKind::Program, Place::Program, seen, cure))
        })
    }

    /// Opens it, again and again.
    pub fn opener(self) -> Reopen {
        let factory = Factory::new().with(Box::new(Serial::kind(crate::adapter::latency)));
        Box::new(move |clock| factory.open(&self.address, clock))
    }
}

/// An adapter that takes more than this part of the shortest exchange is told of: 5 % (our choice, no published
/// source).
const TOLD_FROM: i64 = 20;

/// What an adapter's timer costs on this car's wire, in words, where it costs much: an answer is handed over up to one
/// such time late, on the average half of it.
pub fn throttle(latency: Span, description: &Description) -> Option<String> {
    let shortest = link::shortest_exchanges(description).into_iter().min()?;
    (latency * TOLD_FROM > shortest).then(|| {
        let share = 50.0 * latency.0 as f64 / (shortest.0 as f64 + latency.0 as f64 / 2.0);
        format!(
            "the adapter holds characters back for up to {latency}: about {share:.0} % of the wire is lost to it (see holdgate ports for what to do)"
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_timer_that_throttles_the_wire_is_told_of_and_a_short_one_is_not() {
        let car = crate::load::car(None).expect("it is shipped").description;
        let words = throttle(Span::from_millis(16), &car).expect("16 ms is much");
        // By hand: 6 and 7 characters at 10 400 Bd, P2 25, P3 55, five P4 of 5 ms: 117.5 ms; 8 of 125.5 is 6 %.
        assert!(words.contains("about 6 %"), "{words}");
        assert_eq!(throttle(Span::from_millis(1), &car), None);
    }
}
