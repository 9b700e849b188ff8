//! The files of a closed session, as they are written into its folder: the tables, the spare and `session.json`.

use std::io::Write;
use std::path::{Path, PathBuf};

use model::{EventEnvelope, Exchange, Problem};

use crate::card::SessionCard;
use crate::disk::Disk;
use crate::layout::{CARD, EVENTS, SAMPLES, SPARE, WIRE};
use crate::problem::{damaged, on_disk};
use crate::row::Row;
use crate::spare::Spare;
use crate::tables::{EventTable, SampleTable, TableError, TableHead, WireTable};

/// The tables of a session on their way into its folder. Memory is bounded by what a table gathers before it
/// writes.
pub(crate) struct SessionFiles<'a> {
    disk: &'a dyn Disk,
    folder: PathBuf,
    about: TableHead<'a>,
    samples: SampleTable,
    events: EventTable<'a>,
    /// There is no table without a trace.
    wire: Option<WireTable>,
}

impl<'a> SessionFiles<'a> {
    pub(crate) fn create(disk: &'a dyn Disk, folder: &Path, about: TableHead<'a>) -> Result<Self, Problem> {
        let (samples, events) = (folder.join(SAMPLES), folder.join(EVENTS));
        Ok(Self {
            disk,
            folder: folder.to_path_buf(),
            about,
            samples: SampleTable::create(disk, &samples, about).map_err(|e| e.at(&samples))?,
            events: EventTable::create(disk, &events, about).map_err(|e| e.at(&events))?,
            wire: None,
        })
    }

    fn told<T>(&self, name: &str, done: Result<T, TableError>) -> Result<T, Problem> {
        done.map_err(|e| e.at(&self.folder.join(name)))
    }

    pub(crate) fn row(&mut self, row: &Row) -> Result<(), Problem> {
        let done = self.samples.push(row);
        self.told(SAMPLES, done)
    }

    pub(crate) fn event(&mut self, event: &EventEnvelope, json: String) -> Result<(), Problem> {
        let done = self.events.push(event, json);
        self.told(EVENTS, done)
    }

    pub(crate) fn exchange(&mut self, exchange: Exchange) -> Result<(), Problem> {
        if self.wire.is_none() {
            let created = WireTable::create(self.disk, &self.folder.join(WIRE), self.about);
            self.wire = Some(self.told(WIRE, created)?);
        }
        let done = self.wire.as_mut().map_or(Ok(()), |wire| wire.push(exchange));
        self.told(WIRE, done)
    }

    /// Ends the tables and writes what is beside them, each synced; `card` says all but the files. Gives the card as it
    /// was written, and the bytes of all files.
    pub(crate) fn finish(self, card: SessionCard) -> Result<(SessionCard, u64), Problem> {
        let Self { disk, folder, samples, events, wire, .. } = self;
        let at = |name: &'static str| {
            let path = folder.join(name);
            move |e: TableError| e.at(&path)
        };
        let mut written = vec![samples.finish().map_err(at(SAMPLES))?, events.finish().map_err(at(EVENTS))?];
        if let Some(wire) = wire {
            written.push(wire.finish().map_err(at(WIRE))?);
        }
        let (files, tables) = written.into_iter().map(|table| (table.digest, table.map)).unzip();
        let draft = SessionCard { files, card_sha256: String::new(), ..card };
        let spare = Spare { card: draft, tables };
        let path = folder.join(SPARE);
        let packed = spare.to_bytes().map_err(|e| on_disk(&path, "packing the spare", &e))?;
        write(disk, &path, &packed, "writing the spare")?;
        let card = spare.card.with_spare(&packed);
        let path = folder.join(CARD);
        let text = card.to_bytes().map_err(|e| damaged(&path, format!("it cannot be written: {e}"), ""))?;
        write(disk, &path, &text, "writing the session's description")?;
        let bytes = card.files.iter().map(|file| file.bytes).sum::<u64>() + text.len() as u64;
        Ok((card, bytes))
    }
}

fn write(disk: &dyn Disk, path: &Path, bytes: &[u8], doing: &str) -> Result<(), Problem> {
    let failed = |e: std::io::Error| on_disk(path, doing, &e);
    let mut file = disk.create(path).map_err(failed)?;
    file.write_all(bytes).map_err(failed)?;
    file.sync().map_err(failed)
}
