//! The controller that a world has, whatever it speaks.

use line::{Arrival, LowPulse};

use super::single::SingleController;
use super::trouble::ControllerFault;
use super::{Around, Controller};
use crate::config::{Speech, WorldConfig};
use crate::fault::Severities;
use crate::truth::SessionState;

#[derive(Debug)]
pub(crate) enum Unit {
    Framed(Box<Controller>),
    Single(Box<SingleController>),
}

impl Unit {
    pub(crate) fn new(config: &WorldConfig, faults: &Severities) -> Self {
        match config.speech {
            Speech::Iso14230 => Self::Framed(Box::new(Controller::new(config, faults))),
            Speech::SingleByte => Self::Single(Box::new(SingleController::new(config))),
        }
    }

    pub(crate) fn session(&self) -> SessionState {
        match self {
            Self::Framed(controller) => controller.session(),
            Self::Single(controller) => controller.session(),
        }
    }

    pub(crate) fn is_powered(&self) -> bool {
        match self {
            Self::Framed(controller) => controller.is_powered(),
            Self::Single(controller) => controller.is_powered(),
        }
    }

    pub(crate) fn last_request(&self) -> Option<i64> {
        match self {
            Self::Framed(controller) => controller.last_request(),
            Self::Single(controller) => controller.last_request(),
        }
    }

    /// The next moment at which the controller acts by itself, given the time of one character and whether its
    /// valve is held.
    pub(crate) fn next_deadline(&self, character: i64, held: bool) -> Option<i64> {
        match self {
            Self::Framed(controller) => controller.next_deadline(character),
            Self::Single(controller) => controller.next_deadline(character, held),
        }
    }

    /// The earliest moment at which a character could begin to be sent, if nothing more is heard.
    pub(crate) fn next_sending(&self) -> Option<i64> {
        match self {
            Self::Framed(controller) => controller.next_sending(),
            Self::Single(controller) => controller.next_sending(),
        }
    }

    /// The shortest time from hearing a request's end to answering it.
    pub(crate) fn shortest_answer(&self) -> i64 {
        match self {
            Self::Framed(controller) => controller.shortest_answer(),
            Self::Single(_) => 0,
        }
    }

    pub(crate) fn act(&mut self, now: i64, around: &mut Around<'_>) {
        match self {
            Self::Framed(controller) => controller.act(now, around),
            Self::Single(controller) => controller.act(now, around),
        }
    }

    pub(crate) fn hear(&mut self, arrival: Arrival, around: &mut Around<'_>) {
        match self {
            Self::Framed(controller) => controller.hear(arrival, around),
            Self::Single(controller) => controller.hear(arrival, around),
        }
    }

    pub(crate) fn see_pulse(&mut self, pulse: LowPulse, around: &mut Around<'_>) {
        match self {
            Self::Framed(controller) => controller.see_pulse(pulse, around),
            Self::Single(controller) => controller.see_pulse(pulse, around),
        }
    }

    pub(crate) fn power(&mut self, now: i64, on: bool, around: &mut Around<'_>) {
        match self {
            Self::Framed(controller) => controller.power(now, on, around),
            Self::Single(controller) => controller.power(now, on, around),
        }
    }

    pub(crate) fn brown_out(&mut self, now: i64, out: bool, around: &mut Around<'_>) {
        match self {
            Self::Framed(controller) => controller.brown_out(now, out, around),
            Self::Single(controller) => controller.brown_out(now, out, around),
        }
    }

    pub(crate) fn fault(&mut self, now: i64, fault: ControllerFault, around: &mut Around<'_>) {
        match self {
            Self::Framed(controller) => controller.fault(now, fault, around),
            Self::Single(controller) => controller.fault(now, fault, around),
        }
    }
}
