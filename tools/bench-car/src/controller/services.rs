//! The services of ISO 14230-3, as far as this controller has them.

use std::collections::VecDeque;

use super::codes::Codes;
use super::data::{BATTERY, COOLANT, THROTTLE, rpm_counts};
use super::emissions;
use super::timing::Timing;
use crate::config::{Manners, Rounding, WorldConfig};
use crate::parameters::MAX_STEPS;
use crate::truth::Readings;

/// Negative response codes of ISO 14230-3:1999 4.4.
pub(crate) mod refusal {
    pub(crate) const SERVICE_NOT_SUPPORTED: u8 = 0x11;
    pub(crate) const INVALID_FORMAT: u8 = 0x12;
    pub(crate) const BUSY: u8 = 0x21;
    pub(crate) const CONDITIONS_NOT_CORRECT: u8 = 0x22;
    pub(crate) const OUT_OF_RANGE: u8 = 0x31;
    pub(crate) const PENDING: u8 = 0x78;
    pub(crate) const NOT_IN_THIS_SESSION: u8 = 0x80;
}
use refusal::{
    CONDITIONS_NOT_CORRECT, INVALID_FORMAT, NOT_IN_THIS_SESSION, OUT_OF_RANGE, SERVICE_NOT_SUPPORTED,
};

/// The standard session of the bench car.
pub(crate) const STANDARD: u8 = 0x81;
/// Its set-up session, the only one in which the idle valve may be held.
pub(crate) const SET_UP: u8 = 0xC3;
/// The idle valve's local identifier.
const IDLE_VALVE: u8 = 0x51;
/// The valve's position where it is not told.
const UNKNOWN_VALVE: u8 = 0xFF;
/// What it calls itself.
const NAME: &[u8] = b"BENCH CAR ENGINE";

/// What a service found when it was carried out.
#[derive(Debug)]
pub(crate) struct Circumstances<'a> {
    pub(crate) now: i64,
    pub(crate) session: u8,
    pub(crate) timing: Timing,
    pub(crate) default_timing: Timing,
    pub(crate) key_bytes: [u8; 2],
    pub(crate) held: Option<u8>,
    pub(crate) believed: u8,
    pub(crate) running: bool,
    pub(crate) idle_active: bool,
    pub(crate) recognised_closed: bool,
    pub(crate) closed_switch: bool,
    pub(crate) analog: Readings,
    /// What was so when the first trouble code was stored.
    pub(crate) frame: Readings,
    pub(crate) codes: &'a Codes,
    pub(crate) setup: &'a Setup,
}

/// What the services need to know of the car, once and for all.
#[derive(Debug)]
pub(crate) struct Setup {
    pub(crate) rounding: Rounding,
    pub(crate) air: crate::config::AirMeasurement,
    pub(crate) manners: Manners,
}

impl Setup {
    pub(crate) fn of(config: &WorldConfig) -> Self {
        Self { rounding: config.rounding, air: config.air, manners: config.manners }
    }
}

/// What is to be done when a request is carried out, besides answering.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Effect {
    None,
    Hold(u8),
    Release,
    EnterSession(u8),
    ClearCodes,
    /// After the answer: other timing.
    SetTiming(Timing),
    /// After the answer: communication ends.
    Stop,
    /// Before the answer: communication begins.
    Open,
    /// No answer is wanted.
    Quiet,
}

/// The data of an answer: mostly one message, for trouble codes sometimes more.
#[derive(Debug, Default)]
pub(crate) struct Answer {
    pub(crate) data: Vec<u8>,
    pub(crate) more: VecDeque<Vec<u8>>,
}

/// A refusal by its negative response code, or what follows.
type Served = Result<Effect, u8>;

/// Carries out a request: writes the positive answer into `whole` (empty when called).
pub(crate) fn serve(request: &[u8], around: &Circumstances<'_>, whole: &mut Answer) -> Served {
    let (&service, rest) = request.split_first().ok_or(INVALID_FORMAT)?;
    let refuses = around.setup.manners.refuses_reading_while_held && around.held.is_some();
    if refuses && matches!(service, 0x01 | 0x21 | 0x22) {
        return Err(CONDITIONS_NOT_CORRECT);
    }
    whole.data.push(service.wrapping_add(0x40));
    if (service, rest) == (0x03, &[]) {
        return emissions::stored_codes(around, whole);
    }
    let answer = &mut whole.data;
    match (service, rest) {
        (0x01, _) => emissions::current_data(rest, around, answer),
        (0x02, _) => emissions::freeze_frame(rest, around, answer),
        (0x04, []) => Ok(Effect::ClearCodes),
        (0x10, [kind]) => enter_session(*kind, answer),
        (0x14, [0xFF, 0x00]) => {
            answer.extend([0xFF, 0x00]);
            Ok(Effect::ClearCodes)
        }
        (0x14, [_, _]) => Err(OUT_OF_RANGE),
        (0x18, [0x00, 0xFF, 0x00]) => {
            let codes = around.codes.stored(around.now);
            answer.push(0);
            for ([high, low], status) in codes.take(usize::from(u8::MAX) / 3) {
                answer[1] += 1;
                answer.extend([high, low, status]);
            }
            Ok(Effect::None)
        }
        (0x18, [_, _, _]) => Err(OUT_OF_RANGE),
        (0x1A, [0x91]) => {
            answer.push(0x91);
            answer.extend(NAME);
            Ok(Effect::None)
        }
        (0x1A, [_]) => Err(OUT_OF_RANGE),
        (0x20, []) => Ok(Effect::EnterSession(STANDARD)),
        (0x21, [block]) => local_block(*block, around, answer),
        (0x22, [high, low]) => common_value([*high, *low], around, answer),
        (0x30, [output, control @ ..]) => idle_valve(*output, control, around, answer),
        // 01: an answer is wanted, 02: none is (EU 2016/799, Annex IC, App. 8 Table 10).
        (0x3E, [] | [0x01]) => Ok(Effect::None),
        (0x3E, [0x02]) => Ok(Effect::Quiet),
        (0x81, []) => {
            answer.extend(around.key_bytes);
            Ok(Effect::Open)
        }
        (0x82, []) => Ok(Effect::Stop),
        (0x83, [identifier, times @ ..]) => access_timing(*identifier, times, around, answer),
        (0x03 | 0x04 | 0x10 | 0x14 | 0x18 | 0x1A | 0x20..=0x22 | 0x30 | 0x3E | 0x81..=0x83, _) => {
            Err(INVALID_FORMAT)
        }
        _ => Err(SERVICE_NOT_SUPPORTED),
    }
}

