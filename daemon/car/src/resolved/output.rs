//! Controller outputs that can be held.

use model::{ChannelId, OutputId, Quantity, Span, Unit, UnitError};

use crate::resolved::request::{DecodeError, after_prefix, big_endian, count_limits};

/// Why a value cannot be asked of an output.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum OutputError {
    /// The value measures something else: give it in the output's unit or one that converts to it.
    #[error("{asked} is not in the unit of {output}: {why}")]
    Unit {
        /// The output.
        output: OutputId,
        /// The value asked for.
        asked: Quantity,
        /// Why the one unit cannot become the other.
        why: UnitError,
    },
    /// The value lies outside the range of the output: choose one inside.
    #[error("{asked} is outside the range of {output}, {low} to {high}")]
    OutOfRange {
        /// The output.
        output: OutputId,
        /// The value asked for.
        asked: Quantity,
        /// Lowest value allowed.
        low: Quantity,
        /// Highest value allowed.
        high: Quantity,
    },
    /// The output moves in whole counts and the value falls between two: choose one of them.
    #[error("{asked} falls between two steps of {output}; the nearest are {below} and {above}")]
    BetweenSteps {
        /// The output.
        output: OutputId,
        /// The value asked for.
        asked: Quantity,
        /// The step below.
        below: Quantity,
        /// The step above.
        above: Quantity,
    },
}

/// A controller output that can be held.
#[derive(Debug, Clone, PartialEq)]
pub struct Output {
    /// Its id.
    pub id: OutputId,
    /// Its name for people.
    pub title: String,
    /// The unit of its value.
    pub unit: Unit,
    /// Units per count; never 0.
    pub factor: f64,
    /// Value of count 0.
    pub offset: f64,
    /// How many bytes the count has: 1 to 4.
    pub bytes: usize,
    /// Whether the count is a two's complement number.
    pub signed: bool,
    /// Lowest and highest value that may be asked for, in the unit; both fit the count.
    pub range: (f64, f64),
    /// The longest time it may be held.
    pub longest_hold: Span,
    /// How often the engage request must be repeated to keep it, if it must.
    pub refresh: Option<Span>,
    /// Whether the controller can be read meanwhile.
    pub reading_while_held: bool,
    /// A channel that shows the effect, if one does.
    pub confirm: Option<Confirm>,
    /// How to ask the controller for its state, if it tells.
    pub report: Option<Report>,
    /// The diagnostic session that the control needs, if it needs one: always the one that the link starts.
    pub session: Option<u8>,
    pub(crate) engage: Template,
    pub(crate) engage_answer: AnswerForm,
    pub(crate) release: Vec<u8>,
    pub(crate) release_answer: AnswerForm,
}

/// What a positive answer is like.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AnswerForm {
    /// How it begins, in ISO 14230 with the service plus 0x40.
    pub begins: Vec<u8>,
    /// How many bytes it has, where messages do not tell it themselves; 0 where no answer comes.
    pub length: Option<usize>,
}

/// A request with a gap for the count.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Template {
    pub(crate) before: Vec<u8>,
    pub(crate) after: Vec<u8>,
}

/// A channel that shows whether an output is held.
#[derive(Debug, Clone, PartialEq)]
pub struct Confirm {
    /// The channel.
    pub channel: ChannelId,
    /// Its value while held, in its unit.
    pub held: f64,
    /// Its value once released, in its unit.
    pub released: f64,
}

/// How to ask the controller for the state of an output.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Report {
    /// The request.
    pub bytes: Vec<u8>,
    /// How a positive answer begins.
    pub prefix: Vec<u8>,
    /// Where the count begins after the prefix.
    pub value_at: usize,
    /// Where the byte is that is not 0 while the output is held, counted likewise.
    pub held_at: usize,
}

/// What the controller says about an output.
#[derive(Debug, Clone, PartialEq)]
pub struct OutputState {
    /// Where it stands.
    pub value: Quantity,
    /// Whether the tester holds it.
    pub held: bool,
}

/// How far from a whole count, in counts, a value may lie and still mean that count: room for the rounding
/// of decimal fractions, far below what anybody could mean.
pub(crate) const WHOLE: f64 = 1e-6;

impl Output {
    /// The request that takes the output over at a value. The value may be in any unit that converts to the
    /// output's; it must lie in its range and on one of its steps.
    pub fn engage_bytes(&self, value: &Quantity) -> Result<Vec<u8>, OutputError> {
        let raw = self.count_for(value)?;
        let mut bytes = self.engage.before.clone();
        let big_endian = raw.to_be_bytes();
        bytes.extend_from_slice(&big_endian[big_endian.len() - self.bytes..]);
        bytes.extend_from_slice(&self.engage.after);
        Ok(bytes)
    }

    /// The count that stands for a value.
    pub fn count_for(&self, value: &Quantity) -> Result<i64, OutputError> {
        let own = value.to(&self.unit).map_err(|why| OutputError::Unit {
            output: self.id.clone(),
            asked: value.clone(),
            why,
        })?;
        let (low, high) = self.range;
        let exact = (own.value - self.offset) / self.factor;
        let whole = exact.round();
        // A value that means the count at an end of the range is inside, whichever way its fraction was rounded.
        let landed =
            if (exact - whole).abs() <= WHOLE { whole * self.factor + self.offset } else { own.value };
        let slack = WHOLE * self.factor.abs();
        if !(landed >= low - slack && landed <= high + slack) {
            return Err(OutputError::OutOfRange {
                output: self.id.clone(),
                asked: value.clone(),
                low: self.quantity(low),
                high: self.quantity(high),
            });
        }
        if (exact - whole).abs() > WHOLE {
            let (a, b) = (self.value_of(exact.floor() as i64), self.value_of(exact.ceil() as i64));
            let (below, above) = if a.value <= b.value { (a, b) } else { (b, a) };
            return Err(OutputError::BetweenSteps {
                output: self.id.clone(),
                asked: value.clone(),
                below,
                above,
            });
        }
        Ok(whole as i64)
    }

    /// The value that a count stands for.
    pub fn value_of(&self, raw: i64) -> Quantity {
        self.quantity(raw as f64 * self.factor + self.offset)
    }

    /// What a positive answer to the engage request is like.
    pub fn engage_answer(&self) -> &AnswerForm {
        &self.engage_answer
    }

    /// What a positive answer to the release request is like.
    pub fn release_answer(&self) -> &AnswerForm {
        &self.release_answer
    }

    /// How a positive answer to the engage request begins: in ISO 14230 service plus 0x40, identifier, control
    /// parameter.
    pub fn engage_prefix(&self) -> &[u8] {
        &self.engage_answer.begins
    }

    /// The request that gives the output back.
    pub fn release_bytes(&self) -> &[u8] {
        &self.release
    }

    /// How a positive answer to the release request begins.
    pub fn release_prefix(&self) -> &[u8] {
        &self.release_answer.begins
    }

    /// The least and the greatest count.
    pub fn counts(&self) -> (i64, i64) {
        count_limits(self.bytes, self.signed)
    }

    /// What the controller says about the output in its whole answer to `report`, one of this output's own.
    pub fn read_report(&self, report: &Report, answer: &[u8]) -> Result<OutputState, DecodeError> {
        let data = after_prefix(&report.prefix, answer)?;
        let raw = big_endian(data, report.value_at, self.bytes, self.signed)?;
        let held = big_endian(data, report.held_at, 1, false)? != 0;
        Ok(OutputState { value: self.value_of(raw), held })
    }

    fn quantity(&self, value: f64) -> Quantity {
        Quantity::new(value, self.unit.clone())
    }
}
