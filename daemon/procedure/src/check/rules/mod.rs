//! The rules, one file an area. What a function asks of its arguments stands where it is registered; here is what
//! follows from that before it runs.

mod gates;
mod gives;
mod holds;
mod measures;
pub(super) mod names;
pub(super) mod notes;
mod people;
mod rates;
mod roles;
mod steps;
mod units;
mod waits;

use rhai::Position;

use super::finding::Kind;
use super::value::Value;
use super::walk::{Arg, Walker};
use crate::host::sense::{Form, Meaning};

impl Walker<'_> {
    /// Calls a function of ours: its rules, and what it gives.
    #[expect(clippy::needless_pass_by_value, reason = "what is handed over has no other use")]
    pub(super) fn apply(&mut self, form: &Form, args: Vec<Arg<'_>>, at: Position) -> Value {
        let sense = form.sense;
        if sense.does {
            self.doings = self.doings.wrapping_add(1);
            self.in_order(&form.name, sense.after_caution, at);
        }
        self.roles(form, &args);
        let plain = |walker: &mut Self| walker.given(sense.gives, form.gives, &args);
        match sense.meaning {
            Meaning::Plain | Meaning::Refuses | Meaning::Result => plain(self),
            Meaning::Header => self.declare_header(&args, at),
            Meaning::Caution => self.caution(&args, at),
            Meaning::Step => self.step(&args, at),
            Meaning::Skip => self.new_step(&args, at),
            Meaning::Ends => {
                self.flow.end();
                Value::nothing()
            }
            Meaning::Unit(code) => Self::with_unit(&args, code),
            Meaning::ByCode => self.by_code(&args),
            Meaning::Convert => self.convert(&args),
            Meaning::Size => Self::size(&args),
            Meaning::Window => self.window(&args, at),
            Meaning::Edge(edge) => Self::edge(&args, edge),
            Meaning::Single(shape) => self.single(shape, &args),
            Meaning::Within => self.within(&args, at),
            Meaning::Joined => self.joined(&form.name, &args),
            Meaning::Not => self.opposite(&args),
            Meaning::Change(change) => self.change(change, &form.name, &args, at),
            Meaning::Guard => {
                self.bare_conditions(&args, "a guard");
                Value::nothing()
            }
            Meaning::Wait => {
                self.wait(&args, at);
                plain(self)
            }
            Meaning::Poll => {
                self.poll(&args);
                Value::nothing()
            }
            Meaning::Rest => {
                self.rest(&args);
                Value::nothing()
            }
            Meaning::Measure => {
                self.measure(&args, at);
                plain(self)
            }
            Meaning::Trace => {
                self.trace(&args, at);
                plain(self)
            }
            Meaning::Has => self.has(sense.roles, &args),
            Meaning::Setup => self.setup(&args),
            Meaning::Choice(place) => {
                self.choice(&args, place);
                plain(self)
            }
            Meaning::Number(place) => self.number(&args, place),
            Meaning::Note => {
                self.note(&args);
                Value::nothing()
            }
            Meaning::Noted => self.noted(&args),
            Meaning::HasNote => self.has_note(&args),
            Meaning::Hold { goes_on } => self.hold(&args, goes_on, sense.gives),
            Meaning::ReadsWhileHeld => self.reads_while_held(&args),
        }
    }

    /// What must have been said before a function that does something.
    fn in_order(&mut self, name: &str, after_caution: bool, at: Position) {
        if !self.flow.is_live() {
            return;
        }
        if !self.flow.header {
            if !std::mem::replace(&mut self.names.told_header, true) {
                self.mistake(
                    Kind::Header,
                    at,
                    "the script does something before it says what it needs",
                    "begin with procedure(\"name\", #{ title: …, channels: […] })",
                );
            }
        } else if after_caution
            && !self.flow.cautioned
            && !std::mem::replace(&mut self.names.told_caution, true)
        {
            let seen = format!("{name} comes before any caution was shown");
            self.mistake(Kind::Caution, at, seen, "cautions come first: call caution([…])");
        }
    }
}
