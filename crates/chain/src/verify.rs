//! The whole check of a log: entries against keys, checkpoints and policy, with one verdict.
//!
//! # What is checked, in this order
//!
//! The check goes entry by entry; the first fault met ends it and is the verdict. At entry `i`:
//!
//! 1. [`FaultKind::LineFeed`]: its line is complete
//! 2. [`FaultKind::Canonical`]: it is canonical JSON of the profile
//! 3. [`FaultKind::Version`]: its `v` is 1
//! 4. [`FaultKind::Form`]: it has exactly the members of the format, each of the right form
//! 5. [`FaultKind::Seq`]: its `seq` is `i`
//! 6. [`FaultKind::Link`] or [`FaultKind::Altered`]: its `prev` is the hash of entry `i - 1`
//! 7. [`FaultKind::Time`]: it is not recorded earlier than entry `i - 1`
//! 8. [`FaultKind::Opening`]: entry 0 is `pulverlog.log.opened` and names origin and key of the log
//! 9. [`FaultKind::ClientSignature`]: a signature by a known client key is valid
//! 10. [`FaultKind::Receipt`]: it is the entry a receipt is held for
//!
//! Then, for the checkpoints of size `i + 1` (those of size 0 before entry 0), in order of names:
//!
//! 11. [`FaultKind::CheckpointSignature`]: signed by the log, known witnesses' cosignatures valid
//! 12. [`FaultKind::SplitView`]: no two of them have different roots
//! 13. [`FaultKind::Root`]: the root is that of the entries
//!
//! After the last entry:
//!
//! 14. [`FaultKind::TailCut`]: no checkpoint (which is signed, see 11) and no receipt speaks of
//!     entries that are not there
//! 15. [`FaultKind::Quorum`]: some checkpoint has the cosignatures the policy asks for
//!
//! # Which entry is named
//!
//! The entry at which a fault shows, except that a broken link between entries `i - 1` and `i` may
//! be the fault of either. Entry `i - 1` is named if the record after it speaks for entry `i`: if
//! the `prev` of entry `i + 1` is the hash of entry `i`, or if a checkpoint of size `i + 1` has the
//! root that follows when entry `i - 1` has the hash that entry `i` names. Otherwise entry `i` is
//! named; if nothing stands behind it that could tell, the fault says that either may be meant.
//! A wrong root with all links intact names the last entry the checkpoint covers; then a history
//! was rewritten somewhere since the last good checkpoint, and the fault states the range.
//! Lines out of place show as a wrong `seq`: the first of two swapped lines, the second copy of a
//! doubled one, the sequence number of a missing one. A cut tail names the first missing entry.

use std::fmt;
use std::ops::ControlFlow;

use crate::checkpoint::CheckpointError;
use crate::digest::Digest;
use crate::entry::EntryError;
use crate::keys::Keys;
use crate::note::NoteError;
use crate::policy::Policy;

mod examine;
mod excerpt;
mod verifier;

pub use excerpt::{ExcerptEntry, ExcerptSummary, verify_excerpt};
pub use verifier::Verifier;

/// What a log is checked against. All of it is trusted: whoever chooses it chooses the verdict.
#[derive(Clone, Debug)]
pub struct Evidence {
    /// The keys.
    pub keys: Keys,
    /// Which witnesses must have cosigned.
    pub policy: Option<Policy>,
    /// The checkpoints held; at least one.
    pub checkpoints: Vec<CheckpointFile>,
    /// Receipts held by clients; usually none.
    pub receipts: Vec<Receipt>,
}

/// A checkpoint as it was found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CheckpointFile {
    /// Its name, for messages and for the order among checkpoints of one size.
    pub name: String,
    /// The signed note.
    pub note: Vec<u8>,
    /// Whether it reached the verifier on a way the log's operator could not change: printed,
    /// kept from an earlier audit, sent by a witness.
    pub outside: bool,
}

/// What a client was told when its event was recorded.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Receipt {
    /// The sequence number.
    pub seq: u64,
    /// The leaf hash.
    pub leaf: Digest,
}

/// The result of a check that could be made.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// Nothing is wrong; what that covers.
    Sound(Summary),
    /// The first fault.
    Broken(Fault),
}

