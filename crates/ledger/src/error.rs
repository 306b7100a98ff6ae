//! What can go wrong in the ledger.

use std::io;

use crate::disk::is_full;
use crate::engine::recovery::{Stop, StopCause};

/// Any error of this crate. Messages name the thing in backticks and say what to do.
#[derive(Debug, thiserror::Error)]
pub enum LedgerError {
    /// A call of the file system failed where nothing was at stake, or while opening.
    #[error("could not {doing} `{name}`")]
    Io {
        /// What was tried, as a verb.
        doing: &'static str,
        /// File or directory.
        name: String,
        /// The cause.
        #[source]
        source: io::Error,
    },
    /// There is no room for the batch; nothing was written. Writing goes on when there is room.
    #[error("the disk of the log is full: free some space and send the event again")]
    Full {
        /// The cause.
        #[source]
        source: io::Error,
    },
    /// An earlier write or sync failed: what is on the disk is unknown until a restart.
    #[error(
        "the writer stopped after an error ({since}): restart the service, then send the event again with the same id"
    )]
    Poisoned {
        /// The first failure, in words.
        since: String,
    },
    /// The log was opened for reading only.
    #[error("the log is open for reading only: {reason}")]
    ReadOnly {
        /// Why no entry may be written.
        reason: Stop,
    },
    /// The batch was built for another length of the log. Nothing was written.
    #[error("the batch starts at entry `{expected}` but the log has `{found}` entries")]
    CountMismatch {
        /// Count the caller expected.
        expected: u64,
        /// Count of the log.
        found: u64,
    },
    /// Another process appended first. Nothing was written; take in what is new and build the batch
    /// again.
    #[error("another process appended: the log has `{count}` entries by now")]
    Behind {
        /// Count of the log.
        count: u64,
    },
    /// The database of the log did not answer, or not in time. A batch that was being written may
    /// stand or not.
    #[error("the database of the log is away ({what}): send the event again with the same id")]
    Away {
        /// What was seen.
        what: String,
    },
    /// The database refused what was asked of it.
    #[error("the database of the log refused: {what}")]
    Database {
        /// Its reason.
        what: String,
    },
    /// The log went on to another place; nothing is recorded here any more.
    #[error("the log moved to {to}: nothing is recorded here any more")]
    Moved {
        /// Where to.
        to: String,
    },
    /// Bytes to be written are not what was hashed. Nothing of the batch counts.
    #[error(
        "entry `{seq}` changed in memory between hashing and writing: restart the service and test the memory"
    )]
    ChangedInMemory {
        /// Its sequence number.
        seq: u64,
    },
    /// A line is empty, too long or contains a line feed or begins with `#`. Nothing was written.
    #[error("line {index} of the batch cannot be an entry of the log")]
    NotALine {
        /// Index in the batch.
        index: usize,
    },
    /// Stored bytes are not what they were.
    #[error("entry `{seq}` in `{name}` at byte {offset} is damaged: {what}")]
    Damaged {
        /// Sequence number of the first bad entry.
        seq: u64,
        /// File.
        name: String,
        /// Byte offset in the file.
        offset: u64,
        /// What is wrong.
        what: String,
    },
    /// Something in the data directory is not as this program leaves it.
    #[error("`{name}` {what}")]
    Foreign {
        /// File or directory.
        name: String,
        /// What is wrong and what to do.
        what: String,
    },
    /// Another process writes to this log.
    #[error("another process has `{name}` open: stop it first")]
    Locked {
        /// The locked directory.
        name: String,
    },
    /// The directory does not hold a log, or one that was never finished.
    #[error("`{name}` holds no log: {what}")]
    NoLog {
        /// Directory.
        name: String,
        /// What to do.
        what: &'static str,
    },
    /// A log is there already.
    #[error("`{name}` holds a log already; creating one never replaces another")]
    Exists {
        /// Directory.
        name: String,
    },
    /// The watermark belongs to another key or another log.
    #[error(
        "the last signed checkpoint in `{name}` was not made by this log's key and origin: {what}"
    )]
    WrongKey {
        /// Directory of the head store.
        name: String,
        /// What did not fit.
        what: String,
    },
    /// An entry could not be built.
    #[error("could not build entry `{seq}`")]
    Entry {
        /// Its sequence number.
        seq: u64,
        /// The cause.
        #[source]
        source: chain::entry::EntryError,
    },
    /// An event the log wanted to record about itself does not fit the catalogue.
    #[error("could not record the log's own event `{name}`")]
    OwnEvent {
        /// Its name.
        name: &'static str,
        /// The cause.
        #[source]
        source: crate::submission::Unacceptable,
    },
    /// A failure that many answers share.
    #[error(transparent)]
    Failed {
        /// The failure.
        failure: std::sync::Arc<LedgerError>,
    },
    /// Too much is waiting already; nothing was written.
    #[error("the log is busy: send the event again in a moment")]
    Busy,
    /// The index or a snapshot failed. The log itself is not affected.
    #[error("the index failed: {what}")]
    Index {
        /// What failed.
        what: String,
    },
}

impl LedgerError {
    /// Whether there was no room on a disk: it may work again when space is freed.
    #[must_use]
    pub fn is_full(&self) -> bool {
        match self {
            Self::Full { .. } => true,
            Self::Io { source, .. } => is_full(source),
            Self::Failed { failure } => failure.is_full(),
            Self::Poisoned { .. }
            | Self::ReadOnly { .. }
            | Self::CountMismatch { .. }
            | Self::Behind { .. }
            | Self::Away { .. }
            | Self::Database { .. }
            | Self::Moved { .. }
            | Self::ChangedInMemory { .. }
            | Self::NotALine { .. }
            | Self::Damaged { .. }
            | Self::Foreign { .. }
            | Self::Locked { .. }
            | Self::NoLog { .. }
            | Self::Exists { .. }
            | Self::WrongKey { .. }
            | Self::Entry { .. }
            | Self::OwnEvent { .. }
            | Self::Busy
            | Self::Index { .. } => false,
        }
    }
}

impl LedgerError {
    /// Whether this passes by itself when a database is back: nobody has to look at anything.
    #[must_use]
    pub fn is_passing(&self) -> bool {
        match self {
            Self::Away { .. } | Self::Busy | Self::Behind { .. } => true,
            Self::Failed { failure } => failure.is_passing(),
            _ => false,
        }
    }

    /// Where stored entries turned out to be damaged, if that is what this says.
    #[must_use]
    pub fn damage(&self) -> Option<Stop> {
        let (seq, name, offset) = match self {
            Self::Damaged { seq, name, offset, .. } => (*seq, name.clone(), *offset),
            Self::Entry { seq, .. } => (*seq, "entries".to_owned(), 0),
            Self::Failed { failure } => return failure.damage(),
            _ => return None,
        };
        Some(Stop { cause: StopCause::Damaged, seq, name, offset })
    }
}

/// Shorthand for results of this crate.
pub type Result<T, E = LedgerError> = std::result::Result<T, E>;

/// Adds what was being done, and to what, to an I/O error.
pub(crate) trait Doing<T> {
    fn doing(self, doing: &'static str, name: &str) -> Result<T>;
}

impl<T> Doing<T> for io::Result<T> {
    fn doing(self, doing: &'static str, name: &str) -> Result<T> {
        self.map_err(|source| LedgerError::Io { doing, name: name.to_owned(), source })
    }
}