fn enter_session(kind: u8, answer: &mut Vec<u8>) -> Served {
    match kind {
        STANDARD | SET_UP => {
            answer.push(kind);
            Ok(Effect::EnterSession(kind))
        }
        _ => Err(INVALID_FORMAT),
    }
}

fn local_block(block: u8, around: &Circumstances<'_>, answer: &mut Vec<u8>) -> Served {
    let (analog, rounding) = (&around.analog, around.setup.rounding);
    let flag = |condition: bool, bit: u8| u8::from(condition) << bit;
    let status = flag(around.held.is_some(), 0)
        | flag(around.idle_active, 1)
        | flag(around.running, 2)
        | flag(analog.fan_on, 3)
        | flag(around.recognised_closed, 4)
        | flag(around.setup.manners.closed_switch && around.closed_switch, 5);
    answer.push(block);
    answer.extend(rpm_counts(analog.rpm));
    match block {
        0xA1 => answer.extend([
            THROTTLE.count(analog.throttle_volts, rounding),
            COOLANT.count(analog.coolant, rounding),
            BATTERY.count(analog.battery, rounding),
            if around.setup.manners.reports_valve { around.believed } else { UNKNOWN_VALVE },
            status,
        ]),
        0xA2 => answer.push(status),
        _ => return Err(OUT_OF_RANGE),
    }
    Ok(Effect::None)
}

fn common_value(identifier: [u8; 2], around: &Circumstances<'_>, answer: &mut Vec<u8>) -> Served {
    let (analog, rounding) = (&around.analog, around.setup.rounding);
    let count = match identifier {
        [0x41, 0x07] => BATTERY.count(analog.battery, rounding),
        [0x41, 0x11] => THROTTLE.count(analog.throttle_volts, rounding),
        _ => return Err(OUT_OF_RANGE),
    };
    answer.extend(identifier);
    answer.push(count);
    Ok(Effect::None)
}

/// inputOutputControlByLocalIdentifier with the parameters of ISO 14230-3, which are not those of ISO 14229:
/// 00 returnControlToECU, 01 reportCurrentState, 07 shortTermAdjustment (from memory).
fn idle_valve(output: u8, control: &[u8], around: &Circumstances<'_>, answer: &mut Vec<u8>) -> Served {
    if around.session != SET_UP {
        return Err(NOT_IN_THIS_SESSION);
    }
    if output != IDLE_VALVE {
        return Err(OUT_OF_RANGE);
    }
    answer.push(output);
    answer.extend(control);
    match control {
        [0x00] => Ok(Effect::Release),
        [0x01] => {
            answer.extend([around.believed, u8::from(around.held.is_some())]);
            Ok(Effect::None)
        }
        [0x07, steps] if *steps > MAX_STEPS => Err(OUT_OF_RANGE),
        [0x07, _] if !around.running => Err(CONDITIONS_NOT_CORRECT),
        [0x07, steps] => Ok(Effect::Hold(*steps)),
        _ => Err(INVALID_FORMAT),
    }
}

/// accessTimingParameters: 00 limits, 01 defaults, 02 current, 03 set (ISO 14230-2:1999 5.3, from memory).
fn access_timing(identifier: u8, times: &[u8], around: &Circumstances<'_>, answer: &mut Vec<u8>) -> Served {
    answer.push(identifier);
    match (identifier, times) {
        (0x00, []) => {
            answer.extend(Timing::LIMITS.encode());
            Ok(Effect::None)
        }
        (0x01, []) => Ok(Effect::SetTiming(around.default_timing)),
        (0x02, []) => {
            answer.extend(around.timing.encode());
            Ok(Effect::None)
        }
        (0x03, &[p2_min, p2_max, p3_min, p3_max, p4_min]) => {
            let asked = Timing::decode([p2_min, p2_max, p3_min, p3_max, p4_min]);
            asked.filter(Timing::is_acceptable).map(Effect::SetTiming).ok_or(OUT_OF_RANGE)
        }
        _ => Err(INVALID_FORMAT),
    }
}
