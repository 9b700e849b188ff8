//! The emission-related services 01 and 03 of SAE J1979 / ISO 15031-5, one identifier a request.

use super::data::{Scale, THROTTLE};
use super::services::{Answer, Circumstances, Effect, refusal};
use crate::config::AirMeasurement;

/// Codes in one message of service 03; unused places are zero (ISO 15031-5 on lines other than CAN, from
/// memory).
const CODES_A_MESSAGE: usize = 3;

/// One degree a count from -40 (identifiers 05 and 0F).
const TEMPERATURE: Scale = Scale { factor: 1.0, offset: -40.0 };
/// A share across 255 counts (identifiers 04 and 11).
const SHARE: Scale = Scale { factor: 1.0 / 255.0, offset: 0.0 };
/// One kPa a count (identifier 0B).
const PRESSURE: Scale = Scale { factor: 1.0, offset: 0.0 };
/// Half a degree a count from -64 (identifier 0E).
const SPARK: Scale = Scale { factor: 0.5, offset: -64.0 };

/// Spark advance at the idle target, in degrees before top dead centre, and what is added for each r/min
/// below it. Estimates.
const IDLE_SPARK: (f64, f64) = (10.0, 0.02);
/// Atmospheric pressure, in kPa.
const ATMOSPHERE: f64 = 101.325;

pub(crate) fn current_data(
    rest: &[u8],
    around: &Circumstances<'_>,
    answer: &mut Vec<u8>,
) -> Result<Effect, u8> {
    let &[identifier] = rest else { return Err(refusal::INVALID_FORMAT) };
    let (analog, rounding) = (&around.analog, around.setup.rounding);
    answer.push(identifier);
    match identifier {
        0x00 | 0x20 | 0x40 => answer.extend(supported_mask(identifier, around.setup.air)),
        0x04 => answer.push(SHARE.count(analog.manifold_kpa / ATMOSPHERE, rounding)),
        0x05 => answer.push(TEMPERATURE.count(analog.coolant, rounding)),
        0x0B if around.setup.air == AirMeasurement::Pressure => {
            answer.push(PRESSURE.count(analog.manifold_kpa, rounding));
        }
        0x0C => answer.extend(speed(analog.rpm)),
        0x0E => {
            let below = around.idle_target - analog.rpm;
            let advance = (IDLE_SPARK.0 + IDLE_SPARK.1 * below).clamp(-10.0, 30.0);
            answer.push(SPARK.count(if around.running { advance } else { 0.0 }, rounding));
        }
        0x0F => answer.push(TEMPERATURE.count(analog.intake, rounding)),
        0x10 if around.setup.air == AirMeasurement::Mass => {
            answer.extend(((analog.air_g_per_s * 100.0).round() as u16).to_be_bytes());
        }
        0x11 => answer.push(THROTTLE.count(analog.throttle_volts, rounding)),
        0x42 => answer.extend(((analog.battery * 1_000.0).round() as u16).to_be_bytes()),
        _ => return Err(refusal::OUT_OF_RANGE),
    }
    Ok(Effect::None)
}

/// A quarter r/min a count.
fn speed(rpm: f64) -> [u8; 2] {
    ((rpm * 4.0).round() as u16).to_be_bytes()
}

/// The identifiers this car answers.
fn supported_mask(base: u8, air: AirMeasurement) -> [u8; 4] {
    let air = match air {
        AirMeasurement::Pressure => 0x0B,
        AirMeasurement::Mass => 0x10,
    };
    mask(base, &[0x04, 0x05, air, 0x0C, 0x0E, 0x0F, 0x11, 0x20, 0x40, 0x42])
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
        assert_eq!(supported_mask(0x00, AirMeasurement::Pressure), [0x18, 0x36, 0x80, 0x01]);
        assert_eq!(supported_mask(0x00, AirMeasurement::Mass), [0x18, 0x17, 0x80, 0x01]);
        assert_eq!(supported_mask(0x40, AirMeasurement::Mass), [0x40, 0x00, 0x00, 0x00]);
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
    }
}
