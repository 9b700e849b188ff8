//! The emission-related services 01, 02 and 03 of SAE J1979 / ISO 15031-5, one identifier a request.

use super::data::{PRESSURE, SPARK, Scale, TEMPERATURE, THROTTLE, TRIM};
use super::services::{Answer, Circumstances, Effect, Setup, refusal};
use crate::config::AirMeasurement;
use crate::truth::Readings;

/// Codes in one message of service 03; unused places are zero (ISO 15031-5 on lines other than CAN, from
/// memory).
const CODES_A_MESSAGE: usize = 3;

/// A share across 255 counts (identifiers 04 and 11).
const SHARE: Scale = Scale { factor: 1.0 / 255.0, offset: 0.0 };
/// Atmospheric pressure, in kPa.
const ATMOSPHERE: f64 = 101.325;

pub(crate) fn current_data(
    rest: &[u8],
    around: &Circumstances<'_>,
    answer: &mut Vec<u8>,
) -> Result<Effect, u8> {
    let &[identifier] = rest else { return Err(refusal::INVALID_FORMAT) };
    answer.push(identifier);
    match identifier {
        0x00 | 0x20 | 0x40 => answer.extend(mask(identifier, &current_identifiers(around.setup))),
        0x42 => answer.extend(((around.analog.battery * 1_000.0).round().max(0.0) as u16).to_be_bytes()),
        _ => value(identifier, &around.analog, around.setup, answer).ok_or(refusal::OUT_OF_RANGE)?,
    }
    Ok(Effect::None)
}

/// Service 02: what was so when the first trouble code was stored. There is one frame, 00.
pub(crate) fn freeze_frame(
    rest: &[u8],
    around: &Circumstances<'_>,
    answer: &mut Vec<u8>,
) -> Result<Effect, u8> {
    let &[identifier, frame] = rest else { return Err(refusal::INVALID_FORMAT) };
    if frame != 0 {
        return Err(refusal::OUT_OF_RANGE);
    }
    answer.extend([identifier, frame]);
    let code = around.codes.framed(around.now);
    match identifier {
        0x00 => answer.extend(mask(0x00, &frame_identifiers(around.setup))),
        // Without a frame the code is zero.
        0x02 => answer.extend(code.unwrap_or([0, 0])),
        _ if code.is_none() => return Err(refusal::OUT_OF_RANGE),
        _ => value(identifier, &around.frame, around.setup, answer).ok_or(refusal::OUT_OF_RANGE)?,
    }
    Ok(Effect::None)
}

/// Appends the bytes of an identifier that both services have; `None` if they do not have it.
fn value(identifier: u8, readings: &Readings, setup: &Setup, answer: &mut Vec<u8>) -> Option<()> {
    let rounding = setup.rounding;
    match identifier {
        0x04 => answer.push(SHARE.count(readings.manifold_kpa / ATMOSPHERE, rounding)),
        0x05 => answer.push(TEMPERATURE.count(readings.coolant, rounding)),
        0x06 if setup.manners.has_trims => answer.push(TRIM.count(readings.short_trim * 100.0, rounding)),
        0x07 if setup.manners.has_trims => answer.push(TRIM.count(readings.long_trim * 100.0, rounding)),
        0x0B if setup.air == AirMeasurement::Pressure => {
            answer.push(PRESSURE.count(readings.manifold_kpa, rounding));
        }
        0x0C => answer.extend(speed(readings.rpm)),
        0x0E => answer.push(SPARK.count(readings.spark, rounding)),
        0x0F => answer.push(TEMPERATURE.count(readings.intake, rounding)),
        0x10 if setup.air == AirMeasurement::Mass => {
            answer.extend(((readings.air_g_per_s * 100.0).round() as u16).to_be_bytes());
        }
        0x11 => answer.push(THROTTLE.count(readings.throttle_volts, rounding)),
        _ => return None,
    }
    Some(())
}

/// A quarter r/min a count.
fn speed(rpm: f64) -> [u8; 2] {
    ((rpm * 4.0).round() as u16).to_be_bytes()
}

/// The identifiers both services have.
fn shared_identifiers(setup: &Setup) -> Vec<u8> {
    let air = match setup.air {
        AirMeasurement::Pressure => 0x0B,
        AirMeasurement::Mass => 0x10,
    };
    let trims: &[u8] = if setup.manners.has_trims { &[0x06, 0x07] } else { &[] };
    [trims, &[0x04, 0x05, air, 0x0C, 0x0E, 0x0F, 0x11]].concat()
}

