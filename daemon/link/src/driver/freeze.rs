//! Reading the freeze frame: SAE J1979 service 02, one identifier a question.

use model::{Event, Moment, Place, Problem, ProblemKind, Quantity, Reply, Unit};
use wire::conductor::Ticket;
use wire::service::{self, TroubleCode, freeze_frame_data, freeze_frame_request, scaling};

use super::Driver;
use super::pending::Pending;

/// The identifier of the code that stored the frame.
const CAUSE: u8 = 0x02;
/// What is asked of a frame: what tells how the engine ran when it was stored.
const ASKED: [u8; 9] = [0x04, 0x05, 0x06, 0x07, 0x0B, 0x0C, 0x0F, 0x10, 0x11];

/// A frame being read.
#[derive(Debug)]
pub(super) struct Freeze {
    ticket: Ticket,
    identifier: u8,
    left: Vec<u8>,
    code: Option<String>,
    values: Vec<(String, Quantity)>,
}

impl Freeze {
    pub(super) fn asked(&self, ticket: Ticket) -> bool {
        self.ticket == ticket
    }
}

impl Driver {
    pub(super) fn read_freeze_frame(&mut self, now: Moment) {
        if self.knows_no_services(now, "freeze frames") {
            return;
        }
        let ticket = self.conductor.ask(now, freeze_frame_request(CAUSE));
        let left = ASKED.iter().rev().copied().collect();
        self.pending = Pending::Freeze(Box::new(Freeze {
            ticket,
            identifier: CAUSE,
            left,
            code: None,
            values: Vec::new(),
        }));
    }

    pub(super) fn freeze_frame_answered(&mut self, now: Moment, data: Option<&[u8]>) {
        let Pending::Freeze(mut freeze) = std::mem::take(&mut self.pending) else { return };
        let Some(data) = data else {
            let seen = "the question for the freeze frame was not answered";
            let problem = Problem::new(ProblemKind::Link, Place::Wire, seen, "read it again");
            self.tell(now, problem.clone());
            return self.reply(Reply::Refused { problem });
        };
        if freeze.identifier == CAUSE && service::negative(data).is_some() {
            let seen = "the controller keeps no freeze frames";
            let problem = Problem::new(ProblemKind::Car, Place::Wire, seen, "");
            return self.reply(Reply::Refused { problem });
        }
        // A value that is refused is one that the frame does not have.
        let value =
            if service::negative(data).is_some() { None } else { freeze_frame_data(data, freeze.identifier) };
        if freeze.identifier == CAUSE {
            match value {
                Some(&[0, 0]) | None => freeze.left.clear(),
                Some(&[high, low]) => freeze.code = Some(TroubleCode([high, low]).to_string()),
                Some(_) => freeze.left.clear(),
            }
        } else if let Some((scale, bytes)) = scaling(freeze.identifier).zip(value)
            && let Some(number) = scale.value(bytes)
        {
            let unit = Unit::new(scale.unit).expect("the table holds UCUM codes only");
            freeze.values.push((scale.name.to_string(), Quantity::new(number, unit)));
        }
        match freeze.left.pop() {
            Some(identifier) => {
                freeze.identifier = identifier;
                freeze.ticket = self.conductor.ask(now, freeze_frame_request(identifier));
                self.pending = Pending::Freeze(freeze);
            }
            None => {
                let Freeze { code, values, .. } = *freeze;
                self.journal
                    .event(now, Event::FreezeFrameRead { code: code.clone(), values: values.clone() });
                self.reply(Reply::FreezeFrame { code, values });
            }
        }
    }
}
