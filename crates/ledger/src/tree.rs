//! The Merkle tree over the stored entries: tiles, heads of any size, hashes for proofs.
//!
//! Full hash tiles are kept beside the entries once they are full; everything else is computed when
//! asked for. A tile that is missing is computed from what lies below it, in the end from the
//! entries, so tiles are never more than a saving of work.

use std::sync::Arc;

use chain::entry::{Ending, EntryView, Head, genesis_prev, leaf_hash};
use chain::limits::{TILE_HEIGHT, TILE_WIDTH};
use chain::merkle::{Frontier, root_of};
use chain::tile::{Tile, TileCache, TileKind, TileSource, append_to_bundle};
use chain::{Digest, entry::EntryError};

use crate::engine::Store;
use crate::error::{LedgerError, Result};
use crate::limits::SCAN_BYTES_MAX;

const WIDTH: u64 = TILE_WIDTH as u64;
/// Full tiles stored in one go while a log is read from the beginning.
pub(crate) const TILES_AT_ONCE: usize = 64;

/// The bytes of a tile as `tlog-tiles` serves them; `None` if the log has not that many entries.
///
/// # Errors
/// If the log cannot be read.
pub fn tile_bytes(store: &dyn Store, tile: Tile) -> Result<Option<Vec<u8>>> {
    if Tile::in_tree(tile.kind, tile.index, store.count())
        .is_none_or(|most| most.width < tile.width)
    {
        return Ok(None);
    }
    match tile.kind {
        TileKind::Entries => bundle(store, tile).map(Some),
        TileKind::Hashes(level) => {
            if tile.is_full()
                && let Some(bytes) = store.tile(tile)?
            {
                return Ok(Some(bytes));
            }
            let first = tile.first();
            let hashes =
                level_hashes(store, level, first, first + u64::from(tile.width), Missing::Compute)?;
            Ok(Some(hashes.iter().flat_map(|hash| *hash.as_bytes()).collect()))
        }
    }
}

/// The bytes of an entry, checked against what vouches for them: its own number and, but for the
/// newest, the link of the entry behind it. Bytes that rotted are reported, never shown as recorded.
///
/// # Errors
/// [`LedgerError::Damaged`] or [`LedgerError::Entry`] if they changed.
pub fn read_entry(store: &dyn Store, seq: u64) -> Result<Option<Vec<u8>>> {
    let Some(line) = store.read(seq)? else { return Ok(None) };
    let parse =
        |seq, line| EntryView::parse(line).map_err(|source| LedgerError::Entry { seq, source });
    if parse(seq, &line)?.seq != seq {
        return Err(damaged(seq, "another entry stands in its place"));
    }
    if let Some(next) = store.read(seq + 1)?
        && parse(seq + 1, &next)?.prev != leaf_hash(&line)
    {
        return Err(damaged(seq, "the entry behind it does not link to it"));
    }
    Ok(Some(line))
}

/// Hashes of complete subtrees in the tree over the first `size` entries, for making proofs. `seen`
/// holds the tiles of this log that other proofs needed.
pub fn hashes(
    store: &dyn Store,
    size: u64,
    seen: Arc<TileCache>,
) -> TileSource<impl Fn(Tile) -> Result<Vec<u8>> + '_> {
    let read =
        move |tile: Tile| tile_bytes(store, tile)?.ok_or_else(|| too_short(store, tile.first()));
    TileSource::sharing(size, read, seen)
}

/// The end of the log as it was at `size`, from full tiles as far as they are kept and from entries
/// for the rest: O(log n) tiles and at most 255 entries.
///
/// # Errors
/// If the log is shorter or cannot be read.
pub fn head_at(store: &dyn Store, size: u64) -> Result<Head> {
    let base = Levels::at(store, size / WIDTH * WIDTH, Missing::Compute)?;
    let mut head = base.head(store)?;
    extend(&mut head, store, size, Look::Whole, |_, _| Ok(()))?;
    Ok(head)
}

/// How much of an entry is looked at beside its hash.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Look {
    /// All of it: it is an entry of the format.
    Whole,
    /// Its link to the entry before. For whoever then compares the end with a leaf or a root that is
    /// vouched for: the chain of hashes says of every byte that it is what was sealed.
    Link,
}

