//! What can be looked up without reading the whole log: keys, subjects, snapshots.
//!
//! Everything here follows from the entries and may be deleted while the service is stopped. The
//! index **may lag and never leads**: it takes entries only after they are durable, and its cursor
//! (count and leaf of the last entry taken) changes in the same transaction as what was taken.
//! What it answers is a hint that the caller checks against the entry itself.

mod disk;
mod fault;
mod fresh;
mod mem;
mod merger;
mod run;
mod runs;
mod sieve;
#[cfg(test)]
mod tests;

use std::fmt;

use chain::canon::{self, Limits};
use chain::entry::{EntryView, leaf_hash};

pub use disk::DiskIndex;
pub use fresh::Fresh;
pub use mem::MemIndex;

use crate::engine::recovery::Tip;
use crate::engine::{Chunk, Store};
use crate::error::{LedgerError, Result};
use crate::limits::INDEX_STEP_BYTES;
pub use crate::snapshot::{MemPieces, StateRead, WriteState};
use crate::submission::Key;

/// What an index knows of an entry.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Row {
    /// Index of the entry.
    pub seq: u64,
    /// `source` and `id`.
    pub key: Key,
    /// `subject`, empty if the event has none.
    pub subject: String,
}

/// An index over the entries.
///
/// # Contract
/// - [`take`](Self::take) is atomic with the cursor it sets, also across a crash.
/// - Nothing of an index that was damaged, deleted or made for another log is ever trusted: an
///   implementation starts anew at cursor 0 instead.
pub trait Index: fmt::Debug + Send + Sync {
    /// The end of the log as far as it was taken in.
    fn cursor(&self) -> Tip;

    /// Takes rows in and moves the cursor to `tip`. The first row is that at the cursor.
    fn take(&self, rows: &[Row], tip: Tip) -> Result<()>;

    /// The entry with this key among those before `before`.
    ///
    /// Fails if the cursor is not there (any more): an index that is being built anew must never
    /// make a recorded event look new (P7).
    fn seq_of(&self, key: &Key, before: u64) -> Result<Option<u64>>;

    /// Entries about a subject, ascending, from `from` on, at most `max`.
    fn by_subject(&self, subject: &str, from: u64, max: usize) -> Result<Vec<u64>>;

    /// Keeps a snapshot of the state, replacing older ones. `write` writes the state in the fold's own
    /// form, what is to be read only when needed as pieces. They lie where those of the snapshot
    /// before do, also of the one that [`snapshot`](Self::snapshot) read, unless there is too much
    /// garbage: what lies elsewhere has to be appended again.
    fn store_snapshot(&self, of: &SnapshotOf, write: &mut WriteState<'_>) -> Result<()>;

    /// The newest snapshot of this fold and version; `None` if there is none or it is damaged. Its
    /// bytes are those that were written, but its pieces were not looked at.
    fn snapshot(&self, fold: &str, version: u16) -> Result<Option<StateRead>>;

    /// Makes what was taken survive a crash, as far as an index can promise anything.
    fn flush(&self) -> Result<()>;
}

/// What a snapshot is of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SnapshotOf {
    /// Name of the fold.
    pub fold: String,
    /// Version of the fold.
    pub version: u16,
    /// The prefix of the log: count and leaf of its last entry.
    pub tip: Tip,
}

/// The answer of an index that has not taken in what it is asked about.
fn not_there_yet(cursor: u64, before: u64) -> Result<()> {
    if cursor >= before {
        return Ok(());
    }
    let what = format!("it is being built anew and has taken in `{cursor}` of `{before}` entries");
    Err(LedgerError::Index { what })
}

/// Lets an index take in the next entries, at most about a megabyte; returns how many.
///
/// # Errors
/// If the log cannot be read or the index fails.
pub fn follow(index: &dyn Index, store: &dyn Store) -> Result<usize> {
    let cursor = index.cursor();
    let chunk = store.scan(cursor.count, INDEX_STEP_BYTES)?;
    let (rows, tip) = rows_of(&chunk, cursor)?;
    if !rows.is_empty() {
        index.take(&rows, tip)?;
    }
    Ok(rows.len())
}

/// Rows and new cursor for consecutive entries that follow the cursor.
fn rows_of(chunk: &Chunk, cursor: Tip) -> Result<(Vec<Row>, Tip)> {
    let mut tip = cursor;
    let mut rows = Vec::new();
    for (seq, line) in chunk.iter() {
        let entry = EntryView::parse(line).map_err(|source| LedgerError::Entry { seq, source })?;
        if entry.seq != tip.count || entry.prev != tip.leaf {
            // The cursor was found to fit the log when the index was opened: the log changed.
            let what = "it does not follow the entry before".to_owned();
            return Err(LedgerError::Damaged { seq, name: "entries".to_owned(), offset: 0, what });
        }
        rows.push(row_of(&entry)?);
        tip = Tip { count: seq + 1, leaf: leaf_hash(line), recorded_at_ms: entry.recorded_at_ms };
    }
    Ok((rows, tip))
}

/// The attributes of an entry's event. An event of an unknown form still has a row.
pub(crate) fn row_of(entry: &EntryView<'_>) -> Result<Row> {
    // No tree of the whole event is built for three of its members.
    let members = canon::members(entry.event, Limits::ENTRY).map_err(|error| {
        LedgerError::Entry { seq: entry.seq, source: chain::entry::EntryError::Event(error) }
    })?;
    let text = |wanted: &str| {
        let (_, value) = members.iter().find(|(name, _)| *name == wanted)?;
        canon::check(value).ok()?.as_str().map(str::to_owned)
    };
    let text = |name| text(name).unwrap_or_default();
    Ok(Row {
        seq: entry.seq,
        key: Key::new(&text("source"), &text("id")),
        subject: text("subject"),
    })
}
