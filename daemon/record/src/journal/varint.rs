//! Whole numbers in as few bytes as they need.

/// Appends `n` in groups of seven bits, lowest first.
pub(super) fn put(out: &mut Vec<u8>, mut n: u64) {
    while n >= 0x80 {
        out.push(n as u8 | 0x80);
        n >>= 7;
    }
    out.push(n as u8);
}

/// Appends a signed number, small magnitudes in few bytes.
pub(super) fn put_signed(out: &mut Vec<u8>, n: i64) {
    put(out, ((n << 1) ^ (n >> 63)) as u64);
}

/// Takes a number off the front; `None` when it breaks off or does not fit.
pub(super) fn take(bytes: &mut &[u8]) -> Option<u64> {
    let mut n = 0;
    for shift in (0..64).step_by(7) {
        let (first, rest) = bytes.split_first()?;
        *bytes = rest;
        let bits = u64::from(first & 0x7f);
        if shift == 63 && bits > 1 {
            return None;
        }
        n |= bits << shift;
        if first & 0x80 == 0 {
            return Some(n);
        }
    }
    None
}

/// Takes a signed number off the front.
pub(super) fn take_signed(bytes: &mut &[u8]) -> Option<i64> {
    take(bytes).map(|n| (n >> 1) as i64 ^ -((n & 1) as i64))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn any_number_comes_back(unsigned: u64, signed: i64) {
            let mut bytes = Vec::new();
            put(&mut bytes, unsigned);
            put_signed(&mut bytes, signed);
            let mut rest = bytes.as_slice();
            prop_assert_eq!(take(&mut rest), Some(unsigned));
            prop_assert_eq!(take_signed(&mut rest), Some(signed));
            prop_assert!(rest.is_empty());
        }

        #[test]
        fn no_bytes_panic(bytes: Vec<u8>) {
            let mut rest = bytes.as_slice();
            if take(&mut rest).is_some() {
                prop_assert!(rest.len() < bytes.len());
            }
        }
    }

    #[test]
    fn the_extremes_come_back_and_eleven_bytes_are_refused() {
        for n in [0, 1, -1, 63, -64, 64, i64::MAX, i64::MIN] {
            let mut bytes = Vec::new();
            put_signed(&mut bytes, n);
            assert_eq!(take_signed(&mut bytes.as_slice()), Some(n));
        }
        assert_eq!(take(&mut [0xff; 10].as_slice()), None);
        assert_eq!(take(&mut [0x80; 11].as_slice()), None);
    }
}