/// Lets `head` take in the entries up to `size`, read back and hashed again, and shows each leaf to
/// `each`.
pub(crate) fn extend(
    head: &mut Head,
    store: &dyn Store,
    size: u64,
    look: Look,
    mut each: impl FnMut(u64, Digest) -> Result<()>,
) -> Result<()> {
    while head.size() < size {
        let chunk = store.scan(head.size(), SCAN_BYTES_MAX)?;
        if chunk.is_empty() {
            return Err(too_short(store, head.size()));
        }
        for (seq, line) in chunk.iter().take_while(|(seq, _)| *seq < size) {
            let Ending { seq: own, prev, recorded_at_ms } = match look {
                Look::Whole => None,
                Look::Link => Ending::read(line),
            }
            .map_or_else(|| whole_ending(seq, line), Ok)?;
            let leaf = leaf_hash(line);
            head.advance(own, prev, recorded_at_ms, leaf)
                .map_err(|error| damaged(seq, &error.to_string()))?;
            each(seq, leaf)?;
        }
    }
    Ok(())
}

/// The ending of an entry that was looked at from end to end.
fn whole_ending(seq: u64, line: &[u8]) -> Result<Ending> {
    let entry = EntryView::parse(line).map_err(|source| LedgerError::Entry { seq, source })?;
    Ok(Ending { seq: entry.seq, prev: entry.prev, recorded_at_ms: entry.recorded_at_ms })
}

fn damaged(seq: u64, what: &str) -> LedgerError {
    LedgerError::Damaged { seq, name: "entries".to_owned(), offset: 0, what: what.to_owned() }
}

fn too_short(store: &dyn Store, seq: u64) -> LedgerError {
    damaged(seq, &format!("the log has only `{}` entries", store.count()))
}

fn bundle(store: &dyn Store, tile: Tile) -> Result<Vec<u8>> {
    let (mut at, end) = (tile.first(), tile.first() + u64::from(tile.width));
    let mut bytes = Vec::new();
    while at < end {
        let chunk = store.scan(at, SCAN_BYTES_MAX)?;
        if chunk.is_empty() {
            return Err(too_short(store, at));
        }
        for (seq, line) in chunk.iter().take_while(|(seq, _)| *seq < end) {
            append_to_bundle(&mut bytes, line).map_err(|error| damaged(seq, &error.to_string()))?;
        }
        at = chunk.end();
    }
    Ok(bytes)
}

/// What to do about a full tile that is not kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Missing {
    /// Compute it from what lies below.
    Compute,
    /// Give up: somebody will build all tiles again.
    Refuse,
}

/// Hashes `from..to` of a level of tiles.
fn level_hashes(
    store: &dyn Store,
    level: u8,
    from: u64,
    to: u64,
    missing: Missing,
) -> Result<Vec<Digest>> {
    if level == 0 {
        let mut leaves = Vec::new();
        let mut at = from;
        while at < to {
            let chunk = store.scan(at, SCAN_BYTES_MAX)?;
            if chunk.is_empty() {
                return Err(too_short(store, at));
            }
            let wanted = chunk.iter().take_while(|(seq, _)| *seq < to);
            leaves.extend(wanted.map(|(_, line)| leaf_hash(line)));
            at = chunk.end();
        }
        return Ok(leaves);
    }
    let below = |index| {
        let tile = Tile { kind: TileKind::Hashes(level - 1), index, width: TILE_WIDTH };
        let hashes = match store.tile(tile)? {
            Some(bytes) => tile.hashes(&bytes).map_err(|error| damaged(0, &error.to_string()))?,
            None if missing == Missing::Refuse => {
                return Err(damaged(index * WIDTH, &format!("`{tile}` is missing")));
            }
            None => level_hashes(store, level - 1, index * WIDTH, (index + 1) * WIDTH, missing)?,
        };
        Ok(root_of(&hashes))
    };
    (from..to).map(below).collect()
}

