//! Facts in the order in which the work was done, however late they were recorded.

use serde::{Deserialize, Serialize};

/// One fact at its place in time.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Moment<T> {
    /// When the work was done, ms since 1970 UTC.
    pub time_ms: i64,
    /// Entry that tells it; breaks ties.
    pub seq: u64,
    /// What a fold keeps of it.
    pub value: T,
}

/// A list of facts sorted by (time of work, sequence number).
///
/// Appending in order is O(1). A late entry or a correction is O(n) of this subject's facts, and
/// tells the caller to derive the subject's state again, so that the answer never depends on the
/// order in which facts arrived.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Timeline<T> {
    moments: Vec<Moment<T>>,
}

impl<T> Default for Timeline<T> {
    fn default() -> Self {
        Self { moments: Vec::new() }
    }
}

impl<T> Timeline<T> {
    /// Puts a fact at its time. Returns true when it is now the last one (no fact comes after it).
    pub fn insert(&mut self, time_ms: i64, seq: u64, value: T) -> bool {
        let at = self.moments.partition_point(|m| (m.time_ms, m.seq) < (time_ms, seq));
        self.moments.insert(at, Moment { time_ms, seq, value });
        at + 1 == self.moments.len()
    }

    /// Takes the facts of one entry out. Returns true when there was one.
    pub fn remove(&mut self, seq: u64) -> bool {
        let before = self.moments.len();
        self.moments.retain(|m| m.seq != seq);
        self.moments.len() != before
    }

    /// Takes the fact at a place in the order of work out.
    pub fn remove_at(&mut self, at: usize) {
        if at < self.moments.len() {
            self.moments.remove(at);
        }
    }

    /// The facts that `keep` chooses.
    pub fn filtered(&self, keep: impl Fn(&Moment<T>) -> bool) -> Self
    where
        T: Clone,
    {
        Self { moments: self.moments.iter().filter(|m| keep(m)).cloned().collect() }
    }

    /// All facts in order of work.
    pub fn iter(&self) -> impl DoubleEndedIterator<Item = &Moment<T>> + ExactSizeIterator {
        self.moments.iter()
    }

    /// The last fact.
    pub fn last(&self) -> Option<&Moment<T>> {
        self.moments.last()
    }

    /// How many facts.
    pub fn len(&self) -> usize {
        self.moments.len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.moments.is_empty()
    }
}
