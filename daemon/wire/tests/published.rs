//! Published messages, key bytes, times and codes against the codecs.
//!
//! The files name their sources row by row; the printed messages are from Commission Implementing Regulation
//! (EU) 2016/799, Annex IC, Appendices 7 and 8. Rows marked MEMORY are from memory.

use std::collections::BTreeMap;

use holdgate_wire::frame::{Addressing, HeaderForm, Message, checksum};
use holdgate_wire::kline::{KeyBytes, Timing, TimingCoding, decode_timing, encode_timing};
use holdgate_wire::service::{
    self, ControlParameter, NegativeCode, TroubleCode, emissions_codes, freeze_frame_data,
    freeze_frame_request, negative, scaling,
};
use model::Span;

fn rows(text: &str) -> Vec<BTreeMap<String, String>> {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    reader.deserialize().map(|row| row.expect("a well-formed table")).collect()
}

fn hex(text: &str) -> Vec<u8> {
    text.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).expect("hex")).collect()
}

#[test]
fn every_printed_message_has_the_printed_checksum_and_is_written_the_same() {
    let mut framed = 0;
    for row in rows(include_str!("../../../tests/published/01_kline_messages.csv")) {
        let (id, bytes) = (&row["id"], hex(&row["bytes_hex"]));
        let (sum, body) = bytes.split_last().unwrap();
        assert_eq!(checksum(body), *sum, "{id}");
        // The emissions header of ISO 9141-2 (48, 68) is no form of ISO 14230: checksum only.
        if bytes[0] >> 6 == 0b01 {
            continue;
        }
        let message = Message::decode(&bytes).unwrap().unwrap_or_else(|| panic!("{id} is incomplete"));
        assert_eq!(message.encode().unwrap(), bytes, "{id}");
        framed += 1;
    }
    assert!(framed >= 35, "only {framed} rows were messages");
}

#[test]
fn the_printed_messages_mean_what_their_rows_say() {
    let table = rows(include_str!("../../../tests/published/01_kline_messages.csv"));
    let find = |id: &str| {
        let row = table.iter().find(|row| row["id"].starts_with(id)).unwrap_or_else(|| panic!("no row {id}"));
        Message::decode(&hex(&row["bytes_hex"])).unwrap().unwrap()
    };
    let start = find("StartCommunication request (phys)");
    assert_eq!((start.header.target, start.header.source, &start.data[..]), (0xEE, 0xF0, &[0x81][..]));
    assert_eq!(start.header.form, HeaderForm::Addressed { length_byte: false });
    let answer = find("StartCommunication positive response, key bytes EA 8F");
    let key = KeyBytes::new([answer.data[1], answer.data[2]]).unwrap();
    assert!(key.addressed_header && key.length_byte && !key.length_in_format && !key.bare_header);
    assert_eq!(answer.header.form, HeaderForm::Addressed { length_byte: true });
    assert_eq!(find("engine speed request, functional").header.addressing, Addressing::Functional);
    assert_eq!(
        negative(&find("SecurityAccess sendKey pending 78").data),
        Some(NegativeCode::RESPONSE_PENDING)
    );
    assert_eq!(negative(&find("TesterPresent negative 12").data), Some(NegativeCode(0x12)));
    assert_eq!(negative(&find("TesterPresent positive response").data), None);
}

#[test]
fn key_bytes_mean_what_the_table_of_the_standard_says() {
    let mut seen = 0;
    for row in rows(include_str!("../../../tests/published/01_kwp_key_bytes.csv")) {
        let bytes = [hex(&row["kb1"])[0], hex(&row["kb2"])[0]];
        let key = KeyBytes::new(bytes).unwrap();
        assert_eq!(key.keyword().to_string(), row["keyword_decimal"]);
        if row["keyword_decimal"] != "2000" {
            assert_eq!(u8::from(key.length_in_format).to_string(), row["AL0_len_in_format"]);
            assert_eq!(u8::from(key.length_byte).to_string(), row["AL1_extra_len_byte"]);
            assert_eq!(u8::from(key.bare_header).to_string(), row["HB0_one_byte_header"]);
            assert_eq!(u8::from(key.addressed_header).to_string(), row["HB1_tgt_src_header"]);
        }
        assert_eq!(if key.extended_timing { "extended" } else { "normal" }, row["timing"]);
        // A single flipped bit changes the parity, so it is always seen.
        for bit in 0..8 {
            assert!(KeyBytes::new([bytes[0] ^ 1 << bit, bytes[1]]).is_err());
        }
        seen += 1;
    }
    assert_eq!(seen, 18);
}

#[test]
fn timing_bytes_are_those_of_the_worked_example() {
    let mut wanted = BTreeMap::new();
    for row in rows(include_str!("../../../tests/published/01_kwp_access_timing_encoding.csv")) {
        wanted.insert(row["order"].parse::<usize>().unwrap(), hex(&row["example_hex"])[0]);
    }
    let wanted: Vec<u8> = wanted.into_values().collect();
    assert_eq!(encode_timing(&Timing::DEFAULT, &TimingCoding::STANDARD)[..], wanted);
    let back = decode_timing(wanted.try_into().unwrap(), &TimingCoding::STANDARD, &Timing::DEFAULT);
    assert_eq!(back, Timing::DEFAULT);
}

