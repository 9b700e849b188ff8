//! Sessions on disk: the journal while a session runs, its Parquet tables afterwards, the archive they lie
//! in, and the ledger of held outputs.
//!
//! An archive is laid out in Hive style, so that any reader of Parquet can query it without this program:
//!
//! ```text
//! <root>/car=<name>/date=<YYYY-MM-DD>/<session>/samples.parquet, events.parquet, wire.parquet, session.json,
//!                                               notes.json
//! <root>/.open/<session>/journal        a session that still runs
//! <root>/.broken/<session>/             a journal in which nothing can be read
//! <root>/.trash/<session>/              a session on its way out
//! <root>/.ledger/<station>.jsonl        outputs that are or may be held
//! ```
//!
//! Nothing here reads a clock: whoever records passes the moments in.

mod archive;
mod card;
mod catalogue;
mod close;
mod consents;
mod disk;
mod export;
mod files;
mod head;
mod journal;
mod layout;
mod ledger;
mod notes;
mod problem;
mod read;
mod recorder;
mod remove;
mod row;
mod salvage;
mod spare;
mod tables;
#[cfg(test)]
mod testing;
mod tick;
mod utc;
mod verify;
mod writer;

pub use archive::{Archive, Recovered, RecoveryOutcome};
pub use card::{Cut, FileDigest, SessionCard, Stretch, session_schema};
pub use catalogue::{CatalogueLine, EndingFilter, Filter, Matches, SessionBrief, SessionState};
pub use consents::Consents;
pub use export::{
    CsvForm, Digits, Every, Export, ExportOptions, Exported, Fill, Form, Shape, TimeColumn, When,
};
pub use head::{ChannelHead, SessionHead};
pub use layout::utc_text;
pub use ledger::{HoldLedger, LedgerEntry, Outstanding};
pub use notes::{Note, Notes, check_note, check_tag, edit_notes, notes_schema, read_notes};
pub use read::{Exchanges, Rows, Samples, Session, read_session};
pub use recorder::{Entry, Recorder, RecorderHandle, SyncReply};
pub use remove::Limits;
pub use row::Row;
pub use salvage::{Damage, RESCUED_FROM, Rescued, inspect};
pub use tables::{DeclaredTable, declared_tables, write_samples};
pub use utc::utc_of;
pub use verify::{Verified, read_card, verify};
pub use writer::{ClosedSession, DEFAULT_SYNC_INTERVAL, SessionWriter};

/// Version of the tables, the journal and `session.json`. Raised when a reader of the old form would misread
/// the new.
pub const RECORD_VERSION: u16 = 2;
