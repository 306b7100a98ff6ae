//! The index in memory: for tests and the simulator, and for what has no index on disk.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::{PoisonError, RwLock};

use super::{Index, Row, Snapshot, not_there_yet};
use crate::engine::recovery::Tip;
use crate::error::Result;
use crate::submission::Key;

/// An index that is gone when the process is.
#[derive(Debug)]
pub struct MemIndex(RwLock<Taken>);

#[derive(Debug)]
struct Taken {
    cursor: Tip,
    keys: HashMap<Key, u64>,
    subjects: BTreeMap<String, BTreeSet<u64>>,
    snapshots: BTreeMap<(String, u16), Snapshot>,
}

impl Taken {
    fn nothing() -> Self {
        Self {
            cursor: Tip::genesis(),
            keys: HashMap::new(),
            subjects: BTreeMap::new(),
            snapshots: BTreeMap::new(),
        }
    }
}

impl MemIndex {
    /// An empty index.
    #[must_use]
    pub fn new() -> Self {
        Self(RwLock::new(Taken::nothing()))
    }

    /// Forgets everything, as an index on disk does that failed and is built anew.
    pub fn forget(&self) {
        *self.0.write().unwrap_or_else(PoisonError::into_inner) = Taken::nothing();
    }

    fn get<T>(&self, read: impl FnOnce(&Taken) -> T) -> T {
        read(&self.0.read().unwrap_or_else(PoisonError::into_inner))
    }
}

impl Default for MemIndex {
    fn default() -> Self {
        Self::new()
    }
}

fn page(set: Option<&BTreeSet<u64>>, from: u64, max: usize) -> Vec<u64> {
    set.into_iter().flat_map(|set| set.range(from..)).take(max).copied().collect()
}

impl Index for MemIndex {
    fn cursor(&self) -> Tip {
        self.get(|taken| taken.cursor)
    }

    fn take(&self, rows: &[Row], tip: Tip) -> Result<()> {
        let mut taken = self.0.write().unwrap_or_else(PoisonError::into_inner);
        for row in rows {
            // The first entry with a key is the one that counts.
            taken.keys.entry(row.key).or_insert(row.seq);
            taken.subjects.entry(row.subject.clone()).or_default().insert(row.seq);
        }
        taken.cursor = tip;
        Ok(())
    }

    fn seq_of(&self, key: &Key, before: u64) -> Result<Option<u64>> {
        self.get(|taken| {
            not_there_yet(taken.cursor.count, before)?;
            Ok(taken.keys.get(key).copied())
        })
    }

    fn by_subject(&self, subject: &str, from: u64, max: usize) -> Result<Vec<u64>> {
        Ok(self.get(|taken| page(taken.subjects.get(subject), from, max)))
    }

    fn store_snapshot(&self, snapshot: &Snapshot) -> Result<()> {
        let mut taken = self.0.write().unwrap_or_else(PoisonError::into_inner);
        taken.snapshots.insert((snapshot.fold.clone(), snapshot.version), snapshot.clone());
        Ok(())
    }

    fn snapshot(&self, fold: &str, version: u16) -> Result<Option<Snapshot>> {
        Ok(self.get(|taken| taken.snapshots.get(&(fold.to_owned(), version)).cloned()))
    }

    fn flush(&self) -> Result<()> {
        Ok(())
    }
}