/// What a sound log holds and what stands behind it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Summary {
    /// The number of entries.
    pub entries: u64,
    /// The Merkle root over them.
    pub root: Digest,
    /// The size of the newest checkpoint: entries from here on are only linked, not signed for.
    pub checkpoint_size: u64,
    /// The size of the newest checkpoint with outside support: it meets the policy's quorum (if
    /// there is none, it has any cosignature by a known witness), or it was kept outside. Entries
    /// from here on could have been rewritten by whoever holds the log's key.
    pub outside_size: u64,
    /// Entries without a client signature.
    pub unsigned: u64,
    /// Entries with a client signature by a key that is not known; it was not checked.
    pub signed_unknown: u64,
    /// The key that signed the checkpoints, as `name+keyid`.
    pub log_key: String,
    /// The witnesses whose cosignatures were verified, as `name+keyid`, in order.
    pub witness_keys: Vec<String>,
    /// The clients whose signatures were verified, as `name+keyid`, in order.
    pub client_keys: Vec<String>,
}

impl Summary {
    /// The number of entries that no outside checkpoint covers.
    pub const fn not_covered_outside(&self) -> u64 {
        self.entries.saturating_sub(self.outside_size)
    }
}

/// The first fault of a log, in the documented order.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// The entry it names.
    pub seq: u64,
    /// What is wrong.
    pub kind: FaultKind,
    /// What should be there.
    pub expected: String,
    /// What is there.
    pub found: String,
    /// The checkpoint that shows it, by name.
    pub checkpoint: Option<String>,
    /// The entries among which the fault lies, first and last, if it cannot be told more closely.
    pub among: Option<(u64, u64)>,
}

/// The kinds of fault, in the order in which they are looked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum FaultKind {
    /// The last line does not end in a line feed: it was cut.
    LineFeed,
    /// The entry is not canonical JSON of the profile.
    Canonical,
    /// The entry has a version this program does not know.
    Version,
    /// The entry has not exactly the members of the format, each of the right form.
    Form,
    /// The entry's sequence number is not its place.
    Seq,
    /// The entry's `prev` is not the hash of the entry before.
    Link,
    /// The entry does not have the hash that the next entry names.
    Altered,
    /// The entry is recorded earlier than the one before.
    Time,
    /// Entry 0 does not open this log.
    Opening,
    /// A client signature is not valid.
    ClientSignature,
    /// A receipt names another hash for the entry.
    Receipt,
    /// A checkpoint is not signed by the log, or a known witness's cosignature is not valid.
    CheckpointSignature,
    /// The log signed two checkpoints of one size with different roots.
    SplitView,
    /// The entries do not have the root of the checkpoint.
    Root,
    /// Entries are missing at the end.
    TailCut,
    /// No checkpoint has the cosignatures the policy asks for.
    Quorum,
    /// The proof of an excerpt does not show the entry to be in the log.
    Proof,
}

impl FaultKind {
    /// Every kind, in the order in which they are looked for.
    pub const ALL: [Self; 17] = [
        Self::LineFeed,
        Self::Canonical,
        Self::Version,
        Self::Form,
        Self::Seq,
        Self::Link,
        Self::Altered,
        Self::Time,
        Self::Opening,
        Self::ClientSignature,
        Self::Receipt,
        Self::CheckpointSignature,
        Self::SplitView,
        Self::Root,
        Self::TailCut,
        Self::Quorum,
        Self::Proof,
    ];

    /// A name that never changes, for programs.
    pub const fn code(self) -> &'static str {
        match self {
            Self::LineFeed => "line-feed",
            Self::Canonical => "canonical",
            Self::Version => "version",
            Self::Form => "form",
            Self::Seq => "seq",
            Self::Link => "link",
            Self::Altered => "altered",
            Self::Time => "time",
            Self::Opening => "opening",
            Self::ClientSignature => "client-signature",
            Self::Receipt => "receipt",
            Self::CheckpointSignature => "checkpoint-signature",
            Self::SplitView => "split-view",
            Self::Root => "root",
            Self::TailCut => "tail-cut",
            Self::Quorum => "quorum",
            Self::Proof => "proof",
        }
    }

    /// What is wrong, as a clause about the entry named.
    pub const fn text(self) -> &'static str {
        match self {
            Self::LineFeed => "its line is cut",
            Self::Canonical => "it is not canonical JSON",
            Self::Version => "its version is not known",
            Self::Form => "it is not an entry",
            Self::Seq => "another sequence number stands in its place",
            Self::Link => "it is not linked to the entry before",
            Self::Altered => "it is not the entry that the next one is linked to",
            Self::Time => "it is recorded earlier than the entry before",
            Self::Opening => "it does not open this log",
            Self::ClientSignature => "its client signature is not valid",
            Self::Receipt => "it is not the entry a receipt was given for",
            Self::CheckpointSignature => "a checkpoint that covers it is not properly signed",
            Self::SplitView => "the log signed two histories that end with it",
            Self::Root => "the entries up to it do not have the root that was signed",
            Self::TailCut => "it is missing, and so is all that followed",
            Self::Quorum => "no checkpoint that covers it has the cosignatures the policy asks for",
            Self::Proof => "it is not proved to be in the log",
        }
    }
}

