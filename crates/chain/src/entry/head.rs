//! The end of a log, which the next entry must fit.

use super::genesis_prev;
use crate::digest::Digest;
use crate::merkle::Frontier;

/// The newest end of a log: what the next entry must fit. O(log n) in size.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Head {
    frontier: Frontier,
    prev: Digest,
    recorded_at_ms: i64,
}

/// An entry that does not fit the end of the log, in the order in which it is checked.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum LinkError {
    /// Not the next sequence number.
    #[error("the next entry has seq `{expected}`, not `{found}`")]
    Seq {
        /// The number of entries so far.
        expected: u64,
        /// The entry's own number.
        found: u64,
    },
    /// Not linked to the entry before.
    #[error("prev is `{found}`, the entry before has the hash `{expected}`")]
    Prev {
        /// The leaf hash of the entry before.
        expected: Digest,
        /// The entry's `prev`.
        found: Digest,
    },
    /// Recorded earlier than the entry before.
    #[error("recorded at `{found}` ms, earlier than the entry before at `{earliest}` ms")]
    Time {
        /// The time of the entry before, in milliseconds since 1970.
        earliest: i64,
        /// The entry's time, in milliseconds since 1970.
        found: i64,
    },
}

impl Head {
    /// The end of a log without entries.
    pub fn empty() -> Self {
        Self { frontier: Frontier::new(), prev: genesis_prev(), recorded_at_ms: 0 }
    }

    /// The end of a log as it was saved.
    pub fn from_parts(frontier: Frontier, prev: Digest, recorded_at_ms: i64) -> Self {
        Self { frontier, prev, recorded_at_ms }
    }

    /// The number of entries, which is the next sequence number.
    pub const fn size(&self) -> u64 {
        self.frontier.size()
    }

    /// The Merkle root over all entries.
    pub fn root(&self) -> Digest {
        self.frontier.root()
    }

    /// The tree's right edge.
    pub const fn frontier(&self) -> &Frontier {
        &self.frontier
    }

    /// The `prev` of the next entry.
    pub const fn prev(&self) -> Digest {
        self.prev
    }

    /// The time of the newest entry in milliseconds since 1970, 0 if there is none.
    pub const fn recorded_at_ms(&self) -> i64 {
        self.recorded_at_ms
    }

    /// Checks that an entry fits: sequence number, link, time.
    ///
    /// # Errors
    /// The first [`LinkError`] that applies.
    pub fn check(&self, seq: u64, prev: Digest, recorded_at_ms: i64) -> Result<(), LinkError> {
        if seq != self.size() {
            return Err(LinkError::Seq { expected: self.size(), found: seq });
        }
        if prev != self.prev {
            return Err(LinkError::Prev { expected: self.prev, found: prev });
        }
        if recorded_at_ms < self.recorded_at_ms {
            return Err(LinkError::Time { earliest: self.recorded_at_ms, found: recorded_at_ms });
        }
        Ok(())
    }

    /// Appends an entry with this leaf hash that fits.
    ///
    /// # Errors
    /// As [`Head::check`]; the head is then unchanged.
    pub fn advance(
        &mut self,
        seq: u64,
        prev: Digest,
        recorded_at_ms: i64,
        leaf: Digest,
    ) -> Result<(), LinkError> {
        self.check(seq, prev, recorded_at_ms)?;
        self.frontier.push(leaf);
        self.prev = leaf;
        self.recorded_at_ms = recorded_at_ms;
        Ok(())
    }
}
