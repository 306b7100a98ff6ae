//! The reading half, and what is derived from the entries and kept beside them.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use chain::checkpoint::Checkpoint;
use chain::note::Note;
use chain::tile::{Tile, TileKind};
use tokio_postgres::Row;

use super::link::Link;
use super::{row_bytes, row_i64};
use crate::disk::{Dir, read_whole, write_durably};
use crate::engine::{Chunk, Store, note_text};
use crate::error::{Doing as _, LedgerError, Result};

/// Most rows one scan asks for.
const ROWS_MAX: u64 = 4_096;
/// What one entry is guessed to have, in bytes, to ask for about as many rows as will fit.
const ENTRY_BYTES_GUESS: u64 = 256;
/// Attempts to add signatures to a note that others add signatures to.
const SWAPS_MAX: usize = 16;
/// File of this process's own copy of the watermark, in its head directory.
pub(super) const WATERMARK: &str = "watermark-of-database";
const NOTE_BYTES_MAX: u64 = chain::limits::NOTE_BYTES_MAX as u64;
const NOTE_MODE: u32 = 0o644;
/// Bytes of a hash in a tile.
const HASH_BYTES: usize = 32;

/// The reading half of the engine.
#[derive(Debug)]
pub(super) struct PgStore {
    pub(super) link: Link,
    /// Entries this process has taken in.
    pub(super) count: AtomicU64,
    /// Where the copy of the watermark is kept; nowhere if it is only looked at.
    pub(super) head: Option<Arc<dyn Dir>>,
    /// The watermark as this process last saw it, for the compare-and-swap.
    pub(super) seen: Mutex<Option<Vec<u8>>>,
}

/// The copy of the watermark that this process keeps.
pub(super) fn read_copy(head: &dyn Dir) -> Result<Option<Vec<u8>>> {
    read_whole(head, WATERMARK, NOTE_BYTES_MAX).doing("read", WATERMARK)
}

fn size_of(note: &[u8]) -> Option<u64> {
    Some(Checkpoint::parse_text(&Note::parse(note).ok()?.text).ok()?.size)
}

fn one_note(rows: &[Row]) -> Result<Option<Vec<u8>>> {
    rows.first().map(|row| row_bytes(row, 0)).transpose()
}

impl PgStore {
    fn damaged(seq: u64, what: &str) -> LedgerError {
        let (name, what) = ("pulverlog_entries".to_owned(), what.to_owned());
        LedgerError::Damaged { seq, name, offset: 0, what }
    }

    fn seen(&self) -> std::sync::MutexGuard<'_, Option<Vec<u8>>> {
        self.seen.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn keep_copy(&self, note: &[u8]) -> Result<()> {
        match &self.head {
            Some(head) => {
                write_durably(&**head, WATERMARK, note, NOTE_MODE).doing("write", WATERMARK)
            }
            None => Ok(()),
        }
    }
}

/// Both notes' signatures under their one text, each once, those that were there first.
fn with_signatures_of(kept: &[u8], more: &[u8]) -> Vec<u8> {
    let mut merged = kept.to_vec();
    let known: Vec<&[u8]> = kept.split(|byte| *byte == b'\n').collect();
    let signatures = more.get(note_text(more).len() + 2..).unwrap_or_default();
    for line in signatures.split(|byte| *byte == b'\n').filter(|line| !line.is_empty()) {
        if !known.contains(&line) {
            merged.extend_from_slice(line);
            merged.push(b'\n');
        }
    }
    merged
}

impl Store for PgStore {
    fn count(&self) -> u64 {
        self.count.load(Ordering::Acquire)
    }