impl Fault {
    fn new(seq: u64, kind: FaultKind, expected: impl ToString, found: impl ToString) -> Self {
        let (expected, found) = (expected.to_string(), found.to_string());
        Self { seq, kind, expected, found, checkpoint: None, among: None }
    }

    /// The last line of a file lacks its line feed; `rest` is what there is of it.
    pub(crate) fn cut_line(seq: u64, rest: &[u8]) -> Self {
        let found = format!("{} bytes without one", rest.len());
        Self::new(seq, FaultKind::LineFeed, "a line that ends in a line feed", found)
    }

    fn bad_signature(seq: u64, key: &str) -> Self {
        let expected = format!("a signature of the event by `{key}`");
        Self::new(seq, FaultKind::ClientSignature, expected, "one that does not verify")
    }
}

/// The fault of an entry that is none.
fn entry_fault(seq: u64, error: &EntryError) -> Fault {
    let (kind, expected) = match error {
        EntryError::Canon(_) => (FaultKind::Canonical, "canonical JSON of the profile"),
        EntryError::Version(_) => (FaultKind::Version, "version 1"),
        EntryError::Members { .. }
        | EntryError::Format { .. }
        | EntryError::Event(_)
        | EntryError::EventTooLong { .. }
        | EntryError::Seq(_)
        | EntryError::Time(_) => (FaultKind::Form, "an entry of format version 1"),
    };
    match error {
        EntryError::Canon(cause) | EntryError::Event(cause) => {
            Fault::new(seq, kind, expected, cause)
        }
        other => Fault::new(seq, kind, expected, other),
    }
}

impl fmt::Display for Fault {
    /// One line: `broken at entry 7: it is not linked to the entry before; expected .., found ..`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "broken at entry {}: {}", self.seq, self.kind.text())?;
        write!(f, "; expected {}, found {}", self.expected, self.found)?;
        if let Some(name) = &self.checkpoint {
            write!(f, " (checkpoint `{name}`)")?;
        }
        if let Some((first, last)) = self.among {
            write!(f, "; the fault lies among entries {first} to {last}")?;
        }
        Ok(())
    }
}

impl fmt::Display for Summary {
    /// One line: `sound: 12 entries, root .., ..`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "sound: {} entries, root {}, newest checkpoint covers {}, no outside checkpoint covers \
             {}, {} lack a client signature",
            self.entries,
            self.root,
            self.checkpoint_size,
            self.not_covered_outside(),
            self.unsigned,
        )?;
        if self.signed_unknown > 0 {
            write!(f, ", {} are signed by a key that is not known", self.signed_unknown)?;
        }
        Ok(())
    }
}

impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Sound(summary) => summary.fmt(f),
            Self::Broken(fault) => fault.fmt(f),
        }
    }
}

/// The check cannot be made: something is missing or unreadable that is not part of the log.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CannotCheck {
    /// Nothing signed says what the log should be.
    #[error("there is no checkpoint to check against")]
    NoCheckpoint,
    /// A checkpoint is not a note.
    #[error("checkpoint `{name}` is not a signed note")]
    Note {
        /// Its name.
        name: String,
        /// What is wrong.
        #[source]
        cause: NoteError,
    },
    /// A note is not a checkpoint.
    #[error("checkpoint `{name}` cannot be read")]
    Checkpoint {
        /// Its name.
        name: String,
        /// What is wrong.
        #[source]
        cause: CheckpointError,
    },
    /// The policy does not accept the log.
    #[error("the policy does not list the log key `{key}`")]
    LogNotInPolicy {
        /// Name and key id.
        key: String,
    },
}

/// Checks entries given one by one, each without its line feed.
///
/// # Errors
/// [`CannotCheck`].
pub fn verify<E: AsRef<[u8]>>(
    evidence: Evidence,
    entries: impl IntoIterator<Item = E>,
) -> Result<Verdict, CannotCheck> {
    let mut verifier = Verifier::new(evidence)?;
    for entry in entries {
        if verifier.push(entry.as_ref()) == ControlFlow::Break(()) {
            break;
        }
    }
    Ok(verifier.finish())
}

/// Checks a whole `entries.ndjson` in memory, reading and hashing its lines on `threads` threads
/// (0 counts as 1). The verdict does not depend on their number.
///
/// # Errors
/// [`CannotCheck`].
pub fn verify_ndjson(
    evidence: Evidence,
    file: &[u8],
    threads: usize,
) -> Result<Verdict, CannotCheck> {
    let mut verifier = Verifier::new(evidence)?;
    let _ = verifier.push_file(file, threads);
    Ok(verifier.finish())
}
