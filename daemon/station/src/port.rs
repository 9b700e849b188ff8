//! Where the wire is: an address on the command line, opened again after every loss.

use std::path::Path;

use link::transport::serial::Serial;
use link::transport::{Factory, Reopen};
use model::Span;

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

    /// Opens it, again and again.
    pub fn opener(self) -> Reopen {
        let factory = Factory::new().with(Box::new(Serial::kind(latency)));
        Box::new(move |clock| factory.open(&self.address, clock))
    }
}

/// How long the adapter behind a device may hold characters back, lowered as far as the system lets us.
fn latency(_: &Path) -> Span {
    Span::ZERO
}
