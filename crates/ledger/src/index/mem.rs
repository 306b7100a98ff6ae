//! The index in memory: for tests and the simulator, and for what has no index on disk.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::io;
use std::sync::{Arc, PoisonError, RwLock};

use shopfloor::pieces::Pieces;

use super::{Index, Row, SnapshotOf, StateRead, WriteState, not_there_yet};
use crate::engine::recovery::Tip;
use crate::error::Result;
use crate::limits::SNAPSHOT_GARBAGE_BYTES;
use crate::snapshot::{MemPieces, is_mostly_garbage};
use crate::submission::Key;

/// An index that is gone when the process is.
#[derive(Debug)]
pub struct MemIndex(RwLock<Taken>);

#[derive(Debug)]
struct Taken {
    cursor: Tip,
    keys: HashMap<Key, u64>,
    subjects: BTreeMap<String, BTreeSet<u64>>,
    snapshots: BTreeMap<(String, u16), Kept>,
}

/// A snapshot.
#[derive(Debug, Clone)]
struct Kept {
    tip: Tip,
    pieces: Arc<MemPieces>,
    /// Length of the pieces after the first snapshot with them.
    begun_len: u64,
    state: Vec<u8>,
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

    fn store_snapshot(&self, of: &SnapshotOf, write: &mut WriteState<'_>) -> Result<()> {
        let key = (of.fold.clone(), of.version);
        let (pieces, begun_len) = self.get(|taken| {
            let before = taken.snapshots.get(&key);
            let kept = before.filter(|kept| {
                let len = kept.pieces.len() as u64;
                !is_mostly_garbage(len, kept.begun_len, SNAPSHOT_GARBAGE_BYTES)
            });
            kept.map(|kept| (Arc::clone(&kept.pieces), Some(kept.begun_len))).unwrap_or_default()
        });
        let mut state = Vec::new();
        write(&(Arc::clone(&pieces) as Arc<dyn Pieces>), &mut state)?;
        let begun_len = begun_len.unwrap_or(pieces.len() as u64);
        let kept = Kept { tip: of.tip, pieces, begun_len, state };
        self.0.write().unwrap_or_else(PoisonError::into_inner).snapshots.insert(key, kept);
        Ok(())
    }

    fn snapshot(&self, fold: &str, version: u16) -> Result<Option<StateRead>> {
        let kept = self.get(|taken| taken.snapshots.get(&(fold.to_owned(), version)).cloned());
        Ok(kept.map(|Kept { tip, pieces, begun_len: _, state }| StateRead {
            tip,
            pieces,
            state: Box::new(io::Cursor::new(state)),
        }))
    }

    fn flush(&self) -> Result<()> {
        Ok(())
    }
}