#[test]
fn default_times_are_the_published_ones() {
    let table = rows(include_str!("../../../tests/published/01_kline_timing.csv"));
    let find = |id: &str, column: &str| {
        let row = table.iter().find(|row| row["id"].starts_with(id)).unwrap_or_else(|| panic!("no row {id}"));
        Span::from_millis(row[column].parse().unwrap())
    };
    let t = Timing::DEFAULT;
    assert_eq!(t.p1_max, find("P1 inter-byte ECU", "max"));
    assert_eq!((t.p2_min, t.p2_max), (find("P2 default", "min"), find("P2 default", "max")));
    assert_eq!(
        (t.p3_min, t.p3_max),
        (find("P3 response to next", "min"), find("P3 response to next", "max"))
    );
    assert_eq!(t.p4_min, find("P4 inter-byte tester", "min"));
    assert_eq!(t.p2_pending(), find("P2 after response pending", "max"));
}

#[test]
fn trouble_codes_are_written_as_published() {
    let mut seen = 0;
    for row in rows(include_str!("../../../tests/published/02_dtc_vectors.csv")) {
        let bytes = hex(&row["bytes_hex"]);
        assert_eq!(TroubleCode([bytes[0], bytes[1]]).to_string(), row["code"]);
        seen += 1;
    }
    assert_eq!(seen, 10);
    // ISO 15031-5:2006, Figure 19 (as quoted): one code, P0143; zeros are padding.
    let codes = emissions_codes(&[0x43, 0x01, 0x43, 0, 0, 0, 0]).unwrap();
    assert_eq!(codes, [TroubleCode([0x01, 0x43])]);
    assert!(emissions_codes(&[0x43, 0x01]).is_err());
}

#[test]
fn codes_of_services_refusals_and_control_are_the_published_ones() {
    let table = rows(include_str!("../../../tests/published/01_kwp_codes.csv"));
    let find = |kind: &str, name: &str| {
        let row = table.iter().find(|row| row["kind"].starts_with(kind) && row["name"].starts_with(name));
        hex(&row.unwrap_or_else(|| panic!("no row {kind} {name}"))["hex"])[0]
    };
    for (name, ours) in [
        ("startDiagnosticSession", service::START_SESSION),
        ("readDiagnosticTroubleCodesByStatus", service::READ_CODES_BY_STATUS),
        ("inputOutputControlByLocalIdentifier", service::CONTROL_BY_LOCAL_ID),
        ("testerPresent", service::TESTER_PRESENT),
        ("startCommunication", service::START_COMMUNICATION),
        ("stopCommunication", service::STOP_COMMUNICATION),
        ("accessTimingParameters", service::ACCESS_TIMING),
        ("negativeResponse", service::NEGATIVE),
    ] {
        assert_eq!(find("service id", name), ours, "{name}");
    }
    assert_eq!(find("accessTimingParameters TPI", "setTimingParametersToGivenValues"), service::SET_TIMES);
    let refusal = |name| NegativeCode(find("negative response code", name));
    assert_eq!(refusal("busy-RepeatRequest"), NegativeCode::BUSY_REPEAT_REQUEST);
    assert_eq!(refusal("requestCorrectlyReceived-ResponsePending"), NegativeCode::RESPONSE_PENDING);
    for (name, ours) in [
        ("returnControlToECU", ControlParameter::ReturnControlToEcu),
        ("reportCurrentState", ControlParameter::ReportCurrentState),
        ("resetToDefault", ControlParameter::ResetToDefault),
        ("freezeCurrentState", ControlParameter::FreezeCurrentState),
        ("shortTermAdjustment", ControlParameter::ShortTermAdjustment),
    ] {
        let byte = find("inputOutputControlParameter (KWP", name);
        assert_eq!(ControlParameter::from_byte(byte), Some(ours), "{name}");
    }
    // Every published refusal of ISO 14230-3 has words of its own.
    for row in table.iter().filter(|row| row["kind"] == "negative response code") {
        if row["source"].starts_with("ISO 14230-3") {
            let code = NegativeCode(hex(&row["hex"])[0]);
            assert_ne!(code.words(), NegativeCode(0xFF).words(), "{}", row["name"]);
        }
    }
}

/// SAE J1979 / ISO 15031-5:2006 Annex B, row by row: name, factor, offset, length and worked example.
#[test]
fn freeze_frame_values_have_the_published_scalings() {
    let mut seen = 0;
    for row in rows(include_str!("../../../tests/published/02_pid_scaling.csv")) {
        let Some(ours) = scaling(hex(&row["pid"])[0]).filter(|_| row["service"] == "01") else { continue };
        let number = |column: &str| row[column].parse::<f64>().expect("a number");
        let bytes = hex(&row["raw_example_hex"]);
        assert_eq!((ours.name, ours.bytes.to_string()), (&*row["name"], row["bytes"].clone()));
        assert!((ours.factor - number("slope")).abs() < 1e-12, "{row:?}");
        assert!((ours.offset - number("offset")).abs() < 1e-12, "{row:?}");
        assert!((ours.value(&bytes).expect("its length") - number("value_example")).abs() < 1e-5, "{row:?}");
        assert_eq!(ours.value(&[]), None);
        seen += 1;
    }
    assert_eq!(seen, 10);
}

/// SAE J1979, service 02 (from memory): identifier and frame number come back with the data.
#[test]
fn a_freeze_frame_answer_is_taken_only_for_its_own_identifier() {
    assert_eq!(freeze_frame_request(0x0C), [0x02, 0x0C, 0x00]);
    assert_eq!(freeze_frame_data(&[0x42, 0x0C, 0x00, 0x1A, 0xF8], 0x0C), Some(&[0x1A, 0xF8][..]));
    assert_eq!(freeze_frame_data(&[0x42, 0x05, 0x00, 0x7B], 0x0C), None);
    assert_eq!(freeze_frame_data(&[0x7F, 0x02, 0x12], 0x0C), None);
}