/// The identifiers of service 01.
fn current_identifiers(setup: &Setup) -> Vec<u8> {
    [shared_identifiers(setup), vec![0x20, 0x40, 0x42]].concat()
}

/// The identifiers of service 02.
fn frame_identifiers(setup: &Setup) -> Vec<u8> {
    [shared_identifiers(setup), vec![0x02]].concat()
}

/// A bit for each identifier in the 32 after `base`: the highest bit of the first byte is the one after it.
fn mask(base: u8, identifiers: &[u8]) -> [u8; 4] {
    let within = identifiers.iter().filter(|id| (base + 1..=base + 0x20).contains(*id));
    within.fold(0u32, |mask, id| mask | 1 << (0x20 - (id - base))).to_be_bytes()
}

/// Trouble codes, three a message; without any, one message of zeros.
pub(crate) fn stored_codes(around: &Circumstances<'_>, answer: &mut Answer) -> Result<Effect, u8> {
    let codes: Vec<[u8; 2]> = around.codes.stored(around.now).map(|(code, _)| code).collect();
    let message = |codes: &[[u8; 2]]| {
        let padded = codes.iter().copied().chain(std::iter::repeat([0, 0]));
        padded.take(CODES_A_MESSAGE).flatten().collect::<Vec<u8>>()
    };
    let mut messages = codes.chunks(CODES_A_MESSAGE).map(message);
    answer.data.extend(messages.next().unwrap_or_else(|| message(&[])));
    answer.more.extend(messages.map(|codes| [&[0x43], &codes[..]].concat()));
    Ok(Effect::None)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// SAE J1979: bit A7 is identifier 01, D0 is identifier 20 (bit order READ, example from memory).
    #[test]
    fn the_published_mask() {
        let identifiers =
            [1, 3, 4, 5, 6, 7, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x13, 0x15, 0x1C, 0x1F, 0x20];
        assert_eq!(mask(0x00, &identifiers), [0xBE, 0x1F, 0xA8, 0x13]);
        assert_eq!(mask(0x20, &[0x21, 0x40]), [0x80, 0x00, 0x00, 0x01]);
    }

    #[test]
    fn air_is_measured_one_way() {
        use crate::config::{Manners, WorldConfig};
        let setup = |air, has_trims| {
            let manners = Manners { has_trims, ..Manners::default() };
            Setup::of(&WorldConfig { air, manners, ..WorldConfig::default() })
        };
        let pressure = setup(AirMeasurement::Pressure, false);
        let mass = setup(AirMeasurement::Mass, false);
        assert_eq!(mask(0x00, &current_identifiers(&pressure)), [0x18, 0x36, 0x80, 0x01]);
        assert_eq!(mask(0x00, &current_identifiers(&mass)), [0x18, 0x17, 0x80, 0x01]);
        assert_eq!(mask(0x40, &current_identifiers(&mass)), [0x40, 0x00, 0x00, 0x00]);
        let trims = setup(AirMeasurement::Mass, true);
        assert_eq!(mask(0x00, &current_identifiers(&trims)), [0x1E, 0x17, 0x80, 0x01]);
        assert_eq!(mask(0x00, &frame_identifiers(&trims)), [0x5E, 0x17, 0x80, 0x00]);
    }

    /// SAE J1979 / ISO 15031-5:2006 Annex B (READ): worked examples of the scalings.
    #[test]
    fn published_scalings() {
        use crate::config::Rounding::Nearest;
        assert_eq!(TEMPERATURE.count(83.0, Nearest), 0x7B);
        assert_eq!(SPARK.count(10.0, Nearest), 0x94);
        assert_eq!(PRESSURE.count(34.0, Nearest), 0x22);
        assert_eq!(SHARE.count(0.501_960_78, Nearest), 0x80);
        assert_eq!(speed(1_726.0), [0x1A, 0xF8]);
        assert_eq!(TRIM.count(0.0, Nearest), 0x80);
        assert_eq!(TRIM.count(-100.0, Nearest), 0x00);
        assert_eq!(TRIM.count(99.22, Nearest), 0xFF);
    }
}
