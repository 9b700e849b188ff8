//! `spare`: what it takes to read a damaged session.
//!
//! A Parquet file whose last bytes are damaged cannot be read at all, and a checksum within a page does not
//! cover the page's own header. So a session keeps beside its tables the ends of the tables once more, a
//! checksum of every page as it lies in the file, and what `session.json` says. The file begins with a magic of
//! four bytes, the version as two bytes (little endian) and the CRC-32 of all that follows, which is compressed
//! with zstd: one line of JSON, then the ends of the tables one after the other.

use std::path::Path;

use model::Problem;
use serde::{Deserialize, Serialize};

use crate::card::SessionCard;
use crate::problem::damaged;

const MAGIC: [u8; 4] = *b"HGS\x1a";
const VERSION: u16 = 1;
const HEADER: usize = 10;
/// Longer than this no spare is taken for one: its true length is some thousandth of its tables'.
const LONGEST: usize = 256 << 20;

/// How a table lies in its file.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct TableMap {
    /// Name of the file.
    pub(crate) name: String,
    /// Length and CRC-32 of every page with its header, one behind the other from [`FIRST_PAGE`].
    pub(crate) pages: Vec<(u32, u32)>,
    /// Everything behind the last page: the indexes, the footer, its length and the closing magic.
    pub(crate) tail: Vec<u8>,
}

/// Where the first page of a table lies: behind the opening magic.
pub(crate) const FIRST_PAGE: u64 = 4;

impl TableMap {
    /// Where the tail begins.
    pub(crate) fn tail_at(&self) -> u64 {
        FIRST_PAGE + self.pages.iter().map(|(length, _)| u64::from(*length)).sum::<u64>()
    }
}

/// What a spare holds.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Spare {
    /// What `session.json` says, but for this file among its files and for its own digest.
    pub(crate) card: SessionCard,
    /// The tables.
    pub(crate) tables: Vec<TableMap>,
}

#[derive(Serialize, Deserialize)]
struct Line {
    card: SessionCard,
    tables: Vec<TableLine>,
}

#[derive(Serialize, Deserialize)]
struct TableLine {
    name: String,
    pages: Vec<(u32, u32)>,
    tail: usize,
}

impl Spare {
    /// The bytes of the file.
    pub(crate) fn to_bytes(&self) -> std::io::Result<Vec<u8>> {
        let tables = self.tables.iter().map(|table| TableLine {
            name: table.name.clone(),
            pages: table.pages.clone(),
            tail: table.tail.len(),
        });
        let line = Line { card: self.card.clone(), tables: tables.collect() };
        let mut plain = serde_json::to_vec(&line)?;
        plain.push(b'\n');
        self.tables.iter().for_each(|table| plain.extend_from_slice(&table.tail));
        let packed = zstd::bulk::compress(&plain, 3)?;
        let mut bytes = Vec::with_capacity(HEADER + packed.len());
        bytes.extend_from_slice(&MAGIC);
        bytes.extend_from_slice(&VERSION.to_le_bytes());
        bytes.extend_from_slice(&crc32fast::hash(&packed).to_le_bytes());
        bytes.extend_from_slice(&packed);
        Ok(bytes)
    }

    /// Reads the file's bytes; nothing of a damaged one is believed.
    pub(crate) fn from_bytes(bytes: &[u8], path: &Path) -> Result<Self, Problem> {
        let wrong =
            |seen: &str| damaged(path, seen, "restore it from a copy; the tables are read without it");
        let Some((header, packed)) = bytes.split_at_checked(HEADER) else {
            return Err(wrong("it is too short"));
        };
        if header[..4] != MAGIC || header[4..6] != VERSION.to_le_bytes() {
            return Err(wrong("it does not begin as a spare that this program knows"));
        }
        if header[6..] != crc32fast::hash(packed).to_le_bytes() {
            return Err(wrong("its checksum does not match"));
        }
        let plain = zstd::bulk::decompress(packed, LONGEST).map_err(|e| wrong(&e.to_string()))?;
        let end = plain.iter().position(|b| *b == b'\n').ok_or_else(|| wrong("it has no first line"))?;
        let line: Line = serde_json::from_slice(&plain[..end]).map_err(|e| wrong(&e.to_string()))?;
        let mut rest = &plain[end + 1..];
        let mut tables = Vec::new();
        for table in line.tables {
            let (tail, after) = rest.split_at_checked(table.tail).ok_or_else(|| wrong("it is too short"))?;
            tables.push(TableMap { name: table.name, pages: table.pages, tail: tail.to_vec() });
            rest = after;
        }
        Ok(Self { card: line.card, tables })
    }

    /// The map of a table.
    pub(crate) fn table(&self, name: &str) -> Option<&TableMap> {
        self.tables.iter().find(|table| table.name == name)
    }
}
