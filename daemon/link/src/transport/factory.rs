//! The one place that knows which kinds of transport there are.

use std::fmt;

use clock::Clock;
use model::{Place, Problem, ProblemKind};

use super::Transport;

/// A kind of transport.
pub trait Kind {
    /// The word before the colon of its addresses.
    fn scheme(&self) -> &'static str;

    /// What follows the colon, for people: `PATH`.
    fn address_form(&self) -> &'static str;

    /// Whether its peer lives in this process, so that it can be rehearsed.
    fn in_process(&self) -> bool;

    /// Whether an address without a scheme is one of this kind: a plain path, for example.
    fn takes_bare(&self, _address: &str) -> bool {
        false
    }

    /// Opens it. It may be called again and again, after every loss.
    fn open(&self, address: &str, clock: &Clock) -> Result<Box<dyn Transport>, Problem>;
}

/// Opens transports by their address, `kind:what`, or `what` alone where a kind takes it bare.
#[derive(Default)]
pub struct Factory {
    kinds: Vec<Box<dyn Kind>>,
}

impl fmt::Debug for Factory {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_list().entries(self.kinds.iter().map(|kind| kind.scheme())).finish()
    }
}

impl Factory {
    /// A factory that knows no kind.
    pub fn new() -> Self {
        Self::default()
    }

    /// Teaches it a kind.
    pub fn with(mut self, kind: Box<dyn Kind>) -> Self {
        self.kinds.push(kind);
        self
    }

    /// Opens a transport.
    pub fn open(&self, address: &str, clock: &Clock) -> Result<Box<dyn Transport>, Problem> {
        let problem = |seen: String, cure: String| {
            Problem::new(ProblemKind::Link, Place::Argument { name: address.to_string() }, seen, cure)
        };
        let (scheme, rest) = address.split_once(':').unwrap_or((address, ""));
        // Bare ones come first: the path of a device may hold a colon of its own.
        let bare = self.kinds.iter().find(|kind| kind.takes_bare(address)).map(|kind| (kind, address));
        let named = || self.kinds.iter().find(|kind| kind.scheme() == scheme).map(|kind| (kind, rest));
        let Some((kind, rest)) = bare.or_else(named) else {
            let known: Vec<String> =
                self.kinds.iter().map(|kind| format!("{}:{}", kind.scheme(), kind.address_form())).collect();
            return Err(problem(
                format!("no kind of link is called '{scheme}'"),
                format!("use {}", known.join(" or ")),
            ));
        };
        // A paused clock beside real input or output jumps while the system works.
        if clock.is_rehearsal() && !kind.in_process() {
            let seen = format!("'{}' leads out of this process and cannot be rehearsed", kind.scheme());
            return Err(problem(seen, "run it in real time".to_string()));
        }
        kind.open(rest, clock)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::transport::mock::Mock;

    struct Wall;

    impl Kind for Wall {
        fn scheme(&self) -> &'static str {
            "wall"
        }
        fn address_form(&self) -> &'static str {
            "PATH"
        }
        fn in_process(&self) -> bool {
            false
        }
        fn takes_bare(&self, address: &str) -> bool {
            address.starts_with('/')
        }
        fn open(&self, address: &str, clock: &Clock) -> Result<Box<dyn Transport>, Problem> {
            if address.contains("none") {
                let place = Place::Path { path: address.into() };
                return Err(Problem::new(ProblemKind::Link, place, "there is none", ""));
            }
            Ok(Box::new(Mock::new(clock, 10_400, Vec::new())))
        }
    }

    #[test]
    fn what_leads_out_of_the_process_is_never_rehearsed() {
        let factory = Factory::new().with(Box::new(Wall));
        let error = clock::rehearse(0, |clock| async move { factory.open("wall:x", &clock).err() }).unwrap();
        assert!(error.unwrap().to_string().contains("cannot be rehearsed"));
        assert!(Factory::new().with(Box::new(Wall)).open("wall:x", &Clock::real()).is_ok());
    }

    #[test]
    fn an_unknown_kind_names_the_known_ones() {
        let factory = Factory::new().with(Box::new(Wall));
        let error = factory.open("door:x", &Clock::real()).err().unwrap();
        assert_eq!(error.to_string(), "door:x: no kind of link is called 'door' (use wall:PATH)");
    }

    #[test]
    fn a_bare_address_goes_to_the_kind_that_takes_it_whole_with_its_colons() {
        let factory = Factory::new().with(Box::new(Wall));
        let told = |address: &str| factory.open(address, &Clock::real()).err().unwrap().to_string();
        assert_eq!(told("/by-path/none:1.0"), "/by-path/none:1.0: there is none");
        assert_eq!(told("wall:/by-path/none:1.0"), "/by-path/none:1.0: there is none");
        assert!(told("none").contains("no kind of link"));
    }
}