/// Whether a full hash tile that is kept is what lies below it gives; `None` if it is not kept.
///
/// # Errors
/// If the log cannot be read.
pub(crate) fn tile_is_right(store: &dyn Store, tile: Tile) -> Result<Option<bool>> {
    let TileKind::Hashes(level) = tile.kind else { return Ok(None) };
    let Some(bytes) = store.tile(tile)? else { return Ok(None) };
    let first = tile.first();
    let hashes = level_hashes(store, level, first, first + WIDTH, Missing::Compute)?;
    Ok(Some(tile.hashes(&bytes).is_ok_and(|kept| kept == hashes)))
}

/// Builds all full tiles again from the entries.
///
/// # Errors
/// If the log cannot be read or a tile cannot be written.
pub(crate) fn rebuild_tiles(store: &dyn Store) -> Result<()> {
    let (mut head, mut levels, mut full) = (Head::empty(), Levels::default(), Vec::new());
    extend(&mut head, store, store.count(), Look::Whole, |_, leaf| {
        levels.push(leaf, &mut full);
        if full.len() >= TILES_AT_ONCE {
            store.store_tiles(&full)?;
            full.clear();
        }
        Ok(())
    })?;
    store.store_tiles(&full)
}

/// The tiles that are being filled, one for each level: at most 255 hashes each.
#[derive(Debug, Clone, Default)]
pub(crate) struct Levels {
    size: u64,
    levels: Vec<Vec<Digest>>,
}

impl Levels {
    /// The tiles being filled when the log had `size` entries.
    fn at(store: &dyn Store, size: u64, missing: Missing) -> Result<Self> {
        let mut levels = Vec::new();
        for level in 0_u8.. {
            let shift = u32::from(level) * u32::from(TILE_HEIGHT);
            let count = size.checked_shr(shift).unwrap_or(0);
            if count == 0 {
                break;
            }
            levels.push(level_hashes(store, level, count / WIDTH * WIDTH, count, missing)?);
        }
        Ok(Self { size, levels })
    }

    /// Adds a leaf; full tiles go to `full`.
    pub(crate) fn push(&mut self, leaf: Digest, full: &mut Vec<(Tile, Vec<u8>)>) {
        self.size += 1;
        let mut hash = leaf;
        for level in 0_u8.. {
            let at = usize::from(level);
            if self.levels.len() == at {
                self.levels.push(Vec::with_capacity(usize::from(TILE_WIDTH)));
            }
            self.levels[at].push(hash);
            if self.levels[at].len() < usize::from(TILE_WIDTH) {
                break;
            }
            let shift = u32::from(level) * u32::from(TILE_HEIGHT);
            let index = (self.size >> shift) / WIDTH - 1;
            let tile = Tile { kind: TileKind::Hashes(level), index, width: TILE_WIDTH };
            let bytes = self.levels[at].iter().flat_map(|hash| *hash.as_bytes()).collect();
            full.push((tile, bytes));
            hash = root_of(&self.levels[at]);
            self.levels[at].clear();
        }
    }

    /// The end of the log at this size. The size must be a multiple of a tile's width, so that the
    /// last entry stands in a full tile.
    fn head(&self, store: &dyn Store) -> Result<Head> {
        let mut parts = Vec::new();
        for hashes in self.levels.iter().rev() {
            let mut rest = &hashes[..];
            while !rest.is_empty() {
                let part = 1 << rest.len().ilog2();
                parts.push(root_of(&rest[..part]));
                rest = &rest[part..];
            }
        }
        let frontier = Frontier::from_parts(self.size, parts)
            .map_err(|error| damaged(self.size, &error.to_string()))?;
        let Some(last) = self.size.checked_sub(1) else {
            return Ok(Head::from_parts(frontier, genesis_prev(), 0));
        };
        let line = store.read(last)?.ok_or_else(|| too_short(store, last))?;
        let entry = EntryView::parse(&line)
            .map_err(|source: EntryError| LedgerError::Entry { seq: last, source })?;
        Ok(Head::from_parts(frontier, leaf_hash(&line), entry.recorded_at_ms))
    }

    /// The tiles being filled and the end of the log at the last multiple of a tile's width; fails
    /// if a tile this rests on is missing.
    pub(crate) fn with_head(store: &dyn Store, size: u64) -> Result<(Self, Head)> {
        let levels = Self::at(store, size / WIDTH * WIDTH, Missing::Refuse)?;
        let head = levels.head(store)?;
        Ok((levels, head))
    }
}
