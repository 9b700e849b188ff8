//! Sessions on disk: the journal while a session runs, its Parquet tables afterwards, the archive they lie
//! in, and the ledger of held outputs.
//!
//! An archive is laid out in Hive style, so that any reader of Parquet can query it without this program:
//!
//! ```text
//! <root>/car=<name>/date=<YYYY-MM-DD>/<session>/samples.parquet, events.parquet, wire.parquet, session.json
//! <root>/.open/<session>/journal        a session that still runs
//! <root>/.broken/<session>/             a journal in which nothing can be read
//! <root>/.ledger/<station>.jsonl        outputs that are or may be held
//! ```
//!
//! Nothing here reads a clock: whoever records passes the moments in.

mod archive;
mod card;
mod close;
mod consents;
mod disk;
mod files;
mod head;
mod journal;
mod layout;
mod ledger;
mod problem;
mod read;
mod recorder;
mod row;
mod salvage;
mod spare;
mod tables;
#[cfg(test)]
mod testing;
mod tick;
mod writer;

pub use archive::{Archive, Recovered, RecoveryOutcome};
pub use card::{Cut, FileDigest, SessionCard, Stretch};
pub use consents::Consents;
pub use head::{ChannelHead, SessionHead};
pub use layout::utc_text;
pub use ledger::{HoldLedger, LedgerEntry, Outstanding};
pub use read::{Exchanges, Rows, Samples, Session, read_session};
pub use recorder::{Entry, Recorder, RecorderHandle, SyncReply};
pub use row::Row;
pub use salvage::{Damage, RESCUED_FROM, Rescued, inspect};
pub use tables::{DeclaredTable, declared_tables, write_samples};
pub use writer::{ClosedSession, DEFAULT_SYNC_INTERVAL, SessionWriter};

/// Version of the tables, the journal and `session.json`. Raised when a reader of the old form would misread
/// the new.
pub const RECORD_VERSION: u16 = 2;
