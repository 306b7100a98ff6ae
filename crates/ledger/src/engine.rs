//! Where the entries lie: engines behind one contract.
//!
//! An engine keeps bytes. It never looks inside an entry: what follows from what, what is signed and
//! what an event means is the business of its callers. (Opening is the exception that proves the
//! rule: only an entry's own `seq` and `prev` tell whether a line at the end of a segment belongs
//! there, so the files engine reads them at start.) Engines share this contract and one test suite,
//! not code.
//!
//! Two halves, because there is one writer and there are many readers: [`Engine`] belongs to the
//! writer (`&mut self`), [`Store`] is shared by everybody else.

pub mod files;
mod line;
pub mod mem;
pub mod postgres;
pub mod recovery;
#[cfg(test)]
mod suite;

use std::fmt;
use std::sync::Arc;

use chain::Digest;
use chain::tile::Tile;

use crate::error::Result;

/// One line to be appended: the bytes of a sealed entry and what they were hashed to.
#[derive(Debug, Clone, Copy)]
pub struct Line<'a> {
    /// The entry, without line feed.
    pub bytes: &'a [u8],
    /// Leaf hash of `bytes`, taken when the entry was sealed.
    pub leaf: Digest,
}

/// The writing half of an engine.
///
/// # Contract
/// - [`append`](Self::append) returns `Ok` only when every entry of the batch would survive a power
///   cut (on a disk that honours flush). That return is **the commit point**: before it everything
///   may be retried, after it nothing may be lost.
/// - It refuses, and writes nothing, if the expected count is not the count, if a line cannot be a
///   line, or if there is no room ([`Full`](crate::LedgerError::Full)); the engine goes on working.
/// - Each line is hashed again after it was put where it is written from; if a hash differs, nothing
///   of the batch counts.
/// - After the first failed write or sync the engine is poisoned for the life of the process: every
///   further append fails with [`Poisoned`](crate::LedgerError::Poisoned), nothing is retried, and
///   reading what was durable goes on. What a failed batch left behind is decided when the log is
///   opened again: a prefix of it, in whole entries, may stand.
/// - Readers never see an entry before its commit point.
///
/// # Engines that several processes append to
/// Where [`is_shared`](Self::is_shared), others append too. Of two batches for the same count one is
/// recorded and the other refused with [`Behind`](crate::LedgerError::Behind): its owner takes in what
/// is new ([`follow`](Self::follow)), builds the batch anew and tries again. Such an engine is not
/// poisoned by a connection that breaks; what cannot be reached is [`Away`](crate::LedgerError::Away),
/// and a batch that failed like that may stand or not until the next append or `follow` finds out.
pub trait Engine: fmt::Debug + Send {
    /// Entries in the log, all durable, as far as this process has taken them in.
    fn count(&self) -> u64;

