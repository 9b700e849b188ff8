//! What the key bytes promise: header forms and the default timing set.

use super::timing::Timing;

/// The forms of message a controller takes, and its default timing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Forms {
    /// AL0: the length may stand in the format byte.
    pub(crate) short_length: bool,
    /// AL1: the length may stand in a byte of its own.
    pub(crate) extra_length: bool,
    /// HB0: one-byte headers.
    pub(crate) bare: bool,
    /// HB1: headers with target and source address.
    pub(crate) addressed: bool,
    /// TP1 TP0 = 01: the extended timing set.
    pub(crate) extended_timing: bool,
}

impl Forms {
    /// Bits 0 to 5 of the first key byte are AL0 AL1 HB0 HB1 TP0 TP1 (ISO 14230-2).
    pub(crate) fn of(key_bytes: [u8; 2]) -> Self {
        let bit = |k: u8| key_bytes[0] & (1 << k) != 0;
        Self {
            short_length: bit(0),
            extra_length: bit(1),
            bare: bit(2),
            addressed: bit(3),
            extended_timing: bit(4) && !bit(5),
        }
    }

    pub(crate) fn default_timing(&self) -> Timing {
        if self.extended_timing { Timing::EXTENDED } else { Timing::NORMAL }
    }

    /// Whether requests of this form are taken. Key bytes that promise nothing exclude nothing.
    pub(crate) fn take(&self, addressed: bool, extra_length: bool) -> bool {
        let header = if addressed { self.addressed || !self.bare } else { self.bare || !self.addressed };
        let length = if extra_length {
            self.extra_length || !self.short_length
        } else {
            self.short_length || !self.extra_length
        };
        header && length
    }

    /// The form of the answer to a request of this form: the same where it is offered, else the other.
    pub(crate) fn answer(&self, addressed: bool, extra_length: bool) -> (bool, bool) {
        let header = if self.take(addressed, self.extra_length) { addressed } else { !addressed };
        let length = if self.take(self.addressed, extra_length) { extra_length } else { !extra_length };
        (header, length)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::controller::published;

    /// ISO 14230-2:1999, tables of key bytes (from memory; EA 8F read in EU 2016/799, Annex IC, App. 7).
    #[test]
    fn the_published_key_bytes_mean_what_their_table_says() {
        let rows = published::rows(published::KEY_BYTES);
        assert_eq!(rows.len(), 18);
        for row in rows {
            let forms = Forms::of([published::bytes(&row["kb1"])[0], published::bytes(&row["kb2"])[0]]);
            let says = |column: &str| row[column] == "1";
            assert_eq!(forms.short_length, says("AL0_len_in_format"), "{row:?}");
            assert_eq!(forms.extra_length, says("AL1_extra_len_byte"), "{row:?}");
            assert_eq!(forms.bare, says("HB0_one_byte_header"), "{row:?}");
            assert_eq!(forms.addressed, says("HB1_tgt_src_header"), "{row:?}");
            assert_eq!(forms.extended_timing, row["timing"] == "extended", "{row:?}");
        }
    }

    #[test]
    fn an_answer_takes_an_offered_form() {
        let all = Forms::of([0xEF, 0x8F]);
        let bare_short = Forms::of([0xE5, 0x8F]);
        let addressed_extra = Forms::of([0xEA, 0x8F]);
        for addressed in [false, true] {
            for extra in [false, true] {
                assert_eq!(all.answer(addressed, extra), (addressed, extra));
                assert_eq!(bare_short.answer(addressed, extra), (false, false));
                assert_eq!(addressed_extra.answer(addressed, extra), (true, true));
                assert_eq!(bare_short.take(addressed, extra), !addressed && !extra);
            }
        }
    }
}
