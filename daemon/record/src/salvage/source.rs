//! The bytes of a table that may be damaged.

use std::collections::BTreeMap;
use std::io;
use std::ops::Range;

use model::Problem;
use parquet::file::metadata::{PageIndexPolicy, ParquetMetaData, ParquetMetaDataReader};
use sha2::{Digest, Sha256};

use super::{Damage, Wreck};
use crate::card::hex;
use crate::problem::on_disk;
use crate::spare::{FIRST_PAGE, TableMap};

/// A table's bytes with its end as it was written, and which of its pages are.
pub(super) struct Source {
    /// The file's bytes, its end from the spare where the file is damaged.
    pub(super) bytes: Vec<u8>,
    /// What its end says.
    pub(super) metadata: ParquetMetaData,
    /// Length and checksum of every page by its offset; none where the whole file is as it was written.
    pages: Option<BTreeMap<u64, (u32, u32)>>,
}

/// A table as far as it can be opened.
pub(super) enum Opened {
    /// It can be read, at least in part.
    Source(Box<Source>, Vec<Damage>),
    /// Nothing of it can be had.
    Lost(Damage),
}

impl Source {
    /// Whether the page at this place is as it was written.
    pub(super) fn is_whole(&self, page: &Range<u64>) -> bool {
        let Some(pages) = &self.pages else { return true };
        let Some((length, checksum)) = pages.get(&page.start) else { return false };
        let bytes = self.bytes.get(page.start as usize..page.end as usize);
        u64::from(*length) == page.end - page.start
            && bytes.is_some_and(|bytes| crc32fast::hash(bytes) == *checksum)
    }
}

impl Wreck {
    /// Opens a table; `None` where the session has none of that name.
    pub(super) fn table(&self, name: &str, rows: u64) -> Result<Option<Opened>, Problem> {
        let Some(file) = self.card.files.iter().find(|file| file.name == name) else { return Ok(None) };
        let lost = |what: &str| {
            let damage = Damage { rows, lost: rows, ..Damage::of_file(name, what) };
            Ok(Some(Opened::Lost(damage)))
        };
        let path = self.folder.join(name);
        let mut bytes = match std::fs::read(&path) {
            Ok(bytes) => bytes,
            Err(e) if e.kind() == io::ErrorKind::NotFound => return lost("the file is gone"),
            Err(e) => return Err(on_disk(&path, "reading the table", &e)),
        };
        let whole = hex(&Sha256::digest(&bytes)) == file.sha256;
        let mut damages = Vec::new();
        let mut pages = None;
        if !whole {
            let Some(map) = self.spare.as_ref().and_then(|spare| spare.table(name)) else {
                return lost("it is damaged, and so is the spare that could say where");
            };
            if !bytes.starts_with(b"PAR1") {
                damages.push(Damage::of_file(name, "its first bytes are damaged; nothing stands in them"));
            }
            if mend_end(&mut bytes, map) {
                damages.push(Damage::of_file(name, "its end is damaged and is read from the spare"));
            }
            pages = Some(by_offset(map));
        }
        let reader = ParquetMetaDataReader::new().with_offset_index_policy(PageIndexPolicy::Required);
        let shared = bytes::Bytes::from(bytes);
        let metadata = match reader.parse_and_finish(&shared) {
            Ok(metadata) => metadata,
            Err(e) => return lost(&format!("its end cannot be read: {e}")),
        };
        let source = Source { bytes: shared.into(), metadata, pages };
        Ok(Some(Opened::Source(Box::new(source), damages)))
    }
}

/// Puts the end from the spare into its place; says whether it was another.
fn mend_end(bytes: &mut Vec<u8>, map: &TableMap) -> bool {
    let at = map.tail_at() as usize;
    let same = bytes.get(at..).is_some_and(|tail| tail == map.tail);
    bytes.resize(at, 0);
    bytes.extend_from_slice(&map.tail);
    !same
}

fn by_offset(map: &TableMap) -> BTreeMap<u64, (u32, u32)> {
    let mut at = FIRST_PAGE;
    let place = |(length, checksum): &(u32, u32)| {
        let here = at;
        at += u64::from(*length);
        (here, (*length, *checksum))
    };
    map.pages.iter().map(place).collect()
}