    /// Appends a batch. See the [contract](Self).
    fn append(&mut self, expected_count: u64, lines: &[Line<'_>]) -> Result<()>;

    /// The reading half.
    fn store(&self) -> Arc<dyn Store>;

    /// Turns the engine read-only: every further append fails with
    /// [`ReadOnly`](crate::LedgerError::ReadOnly).
    fn stop(&mut self, reason: recovery::Stop);

    /// Leaves a proof that the log was closed in good order, so that the next start need not rewrite
    /// its tail. A poisoned or read-only engine leaves none. No append may follow.
    fn close(&mut self) -> Result<()>;

    /// Ends the log in this place because it went on in another one: from now on opening it is
    /// [`Moved`](crate::LedgerError::Moved). Returns `false`, and changes nothing, if another process
    /// appended since this one looked.
    ///
    /// # Errors
    /// I/O errors.
    fn retire(&mut self, to: &str) -> Result<bool>;

    /// Whether other processes may append to the same log.
    fn is_shared(&self) -> bool {
        false
    }

    /// Shows readers what other processes appended, and returns the new count.
    ///
    /// # Errors
    /// [`Away`](crate::LedgerError::Away); [`Poisoned`](crate::LedgerError::Poisoned) if this is not the
    /// log any more that it was.
    fn follow(&mut self) -> Result<u64> {
        Ok(self.count())
    }

    /// [`follow`](Self::follow), and keeps others from appending until the next append or
    /// [`end_turn`](Self::end_turn): who lost a race comes next. For milliseconds; a turn that is held
    /// for seconds is lost.
    ///
    /// # Errors
    /// As [`follow`](Self::follow).
    fn take_turn(&mut self) -> Result<u64> {
        self.follow()
    }

    /// Lets others append again.
    fn end_turn(&mut self) {}
}

/// The reading half of an engine, with what is derived from the entries and kept beside them.
///
/// # Contract
/// - Shows durable entries only, in order, without gaps, byte for byte as appended.
/// - A watermark, a checkpoint or a tile is durable when its `store_` call returned `Ok`. Full tiles
///   never change; a checkpoint may gain signatures, its text never changes.
/// - The watermark is replaced by compare-and-swap: if somebody else changed it meanwhile the call
///   fails and changes nothing.
pub trait Store: fmt::Debug + Send + Sync {
    /// Entries that may be read.
    fn count(&self) -> u64;

    /// Entries from `from` on: as many as fit in `bytes_max`, at least one if there is one.
    fn scan(&self, from: u64, bytes_max: usize) -> Result<Chunk>;

    /// The watermark: the last signed checkpoint, or `None` if there never was one.
    fn watermark(&self) -> Result<Option<Vec<u8>>>;

    /// Replaces the watermark.
    fn store_watermark(&self, note: &[u8]) -> Result<()>;

    /// The published checkpoint of exactly this size.
    fn checkpoint(&self, size: u64) -> Result<Option<Vec<u8>>>;

    /// Sizes of all published checkpoints, ascending.
    fn checkpoint_sizes(&self) -> Result<Vec<u64>>;

    /// Keeps a checkpoint that is about to leave the process.
    fn store_checkpoint(&self, size: u64, note: &[u8]) -> Result<()>;

    /// A full hash tile, if it is kept.
    fn tile(&self, tile: Tile) -> Result<Option<Vec<u8>>>;

    /// Keeps full hash tiles. They replace what stands there: tiles are derived from entries.
    fn store_tiles(&self, tiles: &[(Tile, Vec<u8>)]) -> Result<()>;

    /// Gets slow work ready that the next append may need, such as the next segment. Called from
    /// time to time off the writer's thread; failing is no harm.
    fn prepare(&self) -> Result<()> {
        Ok(())
    }

    /// The bytes of one entry, or `None` if it is not there (yet).
    fn read(&self, seq: u64) -> Result<Option<Vec<u8>>> {
        if seq >= self.count() {
            return Ok(None);
        }
        Ok(self.scan(seq, 1)?.iter().next().map(|(_, line)| line.to_vec()))
    }
}

/// Consecutive entries in one buffer.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Chunk {
    first: u64,
    bytes: Vec<u8>,
    /// Start and end of each entry in `bytes`.
    spans: Vec<(usize, usize)>,
}

impl Chunk {
    /// An empty chunk that begins at `first`.
    #[must_use]
    pub fn new(first: u64) -> Self {
        Self { first, bytes: Vec::new(), spans: Vec::new() }
    }

    /// Adds the entry that follows.
    pub fn push(&mut self, line: &[u8]) {
        let start = self.bytes.len();
        self.bytes.extend_from_slice(line);
        self.spans.push((start, self.bytes.len()));
    }

    /// A chunk over bytes read in one piece.
    pub(crate) fn of_parts(first: u64, bytes: Vec<u8>, spans: Vec<(usize, usize)>) -> Self {
        Self { first, bytes, spans }
    }

    /// Sequence number of the first entry, whether or not there is one.
    #[must_use]
    pub fn first(&self) -> u64 {
        self.first
    }

    /// Sequence number after the last entry.
    #[must_use]
    pub fn end(&self) -> u64 {
        self.first + self.spans.len() as u64
    }

    /// Whether there is no entry.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.spans.is_empty()
    }

    /// The entries with their sequence numbers.
    pub fn iter(&self) -> impl Iterator<Item = (u64, &[u8])> {
        (self.first..).zip(self.spans.iter().map(|&(start, end)| &self.bytes[start..end]))
    }
}

/// The text of a note, without its signatures.
pub(crate) fn note_text(note: &[u8]) -> &[u8] {
    memchr::memmem::rfind(note, b"\n\n").map_or(note, |end| &note[..end])
}

/// Whether these bytes can stand on a line of the log.
pub(crate) fn is_line(bytes: &[u8]) -> bool {
    !bytes.is_empty()
        && bytes.len() <= chain::limits::ENTRY_BYTES_MAX
        && bytes[0] != b'#'
        && bytes[0] != 0
        && !bytes.contains(&b'\n')
}
