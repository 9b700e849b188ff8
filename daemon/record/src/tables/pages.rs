//! Pages with checksums.
//!
//! The library writes pages without the checksum that the format allows (Apache Parquet format, "Checksumming", from memory:
//! a CRC-32 of everything in the page after its header, in field 4 of the header), and about half of all
//! flipped bits would then read back silently wrong. So each page is serialised by the library and the field
//! put into its header here.

use parquet::column::page::{CompressedPage, PageWriteSpec, PageWriter};
use parquet::errors::{ParquetError, Result};
use parquet::file::writer::{SerializedPageWriter, TrackedWrite};

/// Collects the pages of one column chunk.
pub(super) struct CheckedPages<'a> {
    chunk: &'a mut Vec<u8>,
    /// Length and CRC-32 of every page with its header.
    map: &'a mut Vec<(u32, u32)>,
}

impl<'a> CheckedPages<'a> {
    pub(super) fn new(chunk: &'a mut Vec<u8>, map: &'a mut Vec<(u32, u32)>) -> Self {
        Self { chunk, map }
    }
}

impl PageWriter for CheckedPages<'_> {
    fn write_page(&mut self, page: CompressedPage) -> Result<PageWriteSpec> {
        let length = page.data().len();
        let checksum = crc32fast::hash(page.data());
        let mut plain = TrackedWrite::new(Vec::new());
        let mut spec = SerializedPageWriter::new(&mut plain).write_page(page)?;
        let plain = plain.into_inner()?;
        let header = with_checksum(&plain[..plain.len() - length], checksum)
            .ok_or_else(|| ParquetError::General("the library's page header has another form".into()))?;
        let longer = header.len() - (plain.len() - length);
        let start = self.chunk.len();
        spec.offset = start as u64;
        spec.uncompressed_size += longer;
        spec.compressed_size += longer;
        spec.bytes_written += longer as u64;
        self.chunk.extend_from_slice(&header);
        self.chunk.extend_from_slice(&plain[plain.len() - length..]);
        let page = &self.chunk[start..];
        self.map.push((page.len() as u32, crc32fast::hash(page)));
        Ok(spec)
    }

    fn close(&mut self) -> Result<()> {
        Ok(())
    }
}

/// Puts field 4 into a page header that ends at field 3 and goes on at field 5 or later.
///
/// Thrift compact protocol (Apache Thrift, "Thrift Compact protocol encoding", from memory): a field begins
/// with a byte of its id's distance to the field before (upper four bits) and its type (lower four; 5 is i32);
/// an i32 is a zigzag varint.
fn with_checksum(header: &[u8], checksum: u32) -> Option<Vec<u8>> {
    const NEXT_I32: u8 = 0x15;
    let mut at = 0;
    for _ in 0..3 {
        if *header.get(at)? != NEXT_I32 {
            return None;
        }
        at += 1;
        while header.get(at)? & 0x80 != 0 {
            at += 1;
        }
        at += 1;
    }
    let next = *header.get(at)?;
    if next >> 4 < 2 {
        return None;
    }
    let mut whole = header[..at].to_vec();
    whole.push(NEXT_I32);
    let signed = checksum as i32;
    let mut zigzag = ((signed << 1) ^ (signed >> 31)) as u32;
    while zigzag >= 0x80 {
        whole.push(zigzag as u8 | 0x80);
        zigzag >>= 7;
    }
    whole.push(zigzag as u8);
    whole.push(next - 0x10);
    whole.extend_from_slice(&header[at + 1..]);
    Some(whole)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_field_goes_between_the_third_and_the_fifth() {
        // Type 0, sizes 3 and 2, then field 5 as an empty struct, then the end of the header.
        let plain = [0x15, 0, 0x15, 6, 0x15, 4, 0x2c, 0, 0];
        assert_eq!(with_checksum(&plain, 1).unwrap(), [0x15, 0, 0x15, 6, 0x15, 4, 0x15, 2, 0x1c, 0, 0]);
        assert_eq!(with_checksum(&plain, u32::MAX).unwrap()[6..8], [0x15, 1]);
        assert_eq!(with_checksum(&plain[..5], 1), None);
        assert_eq!(
            with_checksum(&[0x15, 0, 0x15, 6, 0x15, 4, 0x15, 2, 0], 1),
            None,
            "a checksum is there already"
        );
    }
}