    fn scan(&self, from: u64, bytes_max: usize) -> Result<Chunk> {
        let mut chunk = Chunk::new(from);
        let count = self.count();
        if from >= count {
            return Ok(chunk);
        }
        let rows = (bytes_max as u64 / ENTRY_BYTES_GUESS).clamp(1, ROWS_MAX);
        let to = count.min(from + rows);
        // The server stops where the bytes are enough, so that large entries do not come by the
        // thousand.
        let sql = "SELECT seq, bytes FROM (
                       SELECT seq, bytes, sum(length(bytes)) OVER (ORDER BY seq) - length(bytes) AS before
                       FROM pulverlog_entries WHERE seq >= $1 AND seq < $2) AS part
                   WHERE before < $3 ORDER BY seq";
        let limit = i64::try_from(bytes_max).unwrap_or(i64::MAX);
        let params = (seq_i64(from)?, seq_i64(to)?, limit.max(1));
        let lines = self.link.ask(sql, params, |rows| {
            rows.iter()
                .map(|row| Ok((row_i64(row, 0)?, row_bytes(row, 1)?)))
                .collect::<Result<Vec<_>>>()
        })?;
        for (expected, (seq, line)) in (from..).zip(&lines) {
            if u64::try_from(*seq) != Ok(expected) {
                return Err(Self::damaged(expected, "it is not in the table"));
            }
            chunk.push(line);
        }
        if chunk.is_empty() {
            return Err(Self::damaged(from, "it is not in the table"));
        }
        Ok(chunk)
    }

    fn watermark(&self) -> Result<Option<Vec<u8>>> {
        self.link.ask("SELECT note FROM pulverlog_watermark WHERE id = 1", (), one_note)
    }

    fn store_watermark(&self, note: &[u8]) -> Result<()> {
        let mut seen = self.seen();
        let size = size_of(note);
        for _ in 0..SWAPS_MAX {
            let swapped = match &*seen {
                Some(seen) => self.link.change(
                    "UPDATE pulverlog_watermark SET note = $1 WHERE id = 1 AND note = $2",
                    (note.to_vec(), seen.clone()),
                )?,
                None => self.link.change(
                    "INSERT INTO pulverlog_watermark(id, note) VALUES(1, $1) ON CONFLICT DO NOTHING",
                    (note.to_vec(),),
                )?,
            };
            if swapped == 1 {
                *seen = Some(note.to_vec());
                return self.keep_copy(note);
            }
            // Another recorder of this log signed meanwhile, or an earlier attempt of ours came through.
            let now = self.watermark()?;
            let covers_as_much = match &now {
                Some(now) if note_text(now) == note_text(note) => true,
                Some(now) => size_of(now) > size,
                None => false,
            };
            let is_other = now
                .as_ref()
                .is_some_and(|now| size_of(now) == size && note_text(now) != note_text(note));
            seen.clone_from(&now);
            if is_other && size.is_some() {
                return Err(LedgerError::Foreign {
                    name: WATERMARK.to_owned(),
                    what:
                        "was signed by another recorder over another history of the same length: \
                           stop all of them and find out which database each one writes to"
                            .to_owned(),
                });
            }
            if covers_as_much {
                return self.keep_copy(note);
            }
        }
        Err(LedgerError::Busy)
    }

    fn checkpoint(&self, size: u64) -> Result<Option<Vec<u8>>> {
        let Ok(size) = i64::try_from(size) else { return Ok(None) };
        self.link.ask("SELECT note FROM pulverlog_checkpoints WHERE size = $1", (size,), one_note)
    }

    fn checkpoint_sizes(&self) -> Result<Vec<u64>> {
        self.link.ask("SELECT size FROM pulverlog_checkpoints ORDER BY size", (), |rows| {
            rows.iter().map(|row| Ok(row_i64(row, 0)?.unsigned_abs())).collect()
        })
    }

    fn store_checkpoint(&self, size: u64, note: &[u8]) -> Result<()> {
        let key = seq_i64(size)?;
        for _ in 0..SWAPS_MAX {
            let inserted = self.link.change(
                "INSERT INTO pulverlog_checkpoints(size, note) VALUES($1, $2) ON CONFLICT DO NOTHING",
                (key, note.to_vec()),
            )?;
            if inserted == 1 {
                return Ok(());
            }
            let Some(kept) = self.checkpoint(size)? else { continue };
            if note_text(&kept) != note_text(note) {
                return Err(LedgerError::Foreign {
                    name: format!("checkpoint {size}"),
                    what: "is kept already with another text: a checkpoint never changes"
                        .to_owned(),
                });
            }
            // Each recorder asks the witnesses by itself: what any of them was given stays.
            let merged = with_signatures_of(&kept, note);
            if merged == kept {
                return Ok(());
            }
            let swapped = self.link.change(
                "UPDATE pulverlog_checkpoints SET note = $1 WHERE size = $2 AND note = $3",
                (merged, key, kept),
            )?;
            if swapped == 1 {
                return Ok(());
            }
        }
        Err(LedgerError::Busy)
    }

    fn tile(&self, tile: Tile) -> Result<Option<Vec<u8>>> {
        let TileKind::Hashes(level) = tile.kind else { return Ok(None) };
        let Ok(index) = i64::try_from(tile.index) else { return Ok(None) };
        let sql = "SELECT bytes FROM pulverlog_tiles WHERE level = $1 AND tile = $2";
        let bytes = self.link.ask(sql, (i32::from(level), index), one_note)?;
        // Of another length it is as good as none.
        Ok(bytes.filter(|bytes| bytes.len() == usize::from(tile.width) * HASH_BYTES))
    }

    fn store_tiles(&self, tiles: &[(Tile, Vec<u8>)]) -> Result<()> {
        let (mut levels, mut indices, mut all) = (Vec::new(), Vec::new(), Vec::new());
        for (tile, bytes) in tiles {
            let TileKind::Hashes(level) = tile.kind else { continue };
            levels.push(i32::from(level));
            indices.push(seq_i64(tile.index)?);
            all.push(bytes.clone());
        }
        if levels.is_empty() {
            return Ok(());
        }
        // What another recorder kept already is not written again.
        let sql = "INSERT INTO pulverlog_tiles AS kept(level, tile, bytes)
                   SELECT level, tile, bytes FROM unnest($1, $2, $3) AS new(level, tile, bytes)
                   ON CONFLICT(level, tile) DO UPDATE SET bytes = excluded.bytes
                   WHERE kept.bytes <> excluded.bytes";
        self.link.change(sql, (levels, indices, all)).map(drop)
    }
}

/// A sequence number as the tables hold it.
pub(super) fn seq_i64(seq: u64) -> Result<i64> {
    i64::try_from(seq).map_err(|_| LedgerError::Database {
        what: format!("`{seq}` is more than the database can count"),
    })
}
