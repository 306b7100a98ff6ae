//! The engine in memory: for tests of everything above an engine, and for the simulator. It keeps
//! the contract except for the one promise memory cannot keep.

use std::collections::BTreeMap;
use std::sync::{Arc, PoisonError, RwLock, RwLockReadGuard, RwLockWriteGuard};

use chain::entry::leaf_hash;
use chain::tile::Tile;

use super::recovery::Stop;
use super::{Chunk, Engine, Line, Store, is_line, note_text};
use crate::error::{LedgerError, Result};

/// A log in memory. Clones of its store stay readable after the engine is gone.
#[derive(Debug, Default)]
pub struct MemEngine {
    store: Arc<MemStore>,
    closed: bool,
    stop: Option<Stop>,
}

#[derive(Debug, Default)]
struct MemStore(RwLock<Kept>);

#[derive(Debug, Default)]
struct Kept {
    lines: Vec<Vec<u8>>,
    watermark: Option<Vec<u8>>,
    checkpoints: BTreeMap<u64, Vec<u8>>,
    tiles: BTreeMap<Tile, Vec<u8>>,
}

impl MemEngine {
    /// An empty log.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// The same log after a restart.
    #[must_use]
    pub fn reopen(&self) -> Self {
        Self { store: Arc::clone(&self.store), closed: false, stop: None }
    }
}

impl MemStore {
    fn read_guard(&self) -> RwLockReadGuard<'_, Kept> {
        self.0.read().unwrap_or_else(PoisonError::into_inner)
    }

    fn write_guard(&self) -> RwLockWriteGuard<'_, Kept> {
        self.0.write().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Engine for MemEngine {
    fn count(&self) -> u64 {
        self.store.count()
    }

    fn append(&mut self, expected_count: u64, lines: &[Line<'_>]) -> Result<()> {
        if let Some(reason) = &self.stop {
            return Err(LedgerError::ReadOnly { reason: reason.clone() });
        }
        if self.closed {
            return Err(LedgerError::Poisoned { since: "the log was closed".to_owned() });
        }
        let found = self.count();
        if expected_count != found {
            return Err(LedgerError::CountMismatch { expected: expected_count, found });
        }
        if let Some(index) = lines.iter().position(|line| !is_line(line.bytes)) {
            return Err(LedgerError::NotALine { index });
        }
        let copies: Vec<Vec<u8>> = lines.iter().map(|line| line.bytes.to_vec()).collect();
        for ((seq, copy), line) in (found..).zip(&copies).zip(lines) {
            if leaf_hash(copy) != line.leaf {
                return Err(LedgerError::ChangedInMemory { seq });
            }
        }
        self.store.write_guard().lines.extend(copies);
        Ok(())
    }

    fn store(&self) -> Arc<dyn Store> {
        Arc::<MemStore>::clone(&self.store)
    }

    fn stop(&mut self, reason: Stop) {
        self.stop = Some(reason);
    }

    fn retire(&mut self, _to: &str) -> Result<bool> {
        self.closed = true;
        Ok(true)
    }

    fn close(&mut self) -> Result<()> {
        self.closed = true;
        Ok(())
    }
}

impl Store for MemStore {
    fn count(&self) -> u64 {
        self.read_guard().lines.len() as u64
    }

    fn scan(&self, from: u64, bytes_max: usize) -> Result<Chunk> {
        let kept = self.read_guard();
        let mut chunk = Chunk::new(from);
        let mut taken = 0;
        for line in kept.lines.iter().skip(usize::try_from(from).unwrap_or(usize::MAX)) {
            if !chunk.is_empty() && taken >= bytes_max {
                break;
            }
            taken += line.len();
            chunk.push(line);
        }
        Ok(chunk)
    }

    fn watermark(&self) -> Result<Option<Vec<u8>>> {
        Ok(self.read_guard().watermark.clone())
    }

    fn store_watermark(&self, note: &[u8]) -> Result<()> {
        self.write_guard().watermark = Some(note.to_vec());
        Ok(())
    }

    fn checkpoint(&self, size: u64) -> Result<Option<Vec<u8>>> {
        Ok(self.read_guard().checkpoints.get(&size).cloned())
    }

    fn checkpoint_sizes(&self) -> Result<Vec<u64>> {
        Ok(self.read_guard().checkpoints.keys().copied().collect())
    }

    fn store_checkpoint(&self, size: u64, note: &[u8]) -> Result<()> {
        let mut kept = self.write_guard();
        if kept.checkpoints.get(&size).is_some_and(|old| note_text(old) != note_text(note)) {
            return Err(LedgerError::Foreign {
                name: format!("checkpoint {size}"),
                what: "is kept already with another text: a checkpoint never changes".to_owned(),
            });
        }
        kept.checkpoints.insert(size, note.to_vec());
        Ok(())
    }

    fn tile(&self, tile: Tile) -> Result<Option<Vec<u8>>> {
        Ok(self.read_guard().tiles.get(&tile).cloned())
    }

    fn store_tiles(&self, tiles: &[(Tile, Vec<u8>)]) -> Result<()> {
        self.write_guard().tiles.extend(tiles.iter().cloned());
        Ok(())
    }
}
