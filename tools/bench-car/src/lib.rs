//! The bench car: an invented engine and its controller, speaking real bytes on the virtual line.
//!
//! Nothing here reads time or waits. Every call of [`World`] is told the moment in nanoseconds on the
//! caller's clock; moments never go back (an earlier one counts as the latest seen). What happens does not
//! depend on how often the world is advanced, and one seed gives the same bytes every time.
//!
//! The controller keeps to ISO 14230-2 and ISO 14230-3 on its own, or exchanges single bytes of an invented table: it shares no code with the side that
//! asks, so that a misreading on one side is seen by the other. Its block layouts, identifiers and figures
//! are invented for this scenario.
//!
//! Adapter's contract: after [`World::write`], [`World::set_level`] or any other change ask
//! [`World::next_event`] again; at the latest then, call [`World::read`].

mod config;
mod controller;
mod engine;
mod fault;
pub mod hands;
mod happened;
pub mod parameters;
mod random;
mod sent;
mod truth;
mod world;

pub use config::{AirMeasurement, Manners, Rounding, Speech, Start, WorldConfig, WorldError};
pub use controller::trouble::ControllerFault;
pub use engine::{Hose, Load};
pub use fault::{Fault, FaultKind};
pub use hands::Readout;
pub use happened::{Happened, Ignored, Why};
pub use line::{Arrival, Burst, Noise};
pub use parameters::Parameters;
pub use sent::write_sent;
pub use truth::{Readings, SessionState, Truth, Truthful};
pub use world::World;
