//! What each byte means to this controller. The table is invented and belongs to the bench car alone.

use super::super::data::{BATTERY, COOLANT, PRESSURE, SPARK, TEMPERATURE, THROTTLE, TRIM, rpm_counts};
use crate::config::{Manners, Rounding};
use crate::parameters::MAX_STEPS;
use crate::truth::Readings;

/// Takes the idle valve over; the next byte is where it is to stand, in steps.
pub(crate) const TAKE: u8 = 0xB4;
/// Gives it back.
const GIVE: u8 = 0xB8;
/// Asks for nothing: the controller says that it is there.
const HERE: u8 = 0x70;

/// The answers to these three, and the one that says no.
const TAKEN: u8 = 0x4B;
const GIVEN: u8 = 0x8B;
const PRESENT: u8 = 0x07;
const REFUSED: u8 = 0x44;

/// What is so when a request is carried out.
#[derive(Debug)]
pub(crate) struct Circumstances<'a> {
    pub(crate) held: Option<u8>,
    pub(crate) believed: u8,
    pub(crate) running: bool,
    pub(crate) idle_active: bool,
    pub(crate) recognised_closed: bool,
    pub(crate) analog: &'a Readings,
    pub(crate) rounding: Rounding,
    pub(crate) manners: Manners,
}

/// What a request does, besides being answered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Effect {
    /// Nothing.
    None,
    /// The sensors were sampled for the answer.
    Sample,
    Hold(u8),
    Release,
}

/// How many bytes a request has that begins with this one; `None` if the controller does not know it.
pub(crate) fn length(first: u8) -> Option<usize> {
    match first {
        TAKE => Some(2),
        GIVE | HERE | 0x51 | 0x52 | 0x61..=0x68 => Some(1),
        _ => None,
    }
}

/// Carries a whole request out: writes its answer into `answer` (empty when called).
pub(crate) fn serve(request: &[u8], around: &Circumstances<'_>, answer: &mut Vec<u8>) -> Effect {
    let controls = matches!(request[0], TAKE | GIVE | HERE);
    if !controls {
        read(request[0], around, answer);
        return Effect::Sample;
    }
    match *request {
        [TAKE, steps] if around.running && steps <= MAX_STEPS => {
            answer.extend([TAKEN, steps]);
            Effect::Hold(steps)
        }
        [TAKE, steps] => {
            answer.extend([REFUSED, steps]);
            Effect::None
        }
        [GIVE] => {
            answer.push(GIVEN);
            Effect::Release
        }
        _ => {
            answer.push(PRESENT);
            Effect::None
        }
    }
}

fn read(channel: u8, around: &Circumstances<'_>, answer: &mut Vec<u8>) {
    let (analog, rounding) = (around.analog, around.rounding);
    match channel {
        0x51 => {
            answer.extend(rpm_counts(analog.rpm));
            answer.extend([
                THROTTLE.count(analog.throttle_volts, rounding),
                COOLANT.count(analog.coolant, rounding),
                BATTERY.count(analog.battery, rounding),
                around.believed,
                status(around),
            ]);
        }
        0x52 => {
            answer.extend(rpm_counts(analog.rpm));
            answer.push(status(around));
        }
        0x61 => answer.push(THROTTLE.count(analog.throttle_volts, rounding)),
        0x62 => answer.push(BATTERY.count(analog.battery, rounding)),
        0x63 => answer.push(TEMPERATURE.count(analog.intake, rounding)),
        0x64 if around.manners.has_trims => answer.push(TRIM.count(analog.short_trim * 100.0, rounding)),
        0x65 if around.manners.has_trims => answer.push(TRIM.count(analog.long_trim * 100.0, rounding)),
        0x66 => answer.push(PRESSURE.count(analog.manifold_kpa, rounding)),
        0x67 => answer.push(SPARK.count(analog.spark, rounding)),
        0x68 => answer.push(COOLANT.count(analog.coolant, rounding)),
        // What it cannot measure it answers all the same: a byte is asked, a byte comes.
        _ => answer.push(0),
    }
}

fn status(around: &Circumstances<'_>) -> u8 {
    let flag = |condition: bool, bit: u8| u8::from(condition) << bit;
    flag(around.held.is_some(), 0)
        | flag(around.idle_active, 1)
        | flag(around.running, 2)
        | flag(around.analog.fan_on, 3)
        | flag(around.recognised_closed, 4)
}
