//! Putting a message together from its bytes as they come.

use super::{Addressing, FrameError, Header, HeaderForm, Message, checksum};

/// What one more byte made of the message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Step {
    /// It is not complete.
    More,
    /// It is complete and its checksum is right.
    Message(Message),
    /// It cannot become a message.
    Broken(FrameError),
}

/// Collects the bytes of one message. Its length is known from its header, so its end needs no timeout.
#[derive(Debug, Clone, Default)]
pub struct Assembler {
    bytes: Vec<u8>,
}

impl Assembler {
    /// An empty one.
    pub fn new() -> Self {
        Self::default()
    }

    /// How many bytes it has.
    pub fn len(&self) -> usize {
        self.bytes.len()
    }

    /// Whether it has none.
    pub fn is_empty(&self) -> bool {
        self.bytes.is_empty()
    }

    /// Forgets what it has.
    pub fn clear(&mut self) {
        self.bytes.clear();
    }

    /// Takes one more byte. After a message or a broken one it is empty again.
    pub fn push(&mut self, byte: u8) -> Step {
        self.bytes.push(byte);
        let step = self.step();
        if step != Step::More {
            self.bytes.clear();
        }
        step
    }

    fn step(&self) -> Step {
        let format = self.bytes[0];
        let addressed = match format >> 6 {
            0b00 => false,
            0b01 => return Step::Broken(FrameError::Format(format)),
            _ => true,
        };
        let length_byte = format & 0x3F == 0;
        let header_length = 1 + if addressed { 2 } else { 0 } + usize::from(length_byte);
        if self.bytes.len() < header_length {
            return Step::More;
        }
        let length = usize::from(if length_byte { self.bytes[header_length - 1] } else { format & 0x3F });
        if length == 0 {
            return Step::Broken(FrameError::Empty);
        }
        if self.bytes.len() < header_length + length + 1 {
            return Step::More;
        }
        let (body, sum) = self.bytes.split_at(header_length + length);
        let (got, expected) = (sum[0], checksum(body));
        if got != expected {
            return Step::Broken(FrameError::Checksum { got, expected });
        }
        let functional = format >> 6 == 0b11;
        let (target, source) = if addressed { (body[1], body[2]) } else { (0, 0) };
        let form =
            if addressed { HeaderForm::Addressed { length_byte } } else { HeaderForm::Bare { length_byte } };
        let addressing = if functional { Addressing::Functional } else { Addressing::Physical };
        Step::Message(Message {
            header: Header { form, addressing, target, source },
            data: body[header_length..].to_vec(),
        })
    }
}
