//! Facts in the order in which the work was done, however late they were recorded.

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use crate::pieces::Content;

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

impl<T: Clone + Serialize + DeserializeOwned> Content for Timeline<T> {}

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

    /// Takes the facts of one entry, whose work was done at `time_ms`, out. They are found by their
    /// place, without a look at the others. Returns true when there was one.
    pub fn remove(&mut self, time_ms: i64, seq: u64) -> bool {
        let first = self.moments.partition_point(|m| (m.time_ms, m.seq) < (time_ms, seq));
        let of_entry = self.moments[first..].iter().take_while(|m| m.seq == seq).count();
        self.moments.drain(first..first + of_entry).next().is_some()
    }

    /// The facts that `keep` chooses.
    pub fn filtered(&self, keep: impl Fn(&Moment<T>) -> bool) -> Self
    where
        T: Clone,
    {
        Self { moments: self.moments.iter().filter(|m| keep(m)).cloned().collect() }
    }

    /// The facts of one entry, whose work was done at `time_ms`; found by their place.
    pub fn of_entry(&self, time_ms: i64, seq: u64) -> &[Moment<T>] {
        let place = |m: &Moment<T>| (m.time_ms, m.seq);
        let from = self.moments.partition_point(|m| place(m) < (time_ms, seq));
        let to = self.moments.partition_point(|m| place(m) <= (time_ms, seq));
        &self.moments[from..to]
    }

    /// The facts after an instant, up to and with another.
    pub fn after(&self, after_ms: i64, to_ms: i64) -> &[Moment<T>] {
        let from = self.moments.partition_point(|m| m.time_ms <= after_ms);
        let to = self.moments.partition_point(|m| m.time_ms <= to_ms);
        self.moments.get(from..to).unwrap_or(&[])
    }

    /// All facts in order of work.
    pub fn iter(&self) -> impl DoubleEndedIterator<Item = &Moment<T>> + ExactSizeIterator {
        self.moments.iter()
    }

    /// The first fact.
    pub fn first(&self) -> Option<&Moment<T>> {
        self.moments.first()
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

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Facts told in any order lie in order of work; an entry takes its own facts out again,
        /// several of them, and nothing else.
        #[test]
        fn an_entry_takes_its_own_facts_out(
            told in proptest::collection::vec((0..20i64, 1..3usize), 1..40),
            which in any::<prop::sample::Index>(),
        ) {
            let mut timeline = Timeline::default();
            let entries: Vec<(u64, i64, usize)> =
                (0..).zip(&told).map(|(seq, (ms, facts))| (seq, *ms, *facts)).collect();
            for (seq, ms, facts) in &entries {
                (0..*facts).for_each(|n| _ = timeline.insert(*ms, *seq, n));
            }
            prop_assert!(timeline.iter().is_sorted_by_key(|m| (m.time_ms, m.seq)));
            let (gone, ms, facts) = entries[which.index(entries.len())];
            let before = timeline.len();
            prop_assert!(!timeline.remove(ms + 1, gone), "no entry of that moment");
            prop_assert!(timeline.remove(ms, gone));
            prop_assert!(timeline.iter().all(|m| m.seq != gone));
            prop_assert_eq!(timeline.len(), before - facts);
            prop_assert!(!timeline.remove(ms, gone), "it is gone");
        }
    }
}
