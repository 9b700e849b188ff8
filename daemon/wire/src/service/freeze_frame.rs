//! Freeze frames and the scalings of their values (SAE J1979; ISO 15031-5:2006, Annex B).

/// SAE J1979: freeze frame data.
const FREEZE_FRAME: u8 = 0x02;
/// The frame that every controller keeps.
const FRAME: u8 = 0x00;

/// How the data of one identifier read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scaling {
    /// The identifier.
    pub identifier: u8,
    /// What it is, in plain words.
    pub name: &'static str,
    /// How many bytes it has.
    pub bytes: usize,
    /// Value of one count.
    pub factor: f64,
    /// Value of count zero.
    pub offset: f64,
    /// UCUM code of its unit.
    pub unit: &'static str,
}

const fn scale(
    identifier: u8,
    name: &'static str,
    bytes: usize,
    factor: f64,
    offset: f64,
    unit: &'static str,
) -> Scaling {
    Scaling { identifier, name, bytes, factor, offset, unit }
}

const SCALINGS: [Scaling; 10] = [
    scale(0x04, "calculated load", 1, 100.0 / 255.0, 0.0, "%"),
    scale(0x05, "coolant temperature", 1, 1.0, -40.0, "Cel"),
    scale(0x06, "short term trim bank 1", 1, 100.0 / 128.0, -100.0, "%"),
    scale(0x07, "long term trim bank 1", 1, 100.0 / 128.0, -100.0, "%"),
    scale(0x0B, "intake manifold absolute pressure", 1, 1.0, 0.0, "kPa"),
    scale(0x0C, "engine speed", 2, 0.25, 0.0, "{rev}/min"),
    scale(0x0E, "spark advance cyl 1", 1, 0.5, -64.0, "deg"),
    scale(0x0F, "intake air temperature", 1, 1.0, -40.0, "Cel"),
    scale(0x10, "mass air flow", 2, 0.01, 0.0, "g/s"),
    scale(0x11, "absolute throttle position", 1, 100.0 / 255.0, 0.0, "%"),
];

impl Scaling {
    /// The value of this identifier's bytes, high byte first; none for another number of bytes.
    pub fn value(&self, bytes: &[u8]) -> Option<f64> {
        let count = bytes.iter().fold(0u32, |count, byte| count << 8 | u32::from(*byte));
        (bytes.len() == self.bytes).then(|| f64::from(count) * self.factor + self.offset)
    }
}

/// How an identifier's data read; none for one that is not in the table.
pub fn scaling(identifier: u8) -> Option<&'static Scaling> {
    SCALINGS.iter().find(|scaling| scaling.identifier == identifier)
}

/// The request for one identifier of the frame.
pub fn freeze_frame_request(identifier: u8) -> Vec<u8> {
    vec![FREEZE_FRAME, identifier, FRAME]
}

/// The data in a positive answer about this identifier; none in any other answer.
pub fn freeze_frame_data(answer: &[u8], identifier: u8) -> Option<&[u8]> {
    answer.strip_prefix(&[super::positive(FREEZE_FRAME), identifier, FRAME])
}
